"""Intervals that hold a value nine times in ten, of doubt and of the luck of grains together."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.common.compound_poisson import sample, spread
from flowsheet.study.common.monte_carlo import GOLDEN

SHARES, TRIES = 60, 12_000
"""A share of two lots of gold is read from so many draws' laws, and from a sample of this size."""
SHARE_CELLS = 1024
EXACT = 1e-9


@dataclass(frozen=True)
class Interval:
    """What is known of an amount: nine chances in ten that it lies between p5 and p95."""

    mean: float
    sd: float
    p5: float
    p50: float
    p95: float

    @classmethod
    def of_draws(cls, draws: Array, scale: float = 1.0) -> Interval:
        """Return the interval of a sample, times ``scale``."""
        # What np.quantile gives; that would load masked arrays, which nothing else here needs.
        rising = np.sort(draws)
        low, middle, high = scale * np.interp(
            np.multiply((0.05, 0.5, 0.95), len(rising) - 1), np.arange(len(rising)), rising
        )
        return cls(scale * float(draws.mean()), scale * float(draws.std()), float(low), float(middle), float(high))

    @classmethod
    def of_shares(cls, part: Array, whole: Array) -> Interval:
        """Return the interval of part ÷ whole, both (D,); draws of which the whole is nothing tell no share."""
        some = whole > 0
        return cls.of_draws(part[some] / whole[some] if some.any() else np.zeros(1))

    def below(self) -> LessThan:
        """Return the same without a lower end: what was weighed cannot be told from nothing."""
        return LessThan(self.mean, self.sd, 0.0, self.p50, self.p95)

    @property
    def exact(self) -> bool:
        """Whether nothing of it is open: its doubt is no more than rounding."""
        return self.sd <= EXACT * abs(self.mean)

    def rest(self) -> Interval:
        """Return what is known of all but this share."""
        return Interval(1 - self.mean, self.sd, 1 - self.p95, 1 - self.p50, 1 - self.p5)

    @classmethod
    def of_law(cls, mass: Array, by_grain: Array, mean: float, variance: float, scale: float = 1.0) -> Interval:
        """Return the interval of gold ``by_grain`` (E, S) kg in grains of ``mass`` (S,) kg, times ``scale``.

        ``mean`` and ``variance`` (kg, kg²) are those of all draws, rare grains counted in.
        """
        law = spread(mass, by_grain / mass)
        low, middle, high = (scale * law.quantile(share) for share in (0.05, 0.5, 0.95))
        return cls(scale * mean, scale * math.sqrt(variance), low, middle, high)


class LessThan(Interval):
    """An amount of which only the upper end is known; the lower one is nought."""


def together(mass: Array, by_grain: Array, gold: Array, scale: float = 1.0) -> Interval:
    """Return the interval of several streams' gold together: (E, S) kg of some draws, and (D,) of all."""
    variance = float(gold.var()) + float((by_grain @ mass).mean())
    return Interval.of_law(mass, by_grain, float(gold.mean()), variance, scale)


def share(mass: Array, part: Array, whole: Array, rng: np.random.Generator) -> Interval:
    """Return the share of ``part`` in ``whole`` (E, S): two independent lots of grains, for each draw of the doubt.

    The two laws are exact; their ratio is read from a sample of both, of which lots without gold tell nothing.
    """
    # Evenly among the draws by their share, and among those with as much by their gold: a few that were chosen
    # blindly would tell too loudly.
    gold, held = whole.sum(axis=-1), part.sum(axis=-1)
    expected = np.divide(held, gold, out=np.zeros_like(gold), where=gold > 0)
    alike = np.array_split(np.lexsort((gold, expected)), min(SHARES, len(part)))
    chosen = [
        some[np.argsort(gold[some], kind="stable")][int((0.5 + k * GOLDEN) % 1 * len(some))]
        for k, some in enumerate(alike)
    ]
    tries = -(-TRIES // len(chosen))
    rest = np.maximum(whole[chosen] - part[chosen], 0.0)
    inside = sample(mass, part[chosen] / mass, tries, rng, SHARE_CELLS)
    outside = sample(mass, rest / mass, tries, rng, SHARE_CELLS)
    return Interval.of_shares(inside, inside + outside)
