"""Weights beside the sheet: the table of them, and in a sentence the one that is furthest off."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from flowsheet.show.page import render
from flowsheet.show.run import run_tables
from flowsheet.show.text import figures
from flowsheet.spec.blocks.measurement import GRADE, GRAINS, PASSING, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.estimate.predicted_weights import predict
from flowsheet.study.run.run import Run, run

OFF_SDS, OFF_SHARE = 3.0, 0.2
"""A weight is off by more than so many of its doubts, and than this share of what the sheet makes of it: typical."""
MUCH = 2.0
"""From so many times what the sheet has on it is told as a ratio."""


@dataclass(frozen=True)
class Off:
    """A measurement that is off; ``ours`` is what the sheet makes of it, in the same unit (SI)."""

    measured: Measurement
    ours: float

    @property
    def ratio(self) -> float:
        """Return how many times the sheet's it is."""
        return self.measured.value / self.ours if self.ours > 0 else math.inf

    @property
    def far(self) -> float:
        """Return how far off it is, up or down alike."""
        return abs(math.log(self.ratio)) if 0 < self.ratio < math.inf else math.inf


def against_sheet(sheet: Sheet, measured: Sequence[Measurement]) -> str:
    """Return one test's measurements beside what the sheet makes of them; "" where there are none."""
    if not measured:
        return ""
    found = run(replace(sheet, weighed=tuple(measured)), certain=False)
    odd = sorted(off(found), key=lambda one: -one.far)
    return render.part("beside", grid=run_tables.weighed(found), said=sentence(odd), opened=bool(odd))


def off(found: Run) -> Iterator[Off]:
    """Give each measurement of a run's sheet that is off; what the sheet cannot foretell is passed over."""
    model = found.solution.model
    known = {PASSING: model.grid.sized, GRAINS: model.grains_known}
    measured = model.sheet.weighed
    for one, told in zip(measured, predict(found.solution, measured), strict=True):
        gap = abs(one.value - float(told))
        if known.get(one.what, True) and gap > OFF_SDS * one.sd and gap > OFF_SHARE * float(told):
            yield Off(one, float(told))


def sentence(odd: Sequence[Off]) -> str:
    """Say which one is furthest off, and with which one it may have been exchanged; "" where none is."""
    if not odd:
        return ""
    worst = odd[0]
    name = f"{worst.measured.stream}, {worst.measured.label}"
    said = f"Furthest from the sheet is {name}: {_amount(worst.measured, worst.measured.value)}"
    if worst.ours <= 0:
        said += ", where the sheet has none."
    else:
        said += f", where the sheet has {_amount(worst.measured, worst.ours)}: {_ratio(worst.ratio)}."
    for other in odd[1:]:
        if other.measured.what == worst.measured.what and _alike(worst, other) and _alike(other, worst):
            return f"{said} Were it and {other.measured.stream} exchanged when they were written down?"
    return f"{said} Look at the number, its unit and the stream's name; if all are right, the sheet is off."


def _alike(one: Off, other: Off) -> bool:
    return abs(one.measured.value - other.ours) <= max(OFF_SHARE * other.ours, OFF_SDS * one.measured.sd)


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
