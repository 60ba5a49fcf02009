"""A table as text: its separator, its header and its lines, with the place of every field.

The standard library's reader of such files does not tell where a field stands, and that is what a mistake
must say. Quoting is as in RFC 4180; commas, semicolons and tabs part the fields.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True)
class Cell:
    """One field: its text without blanks around it, and where that begins (line and column from one)."""

    text: str
    line: int
    column: int


@dataclass(frozen=True)
class TableRow:
    """A line of a table as its fields; with quotes it may run over several lines of the text, to ``last``."""

    cells: list[Cell]
    last: int

    @property
    def first(self) -> int:
        """The line of the text in which it begins."""
        return self.cells[0].line


#: A field that is at fault (or where something is missing), the message and the remedy.
CellFault: TypeAlias = tuple[Cell, str, str]


def header_and_rows(text: str, known: Sequence[str]) -> tuple[list[Cell] | None, list[list[Cell]], list[CellFault]]:
    """Return the header (None where there is none), the lines that hold anything, and what cannot be read."""
    _, rows, faults = separator_and_rows(text, known)
    if not rows:
        if not faults:
            remedy = 'Begin with the line "stream,what,value,unit,sd"'
            faults.append((Cell("", 1, 1), "the weigh sheet is empty", remedy))
        return None, [], faults
    return rows[0].cells, [row.cells for row in rows[1:]], faults


def separator_and_rows(text: str, known: Sequence[str]) -> tuple[str, list[TableRow], list[CellFault]]:
    """Return the separator, the lines that hold anything (the header first), and what cannot be read.

    The separator is the one by which the header names most of the ``known`` columns.
    """
    text = re.sub(r"\r\n?", "\n", text)
    faults: list[CellFault] = []
    hint = re.match(r'"?sep=([,;\t])"?[ ,;\t]*(?:\n|$)', text)  # some programs write the separator on top
    first = 2 if hint else 1
    body = text[hint.end() :] if hint else text
    separator = hint[1] if hint else _separator(body, known)
    rows = [row for row in _rows(body, separator, first, faults) if any(cell.text for cell in row.cells)]
    return separator, rows, faults


def _separator(text: str, known: Sequence[str]) -> str:
    line = next((line for line in text.split("\n") if line.strip(' \t,;"') and not _remark(line)), "")

    def fit(separator: str) -> tuple[int, int]:
        names = [part.strip(' "').casefold() for part in line.split(separator)]
        return sum(name in known for name in names), len(names)

    return max(SEPARATORS, key=fit)


def _remark(line: str) -> bool:
    return line.lstrip(' \t"').startswith("#")


def _rows(text: str, separator: str, first: int, faults: list[CellFault]) -> Iterator[TableRow]:
    """Go through the lines, each as its fields; remarks are left out."""
    scan = _Scan(text, separator, first)
    while scan.at < len(text):
        stop = text.find("\n", scan.at)
        if _remark(text[scan.at : stop if stop >= 0 else len(text)]):
            scan.take("[^\n]*")
            scan.next_line()
            continue
        line = text[scan.at : stop if stop >= 0 else len(text)]
        if '"' not in line:
            row = list(_plain_row(line, separator, scan.line))
            scan.at += len(line)
            scan.next_line()
            yield TableRow(row, scan.line - 1)
            continue
        row = []
        while True:
            row.append(scan.field())
            if not scan.closed:
                remedy = 'Put a " at the end of the text, and double those inside it'
                faults.append((row[-1], "a quote is not closed", remedy))
                return
            if text[scan.at : scan.at + 1] != separator:
                break
            scan.at += 1
        last = scan.line
        scan.next_line()
        yield TableRow(row, last)


def _plain_row(line: str, separator: str, number: int) -> Iterator[Cell]:
    """Go through the fields of a line in which nothing is quoted."""
    blanks, at = " " if separator == "\t" else " \t", 1
    for part in line.split(separator):
        yield Cell(part.strip(), number, at + len(part) - len(part.lstrip(blanks)))
        at += len(part) + 1


@dataclass
class _Scan:
    """Where the reading of a table has got to."""

    text: str
    separator: str
    line: int
    at: int = 0
    #: Where the line begins.
    start: int = 0
    #: Whether the last quote was closed.
    closed: bool = True

    def take(self, pattern: str) -> str:
        """Return the text here that fits a pattern (which may be none), and go behind it."""
        found = re.compile(pattern).match(self.text, self.at)
        told = found[0] if found else ""
        self.at += len(told)
        return told

    def next_line(self) -> None:
        self.at += 1
        self.line += 1
        self.start = self.at

    def field(self) -> Cell:
        """Read one field; a quoted one may hold separators, quotes (doubled) and line ends."""
        self.take(" *" if self.separator == "\t" else "[ \t]*")
        if self.text[self.at : self.at + 1] != '"':
            place = self.line, self.at - self.start + 1
            return Cell(self.take(f"[^{self.separator}\n]*").strip(), *place)
        place = self.line, self.at - self.start + 2
        quoted = self.take('"(?:[^"]|"")*')
        for inside in re.finditer("\n", quoted):
            self.line += 1
            self.start = self.at - len(quoted) + inside.end()
        self.closed = self.take('"') == '"'
        if not self.closed:
            return Cell(quoted[1:].split("\n")[0], *place)
        tail = self.take(f"[^{self.separator}\n]*")
        return Cell((quoted[1:].replace('""', '"') + tail).strip(), *place)
