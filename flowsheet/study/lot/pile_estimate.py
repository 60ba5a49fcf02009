"""A pile's grade and gold from tests of its sacks, how far off the others each lies, what one more would buy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.spec.blocks.pile import TYPICAL_SPREAD
from flowsheet.study.common.interval import Interval
from flowsheet.study.lot.ledger import Test
from flowsheet.study.lot.pile_total import UntestedRock, pile_gold
from flowsheet.study.lot.sack_likelihood import PileGrains
from flowsheet.study.lot.spread_between_sacks import MEDIAN, SackReader, Sacks, SpreadPosterior

TRIED = 7
"""Amounts that one more sack may turn out to hold, evenly likely."""
APART = 0.04
"""Expected amounts of one more sack lie so far apart in the logarithm, or as those of the others do."""
FEW = 40
"""Up to so many tests, each is judged by an estimate made without it."""
NINE = (0.05, 0.95)
"""Chances of less than the ends of an interval."""
Z = 1.6449
"""Its half width, for a normal law, in standard deviations."""


def times(one: Interval, scale: float) -> Interval:
    """Return an interval times ``scale``."""
    return type(one)(*(scale * value for value in (one.mean, one.sd, one.p5, one.p50, one.p95)))


@dataclass(frozen=True)
class OneMoreSack:
    """What one more sack buys: width of the pile's interval now, and as it may be expected then (kg/kg)."""

    now: float
    then: float


@dataclass(frozen=True)
class PileEstimate:
    """What some tests say of their pile."""

    sacks: Sacks
    reader: SackReader
    posterior: SpreadPosterior
    #: Doubt of the weights that all tests share, relative.
    common: float

    @classmethod
    def of(cls, luck: PileGrains, tests: list[Test], prior: float = TYPICAL_SPREAD) -> PileEstimate:
        """Make it; ``prior``: median of the spread between sacks."""
        gold = np.array([test.gold for test in tests])
        common = max((test.common for test in tests), default=0.0)
        all_sd = np.array([test.sd for test in tests])
        # What all share does not part the sacks: it comes on top in the end.
        sd = np.sqrt(np.maximum(all_sd**2 - (common * gold) ** 2, (0.1 * all_sd) ** 2))
        sacks = Sacks(gold, sd, np.array([test.mass for test in tests]))
        reader = SackReader(luck, sacks, prior / MEDIAN)
        return cls(sacks, reader, reader.posterior(), common)

    @property
    def _found(self) -> tuple[float, float]:
        return float(self.sacks.found.sum()), math.sqrt(float((self.sacks.sd**2).sum()))

    def gold(self, rest: UntestedRock) -> Interval:
        """Return the gold of the pile, kg."""
        return pile_gold(self.posterior, self.reader.luck, rest, *self._found, self.common)

    def grade(self) -> Interval:
        """Return the mean grade of sacks without end, kg/kg."""
        chance, grade = self.posterior.of_means(), np.exp(self.posterior.mean)
        mean = float(chance @ grade)
        sd = math.sqrt(float(chance @ (grade - mean) ** 2) + (self.common * mean) ** 2)
        low, middle, high = (self.posterior.mean_quantile(share) for share in (NINE[0], 0.5, NINE[1]))
        # The doubt that all share, joined with each end's own distance.
        apart = Z * self.common * middle
        low, high = middle - math.hypot(middle - low, apart), middle + math.hypot(high - middle, apart)
        return Interval(mean, sd, max(low, 0.0), middle, high)

    def spread(self) -> Interval:
        """Return the relative spread between sacks."""
        chance, at = self.posterior.weight.sum(axis=1), self.posterior.spread
        mean = float(chance @ at)
        ends = (self.posterior.spread_quantile(share) for share in (NINE[0], 0.5, NINE[1]))
        return Interval(mean, math.sqrt(float(chance @ (at - mean) ** 2)), *ends)

    def above(self, test: int, prior: float) -> float:
        """Return the chance of as much gold as one test found or more, by the others."""
        reader, sacks = self.reader, self.sacks
        if len(sacks) <= FEW:
            # One of few may lead them all: they are judged anew without it.
            others = SackReader(reader.luck, sacks.but(test), prior / MEDIAN).posterior()
            chance = others.mixed(reader.grades)
        else:
            kernel = self.kernel
            others = self.posterior.without(kernel @ reader.likelihood(test))
            chance = others.weight.ravel() @ kernel.reshape(-1, kernel.shape[-1])
        table, rock = reader.table(test), math.log(sacks.mass[test])
        above = table.above(float(sacks.found[test]), float(reader.sd[test]))
        # Expected grades above them all would give more than any sack held.
        more = np.interp(reader.grades + rock, table.expected, above, right=1.0)
        return float(np.clip(1 - chance @ (1 - more), 0.0, 1.0))

    @cached_property
    def kernel(self) -> Array:
        """Return the chance of each grade of the reader for each spread and mean, (q, k, m)."""
        return self.posterior.kernel(self.reader.grades)

    def one_more(self, rest: UntestedRock | None) -> OneMoreSack | None:
        """Return what one more sack of the usual mass buys; None where none is left."""
        if rest is not None and len(rest.masses) == 0:
            return None
        mass = float(rest.masses.max()) if rest is not None else float(np.median(self.sacks.mass))
        post, luck = self.posterior, self.reader.luck
        wide = np.linspace(post.mean[0] - 2.0, post.mean[-1] + 2.0, 400)
        rising = np.cumsum(post.mixed(wide))
        low, high = (mass * math.exp(wide[int(np.searchsorted(rising, s * rising[-1]))]) for s in (0.002, 0.998))
        table = luck.table(low, high, max(self.reader.apart, APART))
        grades = table.expected - math.log(mass)
        kernel = post.kernel(grades)
        doubt = float(np.median(self.sacks.sd / np.maximum(self.sacks.found, 1e-12)))
        now, then = self._width(post, rest, *self._found), []
        for found in table.quantiles(post.mixed(grades), (np.arange(TRIED) + 0.5) / TRIED):
            sd = max(doubt * found, table.step)
            with_it = post.times(kernel @ table.likelihood(float(found), sd))
            fewer = UntestedRock(np.delete(rest.masses, int(rest.masses.argmax()))) if rest is not None else None
            gold, gold_sd = self._found
            then.append(self._width(with_it, fewer, gold + float(found), math.hypot(gold_sd, sd)))
        return OneMoreSack(now, float(np.mean(then)))

    def _width(self, posterior: SpreadPosterior, rest: UntestedRock | None, found: float, sd: float) -> float:
        """Return the width of the interval of the grade, kg/kg."""
        if rest is None:
            one = PileEstimate(self.sacks, self.reader, posterior, self.common).grade()
            return one.p95 - one.p5
        pile = float(self.sacks.mass.sum()) + self._rest_mass(rest, found)
        one = pile_gold(posterior, self.reader.luck, rest, found, sd, self.common)
        return (one.p95 - one.p5) / pile

    def _rest_mass(self, rest: UntestedRock, found: float) -> float:
        return rest.mass + (float(rest.masses.max(initial=0.0)) if found > self._found[0] else 0.0)
