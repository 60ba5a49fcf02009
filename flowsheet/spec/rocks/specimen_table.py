"""Specimens weighed in air and in water: from the command line, or many from a table (CSV), one line a rock.

Columns: name, air, water, and if wanted unit, host, fineness, note. Lines that start with # are remarks. What a
line leaves out is as the command line has it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from flowsheet.spec.blocks.measurement import division
from flowsheet.spec.rocks import host_rock
from flowsheet.spec.rocks.host_rock import Host
from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import Mistake, SheetError, did_you_mean, nearest
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.spec.text.table_cells import Cell, header_and_rows
from flowsheet.spec.text.text_file import UnreadableError, check_characters, decode, fault, read_bytes
from flowsheet.spec.text.units import FINENESS, MASS, PLAIN, Dimension
from flowsheet.spec.text.wording import argument

FINE = "1000"
"""Fine gold, as the trade's rule of thumb has it; natural gold holds silver, and an answer says so."""
NEEDED = ("name", "air", "water")
COLUMNS = (*NEEDED, "unit", "host", "fineness", "note")
TOP = "name,air,water,unit,host,fineness,note"
LIGHTEST_METAL, DENSEST_METAL = 10.4, 19.4
"""Density of silver and of fine gold, g/cm3, as handbooks differ on them."""
COLDEST, WARMEST = 0.0, 60.0
"""Temperatures, °C, that a bucket of water may have."""

T = TypeVar("T")
#: What is at fault ("air", "water", "host" …), the message and the remedy.
IMPOSSIBLE = "impossible_weights"
"""Code of the mistake that no rock weighs so."""
Fault = tuple[str, str, str]


@dataclass(frozen=True)
class Common:
    """What all specimens of one call share, where a line of a table does not say otherwise."""

    host: Host = field(default_factory=host_rock.usual)
    fineness: Number | None = None
    #: Density of the metal, g/cm3; None where its fineness tells it.
    metal: Number | None = None
    #: Smallest step of the scale, kg; None: the last digit of the weights as written.
    scale: float | None = None
    #: Temperature of the water, °C; None: water of 1.000 g/cm3, as the handbooks' densities are told by.
    temperature: float | None = None


@dataclass(frozen=True)
class Specimen:
    """One rock: its weights in kg, its host rock and its metal."""

    name: str
    air: Number
    water: Number
    common: Common
    host: Host
    fineness: Number | None
    note: str = ""

    @property
    def division(self) -> float:
        """Return the smallest step of the scale, kg: the finer last digit, since both weights are of one scale."""
        if self.common.scale is not None:
            return self.common.scale
        return min((d for d in map(division, (self.air, self.water)) if d > 0), default=0.0)

    def sd(self, weight: Number) -> float:
        """Return the doubt of one of the two weights, kg: its own, or one step of the scale.

        Half a step is the scale's; thread, bubbles and the water's skin take the rest: typical, set your own.
        """
        return weight.sd if weight.doubtful else self.division


def from_options(options: Mapping[str, str | None], temperature: float | None) -> tuple[Common, Specimen | None]:
    """Return what the options tell: air, water, host, fineness, metal, scale; the specimen is None without weights.

    Raises SheetError with every mistake.
    """
    mistakes: list[Mistake] = []

    def read(name: str, how: Callable[[str], T]) -> T | None:
        text = options.get(name)
        if text is None:
            return None
        try:
            return how(text)
        except NumberMistake as wrong:
            mistakes.append(Mistake(wrong.message, wrong.remedy, read=text, file=argument(name), code=wrong.code))
            return None

    host = read("host", host_rock.host) or host_rock.usual()
    scale = read("scale", _scale)
    fineness, metal = read("fineness", _fineness), read("metal", _metal)
    if temperature is not None and not COLDEST <= temperature <= WARMEST:
        message = f"water is not at {temperature:g} °C"
        remedy = f"Write degrees Celsius from {COLDEST:g} to {WARMEST:g}, as {argument('temperature', 18)}"
        mistakes.append(Mistake(message, remedy, file=argument("temperature"), code="water_temperature"))
    air, water = read("air", _mass), read("water", _mass)
    common = Common(host, fineness, metal, scale, temperature)
    specimen = None
    if air is not None and water is not None:
        specimen = Specimen("specimen", air, water, common, host, fineness)
        mistakes += [
            Mistake(m, r, read=options.get(name), file=argument(name), code=IMPOSSIBLE)
            for name, m, r in faults(specimen)
        ]
    if mistakes:
        raise SheetError(mistakes)
    return common, specimen


