"""From YAML to a Sheet: shape first, meaning second, every mistake at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from flowsheet.spec.blocks.factors import is_sieve
from flowsheet.spec.blocks.fields import dimension_of
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.pydantic_faults import explain, some_fields
from flowsheet.spec.blocks.schema import TOP_FIELDS, Ore, Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.all_checks import CHECKS
from flowsheet.spec.checks.doubts import cluster_shared
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.checks.fitted import notes_on_fitted
from flowsheet.spec.checks.implausible_gold import notes_on_gold
from flowsheet.spec.checks.money import read_worth
from flowsheet.spec.checks.topic import topic_of
from flowsheet.spec.checks.weighed import told_once
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, SheetError, did_you_mean, meant_by, nearest
from flowsheet.spec.weights.read_weighed import Texts, read_weighed, source_files
from flowsheet.spec.weights.weigh_table import WeighSheet
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.marked_document import Document, Path_, null_names

Kinds = Mapping[str, type[StepBlock]]


def read_sheet(path: str | Path, kinds: Kinds) -> tuple[Sheet, Document]:
    """Read, validate and check a sheet file. Raises SheetError with every mistake found."""
    document = yaml_document.read(path)
    return build(document, kinds), document


def build(document: Document, kinds: Kinds, texts: Texts = MappingProxyType({})) -> Sheet:
    """Validate and check a document. Raises SheetError with every mistake found.

    ``texts``: weigh sheets that are not as they are on the disk.
    """
    shape = _Shape(document, kinds, texts=texts)
    draft = Draft(document, shape.ores(), shape.steps(), read_weighed(shape), shape.keep())
    sieves = shape.sieves()
    draft.hurt = shape.hurt
    worth = read_worth(shape, draft)
    pile = shape.block(Pile, ("pile",)) if "pile" in document.data else None
    draft.fitted = shape.block(FittedEstimate, ("fitted",)) if "fitted" in document.data else None
    title = shape.text("title")
    mistakes = [*shape.top(), *shape.mistakes]
    for check in CHECKS:
        # What a block lacks because that very field could not be read is no second mistake.
        mistakes.extend(mistake for mistake in check(draft) if not draft.unread(mistake))
    if mistakes:
        told = _file_by_file(draft, dict.fromkeys(null_names(document, told_once(draft, mistakes))))
        raise SheetError(replace(mistake, topic=topic_of(mistake, document, kinds)) for mistake in told)
    ores, steps = cluster_shared(
        {name: ore for name, ore in draft.ores.items() if ore is not None},
        {name: step for name, step in draft.steps.items() if step is not None},
    )
    weighed = tuple(found for test in draft.weighed for found in test.measurements())
    return Sheet(
        file=document.file,
        title=title or Path(document.file).stem,
        ores=ores,
        steps=steps,
        keep=tuple(draft.keep),
        weighed=weighed,
        worth=worth,
        sieves=sieves,
        pile=pile,
        fitted=draft.fitted,
        notes=(*notes_on_gold(draft), *notes_on_fitted(draft.fitted, weighed)),
        places={name: document.keys[at] for name in draft.steps if (at := ("steps", name)) in document.keys},
        document=document,
        build=partial(build, kinds=kinds, texts=texts),
        sources=source_files(document, *(test.document for test in draft.weighed[1:])),
    )


def _file_by_file(draft: Draft, mistakes: Iterable[Mistake]) -> list[Mistake]:
    """Put the mistakes of the sheet first, then those of its weigh sheets in their order."""
    files = [draft.document.file, *(test.document.file for test in draft.weighed)]
    return sorted(mistakes, key=lambda m: files.index(m.file) if m.file in files else len(files))


@dataclass
class _Shape:
    """Validates each block on its own, so that one bad block hides no other."""

    document: Document
    kinds: Kinds
    mistakes: list[Mistake] = field(default_factory=list)
    #: Fields that could not be read.
    hurt: set[Path_] = field(default_factory=set)
    texts: Texts = field(default_factory=dict)

    def say(self, path: Path_, message: str, remedy: str, read: str | None = None, *, code: str) -> None:
        self.hurt.add(path)
        self.mistakes.append(self.document.mistake(path, message, remedy, read, code=code))

    def top(self) -> Iterator[Mistake]:
        for name in self.unknown():
            yield self.document.name_mistake(
                (name,), "a sheet has no such field", self._home(name), code="field_unknown"
            )

    def _home(self, name: str) -> str:
        """Say where a field that no sheet has at its margin may belong."""
        given, like = self.document.data[name], nearest(name, Ore.model_fields)
        if name not in Ore.model_fields and nearest(name, TOP_FIELDS) is not None:
            return did_you_mean(name, TOP_FIELDS)
        if like is not None:
            return f"If it is the ore's {like}, put it under ore: and indent it"
        if isinstance(given, dict) and "do" in given:
            return "If it is a step, put it under steps: and indent it"
        return did_you_mean(name, TOP_FIELDS, "fields")

    def unknown(self) -> list[str]:
        return [name for name in self.document.data if name not in TOP_FIELDS]

    def lacks(self, *names: str) -> bool:
        """Whether a field of the sheet is missing, and is not just misspelt."""
        return not any(nearest(name, TOP_FIELDS) in names for name in self.unknown())

    def ores(self) -> dict[str, Ore | None]:
        data = self.document.data
        if "ore" in data and "ores" in data:
            self.mistakes.append(self.document.block_mistake(
                ("ores",), "both ore and ores are given", "Keep ore for one feed, or ores for several",
                code="ore_and_ores",
            ))  # fmt: skip
            # Which of the two is meant cannot be told, so neither is looked into.
            return {"ore": None, **dict.fromkeys(data["ores"] if isinstance(data["ores"], dict) else ())}
        if "ore" in data:
            # Fields of the ore that were not indented are told of by ``top``; here they count as given.
            astray = {name: data[name] for name in self.unknown() if name in Ore.model_fields}
            return {"ore": self.block(Ore, ("ore",), astray)}
        if "ores" in data:
            return {name: self.block(Ore, ("ores", name)) for name in self.names("ores", "name: {mass: …, grade: …}")}
        if self.lacks("ore", "ores"):
            self.say(("ore",), "there is no ore", "Add ore: {mass: 14.2 kg, grade: 22 g/t}", code="ore_missing")
        return {}

    def steps(self) -> dict[str, StepBlock | None]:
        if "steps" not in self.document.data:
            if self.lacks("steps"):
                self.say(
                    ("steps",),
                    "there are no steps",
                    "Add steps: and under it one line for each step",
                    code="steps_missing",
                )
            return {}
        return {name: self.step(name) for name in self.names("steps", "name: {do: …, takes: …, gives: …}")}

    def step(self, name: str) -> StepBlock | None:
        """Look up ``do`` first, then check the step against that kind alone."""
        path: Path_ = ("steps", name)
        given = self.document.data["steps"][name]
        if not isinstance(given, dict):
            self.say(
                path, "fields are wanted here", f"Write {name}: {{do: …, takes: …, gives: …}}", code="fields_wanted"
            )
            return None
        do = given.get("do")
        if not isinstance(do, str):
            kinds = ", ".join(self.kinds)
            like = next((key for key in given if key not in StepBlock.model_fields and nearest(key, ["do"])), None)
            if like is not None:
                self.mistakes.append(
                    self.document.name_mistake(
                        (*path, like), "no such field here", 'Did you mean "do"?', code="field_unknown"
                    )
                )
            else:
                self.say(
                    (*path, "do"),
                    "the step does not say what it does",
                    f"Add do: and one of {kinds}",
                    code="kind_missing",
                )
            return None
        if do not in self.kinds:
            self.say((*path, "do"), "no such kind of step", self._kind_meant(do), code="kind_unknown")
            return None
        step: StepBlock | None = self.block(self.kinds[do], path)
        return step

    def _kind_meant(self, do: str) -> str:
        """Return the remedy for a kind that there is not: a misspelt one, or one that people call otherwise."""
        if nearest(do, self.kinds, VERY_ALIKE) is None:
            meant = meant_by(do, {kind: step.also for kind, step in self.kinds.items()})
            if meant:
                named = [f'"{kind}" ({self.kinds[kind].what})' for kind in meant]
                return f"Did you mean {' or '.join(named)}?"
        return did_you_mean(do, self.kinds, "kinds")

    def beside(self, sheet: WeighSheet) -> _Shape:
        """Return what reads the blocks of a weigh sheet."""
        return _Shape(sheet, {}, sheet.mistakes, sheet.hurt)

    def keep(self) -> list[str]:
        given = self.document.data.get("keep")
        if isinstance(given, str):
            return [given]
        if not given and not isinstance(given, dict):
            if "keep" in self.document.data or self.lacks("keep"):
                self.say(
                    ("keep",),
                    "the sheet does not say which streams you keep",
                    f"Add {self._keep_like()}",
                    code="keep_missing",
                )
            return []
        if not isinstance(given, list):
            self.say(
                ("keep",),
                "the names of the streams you keep are wanted",
                f"Write {self._keep_like()}",
                code="stream_names_wanted",
            )
            return []
        for i, stream in enumerate(given):
            if not isinstance(stream, str):
                self.say(
                    ("keep", i),
                    "the name of a stream is wanted",
                    f"Write {self._keep_like()}",
                    code="stream_names_wanted",
                )
        return [stream for stream in given if isinstance(stream, str)]

    def _keep_like(self) -> str:
        """Return ``keep`` as this sheet may write it: the ends beside which gold is lost, or else its last streams."""
        draft = Draft(self.document)
        taken = {stream for _, stream, _ in draft.takes()}
        ends = [(step, port, stream) for step, port, stream, _ in draft.gives() if stream not in taken]
        good = [stream for step, port, stream in ends if self._holds_what_is_wanted(step, port)]
        shown = good or [stream for _, _, stream in ends] or ["bead", "specimens"]
        return f"keep: [{', '.join(dict.fromkeys(shown))}]"

    def _holds_what_is_wanted(self, step: str, port: str) -> bool:
        kind = self.kinds.get(str(self.document.data["steps"][step].get("do")))
        ports = [one for one in kind.ports if not one.optional] if kind is not None else []
        return len(ports) > 1 and port == ports[0].name and all(one.free_lost != "other" for one in ports[1:])

    def sieves(self) -> tuple[float, ...]:
        given = self.document.data.get("sieves", [])
        if not isinstance(given, list):
            self.say(("sieves",), "a list of sieves is wanted", "Write sieves: [1/2 in, 20 mesh]", code="sieves_wanted")
            return ()
        found = []
        for i, item in enumerate(given):
            try:
                size = number_with_doubt.parse(item if isinstance(item, str) else "", units.LENGTH).value
            except number_with_doubt.NumberMistake as wrong:
                self.say(("sieves", i), wrong.message, wrong.remedy, code=wrong.code)
                continue
            if is_sieve(size):
                found.append(size)
            else:
                self.say(
                    ("sieves", i), "no sieve has such an opening", "Check the number and its unit", code="no_such_sieve"
                )
        return tuple(found)

    def text(self, name: str) -> str:
        given = self.document.data.get(name)
        if given is not None and not isinstance(given, str):
            self.say((name,), "a line of text is wanted", f"Write {name}: some text", code="text_wanted")
            return ""
        return given or ""

    def names(self, top: str, example: str) -> list[str]:
        given = self.document.data[top]
        if not isinstance(given, dict) or not given:
            self.say(
                (top,),
                f"names are wanted under {top}:, each with its fields",
                f"Write there {example}",
                code="names_wanted",
            )
            return []
        return list(given)

    def block(self, model: type[Any], path: Path_, astray: Mapping[str, Any] = MappingProxyType({})) -> Any:
        """Return the block at ``path``, with a stand-in for each field that it needs and that cannot be read."""
        given: Any = self.document.data
        for part in path:
            given = given[part]
        if astray and (given is None or isinstance(given, dict)):
            given = {**astray, **(given or {})}
        if not isinstance(given, dict):
            self.say(
                path, "fields are wanted here", f"Write {path[-1]}: {some_fields(model, given)}", code="fields_wanted"
            )
            return None
        try:
            return model.model_validate(given)
        except ValidationError as wrong:
            self.mistakes.extend(explain(self.document, path, wrong, model))
            faulty = {error["loc"][0] for error in wrong.errors() if error["loc"]}
            self.hurt |= {(*path, name) for name in faulty}
        sound = {name: value for name, value in given.items() if name not in faulty}
        needed = {name: _stand_in(name, found) for name, found in model.model_fields.items() if found.is_required()}
        try:
            return model.model_validate({**needed, **sound})
        except ValidationError:
            return None


def _stand_in(name: str, field: FieldInfo) -> Any:
    """Return something that a required field may hold, so that the rest of its block can be checked."""
    dimension = dimension_of(field)
    return dimension.example if dimension is not None else {"takes": [], "gives": {}}.get(name)
