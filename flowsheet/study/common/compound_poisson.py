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
DRAWS_AT_ONCE, LAWS_AT_ONCE = 16, 50
"""Few enough for a processor's cache."""
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
    often, number = _often(mass, np.atleast_2d(expected)[None], RARE)
    if not often[0]:
        return Spread(0.0, NOTHING, np.array([1.0]))
    cut = _Cells.of(mass, number, cells)
    law = np.zeros((1, cells // 2 + 1), dtype=complex)
    for at in range(0, number.shape[1], DRAWS_AT_ONCE):
        law += cut.laws(mass, number[:, at : at + DRAWS_AT_ONCE]).sum(axis=1)
    chance = cut.chance(law / number.shape[1])[0]
    return Spread(float(cut.first[0] * cut.step[0]), float(cut.step[0]), chance / chance.sum())


def sample(mass: Array, expected: Array, count: int, rng: np.random.Generator, cells: int) -> Array:
    """Return ``count`` draws (D, count) of the gold for each of the draws ``expected`` (D, J), from their laws.

    Each law has cells of its own: on those of the richest, the poorest would be blurred.
    """
    found = np.zeros((len(expected), count))
    often, number = _often(mass, expected[:, None], SELDOM)
    some = np.flatnonzero(often)
    for at in range(0, len(some), LAWS_AT_ONCE):
        here = some[at : at + LAWS_AT_ONCE]
        cut = _Cells.of(mass, number[here], cells)
        rising = np.cumsum(cut.chance(cut.laws(mass, number[here])[:, 0]), axis=-1)
        wanted = rising[:, -1:] * rng.random((len(here), count))
        place = np.stack([np.searchsorted(*row) for row in zip(rising, wanted, strict=True)])
        found[here] = cut.step[:, None] * (cut.first[:, None] + np.minimum(place, cells - 1))
    return found


def _often(mass: Array, expected: Array, rare: float) -> tuple[Mask, Array]:
    """Return which of L laws have any gold to tell of, (L,), and ``expected`` (L, D, J) without the rare grains."""
    often = expected.max(axis=1, keepdims=True) >= rare
    return np.asarray(often.any(axis=(1, 2))), np.where(often, expected, 0.0)


@dataclass(frozen=True)
class _Cells:
    """Cells of gold on which L laws lie, each on its own, and which grains are told one by one on them."""

    step: Array
    first: Array
    cells: int
    #: Which classes make a normal law together, (L, J).
    fine: Mask

    @classmethod
    def of(cls, mass: Array, expected: Array, cells: int) -> _Cells:
        """Lay cells out for ``expected`` (L, D, J) grains of ``mass`` (J,) kg, D draws of each law."""
        mean, sd = expected @ mass, np.sqrt(expected @ mass**2)
        start = np.maximum((mean - REACH * sd).min(axis=1), 0.0)
        heaviest = np.where((expected > 0).any(axis=1), mass, 0.0).max(axis=-1)
        top = (mean + REACH * sd).max(axis=1) + heaviest
        step = _step((top - start) / (cells - 2), mass, expected.mean(axis=1))
        fine = (mass < FINE * step[:, None]) & (expected.min(axis=1) >= MANY)
        return cls(step, np.floor(start / step), cells, fine)

    def laws(self, mass: Array, expected: Array) -> Array:
        """Return the transformed laws of ``expected`` (L, D, J) grains of ``mass`` (J,) kg, (L, D, cells/2 + 1)."""
        cell = mass / self.step[:, None]
        sums = np.fft.rfft(self._counts(cell, expected), axis=-1)
        sums -= sums[..., :1].copy()
        # Fine grains together are a sharp point between two cells, which would ring: they get a width of one cell.
        fine = np.where(self.fine, cell, 0.0)[..., None]
        mean, variance = (expected @ fine)[..., 0], (expected @ fine**2)[..., 0]
        width = np.where(self.fine.any(axis=-1, keepdims=True), np.maximum(variance, 1.0), 0.0)
        turn = 2 * np.pi / self.cells * np.arange(self.cells // 2 + 1)
        sums.real -= 0.5 * width[..., None] * turn**2
        sums.imag -= mean[..., None] * turn
        return np.exp(sums, out=np.zeros_like(sums), where=sums.real > NIL)

    def _counts(self, cell: Array, expected: Array) -> Array:
        """Return the grains that are expected of each number of ``cell``s, modulo all of them, (L, D, cells)."""
        # Of the L laws' own J classes, only those that are not fine; a grain between two cells is parted between them.
        whole = np.floor(cell + 1e-9)
        part = np.clip(cell - whole, 0.0, 1.0)
        number = np.where(self.fine[:, None], 0.0, expected)
        # What falls on no cell at all changes nothing, and there may be so much of it that the rest would be rounded.
        stays = number * np.where(whole > 0, 1 - part, 0.0)[:, None]
        laws, draws, _ = expected.shape
        row = self.cells * np.arange(laws * draws).reshape(laws, draws, 1)
        at = [(whole.astype(int)[:, None] + more) % self.cells + row for more in (0, 1)]
        found = np.bincount(
            np.concatenate(at, axis=None),
            np.concatenate([stays, number * part[:, None]], axis=None),
            laws * draws * self.cells,
        )
        return np.asarray(found.reshape(laws, draws, self.cells), dtype=float)

    def chance(self, law: Array) -> Array:
        """Return the chance of each cell, (L, cells), from transformed laws (L, cells/2 + 1)."""
        # The transform knows amounts only modulo all cells; the law's own range says which turn is meant.
        turn = (self.first[:, None].astype(int) + np.arange(self.cells)) % self.cells
        return np.maximum(np.take_along_axis(np.fft.irfft(law, self.cells, axis=-1), turn, axis=-1), 0.0)


def moments(mass: Array, expected: Array) -> tuple[float, float]:
    """Return mean and standard deviation of the gold, of all grain classes, doubt and luck together."""
    expected = np.atleast_2d(expected)
    mean = expected @ mass
    return float(mean.mean()), float(np.sqrt((expected @ mass**2).mean() + mean.var()))


def _step(least: Array, mass: Array, expected: Array) -> Array:
    """Return cells (L,) no smaller than ``least`` (L,) of which the grains that matter most are a whole number."""
    matters = mass[np.argmax(expected * mass**2, axis=-1)]
    return np.where(matters >= FINE * least, matters / np.maximum(np.floor(matters / least), 1.0), least)
