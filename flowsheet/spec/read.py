"""From YAML to a Sheet: shape first, meaning second, every mistake at once."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from flowsheet.spec import document as yaml_document
from flowsheet.spec import numbers, units
from flowsheet.spec.checks import CHECKS, Draft, unread
from flowsheet.spec.document import Document, Path_
from flowsheet.spec.factors import LEAST_SIEVE, MOST_SIEVE
from flowsheet.spec.fields import dimension_of
from flowsheet.spec.mistakes import SETTING, Mistake, SheetError, did_you_mean, nearest
from flowsheet.spec.schema import TOP_FIELDS, Ore, Sheet, StepBlock, Weighed, price_fault

Kinds = Mapping[str, type[StepBlock]]


def read_sheet(path: str | Path, kinds: Kinds) -> tuple[Sheet, Document]:
    """Read, validate and check a sheet file. Raises SheetError with every mistake found."""
    document = yaml_document.read(path)
    return build(document, kinds), document


def build(document: Document, kinds: Kinds) -> Sheet:
    """Validate and check a document. Raises SheetError with every mistake found."""
    shape = _Shape(document, kinds)
    draft = Draft(document, shape.ores(), shape.steps(), shape.weighed(), shape.keep())
    sieves = shape.sieves()
    prices = shape.prices()
    title = shape.text("title")
    mistakes = [*shape.top(), *shape.mistakes]
    draft.hurt = shape.hurt
    for check in CHECKS:
        # What a block lacks because that very field could not be read is no second mistake.
        mistakes.extend(mistake for mistake in check(draft) if not unread(draft, mistake))
    if mistakes:
        raise SheetError(dict.fromkeys(mistakes))
    return Sheet(
        file=document.file,
        title=title or Path(document.file).stem,
        ores={name: ore for name, ore in draft.ores.items() if ore is not None},
        steps={name: step for name, step in draft.steps.items() if step is not None},
        keep=tuple(draft.keep),
        weighed=draft.weighed,
        prices=prices,
        sieves=sieves,
    )


def with_settings(document: Document, settings: Mapping[str, str]) -> Document:
    """Return the document with fields set anew: ``{"scalp.opening": "12 mm", "ore.grade": "10 g/t"}``.

    A path starts at a step's name, or at a field of the sheet. Raises SheetError for a path that leads
    nowhere.
    """
    changed = Document(document.file, copy.deepcopy(document.data), changed=True)
    for name, value in settings.items():
        _set(changed.data, name, _path_of(document, name), value)
    return changed


def _set(data: dict[str, Any], name: str, path: Path_, value: str) -> None:
    node: Any = data
    for depth, part in enumerate(path):
        if isinstance(node, list):
            if not (isinstance(part, int) and part < len(node)):
                rows = f"Rows run from 0 to {len(node) - 1}" if node else "There are no rows"
                raise _setting_fault(name, f'there is no row "{part}"', rows)
        elif not isinstance(node, dict):
            raise _setting_fault(name, f'"{path[depth - 1]}" has no fields of its own', "Set it as a whole")
        if depth == len(path) - 1:
            node[part] = value
        elif isinstance(node, dict) and node.get(part) is None:
            node[part] = node = {}
        else:
            node = node[part]


def _path_of(document: Document, name: str) -> Path_:
    parts: list[str | int] = [int(p) if p.isdecimal() and len(p) < 5 else p for p in name.strip().split(".")]
    steps = document.data.get("steps")
    steps = steps if isinstance(steps, dict) else {}
    if str(parts[0]) in steps:
        parts = ["steps", str(parts[0]), *parts[1:]]
    if parts[0] not in ("ore", "ores", "steps"):
        known = [*steps, *(top for top in ("ore", "ores") if top in document.data)]
        raise _setting_fault(name, f'there is no step "{parts[0]}"', did_you_mean(str(parts[0]), known, "steps"))
    if parts[0] not in document.data:
        there = "ores" if parts[0] == "ore" else "ore"
        raise _setting_fault(name, f'the sheet has no "{parts[0]}"', f"It has {there}: name that")
    if len(parts) < (3 if parts[0] in ("steps", "ores") else 2):
        raise _setting_fault(name, "this names no field", "Write step.field=value, as scalp.opening=12mm")
    if parts[0] in ("steps", "ores"):
        block, inner = document.data[parts[0]], str(parts[1])
        if isinstance(block, dict) and inner not in block:
            raise _setting_fault(name, f'there is no "{inner}"', did_you_mean(inner, block, str(parts[0])))
        parts[1] = inner
    return tuple(parts)


def _setting_fault(name: str, message: str, remedy: str) -> SheetError:
    return SheetError([Mistake(message, remedy, field=name, file=SETTING)])


@dataclass
class _Shape:
    """Validates each block on its own, so that one bad block hides no other."""

    document: Document
    kinds: Kinds
    mistakes: list[Mistake] = field(default_factory=list)
    #: Fields that could not be read.
    hurt: set[Path_] = field(default_factory=set)

    def say(self, path: Path_, message: str, remedy: str, read: str | None = None) -> None:
        self.hurt.add(path)
        self.mistakes.append(self.document.mistake(path, message, remedy, read))

    def top(self) -> Iterator[Mistake]:
        for name in self.unknown():
            given = self.document.data[name]
            if nearest(name, TOP_FIELDS) is None and name in Ore.model_fields:
                remedy = f"Put it under ore: and indent it: ore: {{{name}: …}}"
            elif nearest(name, TOP_FIELDS) is None and isinstance(given, dict) and "do" in given:
                remedy = "If it is a step, put it under steps: and indent it"
            else:
                remedy = did_you_mean(name, TOP_FIELDS, "fields")
            yield self.document.name_mistake((name,), "a sheet has no such field", remedy)

    def unknown(self) -> list[str]:
        return [name for name in self.document.data if name not in TOP_FIELDS]

    def lacks(self, *names: str) -> bool:
        """Whether a field of the sheet is missing, and is not just misspelt."""
        return not any(nearest(name, TOP_FIELDS) in names for name in self.unknown())

    def ores(self) -> dict[str, Ore | None]:
        data = self.document.data
        if "ore" in data and "ores" in data:
            self.mistakes.append(self.document.name_mistake(
                ("ores",), "both ore and ores are given", "Keep ore for one feed, or ores for several"
            ))  # fmt: skip
            # Which of the two is meant cannot be told, so neither is looked into.
            return {"ore": None, **dict.fromkeys(data["ores"] if isinstance(data["ores"], dict) else ())}
        if "ore" in data:
            return {"ore": self.block(Ore, ("ore",))}
        if "ores" in data:
            return {name: self.block(Ore, ("ores", name)) for name in self.names("ores", "name: {mass: …, grade: …}")}
        if self.lacks("ore", "ores"):
            self.say(("ore",), "there is no ore", "Add ore: {mass: 14.2 kg, grade: 22 g/t}")
        return {}

    def steps(self) -> dict[str, StepBlock | None]:
        if "steps" not in self.document.data:
            if self.lacks("steps"):
                self.say(("steps",), "there are no steps", "Add steps: and under it one line for each step")
            return {}
        return {name: self.step(name) for name in self.names("steps", "name: {do: …, takes: …, gives: …}")}

    def step(self, name: str) -> StepBlock | None:
        """Look up ``do`` first, then check the step against that kind alone."""
        path: Path_ = ("steps", name)
        given = self.document.data["steps"][name]
        if not isinstance(given, dict):
            self.say(path, "a step is a block of fields", f"Write {name}: {{do: …, takes: …, gives: …}}")
            return None
        do = given.get("do")
        if not isinstance(do, str):
            kinds = ", ".join(self.kinds)
            like = next((key for key in given if key not in StepBlock.model_fields and nearest(key, ["do"])), None)
            if like is not None:
                self.mistakes.append(self.document.name_mistake((*path, like), "no such field here",
                                                                'Did you mean "do"?'))  # fmt: skip
            else:
                self.say((*path, "do"), "the step does not say what it does", f"Add do: and one of {kinds}")
            return None
        if do not in self.kinds:
            self.say((*path, "do"), "no such kind of step", did_you_mean(do, self.kinds, "kinds"))
            return None
        step: StepBlock | None = self.block(self.kinds[do], path)
        return step

    def weighed(self) -> dict[str, Weighed]:
        if "weighed" not in self.document.data:
            return {}
        blocks = {n: self.block(Weighed, ("weighed", n)) for n in self.names("weighed", "stream: {mass: …}")}
        return {name: block for name, block in blocks.items() if block is not None}

    def keep(self) -> list[str]:
        given = self.document.data.get("keep")
        if isinstance(given, str):
            return [given]
        if not given and not isinstance(given, dict):
            if "keep" in self.document.data or self.lacks("keep"):
                self.say(("keep",), "the sheet does not say which streams you keep", "Add keep: [bead, specimens]")
            return []
        if not isinstance(given, list):
            self.say(("keep",), "the names of the streams you keep are wanted", "Write keep: [bead, specimens]")
            return []
        for i, stream in enumerate(given):
            if not isinstance(stream, str):
                self.say(("keep", i), "the name of a stream is wanted", "Write keep: [bead, specimens]")
        return [stream for stream in given if isinstance(stream, str)]

    def sieves(self) -> tuple[float, ...]:
        given = self.document.data.get("sieves", [])
        if not isinstance(given, list):
            self.say(("sieves",), "a list of sieves is wanted", "Write sieves: [1/2 in, 20 mesh]")
            return ()
        found = []
        for i, item in enumerate(given):
            try:
                size = numbers.parse(item if isinstance(item, str) else "", units.LENGTH).value
            except numbers.NumberMistake as wrong:
                self.say(("sieves", i), wrong.message, wrong.remedy)
                continue
            if LEAST_SIEVE <= size <= MOST_SIEVE:
                found.append(size)
            else:
                self.say(("sieves", i), "no sieve has such an opening", "Check the number and its unit")
        return tuple(found)

    def prices(self) -> dict[str, str]:
        if "prices" not in self.document.data:
            return {}
        found = {}
        for name in self.names("prices", "gold: 100 USD/g"):
            price = self.document.data["prices"][name]
            fault = price_fault(name, price if isinstance(price, str) else "")
            if fault is not None:
                self.say(("prices", name), *fault)
            else:
                found[name] = price
        return found

    def text(self, name: str) -> str:
        given = self.document.data.get(name)
        if given is not None and not isinstance(given, str):
            self.say((name,), "a line of text is wanted", f"Write {name}: some text")
            return ""
        return given or ""

    def names(self, top: str, example: str) -> list[str]:
        given = self.document.data[top]
        if not isinstance(given, dict) or not given:
            self.say((top,), f"names are wanted under {top}:, each with its fields", f"Write there {example}")
            return []
        return list(given)

    def block(self, model: type[Any], path: Path_) -> Any:
        """Return the block at ``path``; without the fields that cannot be read, if it holds without them."""
        given: Any = self.document.data
        for part in path:
            given = given[part]
        if not isinstance(given, dict):
            self.say(path, "fields are wanted here", f"Write {path[-1]}: {_some_fields(model)}")
            return None
        try:
            return model.model_validate(given)
        except ValidationError as wrong:
            self.mistakes.extend(_explain(self.document, path, wrong, model))
            faulty = {error["loc"][0] for error in wrong.errors() if error["loc"]}
            self.hurt |= {(*path, name) for name in faulty}
        try:
            return model.model_validate({name: value for name, value in given.items() if name not in faulty})
        except ValidationError:
            return None


def _explain(document: Document, path: Path_, wrong: ValidationError, model: type[BaseModel]) -> Iterator[Mistake]:
    """Turn pydantic's errors into mistakes that say where, what was read and what would be right."""
    errors = wrong.errors(include_url=False)
    spots = [(*path, *_real(document, path, error["loc"], error["type"])) for error in errors]
    strangers = [spot for spot, error in zip(spots, errors, strict=True) if error["type"] == "extra_forbidden"]
    for spot, error in zip(spots, errors, strict=True):
        known, context = _fields_at(model, spot[len(path) : -1]), error.get("ctx", {})
        name = str(spot[-1])
        if error["type"] == "sheet" and "faults" in context:
            for at, message, remedy, in_name in context["faults"]:
                say = document.name_mistake if in_name else document.mistake
                yield say((*spot, *at), message, remedy)
        elif error["type"] == "sheet":
            yield document.mistake((*spot, *context.get("at", ())), context["message"], context["remedy"])
        elif error["type"] == "extra_forbidden":
            yield document.name_mistake(spot, "no such field here", did_you_mean(name, known, "fields here"))
        elif error["type"] == "missing":
            if not any(s[:-1] == spot[:-1] and nearest(str(s[-1]), known) == name for s in strangers):
                yield document.mistake(spot, f'"{name}" is missing', f"Add {name}: {_example(known, name)}")
        elif error["type"] == "literal_error":
            names = str(context["expected"]).replace("'", "").replace(" or ", ", ").split(", ")
            read = document.text_at(spot) or ""
            yield document.mistake(spot, "not one of the names known here", did_you_mean(read, names, "names"))
        else:
            inner = _models_in(known[name].annotation) if name in known else []
            remedy = f"Write {name}: {_some_fields(inner[0])}" if inner else f"Write {name}: {{name: value}}"
            yield document.mistake(spot, "fields are wanted here", remedy)


