"""What would a finer screen bring? The sheet solved again at each opening."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.grid import R20_3
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.text.number_with_doubt import written
from flowsheet.spec.text.units import LENGTH
from flowsheet.study.common.units_out import Names, grams, in_units, millimetres, told_apart
from flowsheet.study.common.what_if import Variant

FINER_SIZES = 4
"""How many of the next finer sizes of ISO 565 R20/3 are tried."""

A_ROCK = 0.5
"""Pieces of at least this part of the screen's opening are counted as rocks to look over: the dust and chips that an
imperfect screen leaves with them are not picked up one by one. Typical, set your own."""


FINER: Names = {"opening": ("opening_mm", millimetres), "looked_over": ("looked_over_kg", float),
         "picked": ("picked_g", grams), "kept": ("kept_g", grams), "gain": ("gain_g", grams)}  # fmt: skip
"""Fields of ``Finer`` that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Finer:
    """The sheet with one screen at another ``opening`` (m): what is looked over, what is seen, what is kept (kg).

    ``rocks`` are pieces of at least half of the opening (``A_ROCK``); ``looked_over`` is all that comes with them.
    """

    screen: str
    sort: str
    opening: float
    looked_over: float
    rocks: float
    picked: float
    kept: float
    #: Kept more than with the sheet as it stands.
    gain: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, FINER)


def finer(solution: Solution) -> list[Finer]:
    """Return, for every screen whose oversize is looked over, the sheet's own opening and the next finer ones."""
    sheet, rows = solution.model.sheet, []
    for screen, sort in pairs(solution):
        step = sheet.steps[screen]
        if step.set_size is None:
            continue
        now = step.set_size.value
        below = [size for size in R20_3 if size < now * 0.95][:FINER_SIZES]
        variants = [Variant(screen, (step.set_by,), "", step.set_size, written(s, "mm", LENGTH)) for s in below]
        rows.append(_row(solution, screen, sort, now, solution))
        if solution.unsettled is not None:
            continue
        for size, variant in zip(below, variants, strict=True):
            again = solve(Model.of(variant.of(sheet), [now, *below]), patient=False)
            if again.unsettled is None:
                rows.append(_row(again, screen, sort, size, solution))
    return rows


def pairs(solution: Solution) -> list[tuple[str, str]]:
    """Return (screen, sort) where the sort takes the screen's oversize and its model is in force."""
    sheet, found = solution.model.sheet, []
    for name, step in sheet.steps.items():
        if not step.parts_at_size or step.split is not None or step.set_size is None:
            continue
        taker = sheet.takers.get(step.stream(0))
        if taker is not None and sheet.steps[taker].looks_over and sheet.steps[taker].split is None:
            found.append((name, taker))
    return found


def _row(solution: Solution, screen: str, sort: str, opening: float, base: Solution) -> Finer:
    looked = solution.feeds[sort]
    picked = solution.streams[solution.model.sheet.steps[sort].stream(0)]
    kept = float(solution.kept_gold)
    grid = solution.model.grid
    rocks = np.where(grid.size >= A_ROCK * opening, grains.rocks(looked, grid), 0.0)
    return Finer(
        screen=screen,
        sort=sort,
        opening=told_apart(opening),
        looked_over=float(looked.solids),
        rocks=float(rocks.sum()),
        picked=float(picked.gold),
        kept=kept,
        gain=kept - float(base.kept_gold),
    )
