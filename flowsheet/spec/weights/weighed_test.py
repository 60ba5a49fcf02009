"""One test of an ore: what was weighed in it by stream, where that stands, and the measurements it makes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from flowsheet.spec.blocks.measurement import (
    ASSAY_MASS,
    GRADE,
    GRAINS,
    MASS,
    PASSING,
    Measurement,
    measurement,
    screen_assay,
)
from flowsheet.spec.blocks.schema import Metallics, Weighed
from flowsheet.spec.blocks.weighed_fields import OnSieve
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.weights.fractions import fractions
from flowsheet.spec.yaml.marked_document import Document, Path_

FILE = "file"
"""The field of ``weighed`` that names weigh sheets, so no stream can be called so."""


def tables_named(document: Document) -> list[Path]:
    """Return the weigh sheets that a sheet names, in its order; what is no name is left out."""
    weighed = document.data.get("weighed")
    given = weighed.get(FILE) if isinstance(weighed, dict) else None
    folder = Path(document.file).parent
    names = given if isinstance(given, list) else [given]
    return [folder / name.strip() for name in names if isinstance(name, str) and name.strip()]


REMARKS = ("when", "note")
SIZES = "sizes"
"""The field of what stayed on each sieve."""
BESIDE = ("moisture", "assay_mass")
"""Fields that say something of another measurement."""
PARTS = ("plus", "plus_gold", "minus", "minus_grades")


@dataclass
class WeighedTest:
    """The weights of the sheet itself (``name`` ""), or those of a weigh sheet, which is named by its file.

    Beside one weigh sheet, the sheet's own weights are the other half of its test.
    """

    name: str
    document: Document
    #: Where the streams stand in the document.
    base: Path_
    blocks: dict[str, Weighed] = field(default_factory=dict)
    #: Fields that could not be read.
    hurt: set[Path_] = field(default_factory=set)
    #: The other half of the same test: of the sheet's own weights its one weigh sheet, and the other way round.
    other: WeighedTest | None = field(default=None, repr=False, compare=False)
    #: Stream and field → its block, and what that measured: each is made once, however many checks ask for it.
    _made: dict[tuple[str, str], tuple[Weighed, tuple[Measurement, ...]]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def join(self, table: WeighedTest) -> None:
        """Make one test of the sheet's own weights and those of its one weigh sheet, called as that is."""
        self.other, table.other, self.name = table, self, table.name
        # What was made before had another name, and no moisture that the other half tells.
        self._made.clear()
        table._made.clear()

    @property
    def halves(self) -> tuple[WeighedTest, ...]:
        """All that belongs to the same test, itself first."""
        return (self,) if self.other is None else (self, self.other)

    @property
    def streams(self) -> list[str]:
        """Every stream that is named, whether its block could be read or not."""
        node = self.document.data
        for part in self.base:
            node = node[str(part)] if isinstance(node, dict) and part in node else {}
        return [name for name in (node if isinstance(node, dict) else ()) if not (self.base and name == FILE)]

    @property
    def is_table(self) -> bool:
        """Whether it is a weigh sheet of its own: remedies are then lines, not fields."""
        return not self.base

    def path(self, stream: str, *field_name: str | int) -> Path_:
        """Return where a field of a stream stands in the document."""
        return (*self.base, stream, *field_name)

    def whole(self, stream: str, *field_name: str | int) -> bool:
        """Whether everything that was written there could be read."""
        path = self.path(stream, *field_name)
        return not any(hurt[: len(path)] == path or path[: len(hurt)] == hurt for hurt in self.hurt)

    def measurements(self) -> Iterator[Measurement]:
        """Go through what was measured, in SI, stream by stream in the order of the file."""
        for stream, block in self.blocks.items():
            order = [name for name in self._written(stream) if name in Weighed.model_fields]
            for name in order:
                yield from self._measured(stream, block, name)

    def dry_mass(self, stream: str) -> Measurement | None:
        """Return the dry mass of a stream in this test, None where it was not weighed."""
        for half in self.halves:
            block = half.blocks.get(stream)
            if block is not None and block.mass is not None:
                return half._measured(stream, block, MASS)[0]
        return None

    def moisture(self, stream: str) -> Number | None:
        """Return the moisture of a stream in this test, None where none is told."""
        return self._beside(stream, "moisture")

    def assay_mass(self, stream: str) -> Number | None:
        """Return the mass that the assay of a stream took in this test, None where none is told."""
        return self._beside(stream, "assay_mass")

    def _beside(self, stream: str, name: str) -> Number | None:
        blocks = (half.blocks.get(stream) for half in self.halves)
        told = (getattr(block, name) for block in blocks if block is not None)
        return next((number for number in told if number is not None), None)

    def lacks_grade(self, stream: str) -> bool:
        """Whether this test tells no grade of a stream, not even one that could not be read."""
        blocks = (half.blocks.get(stream) for half in self.halves)
        told = any(block is not None and (block.grade is not None or block.fractions_graded) for block in blocks)
        return not told and all(half.whole(stream, GRADE) for half in self.halves)

    def lacks_mass(self, stream: str) -> bool:
        """Whether this test tells no mass of a stream, not even one that could not be read."""
        return self.dry_mass(stream) is None and all(half.whole(stream, MASS) for half in self.halves)

    def _written(self, stream: str) -> list[str]:
        node = self.document.data
        for part in self.path(stream):
            node = node[str(part)]
        return list(node)

    def _measured(self, stream: str, block: Weighed, name: str) -> tuple[Measurement, ...]:
        """Return what a field of a stream measured, made once."""
        known = self._made.get((stream, name))
        if known is None or known[0] is not block:
            known = self._made[stream, name] = block, tuple(self._make(stream, block, name))
        return known[1]

    def _make(self, stream: str, block: Weighed, name: str) -> Iterator[Measurement]:
        given = getattr(block, name)
        if given is None or name in (*BESIDE, *REMARKS):
            return
        if isinstance(given, Metallics):
            if (told := _assayed(given)) is not None:
                value, sd, assumed = told
                where = self._where(stream, block, name)
                yield Measurement(stream, GRADE, value, sd, assumed, assay_mass=_sample(given), **where)
        elif isinstance(given, Number):
            found = measurement(stream, name, given, **self._where(stream, block, name))
            moisture = self.moisture(stream) if name == MASS else None
            found = found.dried(moisture) if moisture is not None else found
            if name == GRADE:
                told_mass = self.assay_mass(stream)
                mass = ASSAY_MASS if told_mass is None else told_mass.value
                found = replace(found, assay_mass=mass, assay_mass_assumed=told_mass is None)
            yield found
        elif name == SIZES:
            told_mass = self.assay_mass(stream)
            took = None if told_mass is None else told_mass.value
            yield from fractions(stream, given, took, self._where(stream, block, name))
        else:
            what = PASSING if name == PASSING else GRAINS
            for row in given:
                where = self._where(stream, block, name, row.key)
                yield measurement(stream, what, row.number, row.size, **where)

    def _where(self, stream: str, block: Weighed, *field_name: str) -> dict[str, Any]:
        """Return where a measurement stands, when it was made, what is noted of it, and its test."""
        path, document = self.path(stream, *field_name), self.document
        when, note = document.remarks_at(path)
        return {
            "file": document.file,
            "line": document.line_at(path),
            "when": when or block.when or "",
            "note": note or block.note or "",
            "test": self.name,
        }


def _assayed(given: Metallics) -> tuple[float, float, bool] | None:
    if given.plus is None or given.plus_gold is None or given.minus is None or not given.minus_grades:
        return None
    return screen_assay(given.plus, given.plus_gold, given.minus, given.minus_grades)


def _sample(given: Metallics) -> float | None:
    """Return the mass (kg) of a screen assay's sample."""
    return given.plus.value + given.minus.value if given.plus is not None and given.minus is not None else None


def numbers_of(block: Weighed) -> Iterator[tuple[tuple[str | int, ...], Number]]:
    """Go through every number of a block and where in it that stands."""
    for name in block.model_fields_set:
        given = getattr(block, name)
        if isinstance(given, Number):
            yield (name,), given
        elif isinstance(given, Metallics):
            for part in PARTS[:3]:
                if (number := getattr(given, part)) is not None:
                    yield (name, part), number
            for i, number in enumerate(given.minus_grades or ()):
                yield (name, PARTS[3], i), number
        elif isinstance(given, tuple):
            for row in given:
                if isinstance(row, OnSieve):
                    yield (name, row.at, MASS), row.mass
                    if row.grade is not None:
                        yield (name, row.at, GRADE), row.grade
                else:
                    yield (name, row.key), row.number
