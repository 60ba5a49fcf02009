"""Several sacks of one pile: its mean grade and the spread between sacks, from what was found in each.

Every sack has an expected grade of its own, lognormal about the pile's mean with a relative standard deviation that is
not known; what is found in it is a compound Poisson sum of grains (``sack_laws``), weighed with doubt. The likelihood
of (mean, spread) is integrated over each sack's grade on a grid of its logarithm. Prior, weakly informative: the
spread half-normal (A. Gelman, Prior distributions for variance parameters in hierarchical models, Bayesian Analysis
1, 2006), the mean flat on the scale on which grades are told apart (H. Jeffreys' rule for the variance that luck,
spread and weighing make together).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.lot.sack_likelihood import SHARP, PileGrains, SackLaws

SPREAD = 0.5
"""Scale of the prior of the relative spread between sacks: typical, set your own (pile: spread)."""
MOST_SPREAD = 5.0
"""The spread is looked for up to so many scales."""
MEDIAN = 0.6745
"""Of a half-normal law of scale one: a spread that the sheet gives is its median."""
POINTS = 600
"""Grades at most, at which a sack's likelihood is worked out."""
APART = (0.005, 0.01, 0.02, 0.04, 0.08)
"""How far apart they may lie in the logarithm: the largest that still tells a sack's own doubt."""
NARROW = 0.35
"""Apart by this share of a sack's own relative doubt, the likelihood is followed well."""
GRID = (70, 20)
"""Mean grades and spreads of the grid."""
TURNS = 5
"""It is laid anew around what is likely, so many times at most,"""
ENOUGH = (16, 6)
"""until so many of either are likely."""
UNLIKELY = 1e-5
"""Of the likeliest."""
FAINT = 1e-6
"""A likelihood below this share of the largest is none where a table ends."""
SURE = 5.0
"""Gold that is so many standard deviations from nothing was there."""
NEVER = 1e-12
"""A sack is taken to be at least so likely when it is left out of many."""
BATCH = 64
ROOT2PI = math.sqrt(2 * math.pi)


@dataclass(frozen=True)
class Sacks:
    """What n sacks held: gold and its doubt, and rock, kg, (n,)."""

    found: Array
    sd: Array
    mass: Array

    def __len__(self) -> int:
        return len(self.found)

    @property
    def scale(self) -> float:
        """Return a typical grade, kg/kg."""
        return float(max(self.found.sum(), self.sd.sum()) / self.mass.sum())

    def but(self, k: int) -> Sacks:
        """Return all but sack ``k``."""
        return Sacks(*(np.asarray(np.delete(one, k)) for one in (self.found, self.sd, self.mass)))


def sigma(spread: Array | float) -> Array:
    """Return the standard deviation of the logarithm of a lognormal law of relative sd ``spread``."""
    return np.asarray(np.sqrt(np.log1p(np.asarray(spread) ** 2)))


@dataclass(frozen=True)
class SpreadPosterior:
    """Chance of each mean grade and spread between sacks, ``weight`` (q, k), which sums to one."""

    #: Logarithms of mean grades (kg/kg), even, (k,).
    mean: Array
    #: Relative spreads, (q,).
    spread: Array
    weight: Array

    def of_means(self) -> Array:
        """Return the chance of each mean grade, (k,)."""
        return np.asarray(self.weight.sum(axis=0))

    def mean_quantile(self, share: float) -> float:
        """Return the mean grade (kg/kg) below which the truth lies with chance ``share``."""
        return math.exp(_quantile(self.mean, self.of_means(), share))

    def spread_quantile(self, share: float) -> float:
        """Return the same of the spread."""
        return _quantile(self.spread, self.weight.sum(axis=1), share)

    def mixed(self, grades: Array, dampened: float = 1.0) -> Array:
        """Return the chance of each of ``grades`` (logarithms, even, (m,)) for one sack that was not tested.

        What is missing to one lies above them all; ``dampened``: the share of the spread that is left in the mean of
        several sacks.
        """
        out = np.zeros(len(grades))
        for spread, weight in zip(self.spread, self.weight, strict=True):
            wide = float(sigma(dampened * spread))
            out += weight @ _kernel(self.mean - wide**2 / 2, wide, grades)
        return out

    def times(self, likelihood: Array) -> SpreadPosterior:
        """Return what it becomes when a sack of ``likelihood`` (q, k) is added."""
        weight = self.weight * likelihood
        return SpreadPosterior(self.mean, self.spread, weight / weight.sum())

    def without(self, likelihood: Array) -> SpreadPosterior:
        """Return what it was without one sack of ``likelihood`` (q, k), where there are many."""
        return self.times(1 / np.maximum(likelihood, NEVER))

    def kernel(self, grades: Array) -> Array:
        """Return the chance of each of ``grades`` (m,) for each spread and mean, (q, k, m)."""
        return _kernels(self.mean, self.spread, grades)


