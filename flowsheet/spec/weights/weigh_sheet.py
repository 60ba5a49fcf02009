"""A weigh sheet: a table as text (CSV) of what was measured in one test, one line a measurement.

Columns: stream, what, value, and if wanted unit, sd, when, note. Lines that start with # are remarks. It is
read into the same shape as ``weighed:`` has in a sheet, so that both are checked by the same rules.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flowsheet.spec.blocks.weighed_fields import ALL
from flowsheet.spec.text import numbers, units
from flowsheet.spec.text.mistakes import Mistake, did_you_mean, nearest
from flowsheet.spec.text.numbers import Number, NumberMistake
from flowsheet.spec.text.table_cells import Cell, header_and_rows
from flowsheet.spec.text.text_file import check_characters, decode, read_bytes
from flowsheet.spec.yaml.document import Document, Path_

NEEDED = ("stream", "what", "value")
COLUMNS = (*NEEDED, "unit", "sd", "when", "note")

#: What a line may tell → the field of a sheet that it fills, and its dimension.
PLAIN: dict[str, tuple[tuple[str, ...], units.Dimension]] = {
    "mass": (("mass",), units.MASS),
    "grade": (("grade",), units.GRADE),
    "gold": (("gold",), units.MASS),
    "bead": (("bead",), units.MASS),
    "moisture": (("moisture",), units.SHARE),
    "plus mass": (("metallics", "plus"), units.MASS),
    "plus gold": (("metallics", "plus_gold"), units.MASS),
    "minus mass": (("metallics", "minus"), units.MASS),
    "minus grade": (("metallics", "minus_grades"), units.GRADE),
    "grains": (("grains", ALL), units.COUNT),
}
#: The same for what carries a size behind it.
SIZED = {"passing": ("150 um", units.SHARE), "grains": ("+0.3 mm", units.COUNT)}
KNOWN = [*PLAIN, *(f"{name} {size}" for name, (size, _) in SIZED.items())]

#: What else a line may call what it tells.
ALSO = {"assay": "grade", "assays": "grade", "weight": "mass", "weights": "mass"}

REPLICATES = "minus_grades"
SD = "sd"
"""Behind the path of a number: where its doubt stands, if in a field of its own."""


@dataclass
class WeighSheet(Document):
    """A weigh sheet as a document: streams, each with the fields of ``weighed``; numbers are read already."""

    texts: dict[Path_, str] = field(default_factory=dict)
    names: dict[Path_, str] = field(default_factory=dict)
    remarks: dict[Path_, tuple[str, str]] = field(default_factory=dict)
    #: What is wrong with its lines.
    mistakes: list[Mistake] = field(default_factory=list)
    #: Fields that could not be read.
    hurt: set[Path_] = field(default_factory=set)

    def text_at(self, path: Path_) -> str | None:
        """Return what stands in the field that tells ``path``."""
        return self.texts.get(path)

    def field_at(self, path: Path_) -> str:
        """Return the words of the line that tells ``path``: "tails, plus gold"."""
        return self.names.get(path) or ", ".join(map(str, path))

    def remarks_at(self, path: Path_) -> tuple[str, str]:
        """Return when it was measured, and the note beside it."""
        return self.remarks.get(path, ("", ""))


def read(path: Path) -> WeighSheet:
    """Read a weigh sheet. Raises UnreadableError, and SheetError where it is no text.

    What is wrong with its lines stands in ``mistakes``, so that all is told at once.
    """
    raw = read_bytes(path, "weigh sheet", (".csv", ".tsv"), _NONE)
    found = parse(decode(raw, str(path)), str(path))
    found.raw = raw
    return found


_NONE = "Write its name as it is, with its ending, as sack3.csv"


def parse(text: str, file: str) -> WeighSheet:
    """Read the text of a weigh sheet. Raises SheetError for characters that no text holds."""
    check_characters(text, file, "weigh sheet")
    sheet = WeighSheet(file, {}, raw=text.encode())
    header, rows, faults = header_and_rows(text, COLUMNS)
    for cell, message, remedy in faults:
        _say(sheet, cell, message, remedy)
    if header is None:
        return sheet
    places = _columns(sheet, header)
    if places is None:
        return sheet
    if not rows and not faults:
        start = Cell("", header[0].line, header[0].column)
        _say(sheet, start, "there is no line below the header", "Add what was measured, as tails,mass,8.0 kg")
    width = max(i for i, cell in enumerate(header, 1) if cell.text)
    for row in rows:
        _Line(sheet, places, width, row).read()
    return sheet


def holds_nothing(text: str) -> bool:
    """Whether a text is no more than the header of a weigh sheet and remarks."""
    header, rows, faults = header_and_rows(text, COLUMNS)
    if header is None:
        return all(not cell.text for cell, _, _ in faults)
    return not rows and not faults and _columns(WeighSheet("", {}), header) is not None


def header_faults(text: str, file: str) -> list[Mistake]:
    """Return why a text cannot be read line by line: no header, or one that is at fault; none where it can."""
    sheet = WeighSheet(file, {})
    header, _, faults = header_and_rows(text, COLUMNS)
    if header is None:
        for cell, message, remedy in faults:
            _say(sheet, cell, message, remedy)
        return sheet.mistakes
    return sheet.mistakes if _columns(sheet, header) is None else []


def _columns(sheet: WeighSheet, header: Sequence[Cell]) -> dict[str, int] | None:
    """Return which field of a line each column is, None where the lines cannot be read by them."""
    places: dict[str, int] = {}
    unknown = []
    names = [" ".join(cell.text.casefold().split()) for cell in header if cell.text]
    for i, cell in enumerate(header):
        name = " ".join(cell.text.casefold().split())
        if name in places:
            _say(sheet, cell, "two columns have this name", "Keep one of the two")
        elif name in COLUMNS:
            places[name] = i
        elif name:
            unknown.append(cell)
    if not places:
        first = header[0]
        message = "the header is missing: the first line names the columns"
        _say(sheet, first, message, 'Put the line "stream,what,value,unit,sd" on top')
        return None
    free = [name for name in COLUMNS if name not in places]
    for cell in unknown:
        meant = nearest(cell.text, free)
        remedy = did_you_mean(cell.text, free) if meant else f"The columns are: {', '.join(COLUMNS)}"
        _say(sheet, cell, "no column of a weigh sheet has this name", remedy)
        free = [name for name in free if name != meant]
    lacking = [name for name in NEEDED if name not in places]
    for name in lacking:
        if name in free:
            start = Cell("", header[0].line, header[0].column)
            remedy = f'Add "{name}" to the header, and its field to every line'
            _say(sheet, start, f'the column "{name}" is missing', remedy)
    # By a header that is at fault, what stands below it would be read amiss.
    return places if not lacking and not unknown and len(set(names)) == len(names) else None


def _say(sheet: WeighSheet, cell: Cell, message: str, remedy: str, name: str = "") -> None:
    sheet.mistakes.append(Mistake(message, remedy, name, cell.text or None, sheet.file, cell.line, cell.column))


@dataclass
class _Line:
    """One line below the header."""

    sheet: WeighSheet
    places: Mapping[str, int]
    #: Columns of the header.
    width: int
    cells: Sequence[Cell]

    def cell(self, column: str) -> Cell:
        """Return the field of a column; where the line ends before it, an empty one at its end."""
        at = self.places.get(column, len(self.cells))
        last = self.cells[-1]
        return self.cells[at] if at < len(self.cells) else Cell("", last.line, last.column)

    def read(self) -> None:
        if self._shifted():
            return
        stream, what = self.cell("stream"), self.cell("what")
        if not stream.text:
            self.say(stream, "the line names no stream", "Write the stream's name in every line", "stream")
        found = self._what(what)
        if found is None or not stream.text:
            return
        at, wanted, offset = found
        path: Path_ = (stream.text, *at)
        name = f"{stream.text}, {' '.join(what.text.split())}"
        self._mark(stream, (stream.text,), stream.text)
        if at[0] == "metallics":
            self._mark(what, path[:2], name)
        self.sheet.texts.setdefault(path[:2], what.text)
        if path[-1] == REPLICATES:
            path = (*path, len(_at(self.sheet.data, path, [])))
        elif path in self.sheet.keys:
            first = self.sheet.keys[path][0]
            remedy = "Keep one of the two, or write each test in a weigh sheet of its own"
            self.say(what, f"measured twice, first in line {first}", remedy, name)
            return
        self.sheet.names[path] = name
        self.sheet.keys[path] = (what.line, what.column + offset)
        value = self.cell("value")
        self.sheet.marks[path] = (value.line, value.column)
        self.sheet.texts[path] = value.text
        if (sd := self.cell(SD)).text:
            self.sheet.marks[(*path, SD)] = (sd.line, sd.column)
            self.sheet.texts[(*path, SD)] = sd.text
            self.sheet.names[(*path, SD)] = f"{name}, {SD}"
        remarks = (self.cell("when").text, self.cell("note").text)
        for known in (path, path[:2]):
            self.sheet.remarks.setdefault(known, remarks)
        self.sheet.data.setdefault(stream.text, {})
        number = self._number(wanted, name)
        if number is None:
            self.sheet.hurt.add(path)
        else:
            _put(self.sheet.data, path, number)

    def _mark(self, cell: Cell, path: Path_, name: str) -> None:
        self.sheet.names.setdefault(path, name)
        self.sheet.keys.setdefault(path, (cell.line, cell.column))
        self.sheet.marks.setdefault(path, (cell.line, cell.column))

    def say(self, cell: Cell, message: str, remedy: str, name: str) -> None:
        _say(self.sheet, cell, message, remedy, name)

    def _shifted(self) -> bool:
        """Find a comma that parts a number, or more fields than the header has columns."""
        last = max((i for i, cell in enumerate(self.cells) if cell.text), default=-1)
        at = self.places["value"]
        value, unit = self.cell("value"), self.cells[at + 1] if at + 1 < len(self.cells) else None
        if unit is not None and re.fullmatch(r"\d+", value.text) and re.fullmatch(r"\d+\b.*", unit.text):
            unquoted = unit.column == value.column + len(value.text) + 1
            if unquoted and (self.places.get("unit") == at + 1 or last >= self.width):
                both = Cell(f"{value.text},{unit.text}", value.line, value.column)
                remedy = f'Write a point: "{value.text}.{unit.text}"'
                self.say(both, "a comma stands inside the number", remedy, "value")
                return True
        if last >= self.width:
            remedy = "Put text that holds a comma in quotes, or delete what is too much"
            self.say(self.cells[self.width], "the line has more fields than the header has columns", remedy, "")
            return True
        return False

    def _what(self, cell: Cell) -> tuple[tuple[str, ...], units.Dimension, int] | None:
        """Return the field that a line fills, its dimension, and how far into the cell its size stands."""
        told = " ".join(cell.text.casefold().split())
        if not told:
            self.say(cell, "the line does not say what was measured", f"Write one of {', '.join(KNOWN)}", "what")
            return None
        if told in PLAIN:
            return (*PLAIN[told], 0)
        if told in ALSO:
            message = "nothing known here is measured under this name"
            self.say(cell, message, f'Did you mean "{ALSO[told]}"?', "what")
            return None
        first, _, rest = cell.text.partition(" ")
        head = nearest(first, [name for name in SIZED if name not in PLAIN or rest])
        if head is None or nearest(told, PLAIN, 0.8) is not None:
            self.say(cell, "nothing known here is measured under this name", did_you_mean(told, KNOWN, "names"), "what")
            return None
        size, wanted = SIZED[head]
        if head != first.casefold():
            message = "nothing known here is measured under this name"
            self.say(cell, message, f'Did you mean "{head} {rest.strip() or size}"?', "what")
            return None
        if not rest.strip():
            self.say(cell, "the sieve is missing", f'Write "{head} {size}", with the opening of your sieve', "what")
            return None
        return (head, rest.strip()), wanted, cell.text.index(rest.strip())

    def _number(self, wanted: units.Dimension, name: str) -> Number | None:
        """Return the number of the line; None where value, unit or sd is at fault, which is told."""
        value, unit, sd = self.cell("value"), self.cell("unit"), self.cell("sd")
        if not value.text:
            remedy = f"Write something like {wanted.example}, or delete the line"
            self.say(value, "nothing is written here", remedy, name)
            return None
        bare = value.text.removesuffix(unit.text).strip()
        text = value.text if not unit.text or (bare != value.text and _bare(bare)) else f"{value.text} {unit.text}"
        try:
            number = numbers.parse(text, wanted)
        except NumberMistake as wrong:
            at = unit if unit.text and _bare(value.text) else value
            if at is value and unit.text and _readable(value.text, wanted):
                self.say(unit, "the value has a unit of its own", "Keep one of the two", name)
            else:
                self.say(at, wrong.message, wrong.remedy, name)
            return None
        return self._with_sd(number, text, sd, wanted, name) if sd.text else number

    def _with_sd(self, number: Number, text: str, sd: Cell, wanted: units.Dimension, name: str) -> Number | None:
        if number.doubtful:
            self.say(sd, "the value has a doubt of its own", "Keep one of the two", f"{name}, sd")
            return None
        try:
            found = numbers.parse(f"{text} ± {sd.text}", wanted)
        except NumberMistake as wrong:
            self.say(sd, wrong.message, wrong.remedy, f"{name}, sd")
            return None
        if not found.doubtful:
            remedy = "Leave the sd out, and one for its kind is assumed"
            self.say(sd, "no weight is free of doubt", remedy, f"{name}, sd")
            return None
        return found


def _bare(text: str) -> bool:
    return _readable(text, units.PLAIN)


def _readable(text: str, wanted: units.Dimension) -> bool:
    try:
        numbers.parse(text, wanted)
    except NumberMistake:
        return False
    return True


def _at(data: dict[str, Any], path: Path_, otherwise: Any) -> Any:
    node: Any = data
    for part in path:
        if not isinstance(node, dict) or part not in node:
            return otherwise
        node = node[part]
    return node


def _put(data: dict[str, Any], path: Path_, number: Number) -> None:
    """Lay a number where its field stands."""
    *above, last = path
    node: Any = data
    for i, part in enumerate(above, 1):
        node = node.setdefault(part, [] if isinstance(path[i], int) else {})
    if isinstance(node, list):
        node.append(number)
    else:
        node[last] = number
