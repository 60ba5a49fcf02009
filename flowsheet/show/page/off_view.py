"""Weights beside the sheet: the table of them, and in a sentence the one that is furthest off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from flowsheet.show.page import render
from flowsheet.show.run import run_tables
from flowsheet.show.text import figures
from flowsheet.spec.blocks.measurement import GRADE, GRAINS, PASSING, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.balance.misfits import Misfit, exchanged, misfits
from flowsheet.study.estimate.predicted_weights import foretold_of
from flowsheet.study.run.run import run

MUCH = 2.0
"""From so many times what the sheet has on it is told as a ratio."""


def against_sheet(sheet: Sheet, measured: Sequence[Measurement]) -> str:
    """Return one test's measurements beside what the sheet makes of them; "" where there are none."""
    if not measured:
        return ""
    found = run(replace(sheet, weighed=tuple(measured)), certain=False)
    odd = misfits(foretold_of(found.solution, measured))
    return render.part("beside", grid=run_tables.weighed(found), said=sentence(odd), opened=bool(odd))


def sentence(odd: Sequence[Misfit]) -> str:
    """Say which one is furthest off, and with which one it may have been exchanged; "" where none is."""
    if not odd:
        return ""
    worst = odd[0]
    name = f"{worst.measured.stream}, {worst.measured.label}"
    said = f"Furthest from the sheet is {name}: {_amount(worst.measured, worst.measured.value)}"
    if worst.foretold <= 0:
        said += ", where the sheet has none."
    else:
        said += f", where the sheet has {_amount(worst.measured, worst.foretold)}: {_ratio(worst.ratio)}."
    if (other := exchanged(odd)) is not None:
        return f"{said} Were it and {other.measured.stream} exchanged when they were written down?"
    return f"{said} Look at the number, its unit and the stream's name; if all are right, the sheet is off."


def _ratio(ratio: float) -> str:
    if ratio >= MUCH:
        return f"{figures.sig(ratio, 2)} times as much"
    if ratio > 1:
        return f"{figures.percent(ratio - 1)} more"
    return f"only {figures.percent(ratio)} of that" if ratio > 0 else "nothing of that"


def _amount(one: Measurement, value: float) -> str:
    if one.what == GRADE:
        return f"{figures.sig(1e6 * value)} g/t"
    if one.what == PASSING:
        return figures.percent(value)
    return figures.count(value) if one.what == GRAINS else figures.mass(value)
