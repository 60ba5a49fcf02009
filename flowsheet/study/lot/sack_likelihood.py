"""The law of the gold that a sack holds, for every amount that might be expected of it, and read backwards.

Gold in a sack of which T kg are expected is a compound Poisson sum (``luck``) with the weighing's doubt on top. For
a range of T the laws lie in a table, on cells of gold; all sacks of about as much gold share one table, so that
thousands of sacks cost little more than one. Sources as in ``luck``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid

CELLS = 2**12
"""Cells of a table: a power of two, for the transform."""
BELOW = 10
"""Cells that a table has below nothing, for weighing."""
WITHIN = 64
"""Grain sizes that stand for a class: a law in lumps would tell sizes of single grains that no ore has."""
FINE = 6.0
"""Grains lighter than this many cells make a normal law together: a cell holds many of them."""
FAR = 5.0
"""Expected amounts reach so many standard deviations above what was found,"""
FARTHER = 10.0
"""and so many below: a few large grains may make much of little, so that the law's upper tail is long."""
LEAST = 1e-3
"""The least expected amount, by the largest, where what was found may have come from next to none."""
SHARP = 0.01
"""A weighing is taken as no sharper than this share of the gold: sacks differ by more, and the law needs room."""
RARE = 0.01
"""Grains of a size or larger, of which fewer are expected in the whole pile, are left out."""
SELDOM = 0.2
"""Grains of a size or larger, of which a sack holds so few, do not make its usual luck."""
ROUND = 0.25
"""Ends of a table, in the logarithm, are multiples of this, so that alike lots share it."""


