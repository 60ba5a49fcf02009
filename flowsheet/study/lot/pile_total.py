"""What a whole pile holds: the gold found in the sacks that were tested, and what the others may hold."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.common.interval import Interval
from flowsheet.study.lot.sack_likelihood import FAR, PileGrains
from flowsheet.study.lot.spread_between_sacks import SpreadPosterior

CELLS = 2**11
BELOW = 64
"""Cells below nothing, for the doubt of weighing."""
AMOUNTS = 60
"""Amounts expected of the rest, at which its law is worked out."""
UNLIKELY = 5e-4
"""Chance that the amounts leave out at either end."""
LOW, MIDDLE, HIGH = 0.05, 0.5, 0.95


@dataclass(frozen=True)
class UntestedRock:
    """The rock of a pile that no test took: the mass of each sack or part of one, kg, (r,)."""

    masses: Array

    @property
    def mass(self) -> float:
        """Return all of it, kg."""
        return float(self.masses.sum())

    @property
    def dampened(self) -> float:
        """Return the share of the spread between sacks that is left in their mean."""
        return math.sqrt(float((self.masses**2).sum())) / self.mass if self.mass > 0 else 0.0


def pile_gold(
    posterior: SpreadPosterior, luck: PileGrains, rest: UntestedRock, found: float, sd: float, common: float
) -> Interval:
    """Return the gold (kg) of a pile: ``found`` ± ``sd`` in the sacks tested, and what the rest may hold.

    ``common``: relative doubt that all weights of gold share (of the fineness), one standard deviation.
    """
    if rest.mass <= 0:
        sd = math.hypot(sd, common * found)
        return Interval(found, sd, max(found - 1.6449 * sd, 0.0), found, found + 1.6449 * sd)
    amounts, chance = _expected(posterior, rest)
    mean = float(chance @ np.exp(amounts))
    sd = math.hypot(sd, common * (found + mean))
    reach = float(luck.reach(np.exp(amounts[-1]))) + FAR * sd
    step = reach / (CELLS - BELOW)
    # Cells below nothing are wide enough for the weighing.
    step = max(step, FAR * sd / BELOW)
    turn = 2 * np.pi / CELLS * np.arange(CELLS // 2 + 1)
    blur = -0.5 * turn**2 * max((sd / step) ** 2, 1.0) - 1j * BELOW * turn
    law = (chance @ np.exp(np.exp(amounts)[:, None] * luck.exponent(step, CELLS))) * np.exp(blur)
    cells = np.maximum(np.fft.irfft(law, CELLS), 0.0)
    gold = (np.arange(CELLS) - BELOW) * step
    rising = np.cumsum(cells) / cells.sum()
    ends = np.interp((LOW, MIDDLE, HIGH), rising, gold + step / 2)
    average = float(cells @ gold / cells.sum())
    spread = math.sqrt(max(float(cells @ (gold - average) ** 2 / cells.sum()), 0.0))
    low, middle, high = (max(found + float(end), 0.0) for end in ends)
    return Interval(found + average, spread, low, middle, high)


def _expected(posterior: SpreadPosterior, rest: UntestedRock) -> tuple[Array, Array]:
    """Return amounts (logarithms of kg, even) that may be expected of the rest, and the chance of each."""
    wide = (float(posterior.mean[0]), float(posterior.mean[-1]))
    for _ in range(2):
        grades = np.linspace(*wide, AMOUNTS)
        chance = posterior.mixed(grades, rest.dampened)
        chance = chance / chance.sum()
        rising = np.cumsum(chance)
        first, last = (int(np.searchsorted(rising, share)) for share in (UNLIKELY, 1 - UNLIKELY))
        wide = (float(grades[max(first - 1, 0)]), float(grades[min(last + 1, AMOUNTS - 1)]))
    return grades + math.log(rest.mass), chance
