"""How far each number may be moved, all others fitted again: intervals that need no normal law.

The deviance of a value is the least sum of squares with the number held there, less the least of all; values with
less than 2.706 (the 90 % point of chi-squared with one degree of freedom) make the interval. Source: D. J. Venzon &
S. H. Moolgavkar, Applied Statistics 37 (1988), 87.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.estimate.bounded_lsq import least_squares
from flowsheet.study.estimate.evidence import Evidence
from flowsheet.study.estimate.fit import Fitted, residuals_of
from flowsheet.study.estimate.laplace_posterior import Profile

LIMIT = 2.705543454095404
"""90 % point of chi-squared with one degree of freedom."""
PACE = 0.5
"""Step outwards, in standard deviations."""
MOST_STEPS = 40
CLOSE = 1e-3
"""An end is found when its deviance is this near to the limit."""
MOST_TURNS = 12


def profiles(found: Fitted, progress: Callable[[Iterable[int]], Iterable[int]] = iter) -> dict[str, Profile]:
    """Return the profile interval of each number of the sheet that was fitted, by name."""
    least = float((residuals_of(found.evidence, found.covariance, found.posterior.mode[None]) ** 2).sum())
    ends: dict[int, list[tuple[float, bool]]] = {}
    wanted = [i for i, u in enumerate(found.evidence.unknowns) if u.test is None]
    for k in progress(range(2 * len(wanted))):
        i = wanted[k // 2]
        ends.setdefault(i, []).append(_end(found, i, -1 if k % 2 == 0 else 1, least))
    return {
        found.evidence.unknowns[i].name: Profile(low[0], high[0], low[1], high[1]) for i, (low, high) in ends.items()
    }


def _end(found: Fitted, i: int, way: int, least: float) -> tuple[float, bool]:
    """Go outwards until the limit is passed, then close in on it; return the end and whether it is the bound."""
    evidence = found.evidence
    bound = float((evidence.lower if way < 0 else evidence.upper)[i])
    step = way * PACE * min(found.posterior.sd[i], evidence.prior_sd[i])
    others = found.posterior.mode
    inside, root_inside = float(others[i]), 0.0
    for _ in range(MOST_STEPS):
        value = inside + step
        if (value - bound) * way >= 0:
            value = bound
        deviance, new = _deviance(evidence, found.covariance, i, value, others, least)
        if deviance >= LIMIT:
            return _close_in(found, i, (inside, root_inside), (value, np.sqrt(deviance)), new, least), False
        if value == bound:
            return bound, True
        inside, root_inside, others = value, float(np.sqrt(deviance)), new
        step *= 1.3
    return inside, False


def _close_in(
    found: Fitted, i: int, inside: tuple[float, float], outside: tuple[float, float], others: Array, least: float
) -> float:
    """Find where the root of the deviance passes its limit, by false position between two values of the number."""
    goal, value = np.sqrt(LIMIT), outside[0]
    for turn in range(MOST_TURNS):
        share = (goal - inside[1]) / (outside[1] - inside[1])
        value = inside[0] + (share if turn % 3 < 2 else 0.5) * (outside[0] - inside[0])
        deviance, others = _deviance(found.evidence, found.covariance, i, value, others, least)
        if abs(deviance - LIMIT) < CLOSE:
            break
        if deviance < LIMIT:
            inside = (value, float(np.sqrt(deviance)))
        else:
            outside = (value, float(np.sqrt(deviance)))
    return float(value)


def _deviance(
    evidence: Evidence, covariance: Array, i: int, value: float, start: Array, least: float
) -> tuple[float, Array]:
    """Return how much worse the best fit is with number ``i`` held at ``value``, and that fit's parameters."""
    rest = np.arange(len(start)) != i

    def residuals(sets: Array) -> Array:
        whole = np.full((len(sets), len(start)), value)
        whole[:, rest] = sets
        return residuals_of(evidence, covariance, whole)

    at = start.copy()
    at[i] = value
    if not rest.any():
        return max(float((residuals(np.empty((1, 0))) ** 2).sum()) - least, 0.0), at
    bounds = evidence.lower[rest], evidence.upper[rest]
    best = least_squares(residuals, at[rest], *bounds, evidence.prior_sd[rest], near=True)
    at[rest] = best.x
    return max(best.sum_of_squares - least, 0.0), at