def _quantile(values: Array, chance: Array, share: float) -> float:
    """Return a quantile of a density given at even ``values``: between them it is linear."""
    rising = np.concatenate([[0.0], np.cumsum((chance[1:] + chance[:-1]) / 2)])
    return float(np.interp(share * rising[-1], rising, values)) if rising[-1] > 0 else float(values[0])


def _kernel(centre: Array, wide: float, grades: Array) -> Array:
    """Return the chance of each of ``grades`` (m,) under normal laws about ``centre`` (k,), (k, m).

    Chance that lies below all grades is that of the least: there a sack's likelihood no longer changes.
    """
    from scipy.special import ndtr

    apart = float(grades[1] - grades[0])
    wide = max(wide, 0.6 * apart)  # a likelihood that the grades follow is hardly blurred by that
    off = (grades - centre[:, None]) / wide
    chance = np.exp(-0.5 * off**2) * (apart / wide / ROOT2PI)
    chance[:, 0] = ndtr(off[:, 0] + apart / wide / 2)
    return np.asarray(chance)


def _kernels(mean: Array, spread: Array, grades: Array) -> Array:
    wide = sigma(spread)
    return np.stack([_kernel(mean - w**2 / 2, float(w), grades) for w in wide])


class SackReader:
    """Reads sacks by the luck of a pile's grains."""

    def __init__(self, luck: PileGrains, sacks: Sacks, prior: float = SPREAD) -> None:
        self.luck, self.sacks, self.prior = luck, sacks, prior
        sd = np.maximum(sacks.sd, SHARP * np.abs(sacks.found))
        around = np.maximum(sacks.found, sd)
        doubt = np.sqrt(luck.usual(float(np.median(around))) * around + sd**2) / around
        low, top = luck.low(sacks.found, sd), luck.top(sacks.found, sd)
        first, last = math.log(float((low / sacks.mass).min())), math.log(float((top / sacks.mass).max()))
        fits = [a for a in APART if a <= NARROW * float(doubt.min()) and (last - first) / a <= POINTS]
        coarse = [a for a in APART if (last - first) / a <= POINTS]
        #: How far apart grades lie in the logarithm.
        self.apart = fits[-1] if fits else (coarse[0] if coarse else (last - first) / POINTS)
        # Where the grades are too coarse for the sharpest sacks, these are read less sharply.
        blunt = doubt < self.apart / NARROW
        self.sd = np.where(blunt, np.maximum(sd, self.apart / NARROW * around), sd)
        self.low, self.top = luck.low(sacks.found, self.sd), luck.top(sacks.found, self.sd)
        #: Logarithms of the grades (kg/kg), (m,).
        self.grades: Array = first + self.apart * np.arange(math.ceil((last - first) / self.apart) + 2, dtype=float)
        self.octave = np.ceil(2 * np.log2(luck.reach(self.top))).astype(int)
        alike = {int(octave): self.octave == octave for octave in np.unique(self.octave)}
        self.ends = {octave: (float(self.low[a].min()), float(self.top[a].max())) for octave, a in alike.items()}

    def table(self, k: int) -> SackLaws:
        """Return the table that sack ``k`` is read in."""
        return self.luck.table(*self.ends[int(self.octave[k])], self.apart)

    def likelihood(self, k: int) -> Array:
        """Return how likely sack ``k`` is for each of its expected grades, (m,), at most one."""
        table = self.table(k)
        told = table.likelihood(float(self.sacks.found[k]), float(self.sd[k]))
        # Poorer than the table: nothing but single large grains could make it, in proportion to what is expected; where
        # it may be no gold at all, that is as likely of any poorer ore.
        amount = self.grades + math.log(self.sacks.mass[k])
        at = np.interp(amount, table.expected, told, right=0.0)
        if told[0] < FAINT * told.max():
            at = np.where(amount < table.expected[0], 0.0, at)
        elif self.sacks.found[k] > SURE * self.sd[k]:
            at = at * np.exp(np.minimum(amount - table.expected[0], 0.0))
        most = float(at.max())
        return np.asarray(at / most if most > 0 else np.ones_like(at))

    def batches(self) -> Iterator[tuple[int, Array]]:
        """Go through the sacks some at a time: number of the first, and likelihoods (m, some)."""
        for at in range(0, len(self.sacks), BATCH):
            here = range(at, min(at + BATCH, len(self.sacks)))
            yield at, np.stack([self.likelihood(k) for k in here], axis=1)

    def posterior(self) -> SpreadPosterior:
        """Return what all sacks together tell of the pile's mean grade and the spread between its sacks."""
        means = (float(self.grades[0]) - 1.0, float(self.grades[-1]) + 1.5)
        spreads = (0.0, MOST_SPREAD * self.prior)
        kept = [likelihood for _, likelihood in self.batches()] if len(self.sacks) <= BATCH else None
        for turn in range(TURNS):
            # At first closer where the spread is small, then evenly.
            along = np.linspace(0.0, 1.0, GRID[1])
            spread: Array = spreads[0] + (spreads[1] - spreads[0]) * (along**2 if turn == 0 else along)
            mean: Array = np.linspace(*means, GRID[0])
            log = self._prior(mean, spread) + self._log_likelihood(mean, spread, kept)
            weight = np.exp(log - log.max()) * (np.gradient(spread)[:, None] if turn == 0 else 1.0)
            likely = (weight.sum(axis=1), weight.sum(axis=0))
            held = [np.flatnonzero(one > UNLIKELY * one.max()) for one in likely]
            if turn and len(held[1]) >= ENOUGH[0] and len(held[0]) >= ENOUGH[1]:
                break
            means = (float(mean[max(held[1][0] - 1, 0)]), float(mean[min(held[1][-1] + 1, GRID[0] - 1)]))
            spreads = (float(spread[max(held[0][0] - 1, 0)]), float(spread[min(held[0][-1] + 1, GRID[1] - 1)]))
        return SpreadPosterior(mean, spread, weight / weight.sum())

    def _prior(self, mean: Array, spread: Array) -> Array:
        """Return the logarithm of the prior, (q, k)."""
        rock = float(self.sacks.mass.mean())
        luck, weighing = self.luck.heavy / rock, float((self.sd**2).mean()) / rock**2
        grade, tau = np.exp(mean)[None, :], spread[:, None]
        scale = self.sacks.scale
        here = luck * grade + (tau**2 + SHARP**2) * grade**2 + weighing
        there = luck * scale + (tau**2 + SHARP**2) * scale**2 + weighing
        return np.asarray(np.log(grade) - 0.5 * np.log(here / there) - 0.5 * (tau / self.prior) ** 2)

    def _log_likelihood(self, mean: Array, spread: Array, kept: list[Array] | None) -> Array:
        kernel = _kernels(mean, spread, self.grades).reshape(-1, len(self.grades))
        out = np.zeros(len(kernel))
        for likelihood in kept if kept is not None else (one for _, one in self.batches()):
            out += np.log(np.maximum(kernel @ likelihood, 1e-300)).sum(axis=1)
        return out.reshape(len(spread), len(mean))
