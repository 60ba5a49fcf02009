"""Does a plan keep its promise? Piles made up grain by grain, and sampled as the plan says.

Each pile has sacks whose true grades are lognormal and whose masses differ; grains lie in them at random (Poisson),
free or locked, locked ones in those rocks that bear gold. A split takes every rock and every free grain with the same
chance.
No formula of ``stages`` is used.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.steps.base import Site
from flowsheet.study.sampling.plan_search import SplitPlan
from flowsheet.study.sampling.sampling_variance import Pool

AT_ONCE = 50
"""Piles made at once: few enough for memory."""

Counts = npt.NDArray[np.int64]
Progress = Callable[[Iterable[int]], Iterable[int]]


def tried(pool: Pool, plan: SplitPlan, site: Site, piles: int, seed: int, progress: Progress = iter) -> Array:
    """Return how far the grade that each of ``piles`` piles shows is off its true one, relative, (piles,)."""
    rng = np.random.default_rng(seed)
    starts = progress(range(0, piles, AT_ONCE))
    return np.concatenate([_Trial(pool, plan, site, min(AT_ONCE, piles - at), rng).errors() for at in starts])


@dataclass
class _Trial:
    """Some piles at once, (P,)."""

    pool: Pool
    plan: SplitPlan
    site: Site
    piles: int
    rng: np.random.Generator

    def errors(self) -> Array:
        """Make the piles, sample them, and compare."""
        pool, lies = self.pool, self.pool.lies.material
        one = grains.grain_mass(self.site.grid.size, self.site.fineness)
        shape = (self.piles, pool.sacks)
        masses = np.maximum(self.rng.normal(pool.sack_mass, pool.sack_mass_sd, shape), 0.1 * pool.sack_mass)
        width = math.sqrt(math.log1p(pool.spread**2))
        gold = masses * self.rng.lognormal(-(width**2) / 2, width, shape) / float(lies.solids)
        taken, left = (gold[:, part].sum(axis=1) for part in (slice(self.plan.sacks), slice(self.plan.sacks, None)))
        rock = masses[:, : self.plan.sacks].sum(axis=1)
        free, locked = self._grains(lies, taken)
        free_left, locked_left = self._grains(lies, left)
        lump = pool.cluster * one
        true = (free + free_left) @ one + (locked + locked_left) @ lump
        for number, split in enumerate(self.plan.splits):
            was = lies if number == 0 else self.plan.splits[number - 1].rock.material
            free, hosted = self._break(free, locked, was, split.rock.material)
            free, locked, rock = self._split(free, hosted, rock, split.after / split.before, split.rock.material)
        held = free @ one + locked @ lump
        lost = 1 + pool.lost_share * pool.assay * self.rng.normal(size=self.piles)
        shown = (held * lost + pool.weighing * self.rng.normal(size=self.piles)) / rock
        return np.asarray(shown / (true / masses.sum(axis=1)) - 1)

    def _grains(self, lies: Material, gold: Array) -> tuple[Counts, Counts]:
        """Draw free grains and locked clusters of each class, (P, S) each, in ``gold`` times what ``lies`` holds."""
        one = grains.grain_mass(self.site.grid.size, self.site.fineness)
        locked = lies.locked.sum(axis=0) / (self.pool.cluster * one)
        return self.rng.poisson(gold[:, None] * lies.free / one), self.rng.poisson(gold[:, None] * locked)

    def _break(self, free: Counts, locked: Counts, was: Material, now: Material) -> tuple[Counts, Counts]:
        """Set clusters free, each on its own, and part what stays locked among its hosts: (P, S), (P, S hosts, S)."""
        total = was.locked.sum(axis=0)
        still = np.divide(now.locked, total, out=np.zeros_like(now.locked), where=total > 0)
        hosted = np.zeros((self.piles, *now.locked.shape), dtype=np.int64)
        freed = np.zeros_like(free)
        for j in np.flatnonzero(total > 0):
            chances = np.append(still[:, j], max(1 - float(still[:, j].sum()), 0.0))
            parted = self.rng.multinomial(locked[:, j], chances / chances.sum())
            hosted[:, :, j], freed[:, j] = parted[:, :-1], parted[:, -1]
        whole = math.floor(self.pool.cluster)
        return free + freed * whole + self.rng.binomial(freed, self.pool.cluster - whole), hosted

    def _split(
        self, free: Counts, hosted: Counts, rock: Array, share: float, now: Material
    ) -> tuple[Counts, Counts, Array]:
        """Take every free grain and every rock with chance ``share``; return what is kept, and its rock in kg."""
        number = np.rint(grains.rocks(now, self.site.grid) * (rock / float(now.solids))[:, None])
        bearing = np.rint(number / (1 + self.pool.rocks**2)).astype(np.int64)
        barren = number.astype(np.int64) - bearing
        some, others = self.rng.binomial(bearing, share), self.rng.binomial(barren, share)
        chance = np.divide(some, bearing, out=np.full(some.shape, share), where=bearing > 0)
        kept = self.rng.binomial(hosted, chance[:, :, None]).sum(axis=1)
        each = np.divide(some + others, number, out=np.full(number.shape, share), where=number > 0)
        return self.rng.binomial(free, share), kept, (now.rock_by_size * each).sum(axis=1) * rock / float(now.solids)
