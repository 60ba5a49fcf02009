"""Nonlinear least squares within bounds, all perturbed sets of parameters evaluated at once.

A trust-region search (scipy's ``least_squares``), then plain Gauss-Newton turns on the parameters that no bound
holds, so that the end is the same to many digits wherever the search began. Source: J. Nocedal & S. J. Wright,
Numerical Optimization (2nd ed., 2006), chapter 10.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array

#: Parameter sets (P, n) → residuals (P, k), each in units of its standard deviation.
Residuals: TypeAlias = Callable[[Array], Array]

STEP = 1e-3
"""Step of a difference of fourth order, in units of the parameter's scale: what it cuts off and what rounding adds are
both near 1e-11."""
SETTLED = 1e-9
"""Settled when a Gauss-Newton step is smaller than this, in units of the parameters' scales."""
MOST_TURNS = 50
INSIDE = 1e-3
"""A search starts so far inside the bounds, and a step that wins nothing may be so long, in units of the scales."""
AT_BOUND = 1e-6
"""A parameter nearer to its bound than this (in units of its scale) lies on it."""


@dataclass(frozen=True)
class LeastSquares:
    """Where the sum of squares is least."""

    x: Array
    residuals: Array
    #: Derivatives of the residuals, (k, n), in the parameters' own units.
    jacobian: Array
    #: (n,): -1 held by the lower bound, +1 by the upper, 0 free.
    held: Array
    settled: bool

    @property
    def sum_of_squares(self) -> float:
        """Return the sum of squared residuals."""
        return float(self.residuals @ self.residuals)


#: Steps and weights of differences of fourth order: both ways, and away from a lower bound.
_BOTH_WAYS = (np.array([-2.0, -1.0, 1.0, 2.0]), np.array([1.0, -8.0, 8.0, -1.0]) / 12)
_ONE_WAY = (np.array([1.0, 2.0, 3.0, 4.0]), np.array([48.0, -36.0, 16.0, -3.0]) / 12)


def derivatives(residuals: Residuals, x: Array, lower: Array, upper: Array, step: Array) -> tuple[Array, Array]:
    """Return the residuals (k,) at ``x`` (n,) and their derivatives (k, n), by differences of fourth order.

    ``step`` (n,) is cut to a tenth of the room between the bounds; near a bound all steps go away from it.
    """
    n = len(x)
    step = np.minimum(step, (upper - lower) / 10)
    low, high = x - 2 * step < lower, x + 2 * step > upper
    one_way = (low | high)[:, None]
    offsets = np.where(one_way, _ONE_WAY[0], _BOTH_WAYS[0]) * (step * np.where(high, -1, 1))[:, None]
    weights = np.where(one_way, _ONE_WAY[1], _BOTH_WAYS[1]) / (step * np.where(high, -1, 1))[:, None]
    sets = x + np.eye(n)[:, None, :] * offsets[:, :, None]
    values = residuals(np.concatenate([x[None], sets.reshape(4 * n, n)]))
    # What changes is differenced, not the values themselves, so that nothing is lost to rounding.
    changes = values[1:].reshape(n, 4, -1) - values[0]
    return values[0], np.einsum("no,nok->kn", weights, changes)


def least_squares(
    residuals: Residuals, start: Array, lower: Array, upper: Array, scale: Array, near: bool = False
) -> LeastSquares:
    """Find the least sum of squares from ``start``; all (n,), ``lower`` < ``upper`` (which may be infinite).

    From a start that is ``near`` the end, the search is left out if Gauss-Newton turns alone settle.
    """
    from scipy.optimize import least_squares as search

    if near and (polished := _polished(residuals, start, lower, upper, scale)).settled:
        return polished
    span = (upper - lower) / scale
    inside = np.minimum(INSIDE, 0.01 * span) * scale
    start = np.clip(start, lower + inside, upper - inside)
    found = search(
        lambda x: residuals(x[None])[0],
        start,
        lambda x: derivatives(residuals, x, lower, upper, STEP * scale)[1],
        (lower, upper),
        x_scale=scale,
        xtol=1e-10,
        ftol=1e-12,
        gtol=1e-10,
        max_nfev=200,
    )
    return _polished(residuals, found.x, lower, upper, scale)


def _polished(residuals: Residuals, x: Array, lower: Array, upper: Array, scale: Array) -> LeastSquares:
    """Take Gauss-Newton steps, with those parameters held that their bound keeps from going further."""
    x = np.where(x - lower < AT_BOUND * scale, lower, np.where(upper - x < AT_BOUND * scale, upper, x))
    settled = False
    for _ in range(MOST_TURNS):
        values, slope = derivatives(residuals, x, lower, upper, STEP * scale)
        held = _held(x, lower, upper, slope.T @ values)
        free = held == 0
        step = np.zeros(len(x))
        if free.any():
            step[free] = scale[free] * np.linalg.lstsq(slope[:, free] * scale[free], -values, rcond=1e-12)[0]
        new = np.clip(x + step, lower, upper)
        if np.all(np.abs(new - x) <= SETTLED * scale):
            settled = True
            break
        new = _no_worse(residuals, x, new, float(values @ values))
        if new is x:
            # No step along this direction wins anything that could be told from rounding.
            settled = bool(np.all(np.abs(step) <= INSIDE * scale))
            break
        x = new
    values, slope = derivatives(residuals, x, lower, upper, STEP * scale)
    return LeastSquares(x, values, slope, _held(x, lower, upper, slope.T @ values), settled)


def _no_worse(residuals: Residuals, x: Array, new: Array, now: float) -> Array:
    """Return the longest of some shares of the step from ``x`` to ``new`` that does not raise the sum of squares."""
    shares = 0.5 ** np.arange(12)
    tried = x + shares[:, None] * (new - x)
    sums = (residuals(tried) ** 2).sum(axis=1)
    good = np.flatnonzero(sums <= now * (1 + 1e-12))
    return tried[good[0]] if len(good) else x


def _held(x: Array, lower: Array, upper: Array, gradient: Array) -> Array:
    """Return -1 where the lower bound holds a parameter, +1 where the upper does, else 0."""
    return np.asarray(np.where((x <= lower) & (gradient > 0), -1, np.where((x >= upper) & (gradient < 0), 1, 0)))