@dataclass(frozen=True)
class PileGrains:
    """Grains of a pile: ``mass`` (J,) kg of gold in one grain, or cluster, and the ``share`` (J,) of the gold in them.

    Without grains (J = 0) a sack holds what is expected of it.
    """

    mass: Array
    share: Array
    tables: dict[tuple[int, int, int, float], SackLaws] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def of_classes(cls, grid: Grid, fineness: Array, cluster: float, by_grain: Array, gold: float) -> PileGrains:
        """Return the luck of gold ``by_grain`` (S,), of which only the proportions count, in a pile of ``gold`` kg."""
        mass = cluster * grains.masses_within(grid, fineness, WITHIN)
        share = np.repeat(by_grain / by_grain.sum(), WITHIN) / WITHIN
        there = np.cumsum(gold * share / mass) >= RARE
        return cls(mass[there], share[there] / share[there].sum())

    @property
    def heavy(self) -> float:
        """Return the variance of the luck for an expected amount of one, kg: the mass of a typical grain."""
        return float(self.share @ self.mass)

    def usual(self, expected: float) -> float:
        """Return the same without the grains so large that sacks of ``expected`` kg of gold seldom hold one."""
        order = np.argsort(-self.mass)
        number = np.cumsum(expected * self.share[order] / self.mass[order])
        there = order[number >= SELDOM]
        return float(self.share[there] @ self.mass[there])

    @property
    def largest(self) -> float:
        """Return the gold in the largest grain, kg."""
        return float(self.mass.max(initial=0.0))

    def top(self, found: Array, sd: Array) -> Array:
        """Return the expected amount whose law reaches down to ``found`` only at FAR standard deviations."""
        root = np.sqrt(self.heavy * np.maximum(found, 0.0) + sd**2 + (FAR * self.heavy) ** 2 / 4)
        return np.asarray(np.maximum(found, 0.0) + FAR**2 * self.heavy / 2 + FAR * root)

    def low(self, found: Array, sd: Array) -> Array:
        """Return the expected amount whose law reaches up to ``found`` only at FARTHER standard deviations."""
        least = found - FARTHER * np.sqrt(self.heavy * np.maximum(found, 0.0) + sd**2)
        return np.asarray(np.maximum(least, LEAST * self.top(found, sd)))

    def reach(self, expected: Array) -> Array:
        """Return the amount that hardly any sack passes."""
        return np.asarray(expected + FAR * np.sqrt(self.heavy * expected) + 2 * self.largest)

    def exponent(self, step: float, cells: int) -> Array:
        """Return the exponent (cells/2 + 1,) of the law's transform on cells of ``step`` kg, for one kg expected."""
        turn = 2 * np.pi / cells * np.arange(cells // 2 + 1)
        whole = self.mass / step
        coarse = (whole >= FINE) & (whole < cells - 1)  # a grain beyond the table was not found
        number = self.share[coarse] / self.mass[coarse]
        low = np.floor(whole[coarse]).astype(int)
        part = whole[coarse] - low
        grains_of = np.bincount(low, number * (1 - part), cells) + np.bincount(low + 1, number * part, cells)
        law = np.fft.rfft(grains_of[:cells]) - (self.share[whole >= FINE] / self.mass[whole >= FINE]).sum()
        fine = whole < FINE
        # Without grains all of it comes as it is expected.
        mean = float(self.share[fine].sum()) if len(self.share) else 1.0
        variance = float(self.share[fine] @ self.mass[fine])
        return np.asarray(law - 1j * turn * mean / step - 0.5 * turn**2 * variance / step**2)

    def table(self, low: float, high: float, apart: float) -> SackLaws:
        """Return a table that holds sacks of ``low`` to ``high`` kg expected, ``apart`` in the logarithm."""
        ends = (math.floor(math.log(low) / ROUND), math.ceil(math.log(high) / ROUND))
        octave = math.ceil(2 * math.log2(float(self.reach(np.exp(ROUND * ends[1])))))
        key = (octave, *ends, apart)
        if key not in self.tables:
            self.tables[key] = SackLaws.of(self, 2 ** (octave / 2), ROUND * ends[0], ROUND * ends[1], apart)
        return self.tables[key]


@dataclass(frozen=True)
class SackLaws:
    """Chance of each cell of gold, (m, CELLS), for m expected amounts even in the logarithm."""

    #: Logarithms of the expected amounts (kg), rising, (m,).
    expected: Array
    step: float
    chance: Array

    @classmethod
    def of(cls, luck: PileGrains, reach: float, low: float, high: float, apart: float) -> SackLaws:
        """Work out the laws of expected amounts from exp(``low``) to exp(``high``), up to ``reach`` kg of gold."""
        step = reach / (CELLS - 2 * BELOW)
        expected = low + apart * np.arange(math.ceil((high - low) / apart) + 1, dtype=float)
        turn = 2 * np.pi / CELLS * np.arange(CELLS // 2 + 1)
        # A blur of one cell, which counts as weighing: sharper laws would ring.
        base = -0.5 * turn**2 - 1j * BELOW * turn
        law = np.exp(np.exp(expected)[:, None] * luck.exponent(step, CELLS) + base)
        return cls(expected, step, np.maximum(np.fft.irfft(law, CELLS), 0.0))

    def cells(self, amount: float) -> float:
        """Return the place of an amount among the cells."""
        return amount / self.step + BELOW

    def likelihood(self, found: float, sd: float) -> Array:
        """Return how likely ``found`` ± ``sd`` kg is for each expected amount, (m,); only proportions count."""
        at, wide = self.cells(found), math.sqrt(max((sd / self.step) ** 2 - 1.0, 0.04))
        low, high = (int(np.clip(at + k * (FAR * wide + 1), 0, CELLS - 1)) for k in (-1, 1))
        cells = np.arange(low, high + 1)
        return np.asarray(self.chance[:, low : high + 1] @ np.exp(-0.5 * ((cells - at) / wide) ** 2))

    def above(self, found: float, sd: float) -> Array:
        """Return the chance of ``found`` ± ``sd`` kg or more for each expected amount, (m,)."""
        from scipy.special import ndtr

        wide = math.sqrt(max((sd / self.step) ** 2 - 1.0, 0.04))
        return np.asarray(1 - self.chance @ ndtr((self.cells(found) - np.arange(CELLS)) / wide))

    def quantiles(self, weights: Array, shares: Array) -> Array:
        """Return the amounts (kg) that a sack stays below with chances ``shares``."""
        rising = np.cumsum(weights @ self.chance)
        return np.asarray((np.interp(shares * rising[-1], rising, np.arange(CELLS) + 0.5) - BELOW) * self.step)
