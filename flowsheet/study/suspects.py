"""Which weight is wrong? The one whose adjustment stands out, a slip of its unit, or two that were exchanged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import NormalDist

import numpy as np

from flowsheet.spec.weighing import BEAD, GOLD, MASS
from flowsheet.study.adjust import Adjusted
from flowsheet.study.weights_problem import Problem

ALARM = 0.05
"""Chance of an alarm when no weight is wrong."""

FAR = 10.0
"""From so many standard deviations on, weights are left out in turn: one step no longer tells what each does."""

ODDS = 3.0
"""Measurements that explain the misfit so well that the likeliest leads by less than these odds are told with it."""

NEAR, SDS = 0.15, 3.0
"""A slip of the unit explains a weight if it comes within this share, or so many sds, of what it should be."""

POUND, OUNCE, TROY_OUNCE = 0.45359237, 28.349523125, 31.1034768
"""kg, g and g. Source: NIST Special Publication 811 (2008), Appendix B."""

#: True over written → (unit that was meant, unit that was written). None: a thousand, which the size tells.
SLIPS: dict[float, tuple[str, str] | None] = {
    1000.0: None,
    1 / 1000: None,
    POUND: ("lb", "kg"),
    1 / POUND: ("kg", "lb"),
    OUNCE: ("oz", "g"),
    TROY_OUNCE: ("ozt", "g"),
    1 / OUNCE: ("g", "oz"),
    1 / TROY_OUNCE: ("g", "ozt"),
}

KILOGRAMS = {"mg": 1e-6, "g": 1e-3, "kg": 1.0, "t": 1e3, "lb": POUND, "oz": OUNCE / 1e3, "ozt": TROY_OUNCE / 1e3}


def chi2_tail(value: float, dof: int) -> float:
    """Return the chance that chance alone makes the misfit as large; NaN where nothing is checked."""
    if dof <= 0:
        return math.nan
    from scipy.special import chdtrc

    return float(chdtrc(dof, value))


def limit(checked: int, dof: int) -> float:
    """Return how large the largest of ``checked`` standardised adjustments may be by chance.

    The normal law's point for ALARM shared among them (Šidák), but never more than the root of the global
    test's, which no adjustment can pass without it. Source: R. S. H. Mah & A. C. Tamhane, Detection of Gross
    Errors in Process Data, AIChE Journal 28 (1982); the second bound is Cauchy's inequality.
    """
    from scipy.special import chdtri

    shared = NormalDist().inv_cdf(1 - (1 - (1 - ALARM) ** (1 / checked)) / 2)
    return min(shared, math.sqrt(float(chdtri(dof, ALARM))))


@dataclass(frozen=True)
class Suspicion:
    """The measurement that stands out (its place), and those that explain the misfit as well."""

    at: int
    as_likely: tuple[int, ...]

    def instead(self, k: int) -> Suspicion:
        """Return the suspicion with one of the as likely named first."""
        return Suspicion(k, tuple(sorted({self.at, *self.as_likely} - {k})))


def suspicion(problem: Problem, found: Adjusted) -> Suspicion | None:
    """Return the measurement that is most likely wrong, None where none stands out."""
    sizes = np.nan_to_num(np.abs(found.standardised), nan=0.0)
    checked = int(np.count_nonzero(~np.isnan(found.standardised)))
    if not checked or found.dof <= 0:
        return None
    if sizes.max() > FAR or found.held.any():
        sizes = _left_out_in_turn(problem, found)
    worst = int(np.argmax(sizes))
    if sizes[worst] <= limit(checked, found.dof):
        return None
    # Odds of "this one is wrong" against "that one is": exp(half of the difference of the squares).
    same = np.flatnonzero(sizes**2 > sizes[worst] ** 2 - 2 * math.log(ODDS))
    return Suspicion(worst, tuple(int(k) for k in same if k != worst))


def _left_out_in_turn(problem: Problem, found: Adjusted) -> np.ndarray:
    """Return (k,): the root of what the misfit falls by without each measurement; its |standardised| if linear."""
    fallen = [found.chi2 - problem.without(k).solve().chi2 for k in range(len(problem.measured))]
    return np.sqrt(np.maximum(fallen, 0.0))


@dataclass(frozen=True)
class Swap:
    """Two masses that balance if they are exchanged; the misfit, its chance and the head grade (g/t) then."""

    first: str
    second: str
    chi2: float
    p: float
    head_g_per_t: float
    head_sd_g_per_t: float


def swapped(problem: Problem, found: Adjusted) -> Swap | None:
    """Return the pair of masses whose exchange best brings the misfit below the alarm; None if none does."""
    if not chi2_tail(found.chi2, found.dof) < ALARM:
        return None
    masses = [k for k, m in enumerate(problem.measured) if m.what == MASS]
    best: Swap | None = None
    for i, j in combinations(masses, 2):
        measured = list(problem.measured)
        # A reading takes its doubt along.
        one, other = measured[i], measured[j]
        measured[i] = replace(one, value=other.value, sd=other.sd)
        measured[j] = replace(other, value=one.value, sd=one.sd)
        then = problem.of_measured(measured).solve()
        p = chi2_tail(then.chi2, then.dof)
        if p >= ALARM and (best is None or p > best.p):
            head, slope = problem.head(then.x)
            best = Swap(one.stream, other.stream, then.chi2, p, 1e6 * head, 1e6 * then.known.sd(slope))
    return best


@dataclass(frozen=True)
class Slip:
    """A slip of the unit that would explain a wrong weight."""

    factor: float
    meant: str
    written: str
    #: The number that stands in the sheet, in the unit ``written``.
    number: float


def slip(what: str, measured: float, should_be: float, sd: float) -> Slip | None:
    """Return the slip that best turns a mass ``measured`` into ``should_be`` ± ``sd`` (all kg), None if none does."""
    if what not in (MASS, GOLD, BEAD) or measured <= 0 or not should_be > 0 or math.isnan(sd):
        return None
    off = {f: abs(should_be - f * measured) for f in SLIPS}
    near = [f for f in SLIPS if off[f] <= max(NEAR * f * measured, SDS * sd)]
    # What is hardly known is near to anything.
    if not near or abs(should_be - measured) <= SDS * sd:
        return None
    factor = min(near, key=lambda f: abs(math.log(should_be / (f * measured))))
    meant, written = SLIPS[factor] or _thousand(measured, factor > 1)
    return Slip(factor, meant, written, measured / KILOGRAMS[written])


def _thousand(measured: float, larger: bool) -> tuple[str, str]:
    """Return (meant, written) where a weight is a thousand times too small (``larger``: it should be more)."""
    units: Sequence[str] = ("mg", "g", "kg", "t")
    at = 3 if measured >= 1e3 else 2 if measured >= 1 else 1 if measured >= 1e-3 else 0
    if larger:
        return units[min(at, 2) + 1], units[min(at, 2)]
    # Nothing is weighed in less than mg.
    return units[max(at, 1) - 1], units[max(at, 1)]
