"""What the data leave of the doubt: a normal law around the best estimate, cut off at the bounds."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array, Mask

MANY = 4000
"""Draws from which the doubt is worked out where bounds matter: their noise is 1 to 2 % of a standard deviation."""
ROUNDS = 15
"""Rounds of the sampler; along the axes of the law it forgets its start in one."""
CLEAR = 4.0
"""A bound that many standard deviations off cuts next to nothing off."""
UNSEEN = 1e-9
"""Precision (of 1 for a prior) below which a direction is seen by neither data nor prior."""


@dataclass(frozen=True)
class Profile:
    """The interval of one number by its deviance; an end without limit is the number's bound."""

    low: float
    high: float
    low_at_bound: bool
    high_at_bound: bool


@dataclass(frozen=True, eq=False)
class LaplacePosterior:
    """A normal law in n parameters, in units of ``scale``: where it is highest, and its precision (n, n).

    The precision may vanish in directions that only bounds confine.
    """

    mode: Array
    precision: Array
    lower: Array
    upper: Array
    scale: Array
    seed: int = 1
    #: Slope of half the deviance at the mode, (n,): not zero where a bound holds a parameter that would go further.
    slope: Array | None = None

    @cached_property
    def cut(self) -> bool:
        """Whether a bound is near enough to matter."""
        if self._axes[0].min(initial=1.0) < UNSEEN or (self.slope is not None and np.any(self.slope)):
            return True
        reach = CLEAR * np.sqrt(np.diag(self._plain))
        return bool(np.any(self.mode - reach < self.lower) or np.any(self.mode + reach > self.upper))

    @cached_property
    def _axes(self) -> tuple[Array, Array]:
        scaled = self.precision * np.outer(self.scale, self.scale)
        values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
        return np.maximum(values, 0.0), vectors

    @cached_property
    def _plain(self) -> Array:
        """Covariance of the law without its bounds."""
        return self.linear(np.ones(len(self.mode), dtype=bool))

    def linear(self, free: Mask) -> Array:
        """Return the covariance (n, n) of the ``free`` parameters (n,) without their bounds, all others held."""
        scaled = (self.precision * np.outer(self.scale, self.scale))[np.ix_(free, free)]
        values, vectors = np.linalg.eigh((scaled + scaled.T) / 2)
        found = np.zeros_like(self.precision)
        found[np.ix_(free, free)] = (vectors / np.maximum(values, UNSEEN)) @ vectors.T
        return np.asarray(found * np.outer(self.scale, self.scale))

    @cached_property
    def _sample(self) -> Array:
        return self.draws(MANY, self.seed)

    @cached_property
    def covariance(self) -> Array:
        """Covariance, (n, n): in closed form, or from many draws where bounds cut the law off."""
        if not self.cut:
            return self._plain
        return np.atleast_2d(np.cov(self._sample, rowvar=False))

    @cached_property
    def sd(self) -> Array:
        """Standard deviations, (n,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def interval(self, share: float = 0.9) -> tuple[Array, Array]:
        """Return the ends, (n,) each, of the interval that holds the middle ``share`` of each parameter's law."""
        from statistics import NormalDist

        tail = (1 - share) / 2
        if self.cut:
            low, high = np.quantile(self._sample, [tail, 1 - tail], axis=0)
            return low, high
        reach = NormalDist().inv_cdf(1 - tail) * self.sd
        return self.mode - reach, self.mode + reach

    def draws(self, count: int, seed: int) -> Array:
        """Return draws (count, n).

        Within bounds by Gibbs sampling, turn by turn along the axes of the law (in which it falls apart into
        single normal laws) and along the parameters. Source: C. P. Robert, Simulation of Truncated Normal
        Variables, Statistics and Computing 5 (1995).
        """
        rng = np.random.default_rng(seed)
        values, vectors = self._axes
        at = np.zeros((count, len(self.mode)))
        if not self.cut:
            at = rng.standard_normal(at.shape) / np.sqrt(values) @ vectors.T
            return np.asarray(self.mode + self.scale * at)
        low, high = (self.lower - self.mode) / self.scale, (self.upper - self.mode) / self.scale
        precision = (vectors * values) @ vectors.T
        slope = np.zeros(len(self.mode)) if self.slope is None else self.slope * self.scale
        ways = [*vectors.T, *np.eye(len(self.mode))]
        for _ in range(ROUNDS):
            for way in ways:
                at = at + _along(at, way, precision, slope, low, high, rng)[:, None] * way
                at = np.clip(at, low, high)
        return np.asarray(self.mode + self.scale * at)


def _along(
    at: Array, way: Array, precision: Array, slope: Array, low: Array, high: Array, rng: np.random.Generator
) -> Array:
    """Draw how far each of ``at`` (count, n) goes along ``way`` (n,), by the law on that line within the bounds."""
    with np.errstate(divide="ignore", invalid="ignore"):
        to_low, to_high = (low - at) / way, (high - at) / way
    moves = np.abs(way) > 1e-12
    start = np.where(moves, np.minimum(to_low, to_high), -np.inf).max(axis=1)
    end = np.where(moves, np.maximum(to_low, to_high), np.inf).min(axis=1)
    end = np.maximum(end, start)
    sharp = float(way @ precision @ way)
    chance = rng.uniform(size=len(at))
    if sharp < UNSEEN:
        # Even between bounds; along a direction that nothing at all confines a draw stays where it is.
        finite = np.isfinite(start) & np.isfinite(end)
        begin, length = np.where(finite, start, 0.0), np.where(finite, end, 0.0) - np.where(finite, start, 0.0)
        return np.asarray(begin + chance * length)
    middle, root = -(at @ (precision @ way) + slope @ way) / sharp, np.sqrt(sharp)
    return np.asarray(middle + _cut_normal((start - middle) * root, (end - middle) * root, chance) / root)


def _cut_normal(low: Array, high: Array, chance: Array) -> Array:
    """Return the quantile ``chance`` of the standard normal law between ``low`` and ``high``."""
    from scipy.special import log_ndtr, ndtri_exp

    # The law is worked out on the left, where its tail keeps its digits, and by logarithms, since it fades to
    # nothing 38 standard deviations out.
    turned = low > 0
    a, b = np.where(turned, -high, low), np.where(turned, -low, high)
    at_a, at_b, share = log_ndtr(a), log_ndtr(b), np.where(turned, 1 - chance, chance)
    with np.errstate(divide="ignore"):
        below = at_b + np.log(share + (1 - share) * np.exp(at_a - at_b))
    found = np.clip(ndtri_exp(below), a, b)
    return np.asarray(np.where(turned, -found, found))
