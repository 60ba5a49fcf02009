"""Which weight is wrong? The one whose adjustment stands out, a slip of its unit, or two that were exchanged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import NormalDist
from typing import Any

import numpy as np

from flowsheet.ore.arrays import bisect
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS, PASSING, PICKED, Measurement
from flowsheet.spec.text.number_with_doubt import EVEN
from flowsheet.study.balance.constrained_lsq import Adjusted
from flowsheet.study.balance.problem import Problem
from flowsheet.study.common.units_out import g_per_t, in_units

ALARM = 0.05
"""Chance of an alarm when no weight is wrong."""

FAR = 10.0
"""From so many standard deviations on, weights are left out in turn: one step no longer tells what each does."""

ODDS = 3.0
"""Measurements that explain the misfit so well that the likeliest leads by less than these odds are told with it."""

TIED = 1.05
"""Odds below which two explain it equally: no more than rounding and a bend of the balance part them."""

TENS = (0.01, 0.1, 10.0, 100.0)
"""How far the point of a number slips: by a place or two. By three it would be another unit of the same letter."""

NEAR, SDS = 0.15, 3.0
"""A slip of the unit explains a weight if it comes within this share, or so many sds, of what it should be."""

POUND, OUNCE, TROY_OUNCE = 0.45359237, 0.028349523125, 0.0311034768
"""kg. Source: NIST Special Publication 811 (2008), Appendix B."""

SAME = 1e-6
"""Units whose ratio is as near to one are one, however they are spelled."""
CONFUSED = (("mg", "g"), ("g", "kg"), ("kg", "t"), ("kg", "lb"), ("g", "oz"), ("g", "ozt"))
"""Units that are written for each other."""

KILOGRAMS = {"mg": 1e-6, "g": 1e-3, "kg": 1.0, "t": 1e3, "lb": POUND, "oz": OUNCE, "ozt": TROY_OUNCE}


def chi2_tail(value: float, dof: int) -> float:
    """Return the chance that chance alone makes the misfit as large; NaN where nothing is checked.

    Its sums are finite, so that nothing need be loaded. Source: M. Abramowitz & I. A. Stegun, Handbook of Mathematical
    Functions (1964), 26.4.4 and 26.4.5.
    """
    half = value / 2
    if dof <= 0 or math.isnan(half):
        return math.nan
    if not 0 < half < math.inf:
        return float(half <= 0)
    powers = (dof % 2 / 2 + i for i in range(dof // 2))
    terms = math.fsum(math.exp(power * math.log(half) - half - math.lgamma(power + 1)) for power in powers)
    return terms + (math.erfc(math.sqrt(half)) if dof % 2 else 0.0)


def limit(checked: int, dof: int) -> float:
    """Return how large the largest of ``checked`` standardised adjustments may be by chance.

    The normal law's point for ALARM shared among them (Šidák), but never more than the root of the global
    test's, which no adjustment can pass without it. Source: R. S. H. Mah & A. C. Tamhane, Detection of Gross
    Errors in Process Data, AIChE Journal 28 (1982); the second bound is Cauchy's inequality.
    """
    shared = NormalDist().inv_cdf(1 - (1 - (1 - ALARM) ** (1 / checked)) / 2)
    if chi2_tail(shared**2, dof) >= ALARM:
        return shared
    _, all_of_it = bisect(np.zeros(()), np.array(shared), lambda at: np.asarray(chi2_tail(float(at) ** 2, dof) < ALARM))
    return float(all_of_it)


@dataclass(frozen=True)
class Suspicion:
    """The measurement that stands out (its place), and those that explain the misfit as well."""

    at: int
    as_likely: tuple[int, ...]
    #: Those of ``as_likely`` that explain it equally well.
    ties: tuple[int, ...] = ()

    @property
    def all(self) -> tuple[int, ...]:
        """Return every measurement that may be the wrong one, the likeliest first."""
        return self.at, *self.as_likely

    def instead(self, k: int) -> Suspicion:
        """Return the suspicion with one of the as likely named first."""
        others = tuple(one for one in sorted(self.all) if one != k)
        return Suspicion(k, others, self.ties if k == self.at else tuple(sorted({self.at, *self.ties} - {k})))


def suspicion(problem: Problem, found: Adjusted) -> Suspicion | None:
    """Return the measurement that is most likely wrong, None where none stands out; no flux, which is the sheet's."""
    judged = np.array([m.stream not in problem.added for m in problem.measured])
    sizes = np.where(judged, np.nan_to_num(np.abs(found.standardised), nan=0.0), 0.0)
    checked = int(np.count_nonzero(~np.isnan(found.standardised)))
    if not checked or found.dof <= 0:
        return None
    if sizes.max() > FAR or problem.pressed(found):
        sizes = np.where(judged, _left_out_in_turn(problem, found), 0.0)
    worst = int(np.argmax(sizes))
    if sizes[worst] <= limit(checked, found.dof):
        return None
    # Odds of "this one is wrong" against "that one is": exp(half of the difference of the squares).
    same = np.flatnonzero(sizes**2 > sizes[worst] ** 2 - 2 * math.log(ODDS))
    ties = np.flatnonzero(sizes**2 > sizes[worst] ** 2 - 2 * math.log(TIED))
    return Suspicion(worst, *(tuple(int(k) for k in these if k != worst) for these in (same, ties)))


