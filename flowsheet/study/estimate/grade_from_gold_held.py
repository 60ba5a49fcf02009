"""What does one test say of the ore that it came from? The luck of grains, read backwards.

A test held some amount of gold; ores of many grades might have given it. For each expected amount T the law of what
a test then holds is known (``luck``); the chance C(T) that it is at least what was found rises with T, from 0 to 1:
the confidence distribution of T, whose 5 and 95 % points hold the truth in nine tests of ten, however few grains
there are. No guess of the grade enters. Source: T. Schweder & N. L. Hjort, Confidence, Likelihood, Probability
(2016), chapter 3; half of the chance of exactly what was found counts, as in H. O. Lancaster, Significance Tests in
Discrete Distributions, J. Am. Stat. Assoc. 56 (1961).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.common.compound_poisson import CELLS, RARE, exponent, is_fine

APART = 0.25
"""Expected amounts at which the law is worked out lie so many of its standard deviations apart."""
FAR = 4.0
"""They reach so many standard deviations below and above what was found."""
POINTS = 1000
"""A mean is that of so many points of the distribution, evenly likely."""
WIDE = 8.0
"""Standard deviations of weighing that the amounts reach below zero."""


@dataclass(frozen=True)
class ConfidenceDistribution:
    """What is known of an amount: its confidence distribution, ``below`` (n,) at ``amounts`` (n,), rising."""

    amounts: Array
    below: Array

    @classmethod
    def normal(cls, amount: float, sd: float) -> ConfidenceDistribution:
        """Return the distribution of an amount that is known with a normal doubt, and cannot be less than nothing."""
        law = NormalDist()
        points = np.linspace(-FAR, FAR, 81)
        below = np.array([law.cdf(point) for point in points])
        return cls(np.maximum(amount + sd * points, 0.0), below)

    @property
    def mean(self) -> float:
        """Return the mean of the distribution."""
        return float(self.quantile((np.arange(POINTS) + 0.5) / POINTS).mean())

    def quantile(self, shares: Array | float) -> Array:
        """Return the amounts below which the truth lies with chance ``shares``."""
        return np.asarray(np.interp(shares, self.below, self.amounts))

    def draws(self, rng: np.random.Generator, count: int) -> Array:
        """Return ``count`` draws, evenly spread over the distribution and shuffled, (count,)."""
        return self.quantile(rng.permutation((np.arange(count) + 0.5) / count))


def from_test(mass: Array, shape: Array, found: float, sd: float) -> ConfidenceDistribution:
    """Return what a test in which ``found`` ± ``sd`` kg of gold were weighed says of the amount to be expected.

    ``mass`` (J,): gold in one grain, or cluster of them, of each class; ``shape`` (J,): gold in each class.
    """
    often = shape * (max(found, 0.0) + sd) / mass >= RARE * shape.sum()
    if not often.any():
        often = shape > 0
    mass, shape = mass[often], shape[often] / shape[often].sum()
    heavy = float(shape @ mass)  # variance of the luck, for an expected amount of one
    expected = _expected(heavy, sd, found)
    reach = expected[-1] + FAR * math.sqrt(expected[-1] * heavy) + float(mass.max()) + 2 * WIDE * sd
    step = reach / (CELLS - 2 - 2 * WIDE)
    sd = max(sd, step)  # a law sharper than a cell would ring
    first = -math.ceil(WIDE * sd / step)
    fine = is_fine(mass, step, shape * max(found, 0.0) / mass)
    turn = 2 * np.pi / CELLS * np.arange(CELLS // 2 + 1)
    weighing = -0.5 * (turn * sd / step) ** 2 + 1j * turn * first
    law = np.exp(expected[:, None] * (shape / mass @ exponent(mass, step, CELLS, fine)) + weighing)
    below = (law @ _up_to(found / step - first)).real
    return ConfidenceDistribution(expected, np.clip(np.maximum.accumulate(1 - below), 0.0, 1.0))


def _up_to(cell: float) -> Array:
    """Return the weights (CELLS/2 + 1,) that read the chance of less than ``cell`` from a transformed law.

    Half of the cell's own chance counts; between cells it is linear (Parseval's theorem).
    """
    low = int(np.clip(math.floor(cell), 0, CELLS - 2))
    part = float(np.clip(cell - low, 0.0, 1.0))
    counts = np.zeros(CELLS)
    counts[:low] = 1.0
    counts[low : low + 2] = (1 + part) / 2, part / 2
    weights = np.fft.rfft(counts).conj() * 2 / CELLS
    weights[[0, -1]] /= 2
    return np.asarray(weights)


def _expected(heavy: float, sd: float, found: float) -> Array:
    """Return expected amounts from far below to far above what was ``found``, evenly spaced in standard deviations.

    The variance is ``heavy`` T + sd²; counted in its roots, T lies at 2 √(heavy T + sd²) / heavy.
    """

    def place(amount: float) -> float:
        return 2 * math.sqrt(heavy * max(amount, 0.0) + sd**2) / heavy

    # Above: the T whose law reaches down to what was found, FAR of its own standard deviations.
    top = found + FAR**2 * heavy / 2 + FAR * math.sqrt(heavy * found + sd**2 + (FAR * heavy) ** 2 / 4)
    low = place(found - FAR * math.sqrt(heavy * max(found, 0.0) + sd**2))
    places = np.linspace(low, place(top), max(32, math.ceil((place(top) - low) / APART)))
    return np.asarray(np.maximum((heavy * places / 2) ** 2 - sd**2, 0.0) / heavy)


def share_of(part: ConfidenceDistribution, rest: ConfidenceDistribution, points: int = 200) -> ConfidenceDistribution:
    """Return what is known of the share of ``part`` in the whole, both told apart by a test of their own."""
    even = (np.arange(points) + 0.5) / points
    one, other = part.quantile(even)[:, None], rest.quantile(even)[None, :]
    total = one + other
    share = np.sort(np.divide(one, total, out=np.zeros_like(total), where=total > 0).ravel())
    return ConfidenceDistribution(share, (np.arange(share.size) + 0.5) / share.size)
