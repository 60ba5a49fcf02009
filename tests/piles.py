"""Invented piles, grain by grain: sizes of grains from the lognormal law itself, not from the tool's classes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from flowsheet.ore import grains

FINENESS = 0.9
Z95 = 1.6448536269514722
COUNTED = 150
"""Grains of a sack, the largest ones, that are drawn one by one; the many finer ones make a normal law together."""


@dataclass(frozen=True)
class Grains:
    """Gold whose mass is lognormal over grain size, through d50 and d95 (m)."""

    d50: float
    d95: float

    @property
    def wide(self) -> float:
        return math.log(self.d95 / self.d50) / Z95

    def one(self, size: Any) -> Any:
        """Return the fine gold (kg) in a grain of some size."""
        return grains.grain_mass(np.atleast_1d(size), np.asarray(FINENESS))

    def number(self, cut: float) -> float:
        """Return the grains above a size in one kg of gold."""
        s, each = self.wide, float(self.one(self.d50)[0])
        return math.exp(4.5 * s**2) / each * float(ndtr(-(math.log(cut / self.d50) + 3 * s**2) / s))

    def cut(self, gold: float) -> float:
        """Return the size above which ``gold`` kg hold COUNTED grains."""
        low, high = 1e-7, 1e-1
        for _ in range(100):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if gold * self.number(middle) > COUNTED else (low, middle)
        return low

    def sacks(self, expected: Any, rng: np.random.Generator) -> Any:
        """Return what sacks hold of which ``expected`` (n,) kg are expected."""
        s, cut = self.wide, self.cut(float(np.mean(expected)))
        # By number the sizes are lognormal too, about d50 exp(-3 s²).
        beyond = float(ndtr(-(math.log(cut / self.d50) + 3 * s**2) / s))
        count = rng.poisson(expected * self.number(cut))
        sizes = self.d50 * np.exp(-3 * s**2 - s * ndtri(beyond * rng.random(int(count.sum()))))
        large = np.bincount(np.repeat(np.arange(len(expected)), count), self.one(sizes), len(expected))
        at = math.log(cut / self.d50) / s
        mean = expected * float(ndtr(at))
        each = float(self.one(self.d50)[0])
        variance = expected * each * math.exp(4.5 * s**2) * float(ndtr(at - 3 * s))
        return large + np.maximum(rng.normal(mean, np.sqrt(variance)), 0.0)


def sheet_text(d50_mm: float, d95_mm: float, grade: float, sacks: int) -> str:
    return f"""
pile: {{sacks: {sacks}, sack_mass: 14 kg}}
ore:
  mass: 14 kg
  grade: {grade} g/t
  sizes: {{top: 40 mm, p80: 20 mm, slope: 0.7}}
  gold: {{d50: {d50_mm} mm, d95: {d95_mm} mm, fineness: {1000 * FINENESS:g}}}
steps: {{wash: {{do: pan, takes: ore, gives: {{concentrate: con, tailings: tails}}}}}}
keep: con
"""
