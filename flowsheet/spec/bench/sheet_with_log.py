"""A sheet as it is with a weigh sheet that is being written: with its text as it would be, before it is on the disk."""

from __future__ import annotations

import copy
import os
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flowsheet.spec.bench.log_text import LogText
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.weighed_fields import LACKING
from flowsheet.spec.checks.weighed import NO_GRADE, NO_MOIST_MASS, NO_SLAG_MASS, waits
from flowsheet.spec.read import Kinds, build
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.table_cells import TableRow
from flowsheet.spec.text.wording import listed
from flowsheet.spec.weights import weigh_line, weigh_sheet, weigh_table
from flowsheet.spec.weights.weighed_test import FILE
from flowsheet.spec.yaml.marked_document import Document

MOST_ROUNDS = 20
"""So many times lines that are at fault are looked for, each time without those that were found before."""


WANTS = {
    NO_MOIST_MASS: "its moisture still wants the mass, as weighed moist",
    NO_GRADE: "its assay mass still wants the grade",
}
"""Code of what a single line waits for → what is told of it, behind the stream's name."""


@dataclass(frozen=True)
class Counted:
    """A log as far as it counts: what waits for another line, and what is at fault, counts in nothing."""

    sheet: Sheet
    #: The log's text with nothing in the place of the lines that don't count.
    text: str
    #: What is still to be measured, in sentences.
    still_open: tuple[str, ...] = ()
    #: What is wrong with lines of the log.
    mistakes: tuple[Mistake, ...] = ()


def counted(document: Document, kinds: Kinds, path: Path, text: str) -> Counted:
    """Check a document as if the weigh sheet ``path`` held those lines of ``text`` that can count.

    Raises SheetError where something else than the log is at fault.
    """
    lines = LogText.read(text, str(path))
    dropped: dict[int, TableRow] = {}
    mistakes: dict[Mistake, None] = {}
    still_open: dict[str, None] = {}
    for _ in range(MOST_ROUNDS):
        left = lines.without(dropped.values())
        try:
            sheet = build_with(document, kinds, path, left)
        except SheetError as wrong:
            if any(m.file != str(path) for m in wrong.mistakes):
                raise
            found = {row.first: row for m in wrong.mistakes for row in _rows_of(lines, m)}
            still_open |= dict.fromkeys(_told_open(lines, wrong.mistakes))
            mistakes |= dict.fromkeys(m for m in wrong.mistakes if not waits(m))
            if not found.keys() - dropped.keys():
                break
            dropped |= found
        else:
            return Counted(sheet, left, tuple(still_open), tuple(mistakes))
    # The header, or so many lines that nothing can be told of the others.
    return Counted(build_with(document, kinds, path, ""), "", (), tuple(mistakes))


def new_mistakes(document: Document, kinds: Kinds, path: Path, before: str, after: str) -> list[Mistake]:
    """Return what is wrong with another text of a log, and was not with the text before.

    What waits for another line is not wrong yet. Lines may have moved, so that their numbers tell nothing.
    """
    found = _mistakes(document, kinds, path, after)
    known = Counter(_unplaced(m) for m in _mistakes(document, kinds, path, before)) if found else Counter()
    new = []
    for mistake in found:
        if known[_unplaced(mistake)] > 0:
            known[_unplaced(mistake)] -= 1
        else:
            new.append(mistake)
    return new


def _mistakes(document: Document, kinds: Kinds, path: Path, text: str) -> list[Mistake]:
    try:
        build_with(document, kinds, path, text)
    except SheetError as wrong:
        return [m for m in wrong.mistakes if not (waits(m) and m.file == str(path))]
    return []


def _unplaced(mistake: Mistake) -> tuple[str, ...]:
    about = mistake.subject
    return mistake.code, about.stream, about.what, mistake.field, mistake.read or "", mistake.file


