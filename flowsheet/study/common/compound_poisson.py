"""The luck of grains, exactly: gold in a stream is a compound Poisson sum over grain classes.

If grains of class j weigh m_j and λ_j of them are expected, their gold has mean Σ λ_j m_j and variance
Σ λ_j m_j², and its whole law follows from its characteristic function exp(Σ λ_j (φ_j - 1)) by a fast
Fourier transform: nothing is simulated. Source: H. H. Panjer, Recursive Evaluation of a Family of Compound
Distributions, ASTIN Bulletin 12 (1981); P. Embrechts & M. Frei, Panjer Recursion versus FFT for Compound
Distributions, Math. Meth. Oper. Res. 69 (2009).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array, Mask

CELLS = 2**12
"""Cells of the law: a power of two, for the transform."""
REACH = 9.0
"""The law is worked out to so many standard deviations from the mean (never below zero)."""
RARE = 1e-4
"""Classes of which fewer grains are expected are left out: one sack in ten thousand would hold one."""
SELDOM = 1e-3
"""In a sample of some thousands: one that few of them would hold only makes the cells wide."""
FINE, MANY = 6.0, 30.0
"""Grains lighter than this many cells, of which so many are expected, make a normal law together: cells would blur
them more than that."""
NIL = -40.0
"""Of a smooth law's transform most is less than e to this, which is nothing beside one."""
DRAWS_AT_ONCE = 256
NOTHING = 1e-12
"""Cell (kg) of the law of no gold."""


@dataclass(frozen=True)
class Spread:
    """The law of an amount of gold: chance of each of the amounts start, start + step, …"""

    start: float
    step: float
    chance: Array

    @property
    def amounts(self) -> Array:
        """Return the amounts that the chances belong to."""
        return np.asarray(self.start + self.step * np.arange(len(self.chance)))

    @property
    def mean(self) -> float:
        """Return the mean amount."""
        return float(self.chance @ self.amounts)

    @property
    def sd(self) -> float:
        """Return the standard deviation."""
        return math.sqrt(max(float(self.chance @ (self.amounts - self.mean) ** 2), 0.0))

    def below(self, amount: float) -> float:
        """Return the chance of ``amount`` or less; a cell holds what lies within half a step of it."""
        cells = (amount - self.start) / self.step + 0.5
        whole = int(np.clip(np.floor(cells + 1e-9), 0, len(self.chance)))
        return float(np.clip(self.chance[:whole].sum(), 0.0, 1.0))

    def quantile(self, share: float) -> float:
        """Return the least amount that is not passed with chance ``share``."""
        return float(self.amounts[min(int(np.searchsorted(np.cumsum(self.chance), share)), len(self.chance) - 1)])