def _real(document: Document, path: Path_, loc: tuple[int | str, ...], kind: str) -> Path_:
    """Drop from pydantic's location the names of union branches, which the sheet knows nothing of."""
    node: Any = document.data
    for part in path:
        node = node[part]
    kept: list[int | str] = []
    for i, part in enumerate(loc):
        inside = (isinstance(node, dict) and part in node) or (
            isinstance(node, list) and isinstance(part, int) and part < len(node)
        )
        if inside:
            node = node[part]
            kept.append(part)
        elif kind == "missing" and i == len(loc) - 1:
            kept.append(part)
    return tuple(kept)


def _fields_at(model: type[BaseModel], within: Path_) -> dict[str, FieldInfo]:
    """Return the fields of the block at ``within``, looking through unions and lists of blocks."""
    fields = dict(model.model_fields)
    for part in within:
        if isinstance(part, str) and part in fields:
            inner = _models_in(fields[part].annotation)
            fields = {name: found for block in reversed(inner) for name, found in block.model_fields.items()}
    return fields


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Return the blocks that an annotation is made of, in order."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [block for part in get_args(annotation) for block in _models_in(part)]


def _some_fields(model: type[BaseModel]) -> str:
    """Return how a block may be written: its required fields, or its first two."""
    required = [name for name, found in model.model_fields.items() if found.is_required()]
    shown = required if len(required) > 1 else list(model.model_fields)[:2]
    return "{" + ", ".join(f"{name}: …" for name in shown) + "}"


def _example(known: Mapping[str, FieldInfo], name: str) -> str:
    """Return how a missing field may look."""
    told = {"takes": "and the stream that goes in", "gives": "{outlet: name of its stream}"}
    found = known.get(name)
    dimension = dimension_of(found) if found is not None else None
    return told.get(name) or (dimension.example if dimension is not None else "…")
