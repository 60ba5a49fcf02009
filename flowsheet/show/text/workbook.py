"""Tables as a workbook (XLSX, ISO/IEC 29500): one sheet each, numbers as numbers, for whoever keeps books in one."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import Any

from flowsheet.show.text.tables import Grid

WIDEST, NARROWEST = 48, 10
"""Characters of a column."""
CONTROLS = {code: " " for code in range(32) if code not in (9, 10)}
"""No cell holds these characters."""


def workbook(grids: Sequence[Grid], remarks: Sequence[str]) -> bytes:
    """Return tables, and remarks on a last sheet of their own, as one file."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    book = Workbook(write_only=True)
    for grid in grids:
        sheet = book.create_sheet(grid.name)
        sheet.freeze_panes = "B2"
        for i, column in enumerate(grid.columns):
            longest = max((len(str(row[i])) for row in grid.rows if isinstance(row[i], str)), default=0)
            wide = min(max(longest, len(column.head), NARROWEST), WIDEST)
            sheet.column_dimensions[get_column_letter(i + 1)].width = wide + 2
        heads = []
        for column in grid.columns:
            cell = WriteOnlyCell(sheet, _plain(column.head))
            cell.font, cell.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
            heads.append(cell)
        sheet.append(heads)
        for row in grid.rows:
            sheet.append([_cell(sheet, value) for value in row])
    if remarks:
        sheet = book.create_sheet("remarks")
        sheet.column_dimensions["A"].width = 110
        for line in remarks:
            cell = _cell(sheet, line)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            sheet.append([cell])
    raw = io.BytesIO()
    book.save(raw)
    return raw.getvalue()


def _cell(sheet: Any, value: Any) -> Any:
    """Return a cell; text is never taken for a formula, and what is not known stays empty."""
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, float) and not math.isfinite(value):
        return WriteOnlyCell(sheet, None)
    cell = WriteOnlyCell(sheet, _plain(value) if isinstance(value, str) else value)
    if isinstance(value, str):
        cell.data_type = "s"
    return cell


def _plain(text: str) -> str:
    return text.translate(CONTROLS)
