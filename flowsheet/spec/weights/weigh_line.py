"""One line of a weigh sheet: what it measures, and its number."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flowsheet.spec.blocks.weighed_fields import ALSO
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import VERY_ALIKE, did_you_mean, nearest
from flowsheet.spec.text.notes import Subject
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake
from flowsheet.spec.text.refusals import comma
from flowsheet.spec.text.table_cells import Cell
from flowsheet.spec.weights.weigh_table import KNOWN, MEASURED_TWICE, ON_SIEVE, PLAIN, REPLICATES, SD, SIZED, WeighSheet
from flowsheet.spec.yaml.marked_document import Path_

_ON = re.compile(r"\s*(mass|grade)\s+on\s+(.+)", re.IGNORECASE)


def is_fraction(what: str) -> bool:
    """Whether a line tells of what stayed on a sieve."""
    return _ON.fullmatch(what) is not None


@dataclass
class Line:
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
        """Add to the sheet what the line tells, or what is wrong with it."""
        if self._shifted():
            return
        stream, what = self.cell("stream"), self.cell("what")
        if not stream.text:
            self.sheet.say(
                stream,
                "the line names no stream",
                "Write the stream's name in every line",
                "stream",
                code="line_without_a_name",
            )
        found = self._what(what)
        if found is None or not stream.text:
            return
        at, wanted, offset = found
        path: Path_ = (stream.text, *at)
        name = f"{stream.text}, {' '.join(what.text.split())}"
        self._mark(stream, (stream.text,), stream.text)
        if at[0] in ("metallics", "sizes"):
            self._mark(what, path[:2], name)
        if at[0] == "sizes":
            self._mark(what, path[:3], name)
        self.sheet.texts.setdefault(path[:2], what.text)
        if path[-1] == REPLICATES:
            path = (*path, len(_at(self.sheet.data, path, [])))
        elif path in self.sheet.keys:
            first = self.sheet.keys[path][0]
            remedy = "Keep one of the two, or write each test in a weigh sheet of its own"
            self.sheet.say(
                what,
                f"measured twice, first in line {first}",
                remedy,
                name,
                code=MEASURED_TWICE,
                subject=Subject(stream=stream.text, line=first),
            )
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

    def _shifted(self) -> bool:
        """Find a comma that parts a number, or more fields than the header has columns."""
        last = max((i for i, cell in enumerate(self.cells) if cell.text), default=-1)
        at = self.places["value"]
        value, unit = self.cell("value"), self.cells[at + 1] if at + 1 < len(self.cells) else None
        if unit is not None and re.fullmatch(r"\d+", value.text) and re.fullmatch(r"\d+\b.*", unit.text):
            unquoted = unit.column == value.column + len(value.text) + 1
            if unquoted and (self.places.get("unit") == at + 1 or last >= self.width):
                both = Cell(f"{value.text},{unit.text}", value.line, value.column)
                if wrong := comma(both.text):
                    self.sheet.say(both, wrong.message, wrong.remedy, "value", code=wrong.code)
                    return True
        if last >= self.width:
            remedy = "Put text that holds a comma in quotes, or delete what is too much"
            self.sheet.say(
                self.cells[self.width],
                "the line has more fields than the header has columns",
                remedy,
                "",
                code="too_many_fields",
            )
            return True
        return False

    def _what(self, cell: Cell) -> tuple[tuple[str, ...], units.Dimension, int] | None:
        """Return the field that a line fills, its dimension, and how far into the cell its size stands."""
        told = " ".join(cell.text.casefold().split())
        if not told:
            self.sheet.say(
                cell,
                "the line does not say what was measured",
                f"Write one of {', '.join(KNOWN)}",
                "what",
                code="measurement_unknown",
            )
            return None
        if told in PLAIN:
            return (*PLAIN[told], 0)
        if nearest(told, PLAIN, 0.8) is None and (also := nearest(told, ALSO, VERY_ALIKE)) is not None:
            message = "nothing known here is measured under this name"
            self.sheet.say(cell, message, f'Did you mean "{ALSO[also]}"?', "what", code="measurement_unknown")
            return None
        if (fraction := _ON.fullmatch(cell.text)) is not None:
            head = fraction[1].casefold()
            return ("sizes", fraction[2].strip(), head), ON_SIEVE[head], fraction.start(2)
        first, _, rest = cell.text.partition(" ")
        head = nearest(first, [name for name in SIZED if name not in PLAIN or rest])
        if head is None or nearest(told, PLAIN, 0.8) is not None:
            self.sheet.say(
                cell,
                "nothing known here is measured under this name",
                did_you_mean(told, KNOWN, "names"),
                "what",
                code="measurement_unknown",
            )
            return None
        size, wanted = SIZED[head]
        if head != first.casefold():
            message = "nothing known here is measured under this name"
            self.sheet.say(
                cell, message, f'Did you mean "{head} {rest.strip() or size}"?', "what", code="measurement_unknown"
            )
            return None
        if not rest.strip():
            self.sheet.say(
                cell,
                "the sieve is missing",
                f'Write "{head} {size}", with the opening of your sieve',
                "what",
                code="sieve_missing",
            )
            return None
        return (head, rest.strip()), wanted, cell.text.index(rest.strip())

    def _number(self, wanted: units.Dimension, name: str) -> Number | None:
        """Return the number of the line; None where value, unit or sd is at fault, which is told."""
        value, unit, sd = self.cell("value"), self.cell("unit"), self.cell("sd")
        if not value.text:
            remedy = f"Write something like {wanted.example}, or delete the line"
            self.sheet.say(value, "nothing is written here", remedy, name, code="nothing_written")
            return None
        bare = value.text.removesuffix(unit.text).strip()
        text = value.text if not unit.text or (bare != value.text and _bare(bare)) else f"{value.text} {unit.text}"
        try:
            number = number_with_doubt.parse(text, wanted)
        except NumberMistake as wrong:
            at = unit if unit.text and _bare(value.text) else value
            if at is value and unit.text and _readable(value.text, wanted):
                self.sheet.say(unit, "the value has a unit of its own", "Keep one of the two", name, code="two_units")
            else:
                self.sheet.say(at, wrong.message, wrong.remedy, name, code=wrong.code)
            return None
        return self._with_sd(number, sd, name) if sd.text else number

    def _with_sd(self, number: Number, sd: Cell, name: str) -> Number | None:
        if number.doubtful:
            self.sheet.say(
                sd, "the value has a doubt of its own", "Keep one of the two", f"{name}, sd", code="two_doubts"
            )
            return None
        try:
            found = number_with_doubt.doubted(number, sd.text)
        except NumberMistake as wrong:
            self.sheet.say(sd, wrong.message, wrong.remedy, f"{name}, sd", code=wrong.code)
            return None
        if not found.doubtful:
            remedy = "Leave the sd out, and one for its kind is assumed"
            self.sheet.say(sd, "no weight is free of doubt", remedy, f"{name}, sd", code="free_of_doubt")
            return None
        return found


def _bare(text: str) -> bool:
    return _readable(text, units.PLAIN)


def _readable(text: str, wanted: units.Dimension) -> bool:
    try:
        number_with_doubt.parse(text, wanted)
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
