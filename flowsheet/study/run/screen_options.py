"""What would a finer screen bring? The sheet solved again at each opening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.grid import R20_3_MM
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.text.numbers import Number
from flowsheet.steps.screen import Screen
from flowsheet.steps.sort import Sort
from flowsheet.study.common.what_if import Variant

FINER_SIZES = 4
"""How many of the next finer sizes of ISO 565 R20/3 are tried."""

A_ROCK = 0.5
"""Pieces of at least this part of the screen's opening are counted as rocks to look over: the dust and chips that an
imperfect screen leaves with them are not picked up one by one. Typical, set your own."""


@dataclass(frozen=True)
class Finer:
    """The sheet with one screen at another opening: what is looked over, what is seen, what is kept.

    ``rocks`` are pieces of at least half of the opening (``A_ROCK``); ``looked_over_kg`` is all that comes with them.
    """

    screen: str
    sort: str
    opening_mm: float
    looked_over_kg: float
    rocks: float
    picked_g: float
    kept_g: float
    #: Kept more than with the sheet as it stands.
    gain_g: float


def finer(solution: Solution) -> list[Finer]:
    """Return, for every screen whose oversize is looked over, the sheet's own opening and the next finer ones."""
    sheet, rows = solution.model.sheet, []
    for screen, sort in pairs(solution):
        step = sheet.steps[screen]
        if not isinstance(step, Screen) or step.opening is None:
            continue
        now = step.opening.value
        below = [mm / 1000 for mm in R20_3_MM if mm / 1000 < now * 0.95][:FINER_SIZES]
        variants = [Variant(screen, ("opening",), "", step.opening, Number(s, text=f"{1e3 * s:g} mm")) for s in below]
        rows.append(_row(solution, screen, sort, now, solution))
        for size, variant in zip(below, variants, strict=True):
            again = solve(Model.of(variant.of(sheet), [now, *below]))
            rows.append(_row(again, screen, sort, size, solution))
    return rows


def pairs(solution: Solution) -> list[tuple[str, str]]:
    """Return (screen, sort) where the sort takes the screen's oversize and its model is in force."""
    sheet, found = solution.model.sheet, []
    for name, step in sheet.steps.items():
        if not isinstance(step, Screen) or step.split is not None or step.opening is None:
            continue
        taker = sheet.takers.get(step.outlets.get("oversize", ""))
        if taker is not None and isinstance(sheet.steps[taker], Sort) and sheet.steps[taker].split is None:
            found.append((name, taker))
    return found


def _row(solution: Solution, screen: str, sort: str, opening: float, base: Solution) -> Finer:
    looked = solution.feeds[sort]
    picked = solution.streams[solution.model.sheet.steps[sort].outlets["picked"]]
    kept = 1e3 * float(solution.kept_gold)
    grid = solution.model.grid
    rocks = np.where(grid.size >= A_ROCK * opening, grains.rocks(looked, grid), 0.0)
    return Finer(
        screen=screen,
        sort=sort,
        opening_mm=round(1e3 * opening, 9),
        looked_over_kg=float(looked.solids),
        rocks=float(rocks.sum()),
        picked_g=1e3 * float(picked.gold),
        kept_g=kept,
        gain_g=kept - 1e3 * float(base.kept_gold),
    )
