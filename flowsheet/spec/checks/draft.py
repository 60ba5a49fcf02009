"""A sheet while it is read: its blocks as far as they can be read, and its wiring."""

from __future__ import annotations

from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from flowsheet.spec.blocks.fitted_estimate import FittedEstimate
from flowsheet.spec.blocks.schema import Gold, Ore
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, nearest
from flowsheet.spec.weights.weighed_test import WeighedTest
from flowsheet.spec.yaml.marked_document import Document, Path_

TOLERANCE = 1e-9
"""By how much shares may miss the whole."""


@dataclass(frozen=True)
class _Hurt:
    """Fields that could not be read, so laid out that none of them need be gone through."""

    count: int
    #: Every path that one of them lies at or below.
    beginnings: AbstractSet[Path_]
    #: As mistakes call them.
    names: AbstractSet[str]

    @classmethod
    def of(cls, hurt: AbstractSet[Path_]) -> _Hurt:
        beginnings = {path[:n] for path in hurt for n in range(len(path) + 1)}
        return cls(len(hurt), beginnings, {".".join(map(str, path)) for path in hurt})


@dataclass
class Draft:
    """A sheet being read. Wiring is taken from the raw text.

    A block lacks the fields that could not be read (which ``hurt`` names); where it cannot do without, it
    is None.
    """

    document: Document
    ores: dict[str, Ore | None] = field(default_factory=dict)
    steps: dict[str, StepBlock | None] = field(default_factory=dict)
    weighed: list[WeighedTest] = field(default_factory=list)
    keep: list[str] = field(default_factory=list)
    hurt: set[Path_] = field(default_factory=set)
    fitted: FittedEstimate | None = None
    _looked_up: _Hurt = field(default_factory=lambda: _Hurt.of(set()))

    def takes(self) -> list[tuple[str, str, Path_]]:
        """Return (step, stream, path) of everything taken."""
        return self._taken

    def gives(self) -> list[tuple[str, str, str, Path_]]:
        """Return (step, outlet, stream, path) of everything given; a lone stream has outlet ""."""
        return self._given

    @cached_property
    def _taken(self) -> list[tuple[str, str, Path_]]:
        return list(self._all_taken())

    @cached_property
    def _given(self) -> list[tuple[str, str, str, Path_]]:
        return list(self._all_given())

    @cached_property
    def given_by(self) -> dict[str, set[str]]:
        """Step → the streams that it gives by name."""
        found: dict[str, set[str]] = {}
        for step, _, stream, _ in self.gives():
            found.setdefault(step, set()).add(stream)
        return found

    def _all_taken(self) -> Iterator[tuple[str, str, Path_]]:
        for name, given in self._raw_steps():
            taken = given.get("takes")
            if isinstance(taken, str):
                yield name, taken, ("steps", name, "takes")
            elif isinstance(taken, list):
                for i, stream in enumerate(taken):
                    if isinstance(stream, str):
                        yield name, stream, ("steps", name, "takes", i)

    def _all_given(self) -> Iterator[tuple[str, str, str, Path_]]:
        for name, given in self._raw_steps():
            out = given.get("gives")
            if isinstance(out, str):
                yield name, "", out, ("steps", name, "gives")
            elif isinstance(out, dict):
                for port, stream in out.items():
                    if isinstance(stream, str):
                        yield name, port, stream, ("steps", name, "gives", port)

    @cached_property
    def streams(self) -> list[str]:
        """Every stream that the sheet makes or feeds."""
        return list(dict.fromkeys([*self.ores, *(stream for _, _, stream, _ in self.gives())]))

    def ore_path(self, name: str) -> Path_:
        """Return where an ore stands in the sheet."""
        return ("ore",) if name == "ore" and "ore" in self.document.data else ("ores", name)

    def whole(self, path: Path_) -> bool:
        """Whether everything written at ``path`` could be read."""
        return path not in self._hurt.beginnings if self.hurt else True

    def unread(self, mistake: Mistake) -> bool:
        """Whether a mistake is about a field that could not be read in the first place."""
        return any(name in self._hurt.names for name in beginnings(mistake.field))

    @property
    def _hurt(self) -> _Hurt:
        """What is hurt, to be looked up; it grows while a sheet is read."""
        if self._looked_up.count != len(self.hurt):
            self._looked_up = _Hurt.of(self.hurt)
        return self._looked_up

    def knows(self, what: str) -> bool:
        """Whether the ores have ``sizes``, or ``grains`` (which need sizes).

        Where they are at fault or disagree, that is a mistake of its own, and they are taken to have them.
        """
        ores = [ore for name, ore in self.ores.items() if ore is not None and self.whole(self.ore_path(name))]
        if ores and all(ore.sizes is None for ore in ores):
            return False
        return what == "sizes" or not ores or any(ore.gold is not None and _says_grains(ore.gold) for ore in ores)

    @cached_property
    def strays(self) -> list[str]:
        """Streams that are named, but that no step gives and no ore is: in the order of the sheet."""
        known = set(self.streams)
        weighed = (stream for test in self.weighed for stream in test.streams)
        named = [*(stream for _, stream, _ in self.takes()), *self.keep, *weighed]
        return [stream for stream in dict.fromkeys(named) if stream not in known]

    @cached_property
    def forgiven(self) -> set[str]:
        """Strays that another mistake explains: the outlet, the step or the ore that gives them is amiss itself."""
        lost = [stream for stream in self.strays if nearest(stream, self.streams, VERY_ALIKE) is None]
        if not self.ores or not self.steps or any(not self.gives_readable(name) for name in self.steps):
            return set(lost)
        given = [stream for _, _, stream, _ in self.gives()]
        unnamed = len(given) - len(set(given) - set(self.ores))
        unnamed += sum(lost_outlets(step) for step in self.steps.values() if step is not None)
        return set(lost[:unnamed])

    def gives_readable(self, name: str) -> bool:
        """Whether a step says where its outlets lead."""
        return isinstance(self._raw(name).get("gives"), (str, dict)) and self.whole(("steps", name, "gives"))

    def takes_readable(self, name: str) -> bool:
        """Whether a step says what it takes."""
        return bool(self._raw(name).get("takes")) and self.whole(("steps", name, "takes"))

    def _raw(self, name: str) -> dict[str, Any]:
        given = self.document.data["steps"][name]
        return given if isinstance(given, dict) else {}

    def _raw_steps(self) -> Iterator[tuple[str, dict[str, Any]]]:
        steps = self.document.data.get("steps")
        for name, given in (steps if isinstance(steps, dict) else {}).items():
            if isinstance(given, dict):
                yield name, given


