"""From YAML to a Sheet: shape first, meaning second, every mistake at once."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from flowsheet.spec import document as yaml_document
from flowsheet.spec import numbers, units
from flowsheet.spec.checks import CHECKS, Draft
from flowsheet.spec.document import Document, Path_
from flowsheet.spec.mistakes import Mistake, SheetError, did_you_mean
from flowsheet.spec.schema import Ore, Price, Sheet, StepBlock, Weighed

Kinds = Mapping[str, type[StepBlock]]

TOP_FIELDS = ("title", "ore", "ores", "steps", "keep", "weighed", "prices", "sieves")


def read_sheet(path: str | Path, kinds: Kinds) -> tuple[Sheet, Document]:
    """Read, validate and check a sheet file. Raises SheetError with every mistake found."""
    document = yaml_document.read(path)
    return build(document, kinds), document


def build(document: Document, kinds: Kinds) -> Sheet:
    """Validate and check a document. Raises SheetError with every mistake found."""
    draft = Draft(document)
    shape = _Shape(document, kinds)
    draft.ores = shape.ores()
    draft.steps = shape.steps()
    draft.weighed = shape.weighed()
    draft.keep = shape.keep()
    sieves = shape.sieves()
    prices = shape.prices()
    title = shape.text("title")
    mistakes = [*shape.top(), *shape.mistakes]
    for check in CHECKS:
        mistakes.extend(check(draft))
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
        notes=tuple(draft.notes),
    )


def with_settings(document: Document, settings: Mapping[str, str]) -> Document:
    """Return the document with fields set anew: ``{"scalp.opening": "12 mm", "ore.grade": "10 g/t"}``.

    A path starts at a step's name, or at a field of the sheet. Raises SheetError for a path that leads
    nowhere.
    """
    changed = Document(document.file, copy.deepcopy(document.data), dict(document.marks))
    for name, value in settings.items():
        path = _path_of(document, name)
        node: Any = changed.data
        for part in path[:-1]:
            inner = node.get(part) if isinstance(node, dict) else node[part]
            if inner is None:
                inner = node[part] = {}
            if not isinstance(inner, (dict, list)):
                raise SheetError([_setting_mistake(name, f"{part} has no fields of its own", "Set it as a whole")])
            node = inner
        node[path[-1]] = value
        changed.marks.pop(path, None)
    changed.file = "--set"
    return changed


def _path_of(document: Document, name: str) -> Path_:
    parts: list[str | int] = [int(p) if p.isdigit() else p for p in name.strip().split(".")]
    steps = document.data.get("steps")
    steps = steps if isinstance(steps, dict) else {}
    if parts[0] in steps:
        parts = ["steps", *parts]
    if parts[0] not in ("ore", "ores", "steps"):
        known = [*steps, *(top for top in ("ore", "ores") if top in document.data)]
        raise SheetError([_setting_mistake(name, f'there is no step "{parts[0]}"',
                                           did_you_mean(str(parts[0]), known, "steps"))])  # fmt: skip
    if len(parts) < (3 if parts[0] in ("steps", "ores") else 2):
        raise SheetError(
            [_setting_mistake(name, "this names no field", "Write step.field=value, as scalp.opening=12mm")]
        )
    node: Any = document.data
    for part in parts[:-1]:
        if isinstance(node, list) and not (isinstance(part, int) and part < len(node)):
            raise SheetError([_setting_mistake(name, f"there is no row {part}", f"Rows run from 0 to {len(node) - 1}")])
        node = node[part] if isinstance(node, list) else (node or {}).get(part) if isinstance(node, dict) else None
    return tuple(parts)


def _setting_mistake(name: str, message: str, remedy: str) -> Mistake:
    return Mistake(message, remedy, field=name, file="--set")


@dataclass
class _Shape:
    """Validates each block on its own, so that one bad block hides no other."""

    document: Document
    kinds: Kinds
    mistakes: list[Mistake] = field(default_factory=list)

    def say(self, path: Path_, message: str, remedy: str, read: str | None = None) -> None:
        self.mistakes.append(self.document.mistake(path, message, remedy, read))

    def top(self) -> Iterator[Mistake]:
        for name in self.document.data:
            if name not in TOP_FIELDS:
                yield self.document.mistake(
                    (name,), "a sheet has no such field", did_you_mean(name, TOP_FIELDS, "fields")
                )

    def ores(self) -> dict[str, Ore | None]:
        data = self.document.data
        if "ore" in data and "ores" in data:
            self.say(("ores",), "both ore and ores are given", "Keep ore for one feed, ores for several")
        if "ore" in data:
            return {"ore": self.block(Ore, ("ore",))}
        if "ores" in data:
            return {str(name): self.block(Ore, ("ores", name)) for name in self.names("ores", "name: {mass: …}")}
        self.say((), "there is no ore", "Add ore: {mass: 14.2 kg, grade: 22 g/t}")
        return {}

    def steps(self) -> dict[str, StepBlock | None]:
        if "steps" not in self.document.data:
            self.say((), "there are no steps", "Add steps: and under it one line for each step")
            return {}
        return {name: self.step(name) for name in self.names("steps", "name: {do: screen, …}")}

    def step(self, name: str) -> StepBlock | None:
        """Look up ``do`` first, then check the step against that kind alone."""
        path: Path_ = ("steps", name)
        given = self.document.data["steps"][name]
        if not isinstance(given, dict):
            self.say(path, "a step is a block of fields", f"Write {name}: {{do: …, takes: …, gives: …}}")
            return None
        do = given.get("do")
        if not isinstance(do, str):
            self.say((*path, "do"), "the step does not say what it does", "Add do: one of " + ", ".join(self.kinds))
            return None
        if do not in self.kinds:
            self.say((*path, "do"), "no such kind of step", did_you_mean(do, self.kinds, "kinds"))
            return None
        return self.block(self.kinds[do], path)

    def weighed(self) -> dict[str, Weighed]:
        if "weighed" not in self.document.data:
            return {}
        blocks = {n: self.block(Weighed, ("weighed", n)) for n in self.names("weighed", "stream: {mass: …}")}
        return {name: block for name, block in blocks.items() if block is not None}

    def keep(self) -> list[str]:
        given = self.document.data.get("keep")
        if isinstance(given, str):
            return [given]
        if not isinstance(given, list) or not given or not all(isinstance(k, str) for k in given):
            self.say(("keep",), "the sheet does not say which streams you keep", "Add keep: [bead, specimens]")
            return []
        return given

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
            if 1e-6 <= size <= 5:
                found.append(size)
            else:
                self.say(("sieves", i), "no sieve has such an opening", "Check the unit")
        return tuple(found)

    def prices(self) -> dict[str, str]:
        if "prices" not in self.document.data:
            return {}

        class Prices(BaseModel):
            prices: dict[str, Price]

        path: Path_ = ("prices",)
        try:
            return Prices.model_validate({"prices": self.document.data["prices"]}).prices
        except ValidationError as wrong:
            self.mistakes.extend(_explain(self.document, path, wrong, (), skip=1))
            return {}

    def text(self, name: str) -> str:
        given = self.document.data.get(name)
        if given is not None and not isinstance(given, str):
            self.say((name,), "a line of text is wanted", f"Write {name}: some text")
            return ""
        return given or ""

    def names(self, top: str, example: str) -> list[str]:
        given = self.document.data[top]
        if not isinstance(given, dict) or not given:
            self.say((top,), f"{top} is empty or no block of names", f"Write under it {example}")
            return []
        return list(given)

    def block(self, model: type[Any], path: Path_) -> Any:
        given: Any = self.document.data
        for part in path:
            given = given[part]
        if not isinstance(given, dict):
            fields = ", ".join(n for n, f in model.model_fields.items() if f.is_required()) or "mass"
            self.say(path, "a block of fields is wanted here", f"Write {path[-1]}: {{{fields}: …}}")
            return None
        try:
            return model.model_validate(given)
        except ValidationError as wrong:
            self.mistakes.extend(_explain(self.document, path, wrong, model.model_fields))
            return None


def _explain(document: Document, path: Path_, wrong: ValidationError, known: Any, skip: int = 0) -> Iterator[Mistake]:
    """Turn pydantic's errors into mistakes that say where, what was read and what would be right."""
    for error in wrong.errors(include_url=False):
        spot = (*path, *_real(document, path, error["loc"][skip:], error["type"]))
        context = error.get("ctx", {})
        if error["type"] == "sheet" and "faults" in context:
            for at, message, remedy in context["faults"]:
                yield document.mistake((*spot, *at), message, remedy)
        elif error["type"] == "sheet":
            yield document.mistake((*spot, *context.get("at", ())), context["message"], context["remedy"])
        elif error["type"] == "extra_forbidden":
            siblings = known if len(spot) == len(path) + 1 else _siblings(known, spot[len(path) :])
            yield document.mistake(spot, "no such field here", did_you_mean(str(spot[-1]), siblings, "fields here"))
        elif error["type"] == "missing":
            yield document.mistake(
                spot, f'"{spot[-1]}" is missing', f"Add {spot[-1]}: {_example(known, spot[len(path) :])}"
            )
        elif error["type"] == "literal_error":
            names = str(context["expected"]).replace("'", "").replace(" or ", ", ").split(", ")
            yield document.mistake(
                spot, "not one of the names known here", did_you_mean(document.text_at(spot) or "", names)
            )
        else:
            yield document.mistake(spot, *_WANTED.get(error["type"], (str(error["msg"]).lower(), "See README.md")))


