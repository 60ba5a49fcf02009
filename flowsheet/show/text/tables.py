"""Results as tables: one description, for the terminal (rich) and for CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flowsheet.show.text.figures import mass, percent, sig
from flowsheet.study.common.streams import FED, INSIDE, KEPT, LOST

if TYPE_CHECKING:
    from rich.table import Table

FAINT = 1e-7
"""Amounts below this (kg, g or g/t) are told as less than it: no scale or assay of the trade sees them."""


FATES = {FED: "fed", INSIDE: "goes on", KEPT: "KEPT", LOST: "lost"}

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins with one of these for a formula, and runs it."""

Form = Callable[[Any], str]


@dataclass(frozen=True)
class Column:
    """One column: its head (with the unit), and how a cell is written; text stands left, numbers right."""

    head: str
    form: Form | None = None
    #: The head on the terminal, where each cell is written with a unit of its own.
    shown: str = ""

    def plain(self, cell: Any) -> Any:
        """Return a cell as a CSV holds it: with full digits, and in what the head says."""
        if isinstance(cell, str):
            return _as_text(cell)
        if not isinstance(cell, float):
            return cell
        return f"{100 * cell if self.form in (percent_number, signed_percent) else cell:.9g}"


@dataclass(frozen=True)
class Grid:
    """A table before it is shown."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Any]]

    def csv(self) -> bytes:
        """Return the table with full digits, UTF-8, one row a line; text never as a spreadsheet's formula."""
        text = io.StringIO(newline="")
        writer = csv.writer(text)
        writer.writerow([_as_text(column.head) for column in self.columns])
        writer.writerows(
            [column.plain(cell) for column, cell in zip(self.columns, row, strict=True)] for row in self.rows
        )
        return text.getvalue().encode()

    def rich(self) -> Table:
        """Return the table for the terminal, without its title."""
        from rich import box
        from rich.table import Table

        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
        heads = [_broken(column.shown or column.head) for column in self.columns]
        two = any("\n" in head for head in heads)
        for column, head in zip(self.columns, heads, strict=True):
            left = column.form is None
            table.add_column(
                f"\n{head}" if two and "\n" not in head else head,
                justify="left" if left else "right",
                overflow="fold",
                no_wrap=not left,
            )
        for row in self.rows:
            style = "bold" if FATES[KEPT] in row else ""
            cells = [
                column.form(cell) if column.form else str(cell) for column, cell in zip(self.columns, row, strict=True)
            ]
            table.add_row(*cells, style=style)
        return table


def _broken(head: str) -> str:
    """Set the unit below, so that numbers leave room for names; a setting's name breaks at its last dot."""
    step, dot, name = head.rpartition(".")
    if ", " in head:
        return head.replace(", ", ",\n")
    return f"{step}.\n{name}" if dot and step and name else head


def csv_files(grids: Iterable[Grid]) -> dict[str, bytes]:
    """Return each table as the file that is named after it."""
    return {f"{grid.name}.csv": grid.csv() for grid in grids}


def _as_text(text: str) -> str:
    """Return text with an apostrophe before what a spreadsheet would run; a number stays as it is."""
    if not text.startswith(FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def signed_percent(share: float) -> str:
    """Write a share in percent with its sign; a dash where there is none."""
    return "–" if math.isnan(share) else f"{100 * share:+,.1f}".replace("-", "−")


def signed(value: float) -> str:
    """Return a difference with its sign."""
    if abs(value) < 1e-9:
        return "0"
    return f"{'+' if value > 0 else '−'}{sig(abs(value))}"


def sig3(value: float) -> str:
    """Write a number to three digits."""
    return _cell(value, 3)


def sig4(value: float) -> str:
    """Write a number to four digits."""
    return _cell(value, 4)


def money_cell(value: float) -> str:
    """Write an amount of money in the smallest coin, large ones whole."""
    text = f"{value:,.2f}" if abs(value) < 1000 else f"{value:,.0f}"
    return text.replace("-0.00", "0.00").replace("-", "−")


def more_money(value: float) -> str:
    """Write a gain of money, with its sign."""
    text = money_cell(value)
    return text if text.startswith("−") or text == "0.00" else f"+{text}"


def mass_cell(kg: float) -> str:
    """Write a mass to four digits in the unit that suits it, as far down as it can be weighed."""
    return f"<{1e6 * FAINT:g} mg" if 0 < abs(kg) < FAINT else mass(kg, 4)


def _cell(value: float, digits: int) -> str:
    """Write a number so that it fits its column, however small it is."""
    return f"<{FAINT:.7f}" if 0 < abs(value) < FAINT else sig(value, digits)


def percent_number(share: float) -> str:
    """Write a share in percent, without the sign %."""
    return percent(share).removesuffix(" %").replace("under ", "<")
