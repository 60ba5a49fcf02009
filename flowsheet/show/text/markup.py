"""Pieces of HTML that the report and the page share; every name from a sheet is text, whatever it holds."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

from flowsheet.show.text.line_width import tied
from flowsheet.show.text.tables import FATES, Column, Grid
from flowsheet.study.common.streams import KEPT


def text(value: object) -> str:
    """Return a value as HTML text that parts no number from its unit; else as ``as_written`` does."""
    return tied(as_written(value))


def as_written(value: object) -> str:
    """Return a value as HTML text, its blanks as they are: what is to be copied, and what names something.

    What no font shows (controls, direction marks) becomes the mark for it.
    """
    return escape("".join(c if c.isprintable() else "\ufffd" for c in str(value)))


def table(grid: Grid, caption: bool = True) -> str:
    """Return a table in a frame that scrolls by itself where the page is narrower; numbers stand right."""
    head = "".join(_cell("th", c.shown or c.head, c, "col") for c in grid.columns)
    rows = "\n".join(_row(grid, row) for row in grid.rows)
    told = f"<caption>{text(grid.title)}</caption>" if caption else ""
    # What can be scrolled must be reached by keyboard, and then needs a name.
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{as_written(grid.title)}"><table>{told}'
        f"<thead><tr>{head}</tr></thead><tbody>\n{rows}\n</tbody></table></div>"
    )


def _row(grid: Grid, row: Sequence[Any]) -> str:
    kept = ' class="kept"' if FATES[KEPT] in row else ""
    first, *others = (
        (column.form(cell) if column.form else cell, column) for column, cell in zip(grid.columns, row, strict=True)
    )
    return f"<tr{kept}>{_cell('th', *first, 'row')}{''.join(_cell('td', *one) for one in others)}</tr>"


def _cell(tag: str, shown: object, column: Column, scope: str = "") -> str:
    of = f' scope="{scope}"' if scope else ""
    number = ' class="n"' if column.form is not None else ""
    return f"<{tag}{of}{number}>{text(shown)}</{tag}>"


@cache
def theme() -> str:
    """Return the stylesheet that report and page share: colours by day and in the dark, type, tables, print."""
    return files("flowsheet.show").joinpath("theme.css").read_text(encoding="utf-8")
