"""A weigh sheet: a table as text (CSV) of what was measured in one test, one line a measurement.

Columns: stream, what, value, and if wanted unit, sd, when, note. Lines that start with # are remarks. It is
read into the same shape as ``weighed:`` has in a sheet, so that both are checked by the same rules.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from flowsheet.spec.text.mistakes import Mistake, did_you_mean, nearest
from flowsheet.spec.text.table_cells import Cell, header_and_rows
from flowsheet.spec.text.text_file import check_characters, decode, read_bytes
from flowsheet.spec.weights.weigh_line import Line
from flowsheet.spec.weights.weigh_table import COLUMNS, NEEDED, WeighSheet


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
        sheet.say(cell, message, remedy, code="table_unreadable")
    if header is None:
        return sheet
    places = _columns(sheet, header)
    if places is None:
        return sheet
    if not rows and not faults:
        start = Cell("", header[0].line, header[0].column)
        sheet.say(
            start,
            "there is no line below the header",
            "Add what was measured, as tails,mass,8.0 kg",
            code="table_empty",
        )
    width = max(i for i, cell in enumerate(header, 1) if cell.text)
    for row in rows:
        Line(sheet, places, width, row).read()
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
            sheet.say(cell, message, remedy, code="table_unreadable")
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
            sheet.say(cell, "two columns have this name", "Keep one of the two", code="column_twice")
        elif name in COLUMNS:
            places[name] = i
        elif name:
            unknown.append(cell)
    if not places:
        first = header[0]
        message = "the header is missing: the first line names the columns"
        sheet.say(first, message, 'Put the line "stream,what,value,unit,sd" on top', code="header_missing")
        return None
    free = [name for name in COLUMNS if name not in places]
    for cell in unknown:
        meant = nearest(cell.text, free)
        remedy = did_you_mean(cell.text, free) if meant else f"The columns are: {', '.join(COLUMNS)}"
        sheet.say(cell, "no column of a weigh sheet has this name", remedy, code="column_unknown")
        free = [name for name in free if name != meant]
    lacking = [name for name in NEEDED if name not in places]
    for name in lacking:
        if name in free:
            start = Cell("", header[0].line, header[0].column)
            remedy = f'Add "{name}" to the header, and its field to every line'
            sheet.say(start, f'the column "{name}" is missing', remedy, code="column_missing")
    # By a header that is at fault, what stands below it would be read amiss.
    return places if not lacking and not unknown and len(set(names)) == len(names) else None