def spread(mass: Array, expected: Array, cells: int = CELLS) -> Spread:
    """Return the law of the gold in grains of ``mass`` (J,), kg each, of which ``expected`` are expected.

    ``expected`` (J,), or (D, J) for draws of what is not known: then the law is that of both kinds of chance
    together. Grains so rare that hardly any sack holds one are left out of it (not out of ``moments``). A grain's
    mass that falls between two cells is parted between them so that its mean is kept.
    """
    lattice = _Lattice.of(mass, np.atleast_2d(expected), cells)
    if lattice is None:
        return Spread(0.0, NOTHING, np.array([1.0]))
    law = np.zeros(cells // 2 + 1, dtype=complex)
    for at in range(0, len(lattice.expected), DRAWS_AT_ONCE):
        law += lattice.law(slice(at, at + DRAWS_AT_ONCE)).sum(axis=0)
    chance = lattice.chance(law / len(lattice.expected))
    return Spread(lattice.first * lattice.step, lattice.step, chance / chance.sum())


def sample(mass: Array, expected: Array, count: int, rng: np.random.Generator, cells: int) -> Array:
    """Return ``count`` draws (D, count) of the gold for each of the draws ``expected`` (D, J), from their laws.

    Each law has cells of its own: on those of the richest, the poorest would be blurred.
    """
    found = np.zeros((len(expected), count))
    for amounts, row in zip(found, expected, strict=True):
        lattice = _Lattice.of(mass, row[None], cells, SELDOM)
        if lattice is not None:
            rising = np.cumsum(lattice.chance(lattice.law(slice(None))[0]))
            at = np.searchsorted(rising, rising[-1] * rng.random(count))
            amounts[:] = lattice.step * (lattice.first + np.minimum(at, cells - 1))
    return found


@dataclass(frozen=True)
class _Lattice:
    """Cells of gold that hold the laws of all draws, and one grain of each class on them, transformed."""

    step: float
    first: int
    cells: int
    expected: Array
    each: Array
    #: Cells that a grain of a fine class makes; 0 for the others.
    fine: Array

    @classmethod
    def of(cls, mass: Array, expected: Array, cells: int, rare: float = RARE) -> _Lattice | None:
        """Lay cells out for ``expected`` (D, J) grains of ``mass`` (J,) kg; None where hardly one is expected."""
        often = expected.max(axis=0) >= rare
        if not often.any():
            return None
        mass, expected = mass[often], expected[:, often]
        mean, sd = expected @ mass, np.sqrt(expected @ mass**2)
        start = max(float(np.min(mean - REACH * sd)), 0.0)
        top = float(np.max(mean + REACH * sd)) + float(mass.max())
        step = _step((top - start) / (cells - 2), mass, expected.mean(axis=0))
        fine = is_fine(mass, step, expected.min(axis=0))
        each = exponent(mass, step, cells, fine)
        return cls(step, int(np.floor(start / step)), cells, expected, each, np.where(fine, mass / step, 0.0))

    def law(self, draws: slice) -> Array:
        """Return the transformed laws of some draws, (draws, cells/2 + 1)."""
        number = self.expected[draws]
        # Fine grains together are a sharp point between two cells, which would ring: they get a width of one cell.
        variance = number @ self.fine**2
        blur = np.where(self.fine.any(), np.maximum(1 - variance, 0.0), 0.0)[:, None]
        turn = 2 * np.pi / self.cells * np.arange(self.cells // 2 + 1)
        # One row is so little work that a library's threads would take longer to start than to do it.
        sums = number @ self.each if len(number) > 1 else (number.T * self.each).sum(axis=0)
        sums = sums - 0.5 * blur * turn**2
        return np.exp(sums, out=np.zeros_like(sums), where=sums.real > NIL)

    def chance(self, law: Array) -> Array:
        """Return the chance of each cell, (..., cells), from a transformed law."""
        # The transform knows amounts only modulo all cells; the law's own range says which turn is meant.
        turned = np.roll(np.fft.irfft(law, self.cells), -(self.first % self.cells), axis=-1)
        return np.maximum(turned, 0.0)


def moments(mass: Array, expected: Array) -> tuple[float, float]:
    """Return mean and standard deviation of the gold, of all grain classes, doubt and luck together."""
    expected = np.atleast_2d(expected)
    mean = expected @ mass
    return float(mean.mean()), float(np.sqrt((expected @ mass**2).mean() + mean.var()))


def _step(least: float, mass: Array, expected: Array) -> float:
    """Return a cell no smaller than ``least`` of which the grains that matter most are a whole number."""
    matters = float(mass[np.argmax(expected * mass**2)])
    return matters / np.floor(matters / least) if matters >= FINE * least else least


def is_fine(mass: Array, step: float, expected: Array) -> Mask:
    """Return which classes of ``mass`` (J,) kg are told by a normal law on cells of ``step`` kg, (J,)."""
    return np.asarray((mass < FINE * step) & (expected >= MANY))


def exponent(mass: Array, step: float, cells: int, fine: Mask) -> Array:
    """Return φ_j - 1 of one grain of each class of ``mass`` (J,) kg, (J, cells/2 + 1), for cells of ``step`` kg."""
    cell, half = mass / step, cells // 2 + 1
    each = np.empty((len(mass), half), dtype=complex)
    turn = -2j * np.pi / cells * np.arange(half)
    across = cell[fine, None] * turn
    each[fine] = across + 0.5 * across**2
    whole = np.floor(cell[~fine] + 1e-9)
    part = np.clip(cell[~fine] - whole, 0.0, 1.0)[:, None]
    # A whole number of cells turns by one of the ``cells`` roots of one: looked up, not worked out.
    roots = np.exp(-2j * np.pi / cells * np.arange(cells))
    which = np.outer(whole.astype(int), np.arange(half)) % cells
    each[~fine] = roots[which] * (1 + part * (roots[:half] - 1)) - 1
    return each
