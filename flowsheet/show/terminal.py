"""A run, a check or trials on the terminal."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

from flowsheet.show import sentences, tables
from flowsheet.study.run import Run
from flowsheet.study.trials import Trials

if TYPE_CHECKING:
    from rich.console import Console

RULES = "This is an estimate from one test, not a resource statement or an assay certificate."


def console() -> Console:
    """Return a console that fits tables into 100 columns, or into the terminal where that is narrower (to 80)."""
    import shutil

    from rich.console import Console

    wide = shutil.get_terminal_size((tables.WIDTH, 24)).columns if sys.stdout.isatty() else tables.WIDTH
    width = max(tables.NARROWEST, min(wide, tables.WIDTH))
    return Console(width=width, highlight=False, markup=False, emoji=False)


def show_run(run: Run) -> None:
    """Print the balance, the answers, what was assumed, and the cautions."""
    out = console()
    out.print(run.solution.model.sheet.title, style="bold")
    print_table(out, tables.balance(run))
    closure = run.solution.closure
    out.print(f"Balance closes to {closure.solids:.0e} (solids) and {closure.gold:.0e} (gold) of what is fed.")
    for line in sentences.loops(run):
        out.print(line)
    if run.solution.model.sheet.weighed:
        out.print()
        print_table(out, tables.weighed(run))
    for question, answer in sentences.answers(run):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    for grid in (tables.coarse(run), tables.finer(run), tables.losses(run)):
        if grid.rows:
            out.print()
            print_table(out, grid)
    _list(out, "Look at this", [*run.warnings, *run.notes])
    _list(out, "Take care", [*run.cautions, RULES])


def show_trials(found: Trials) -> None:
    """Print the trials and which of them keeps most."""
    out = console()
    print_table(out, tables.trials(found))
    out.print(sentences.best_trial(found))
    if found.currency:
        out.print(sentences.best_value(found))
    for note in found.notes:
        out.print(f"Note: {note}")


def say(lines: Iterable[str]) -> None:
    """Print plain lines, wrapped."""
    out = console()
    for line in lines:
        out.print(line)


def print_table(out: Console, grid: tables.Grid) -> None:
    """Print a table below its title."""
    out.print(grid.title, style="bold")
    out.print(grid.rich())


def _list(out: Console, title: str, lines: list[str]) -> None:
    if not lines:
        return
    out.print()
    out.print(title, style="bold")
    for line in lines:
        out.print(textwrap.fill(line, out.width, initial_indent="- ", subsequent_indent="  "))