def _mass(text: str) -> Number:
    try:
        return number_with_doubt.parse(text, MASS)
    except NumberMistake as wrong:
        # A rock in the hand is weighed in grams: the remedy of a sack would lead astray.
        raise NumberMistake(
            wrong.message, wrong.remedy.replace("14.2 kg", "96 g").replace(' kg"', ' g"'), code=wrong.code
        ) from None


def _scale(text: str) -> float:
    found = _mass(text)
    if not 0 < found.value < math.inf or found.doubtful:
        raise NumberMistake("the step of a scale is one mass above zero", "Write it as 0.01g", code="too_small")
    return found.value


def _fineness(text: str) -> Number:
    found = number_with_doubt.parse(text, FINENESS)
    if not 0 < found.value <= FINENESS.most:
        raise NumberMistake(
            "fineness counts parts of gold in a thousand", "Write it as 870 ± 20", code="fineness_out_of_range"
        )
    return found


def _metal(text: str) -> Number:
    found = host_rock.density(text, "17.5")
    if not LIGHTEST_METAL <= found.value <= DENSEST_METAL:
        message = "gold with silver weighs between 10.5 and 19.3 g/cm3"
        raise NumberMistake(
            message,
            f"Write its density as 17.5, or leave {argument('metal')} out and give {argument('fineness', '870')}",
            code="density_out_of_range",
        )
    return found


def faults(specimen: Specimen) -> Iterator[Fault]:
    """Go through what no rock can weigh."""
    air, water = specimen.air.value, specimen.water.value
    if air <= 0:
        yield "air", "nothing lay on the scale", "Write what the dry rock weighs in air, as 96 g"
    elif water < 0:
        yield "water", "a weight below nothing", "Write what it weighs hanging in water; a rock that floats is no test"
    elif water >= air:
        if water > air:
            remedy = f"Have the two changed places? Then air is {specimen.water} and water {specimen.air}"
        else:
            remedy = "Weigh it again hanging in water by a thread, clear of the bottom"
        yield "water", f"the rock weighs no less in water than in air ({specimen.air}), which no rock does", remedy


def read(path: Path, common: Common) -> tuple[list[Specimen], SourceFiles]:
    """Read a table of specimens; return them and the file that they are from. Raises SheetError with every mistake."""
    try:
        raw = read_bytes(path, "table of specimens", (".csv", ".tsv"), "Write its name with its ending, as rocks.csv")
    except UnreadableError as wrong:
        raise fault(wrong.name, wrong.message, wrong.remedy, code=wrong.code) from None
    return parse(decode(raw, str(path)), str(path), common), SourceFiles(((path, raw),))


def parse(text: str, file: str, common: Common) -> list[Specimen]:
    """Read the text of a table of specimens. Raises SheetError with every mistake."""
    check_characters(text, file, "table")
    header, rows, found = header_and_rows(text, COLUMNS)
    table = _Table(file, common)
    for cell, message, remedy in found:
        if cell == Cell("", 1, 1):  # the only fault at no text: there is no line at all
            message, remedy = "the table is empty", f'Begin with the line "{TOP}"'
        table.say(cell, message, remedy, code="table_unreadable")
    if header is not None and table.columns(header):
        for row in rows:
            table.line(row)
        if not rows and not found:
            start = Cell("", header[0].line, header[0].column)
            table.say(start, "there is no line below the header", "Add a rock, as rock 1,96,74.5,g", code="table_empty")
    if table.mistakes:
        raise SheetError(table.mistakes)
    return table.specimens