def _rows_of(lines: LogText, mistake: Mistake) -> list[TableRow]:
    """Return the lines that a mistake keeps from counting: its own, or all of an assay or sieving that lacks a part."""
    row = next((row for row in lines.rows[1:] if row.first <= mistake.line <= row.last), None)
    if row is None:
        return []
    if not waits(mistake) or mistake.code in WANTS:
        return [row]
    if mistake.code == NO_SLAG_MASS and lines.entry(row).what.strip().casefold() == "grade":
        return [row]
    stream, belongs = lines.entry(row).stream, weigh_line.is_fraction if mistake.code in LACKING else _is_part
    return [one for one in lines.rows[1:] if lines.entry(one).stream == stream and belongs(lines.entry(one).what)]


def _is_part(what: str) -> bool:
    found = weigh_table.PLAIN.get(" ".join(what.casefold().split()))
    return found is not None and found[0][0] == "metallics"


def _told_open(lines: LogText, mistakes: Iterable[Mistake]) -> list[str]:
    """Say what is still to be measured, stream by stream."""
    parts: dict[str, list[str]] = {}
    found = []
    for mistake in mistakes:
        row = next((row for row in lines.rows[1:] if row.first <= mistake.line <= row.last), None)
        if not waits(mistake) or row is None:
            continue
        stream = lines.entry(row).stream
        if mistake.code in WANTS:
            found.append(f"{stream}: {WANTS[mistake.code]}")
        elif mistake.code in LACKING:
            found.append(f"{stream}: its sieving still wants {LACKING[mistake.code]}")
        elif mistake.code == NO_SLAG_MASS:
            found.append(f"{stream}: its grade still wants its mass, as weighed after the fire")
        else:
            parts.setdefault(stream, []).append(mistake.subject.what)
    assays = [f"{stream}: the screen assay still wants {listed(names)}" for stream, names in parts.items()]
    return [f"{one}. Until then it counts in nothing, and the other commands refuse it." for one in (*found, *assays)]


def build_with(document: Document, kinds: Kinds, path: Path, text: str) -> Sheet:
    """Check a document as if the weigh sheet ``path`` held ``text``. Raises SheetError with every mistake found.

    A weigh sheet that the sheet does not name is added to those that it does; one that holds nothing is left out.
    """
    real = Path(os.path.realpath(path))
    return build(_naming(document, real, not weigh_sheet.holds_nothing(text)), kinds, {real: (str(path), text)})


def log_test(document: Document, path: Path) -> str:
    """Return the test that a weigh sheet is in this sheet: its name without the ending."""
    return Path(next((name for name in _names(document) if _is(document, name, path)), str(path))).stem


def _naming(document: Document, real: Path, wanted: bool) -> Document:
    """Return the document, naming the weigh sheet where it is ``wanted`` and not where it is not."""
    weighed = document.data.get("weighed", {})
    if not isinstance(weighed, dict):
        return document  # a mistake, which is told
    given = weighed.get(FILE)
    names = _names(document)
    if FILE in weighed and not names:
        return document  # one, too
    is_named = any(_is(document, name, real) for name in names)
    if is_named == wanted:
        return document
    left: Any = [*names, str(real)] if wanted else [name for name in names if not _is(document, name, real)]
    if len(left) == 1 and not isinstance(given, list):
        left = left[0]
    changed = copy.copy(document)
    changed.data = {name: block for name, block in document.data.items() if name != "weighed"}
    rest = {name: block for name, block in weighed.items() if name != FILE}
    if left or rest:
        changed.data["weighed"] = {**({FILE: left} if left else {}), **rest}
    return changed


def _names(document: Document) -> list[str]:
    """Return the weigh sheets that a document names; none where that is at fault."""
    weighed = document.data.get("weighed")
    given = weighed.get(FILE) if isinstance(weighed, dict) else None
    names = given if isinstance(given, list) else [given]
    told = [name.strip() for name in names if isinstance(name, str) and name.strip()]
    return told if len(told) == len(names) else []


def _is(document: Document, name: str, path: Path) -> bool:
    return os.path.realpath(Path(document.file).parent / name) == os.path.realpath(path)