_WANTED = {
    "string_type": ("a name or a line of text is wanted", "Write plain text here"),
    "list_type": ("a list is wanted", "Write [one, another]"),
    "dict_type": ("a block of fields is wanted", "Write {name: value}"),
    "model_type": ("a block of fields is wanted", "Write {name: value}"),
    "model_attributes_type": ("a block of fields is wanted", "Write {name: value}"),
}


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


def _inner_fields(known: Any, within: Path_) -> Any:
    """Return the model fields that hold at ``within``, looking through unions and lists of blocks."""
    from typing import get_args

    fields = known
    for part in within[:-1]:
        if isinstance(part, int) or part not in fields:
            continue
        queue, found = [fields[part].annotation], {}
        while queue:
            kind = queue.pop()
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                found.update(kind.model_fields)
            queue.extend(get_args(kind))
        fields = found
    return fields


def _siblings(known: Any, within: Path_) -> list[str]:
    return list(_inner_fields(known, within))


def _example(known: Any, within: Path_) -> str:
    """Return how a missing field may look."""
    name = str(within[-1])
    told = {"takes": "the stream that goes in", "gives": "{outlet: stream}", "mass": "14.2 kg", "passing": "80 %",
            "sieve": "20 mm", "do": "screen"}  # fmt: skip
    found = _inner_fields(known, within).get(name) if known else None
    return told.get(name) or (found.description if found is not None and found.description else "…")