@dataclass
class _Table:
    """What has been read of a table so far."""

    file: str
    common: Common
    mistakes: list[Mistake] = field(default_factory=list)
    specimens: list[Specimen] = field(default_factory=list)
    places: dict[str, int] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    width: int = 0

    def say(self, cell: Cell, message: str, remedy: str, name: str = "", *, code: str) -> None:
        self.mistakes.append(
            Mistake(message, remedy, name, cell.text or None, self.file, cell.line, cell.column, code=code)
        )

    def columns(self, header: Sequence[Cell]) -> bool:
        """Learn which field of a line each column is; False where the lines cannot be read by them."""
        before = len(self.mistakes)
        names = [" ".join(cell.text.casefold().split()) for cell in header]
        self.width = max((i for i, name in enumerate(names, 1) if name), default=0)
        if not any(name in COLUMNS for name in names):
            self.say(
                header[0],
                "the header is missing: the first line names the columns",
                f'Put "{TOP}" on top',
                code="header_missing",
            )
            return False
        free = [name for name in COLUMNS if name not in names]
        for i, (cell, name) in enumerate(zip(header, names, strict=True)):
            if name in self.places:
                self.say(cell, "two columns have this name", "Keep one of the two", code="column_twice")
            elif name in COLUMNS:
                self.places[name] = i
            elif name:
                known = f"The columns are: {', '.join(COLUMNS)}"
                remedy = did_you_mean(name, free) if nearest(name, free) else known
                self.say(cell, "no column of a table of specimens has this name", remedy, code="column_unknown")
        for name in NEEDED:
            if name not in self.places and not any(nearest(other, free) == name for other in names if other):
                start = Cell("", header[0].line, header[0].column)
                remedy = f'Add "{name}" to the header, and its field to every line'
                self.say(start, f'the column "{name}" is missing', remedy, code="column_missing")
        return len(self.mistakes) == before

    def line(self, row: Sequence[Cell]) -> None:
        """Read one rock."""
        before = len(self.mistakes)
        if len(row) > self.width and any(cell.text for cell in row[self.width :]):
            remedy = "Write numbers with points, put text that holds a comma in quotes, or delete what is too much"
            self.say(
                row[self.width], "the line has more fields than the header has columns", remedy, code="too_many_fields"
            )
            return
        cells = {name: self._cell(row, name) for name in COLUMNS}
        name = cells["name"].text
        if not name:
            self.say(
                cells["name"],
                "the line names no rock",
                "Write a name or a number in every line",
                "name",
                code="line_without_a_name",
            )
        elif name in self.lines:
            remedy = "Give each rock a name of its own"
            self.say(
                cells["name"],
                f"two rocks have this name, the first in line {self.lines[name]}",
                remedy,
                "name",
                code="name_twice",
            )
        else:
            self.lines[name] = row[0].line
        air, water = (self._weight(cells, which, name) for which in ("air", "water"))
        host = self._read(cells["host"], host_rock.host, self._field(name, "host"))
        fineness = self._read(cells["fineness"], _fineness, self._field(name, "fineness"))
        if air is None or water is None or len(self.mistakes) > before:
            return
        specimen = Specimen(name, air, water, self.common, host or self.common.host,
                            fineness or self.common.fineness, cells["note"].text)  # fmt: skip
        for which, message, remedy in faults(specimen):
            self.say(cells[which], message, remedy, self._field(name, which), code=IMPOSSIBLE)
        self.specimens.append(specimen)

    def _cell(self, row: Sequence[Cell], column: str) -> Cell:
        at = self.places.get(column, len(row))
        return row[at] if at < len(row) else Cell("", row[-1].line, row[-1].column)

    @staticmethod
    def _field(name: str, column: str) -> str:
        return f"{name}, {column}" if name else column

    def _read(self, cell: Cell, how: Callable[[str], T], name: str) -> T | None:
        if not cell.text:
            return None
        try:
            return how(cell.text)
        except NumberMistake as wrong:
            self.say(cell, wrong.message, wrong.remedy, name, code=wrong.code)
            return None

    def _weight(self, cells: Mapping[str, Cell], which: str, name: str) -> Number | None:
        """Return a weight, with the unit of its own or of the unit's column."""
        cell, unit = cells[which], cells["unit"]
        told = self._field(name, which)
        if not cell.text:
            self.say(
                cell,
                "nothing is written here",
                f"Write what the rock weighs in {which}, as 96 g",
                told,
                code="nothing_written",
            )
            return None
        bare = cell.text.removesuffix(unit.text).strip()
        if not unit.text or (bare != cell.text and _reads(bare, PLAIN)):
            return self._read(cell, _mass, told)
        try:
            return _mass(f"{cell.text} {unit.text}")
        except NumberMistake as wrong:
            if _reads(cell.text, MASS):
                self.say(unit, "the weight has a unit of its own", "Keep one of the two", told, code="two_units")
            else:
                self.say(unit if _reads(cell.text, PLAIN) else cell, wrong.message, wrong.remedy, told, code=wrong.code)
            return None


def _reads(text: str, wanted: Dimension) -> bool:
    try:
        number_with_doubt.parse(text, wanted)
    except NumberMistake:
        return False
    return True
