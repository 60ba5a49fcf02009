"""A run, a check or trials on the terminal."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from flowsheet.show.text import tables
from flowsheet.show.text.line_width import filled, width

if TYPE_CHECKING:
    from rich.console import Console

RULES = "This is an estimate from one test, not a resource statement or an assay certificate."


def console() -> Console:
    """Return a console that fits tables into the columns to write in."""
    from rich.console import Console

    class Tied(Console):
        """A console that breaks no line of text between a number and its unit."""

        def print(self, *objects: Any, **how: Any) -> None:
            if len(objects) == 1 and isinstance(objects[0], str) and "overflow" not in how:
                lines = (filled(line, self.width) or [""] for line in objects[0].split("\n"))
                objects = ("\n".join(line for part in lines for line in part),)
            super().print(*objects, **how)

    return Tied(width=width(), highlight=False, markup=False, emoji=False)


def say(lines: Iterable[str]) -> None:
    """Print plain lines, wrapped."""
    out = console()
    for line in lines:
        out.print(line)


def print_table(out: Console, grid: tables.Grid) -> None:
    """Print a table below its title."""
    out.print(grid.title, style="bold")
    out.print(grid.rich())


def list_lines(out: Console, title: str, lines: list[str]) -> None:
    """Print lines as a list below their title; nothing where there are none."""
    if not lines:
        return
    out.print()
    out.print(title, style="bold")
    for line in lines:
        out.print("\n".join(filled(line, out.width, "- ", "  ")))