def _left_out_in_turn(problem: Problem, found: Adjusted) -> np.ndarray:
    """Return (k,): the root of what the misfit falls by without each measurement; its |standardised| if linear.

    Of sieves only the opening is tried that had to move most, in every stream: a sieve that is wrong by itself moves
    more than those that are not, so dozens need not be left out in turn.
    """
    moved = np.nan_to_num(np.abs(found.standardised), nan=-1.0)
    sieves = [k for k, m in enumerate(problem.measured) if m.what == PASSING]
    worst = problem.measured[max(sieves, key=lambda k: moved[k])].size if sieves else None
    fallen = np.zeros(len(moved))
    for k, m in enumerate(problem.measured):
        if m.what != PASSING or (m.size == worst and moved[k] >= 0):
            fallen[k] = found.chi2 - problem.without(k).solve(found.x).chi2
    return np.sqrt(np.maximum(fallen, 0.0))


@dataclass(frozen=True)
class Swap:
    """Two masses that balance if they are exchanged; the misfit, its chance and the head grade (kg/kg) then."""

    first: str
    second: str
    chi2: float
    p: float
    head: float
    head_sd: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return in_units(self, {"head": ("head_g_per_t", g_per_t), "head_sd": ("head_sd_g_per_t", g_per_t)})


def swapped(problem: Problem, found: Adjusted) -> Swap | None:
    """Return the pair of masses whose exchange best brings the misfit below the alarm; None if none does."""
    if not chi2_tail(found.chi2, found.dof) < ALARM:
        return None
    masses = [k for k, m in enumerate(problem.measured) if m.what == MASS and m.stream not in problem.added]
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
            best = Swap(one.stream, other.stream, then.chi2, p, head, then.known.sd(slope))
    return best


@dataclass(frozen=True)
class Slip:
    """A slip of the unit, or of the point, that would explain a wrong weight: ``meant`` is ``factor`` times it."""

    factor: float
    #: Of a slip of the unit both units ("kg", "lb"), of one of the point both amounts ("8.53 kg", "85.3 kg").
    meant: str
    written: str
    #: The number that is written, in its unit.
    number: float
    #: Whether the point slipped.
    point: bool = False


def slip(m: Measurement, should_be: float, sd: float) -> Slip | None:
    """Return the slip that best turns what was measured into ``should_be`` ± ``sd`` (SI), None if none does.

    A unit of mass can only have slipped from the one that the number is written in; the point of any number, by a place
    or two.
    """
    if m.what not in (MASS, GOLD, BEAD, PICKED, GRADE) or m.value <= 0 or not should_be > 0 or math.isnan(sd):
        return None
    # What is hardly known is near to anything.
    read = m.number.amount if m.number is not None and m.number.law != EVEN else None
    if abs(should_be - m.value) <= SDS * sd or read is None:
        return None
    name = _named(read.one) if m.what != GRADE else ""
    factors = {KILOGRAMS[meant] / KILOGRAMS[name]: meant for pair in CONFUSED if name in pair for meant in pair}
    tens = {ten: told for ten in TENS if (told := read.shifted(round(math.log10(ten))))}
    factors |= {ten: told for ten, told in tens.items() if ten not in factors}
    near = [f for f in factors if f != 1 and abs(should_be - f * m.value) <= max(NEAR * f * m.value, SDS * sd)]
    if not near:
        return None
    factor = min(near, key=lambda f: abs(math.log(should_be / (f * m.value))))
    point = factor in tens and factors[factor] == tens[factor]
    return Slip(factor, factors[factor], str(read) if point else name, read.number, point)


def _named(size: float) -> str:
    """Return how ``KILOGRAMS`` calls a unit of mass, whatever its spelling; "" where it does not know it."""
    return next((name for name, kg in KILOGRAMS.items() if math.isclose(kg, size, rel_tol=SAME)), "")
