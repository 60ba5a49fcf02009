"""How to sample a pile: how many sacks, what of each, how fine to break it before each split, and how sure that makes.

Every plan of a small grid is worked out exactly: so many sacks are broken, split by halves, broken finer and split once
more, ground and panned. The cheapest that meets the wish is taken, or the surest for the work one can afford.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

from flowsheet.study.sampling.error_law import ErrorLaw
from flowsheet.study.sampling.sampling_cost import Work
from flowsheet.study.sampling.sampling_variance import BrokenRock, Pool, SampleSplit, StageError

MOST_HALVINGS = 7
"""Of one split: a hundred and twenty-eighth is as little as a riffle tells truly. Common practice, no source."""
EVERY = 200
"""Up to so many sacks every number of them is tried, above it steps of a few per cent."""
STEP = 1.03
SAME = 1e-9
"""Costs closer than this (relative) are the same."""


@dataclass(frozen=True)
class SplitPlan:
    """Sacks to take, what is done with them, and what that makes of the doubt."""

    sacks: int
    sack_mass: float
    splits: tuple[SampleSplit, ...]
    errors: tuple[StageError, ...]
    #: Work of it all: kg through a machine or a pan, or the user's money.
    work: float
    #: Relative half width of the interval.
    doubt: float

    @property
    def taken(self) -> float:
        """Rock taken from the pile, kg."""
        return self.sacks * self.sack_mass

    @property
    def panned(self) -> float:
        """Rock ground and panned in the end, kg."""
        return self.splits[-1].after if self.splits else self.taken

    @property
    def from_each(self) -> float:
        """What is left of each sack where they are put together, kg."""
        return self.splits[0].after / self.sacks if self.splits else self.sack_mass

    @property
    def sd(self) -> float:
        """Relative standard deviation of the grade found."""
        return self.errors[-1].sd


@dataclass(frozen=True)
class Recipe:
    """Breaking and splitting by share, for any number of sacks: what it adds and costs for a kg that goes in."""

    parts: tuple[tuple[BrokenRock, float], ...]
    variance: float
    work: float
    kept: float


def recipes(pool: Pool, rocks: Sequence[BrokenRock], grind: float, work: Work) -> list[Recipe]:
    """Return every way to break, split, grind (to ``grind``, m) and pan; none to split first, then the simplest."""
    halves = range(1, MOST_HALVINGS + 1)
    one = [((rock, 0.5**k),) for rock, k in product(rocks, halves)]
    two = [
        ((first, 0.5**k), (then, 0.5**m))
        for (first, k), (then, m) in product(product(rocks, halves), repeat=2)
        if then.size < first.size
    ]
    getting = work.sack / pool.sack_mass
    return [_recipe(parts, pool.lies.size, grind, work, getting) for parts in [(), *one, *two]]


def _recipe(
    parts: tuple[tuple[BrokenRock, float], ...], top: float, grind: float, work: Work, getting: float
) -> Recipe:
    kept, variance, cost, size = 1.0, 0.0, getting, top
    for rock, share in parts:
        cost += kept * work.crushed(size, rock.size)
        variance += rock.heterogeneity / kept * (1 / share - 1)
        kept, size = kept * share, rock.size
    cost += kept * work.finished(size, grind)
    return Recipe(parts, variance, cost, kept)


@dataclass(frozen=True)
class Search:
    """The ways to sample a pile, each for every number of sacks."""

    pool: Pool
    ways: list[Recipe]
    confidence: float
    counts: list[int]

    @classmethod
    def of(cls, pool: Pool, ways: list[Recipe], confidence: float) -> Search:
        """Leave out every way that another one beats in all that counts."""
        good = [way for i, way in enumerate(ways) if not any(_beats(other, way) for other in ways[:i] + ways[i + 1 :])]
        return cls(pool, good, confidence, list(_counts(pool.sacks)))

    def cheapest(self, want: float) -> SplitPlan | None:
        """Return the plan of least work whose half width is ``want`` at most; None where there is none."""
        best: tuple[float, int, Recipe] | None = None
        for way in self.ways:
            counts = self.counts
            if best is not None:
                counts = counts[: bisect_left(counts, best[0] / (self.pool.sack_mass * way.work) * (1 - SAME))]
            # The more sacks, the surer: the fewest that do are found by halving.
            if not counts or self._half_width(counts[-1], way) > want:
                continue
            fewest = counts[bisect_left(counts[:-1], True, key=lambda n: self._half_width(n, way) <= want)]
            best = fewest * self.pool.sack_mass * way.work, fewest, way
        return None if best is None else self.plan(best[1], best[2])

    def surest(self, work: float) -> SplitPlan | None:
        """Return the surest plan for so much ``work``; None where that does not do for one sack."""
        found = []
        for way in self.ways:
            most = bisect_right(self.counts, work / (self.pool.sack_mass * way.work) * (1 + SAME))
            if most:
                found.append((self._half_width(self.counts[most - 1], way), self.counts[most - 1], way))
        if not found:
            return None
        _, sacks, way = min(found, key=lambda one: one[0])
        return self.plan(sacks, way)

    def straight(self, sacks: int) -> SplitPlan:
        """Return the plan that splits nothing."""
        return self.plan(sacks, next(way for way in self.ways if not way.parts))

    def plan(self, sacks: int, way: Recipe) -> SplitPlan:
        """Write one plan out."""
        splits = self._splits(sacks, way)
        errors = tuple(self.pool.errors(sacks, splits))
        work = sacks * self.pool.sack_mass * way.work
        return SplitPlan(sacks, self.pool.sack_mass, tuple(splits), errors, work, self._half_width(sacks, way))

    def _half_width(self, sacks: int, way: Recipe) -> float:
        return ErrorLaw(self.pool, sacks, self._splits(sacks, way)).half_width(self.confidence)

    def _splits(self, sacks: int, way: Recipe) -> list[SampleSplit]:
        splits, before = [], sacks * self.pool.sack_mass
        for rock, share in way.parts:
            splits.append(SampleSplit(rock, before, before * share))
            before *= share
        return splits


def _beats(one: Recipe, other: Recipe) -> bool:
    """Whether a way costs less, adds no more doubt, and leaves no less to pan (or is the simpler one of two alike)."""
    mine, its = ((way.work, way.variance, -way.kept, len(way.parts)) for way in (one, other))
    return mine != its and all(
        a <= b * (1 + SAME) if b > 0 else a <= b * (1 - SAME) for a, b in zip(mine, its, strict=True)
    )


def _counts(sacks: int) -> Iterator[int]:
    """Go through numbers of sacks up to all of them."""
    last = 0
    while last < sacks:
        last = last + 1 if last < EVERY else min(sacks, math.ceil(last * STEP))
        yield last


def poorer(pool: Pool, plan: SplitPlan, grade: float, confidence: float) -> float:
    """Return the half width of a plan where the ore holds ``grade`` (kg/kg) in grains of the same sizes."""
    return ErrorLaw(replace(pool, grade=grade), plan.sacks, plan.splits).half_width(confidence)