def has_grains(ore: Ore) -> bool:
    """Whether the sizes of an ore's gold grains are known."""
    gold = ore.gold
    return gold is not None and (gold.sizes is not None or (gold.d50 is not None and gold.d95 is not None))


def _says_grains(gold: Gold) -> bool:
    return any(told is not None for told in (gold.sizes, gold.d50, gold.d95, gold.nuggets))


def beginnings(name: str) -> Iterator[str]:
    """Go through the dotted names of all fields that a dotted name lies in, itself the first."""
    yield name
    while (at := name.rfind(".")) >= 0:
        name = name[:at]
        yield name


def missing_ports(step: StepBlock) -> list[str]:
    """Return the outlets of a step that lead nowhere, and that no misspelt one explains."""
    if isinstance(step.gives, str):
        return []
    known = [p.name for p in step.ports]
    strangers = [port for port in step.gives if port not in known]
    lacking = [p.name for p in step.ports if not p.optional and p.name not in step.gives]
    unlike = [port for port in lacking if nearest(port, strangers) is None]
    return unlike[len([s for s in strangers if nearest(s, lacking) is None]) :]


def lost_outlets(step: StepBlock) -> int:
    """Return how many streams a step ought to give and does not name."""
    if isinstance(step.gives, str):
        return max(0, sum(not p.optional for p in step.ports) - 1)
    return len(missing_ports(step))


def amiss(step: StepBlock) -> bool:
    """Whether a step's outlets are not those of its kind."""
    needed, known = [p.name for p in step.ports if not p.optional], [p.name for p in step.ports]
    if isinstance(step.gives, str):
        return len(needed) > 1
    return bool(missing_ports(step)) or (bool(known) and any(port not in known for port in step.gives))


def keys(given: object) -> list[str]:
    """Return the names of a block's fields, none where it is no block."""
    return list(given) if isinstance(given, dict) else []
