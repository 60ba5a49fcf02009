"""The text of a bench log: what its lines tell, and the same text with a line more, changed or struck.

All of it is kept as it was found: the mark of its encoding, line ends, separator, columns and remarks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import NamedTuple

from flowsheet.spec.text.mistakes import Mistake, SheetError, shortened
from flowsheet.spec.text.table_cells import TableRow, separator_and_rows
from flowsheet.spec.text.text_file import check_characters, decode
from flowsheet.spec.text.units import UNIT_MISSING
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weigh_table import COLUMNS, MEASURED_TWICE, NEEDED

LONGEST_CELL, LONGEST_NOTE = 120, 500
"""Characters of a field, and of a note."""

ALREADY = "another line tells this already"

_BOM = b"\xef\xbb\xbf"
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_END = re.compile(r"\r\n|\r|\n")
#: How a cell begins that a spreadsheet would work out instead of showing it.
_FORMULA = ("=", "+", "-", "@")
#: But a stream may well be called "+20 mm".
_SIZE = re.compile(r"[+-]\s*[.\d][^(|!]*")


class Place(NamedTuple):
    """A line as it was shown: its number (from one) and its text, without the line end."""

    line: int
    text: str


@dataclass(frozen=True)
class Entry:
    """One line of a bench log, its cells as written; ``line`` and ``text`` tell where it stands (0, "": nowhere)."""

    stream: str
    what: str
    value: str
    unit: str = ""
    sd: str = ""
    when: str = ""
    note: str = ""
    line: int = 0
    text: str = ""

    @classmethod
    def of(cls, cells: Mapping[str, str]) -> Entry:
        """Return the entry of cells by their columns; one that is not there is empty."""
        stream, what, value, unit, sd, when, note = (cells.get(name, "") for name in COLUMNS)
        return cls(stream, what, value, unit, sd, when, note)

    @property
    def place(self) -> Place:
        """Where it stands, as ``change`` and ``strike`` ask for it."""
        return Place(self.line, self.text)

    @property
    def said(self) -> str:
        """Return it in words: "tails, mass 13.41 kg ± 0.02 kg"."""
        unit = f" {self.unit}" if self.unit else ""
        bare = bool(re.fullmatch(r"[\d.]+", self.sd))
        doubt = f" ± {self.sd}{unit if bare else ''}" if self.sd else ""
        return f"{self.stream}, {self.what} {self.value}{unit}{doubt}"

    def cell(self, column: str) -> str:
        """Return the cell of a column."""
        return str(getattr(self, column))


@dataclass
class LogText:
    """The text of a log as it is on the disk, and how it is written."""

    file: str
    text: str = ""
    bom: bool = False
    separator: str = ","
    rows: list[TableRow] = field(default_factory=list)

    @classmethod
    def of(cls, raw: bytes, file: str) -> LogText:
        """Read the bytes of a file. Raises SheetError where they are no text."""
        bom = raw.startswith(_BOM)
        return cls.read(decode(raw, file), file, bom)

    @classmethod
    def read(cls, text: str, file: str, bom: bool = False) -> LogText:
        """Find the lines of a text. Raises SheetError for characters that no text holds."""
        check_characters(text, file, "weigh sheet")
        separator, rows, _ = separator_and_rows(text, COLUMNS)
        if not rows and file.casefold().endswith(".tsv") and not text.startswith(("sep=", '"sep=')):
            separator = "\t"
        return cls(file, text, bom, separator, rows)

    def raw(self, text: str) -> bytes:
        """Return the bytes of another text of this file."""
        return (_BOM if self.bom else b"") + text.encode("utf-8")

    @cached_property
    def places(self) -> dict[str, int]:
        """Column → which field of a line it is."""
        names = [" ".join(cell.text.casefold().split()) for cell in self.rows[0].cells] if self.rows else []
        return {name: i for i, name in reversed(list(enumerate(names))) if name in COLUMNS}

    def entries(self) -> list[Entry]:
        """Return every line below the header, as far as its columns are known."""
        return [self.entry(row) for row in self.rows[1:]]

    def entry(self, row: TableRow) -> Entry:
        """Return what a line tells."""
        told = {name: row.cells[at].text if at < len(row.cells) else "" for name, at in self.places.items()}
        return replace(Entry.of(told), line=row.first, text=self._text_of(row))

    def _text_of(self, row: TableRow) -> str:
        return _END.sub("\n", "".join(self._lines[row.first - 1 : row.last])).rstrip("\n")

    @cached_property
    def _lines(self) -> list[str]:
        """The lines of the text, each with its end."""
        return _LINE.findall(self.text)

    @property
    def _end(self) -> str:
        found = _END.search(self.text)
        return found[0] if found else "\n"

    def find(self, place: Place) -> TableRow:
        """Return the line that was shown. Raises SheetError where it is gone or has changed."""
        shown = _END.sub("\n", place.text).rstrip("\n")
        row = self.row_at(place.line)
        if row is not None and self._text_of(row) == shown:
            return row
        told = "has changed since it was shown" if row is not None else "is no measurement any more"
        remedy = "Look at the log as it is now, and change or strike the line there"
        raise SheetError(
            [
                Mistake(
                    f"this line {told}",
                    remedy,
                    "",
                    shortened(shown),
                    self.file,
                    place.line,
                    1,
                    code="line_changed_since",
                )
            ]
        )

    def added(self, entry: Entry) -> tuple[str, int]:
        """Return the text with an entry as its last line, and the number of that."""
        lines = self._with_columns(entry)
        if lines and not _END.search(lines[-1]):
            lines[-1] += self._end
        return "".join([*lines, self._line(entry), self._end]), len(lines) + 1

    def changed(self, row: TableRow, entry: Entry, now: datetime) -> tuple[str, int]:
        """Return the text with an entry in the place of a line, which becomes a remark below it."""
        remark = self._remark("replaced", row, now)
        lines = self._with_columns(entry)
        lines[row.first - 1 : row.last] = [self._line(entry) + self._end, remark]
        return "".join(lines), row.first

    def struck(self, row: TableRow, now: datetime) -> str:
        """Return the text with a line made a remark."""
        lines = self._lines.copy()
        lines[row.first - 1 : row.last] = [self._remark("struck", row, now)]
        return "".join(lines)

    def without(self, rows: Iterable[TableRow]) -> str:
        """Return the text with nothing in the place of some lines: all others keep their numbers."""
        lines = self._lines.copy()
        for row in rows:
            lines[row.first - 1 : row.last] = [_blank(line) for line in lines[row.first - 1 : row.last]]
        return "".join(lines)

    def _remark(self, how: str, row: TableRow, now: datetime) -> str:
        old = " ".join(self._text_of(row).split("\n"))
        return f"# {how} {now:%Y-%m-%d %H:%M}: {old}{self._end}"

    def _with_columns(self, entry: Entry) -> list[str]:
        """Return the lines of the text, the header with every column that the entry needs."""
        lines = self._lines.copy()
        if not self.rows:
            if lines and not _END.search(lines[-1]):
                lines[-1] += self._end
            return [*lines, self.separator.join(COLUMNS) + self._end]
        lacking = self._lacking(entry)
        if lacking:
            if self.rows[1:]:
                # A line with more fields than the header has would change its meaning.
                wide = {row.first for row in self.rows[1:] if len(row.cells) > len(self.rows[0].cells)}
                refuse_if(m for m in weigh_sheet.parse(self.text, self.file).mistakes if m.line in wide)
            last = self.rows[0].last - 1
            head = lines[last].rstrip("\r\n")
            lines[last] = self.separator.join([head, *lacking]) + (lines[last][len(head) :] or self._end)
        return lines

    def _lacking(self, entry: Entry) -> list[str]:
        places = self.places
        return [name for name in COLUMNS if name not in places and (name in NEEDED or entry.cell(name))]

    def _line(self, entry: Entry) -> str:
        places = self.places
        width = len(self.rows[0].cells) if self.rows else 0
        lacking = self._lacking(entry) if self.rows else list(COLUMNS)
        cells = [""] * width + [entry.cell(name) for name in lacking]
        for name, at in places.items():
            cells[at] = entry.cell(name)
        return self.separator.join(_quoted(cell, self.separator) for cell in cells)

    def row_at(self, line: int) -> TableRow | None:
        """Return the line that begins in line ``line`` of the text; None where none below the header does."""
        return next((row for row in reversed(self.rows[1:]) if row.first == line), None)

    def of_line(self, mistake: Mistake, line: int) -> Mistake:
        """Return a mistake in the entry at ``line`` with the column that is at fault as its field."""
        row = self.row_at(line)
        if row is None or not row.first <= mistake.line <= row.last:
            return mistake
        if mistake.code == MEASURED_TWICE:
            first = mistake.subject.line
            mistake = replace(mistake, remedy=f"If it was weighed again, change line {first} instead of adding one")
        column_of = {at: name for name, at in self.places.items()}
        before = [i for i, cell in enumerate(row.cells) if (cell.line, cell.column) <= (mistake.line, mistake.column)]
        name = column_of.get(before[-1], "") if before else ""
        if name == "value" and mistake.code == UNIT_MISSING:
            name = "unit"
        return replace(mistake, field=name or mistake.field)

    def faults_of(self, entry: Entry, line: int) -> list[Mistake]:
        """Return what is wrong with the line that was written for an entry, or with what it is read by."""
        mistakes = weigh_sheet.parse(self.text, self.file).mistakes
        row = self.row_at(line)
        if row is None:
            # Read as a remark, or as a part of a quote that nothing closes.
            unread = Mistake("this is read as no line of its own", "Write it without # and quotes", "stream",
                             entry.stream, self.file, line, 1, code="line_unread")  # fmt: skip
            return mistakes or [unread]
        header = [m for m in mistakes if m.line == self.rows[0].first]
        if header:
            return header
        again = [m for m in mistakes if m.code == MEASURED_TWICE and m.subject.line == line]
        return [
            *(self.of_line(m, line) for m in mistakes if row.first <= m.line <= row.last),
            # Its number is not told: it is that of the text as it would be.
            *(replace(m, message=ALREADY, field="what", remedy="Change or strike that line instead") for m in again),
        ]


def refuse_if(mistakes: Iterable[Mistake]) -> None:
    """Raise SheetError where there are mistakes."""
    found = list(mistakes)
    if found:
        raise SheetError(found)


def tidied(entry: Entry, file: str) -> Entry:
    """Return an entry as it may be written: on one line, and nothing in it for a spreadsheet to work out.

    Raises SheetError, with the column as its field, for what is too long or holds what no text does.
    """
    mistakes: list[Mistake] = []
    cells: dict[str, str] = {}
    for name in COLUMNS:
        text, longest = entry.cell(name).strip(), LONGEST_NOTE if name == "note" else LONGEST_CELL
        if name in ("when", "note"):
            text = " ".join(text.split())
            if text.startswith(_FORMULA):
                text = f"'{text}"
        try:
            check_characters(text, file, "weigh sheet")
        except SheetError as wrong:
            mistakes += [replace(m, remedy="Delete it", field=name, line=0, column=0) for m in wrong.mistakes]
        if len(text) > longest:
            message = f"this is longer than {longest} characters"
            mistakes.append(Mistake(message, "Write it shorter", name, shortened(text), file, code="entry_too_long"))
        elif name not in ("when", "note"):
            if "\n" in text or "\r" in text:
                mistakes.append(
                    Mistake(
                        "a line break stands in it",
                        "Write it on one line",
                        name,
                        text,
                        file,
                        code="line_break_in_entry",
                    )
                )
            elif name == "stream" and text.startswith((*_FORMULA, "#")) and not _SIZE.fullmatch(text):
                message = f"a weigh sheet cannot name a stream that begins with {text[0]}"
                remedy = "Give the stream another name in the sheet, or put its weights under weighed: there"
                mistakes.append(Mistake(message, remedy, name, text, file, code="stream_unwritable"))
        cells[name] = text
    refuse_if(mistakes)
    return Entry.of(cells)


def _blank(line: str) -> str:
    return line[len(line.rstrip("\r\n")) :]


def _quoted(cell: str, separator: str) -> str:
    """Return a cell as RFC 4180 has it."""
    if any(mark in cell for mark in (separator, '"', "\n", "\r", "\t")):
        return '"' + cell.replace('"', '""') + '"'
    return cell
