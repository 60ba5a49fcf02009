"""A report as a PDF, set by typst, which is a package and needs nothing of the system."""

from __future__ import annotations

import json
import re
import textwrap
from importlib.resources import files
from pathlib import Path
from typing import Any

from flowsheet.show.graphics import svg
from flowsheet.show.report.parts import ASSUMED, CAPTIONS, SHEET, Report, on_paper
from flowsheet.show.report.placing import FLOW, placed
from flowsheet.show.text.content import Picture, Section
from flowsheet.show.text.line_width import tied
from flowsheet.show.text.tables import FATES, Grid
from flowsheet.study.common.streams import KEPT

LONG_WORD = 26
"""Characters after which a word may be broken: names of streams have no blanks where their table has no room."""
LONG_CELL = 28
"""Characters of a cell from which on its column takes what the others leave."""
RUNNING = 90
"""Characters of the title at the head of each page."""


def pdf(report: Report, paper: str = "a4") -> bytes:
    """Return the PDF; every name from the sheet is text, whatever it holds. ``paper`` is one of ``placing.PAPERS``."""
    import matplotlib
    import typst

    # For letters that the typesetter's own fonts lack, where the system has none either.
    fonts = [Path(matplotlib.get_data_path()) / "fonts" / "ttf"]
    source = files("flowsheet.show.report").joinpath("report.typ").read_bytes()
    compiler = typst.Compiler(font_paths=fonts, sys_inputs={"report": json.dumps(_told(report, paper))})
    made = compiler.compile(source, format="pdf", timestamp=0)
    if not isinstance(made, bytes):
        raise TypeError("a PDF is one file")
    return made


def _told(report: Report, paper: str) -> dict[str, Any]:
    """Return all that the document says, as plain data."""
    return {
        "paper": paper,
        "title": _shown(report.title),
        "running": _text(textwrap.shorten(report.title, RUNNING, placeholder="…")),
        "made": _text(f"Report of {report.file}, made {report.day}"),
        "footer": "An estimate, not a resource statement or an assay certificate.",
        "what": _text(report.what),
        "sections": [_section(section, paper) for section in on_paper(report.sections)],
    }


def _section(section: Section, paper: str) -> dict[str, Any]:
    as_is = section.key == SHEET
    return {
        "key": section.key,
        "head": _text(section.head),
        "answer": section.answer,
        "plain": as_is,
        "notes": section.key == ASSUMED,
        "lines": [_as_written(line) if as_is else _line(line) for line in section.lines],
        "pictures": [_picture(one, paper) for one in section.pictures],
        "grids": [_grid(grid, section.head) for grid in section.grids],
        "items": [_text(item) for item in section.items],
    }


def _line(line: str) -> dict[str, str]:
    head, _, answer = line.rpartition("\n")
    return {"head": _text(head), "text": _text(answer)}


def _as_written(line: str) -> dict[str, str]:
    """Return a line of the sheet: blanks stand as they are."""
    return {"head": "", "text": _shown(line.expandtabs(4)).replace(" ", "\u00a0\u200b")}


def _picture(one: Picture, paper: str) -> dict[str, Any]:
    width, height = placed(one, paper)
    return {
        "svg": svg.on_paper(svg.bare(one.svg)),
        "alt": _shown(one.alt),
        "caption": _text(CAPTIONS.get(one.name, "")),
        "centred": one.name == FLOW,
        "width": width,
        "height": height,
    }


def _grid(grid: Grid, head: str) -> dict[str, Any]:
    shown = [
        [_text(column.form(cell) if column.form else cell) for column, cell in zip(grid.columns, row, strict=True)]
        for row in grid.rows
    ]
    columns = [
        {
            "head": _text(column.shown or column.head),
            "number": column.form is not None,
            "long": column.form is None and any(len(row[at]) > LONG_CELL for row in shown),
        }
        for at, column in enumerate(grid.columns)
    ]
    rows = [{"cells": cells, "kept": FATES[KEPT] in row} for cells, row in zip(shown, grid.rows, strict=True)]
    return {"title": "" if grid.title == head else _text(grid.title), "columns": columns, "rows": rows}


def _text(value: object) -> str:
    """Return a value as text that parts no number from its unit; else as ``_shown`` does."""
    return tied(_shown(value))


def _shown(value: object) -> str:
    """Return a value as text that any font shows, with places to break in long words."""
    plain = "".join(c if c.isprintable() else "\ufffd" for c in str(value))
    return re.sub(rf"(\S{{{LONG_WORD}}})(?=\S)", "\\1\u200b", plain)
