"""Reconciled weights on the terminal."""

from __future__ import annotations

from collections.abc import Mapping

from flowsheet.show.balance import sieved
from flowsheet.show.balance.reconciled import answers, streams, streams_without, unknown, weights
from flowsheet.show.text.terminal import RULES, console
from flowsheet.spec.text.notes import texts
from flowsheet.study.balance.result import Reconciled


def show_reconciled(title: str, tests: Mapping[str, Reconciled]) -> None:
    """Print every test: its streams, its weights, the answers, and what was taken for granted."""
    out = console()
    out.print(title, style="bold")
    for test, found in tests.items():
        if len(tests) > 1:
            out.print()
            out.print(f"Test {test or 'of the sheet itself'}", style="bold")
        grids = (streams(found), weights(found), streams_without(found), *sieved.grids(found.sieved))
        for grid in (g for g in grids if g is not None):
            out.print(grid.title, style="bold")
            out.print(grid.rich())
        for question, answer in answers(found):
            out.print(question, style="bold")
            out.print(answer)
            out.print()
        if found.to_know:
            out.print(unknown(found).title, style="bold")
            out.print(unknown(found).rich())
        for note in (*texts(found.notes), RULES):
            out.print(f"Note: {note}")
