"""What do the weights teach of this ore and these steps? The numbers given with doubt, fitted to all that was weighed.

Maximum a posteriori: a number with ± is a normal prior within its bounds, an even spread is as likely anywhere
between its ends, and what was weighed has its own doubt and the luck of grains. That covariance is taken at the
estimate and taken anew until the two agree: for counts, and for gold in grains, the estimate is then that of
quasi-likelihood, which for a Poisson count is its maximum likelihood. Source: R. W. M. Wedderburn, Biometrika 61
(1974), 439.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.solve.model import rebuild
from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.yaml.marked_document import parse
from flowsheet.study.balance.result import UNITS
from flowsheet.study.balance.suspect_or_swapped_weights import chi2_tail
from flowsheet.study.common.frames import Row, Tabled, Tables, row
from flowsheet.study.common.units_out import TOLD, Names, millimetres
from flowsheet.study.estimate.bounded_lsq import LeastSquares, least_squares
from flowsheet.study.estimate.evidence import Evidence, Unknown, refuse_jumps, refuse_nothing
from flowsheet.study.estimate.fitted_sheet import checked_text, source_text
from flowsheet.study.estimate.identifiability import Confounded, Weighing, advise, tangles
from flowsheet.study.estimate.laplace_posterior import LaplacePosterior, Profile

MOST_ROUNDS = 30
AGREED = 1e-6
"""The covariance is settled when the estimate moves by less than this, in prior standard deviations."""
TRIES = 32
"""Draws of the prior among which a better start is looked for, where the first ends at a bound or fits badly."""
WINS = 1e-3
"""Deviance by which another start must be better."""
KEPT_EVEN = 1e-4
"""A pull, in units of its spread, that keeps an even prior which no weight speaks of in its middle."""
INFORMED = 0.1
"""Share of the prior's variance that the data must take away before a number counts as informed."""
ALARM = 0.05
"""A misfit rarer than this is told."""
CHECKS = 1e-6
"""Share of a measurement's own weight that the others must add for them to check it."""
FELT = 1e-9
"""Change (in standard deviations of the measurements) below which a number moves nothing."""


@dataclass(frozen=True)
class Parameter:
    """A number before and after, in SI."""

    unknown: Unknown
    value: float
    sd: float
    #: Ends of the interval that holds it with 90 %.
    low: float
    high: float
    #: Share of the prior's variance that the data took away (negative: none, and more was found).
    told: float
    #: "lower", "upper", or "" where it lies on no bound.
    bound: str
    #: What was measured moves with it only in jumps, so that it was not fitted.
    jumps: bool = False

    @property
    def name(self) -> str:
        """Return its name."""
        return self.unknown.name

    @property
    def informed(self) -> bool:
        """Whether the data told anything of it."""
        return self.told >= INFORMED

    def row(self) -> Row:
        """Return it as a row of a table, in the unit that its sheet has it in."""
        unit, one = self.unknown.number.unit
        names: Names = {name: (name, lambda value: value / one) for name in ("value", "sd", "low", "high")}
        return {"name": self.unknown.label, "unit": unit, **row(self, names, deep=False)}


@dataclass(frozen=True)
class Checked:
    """A measurement, what the fitted sheet makes of it, and how far off that is."""

    measurement: Measurement
    fitted: float
    #: Its own doubt, and what the luck of grains adds to it.
    sd: float
    luck_sd: float
    #: Measured less fitted, over both doubts together.
    normalised: float
    #: How far all misfit points at this measurement, in standard deviations; NaN where nothing checks it.
    suspicion: float
    #: What all other measurements would have made of it; NaN where they tell nothing.
    without: float

    def row(self) -> Row:
        """Return it as a row of a table, in the unit of what was measured."""
        m, unit = self.measurement, UNITS.get(self.measurement.what, "")
        names: Names = {name: (name, TOLD[unit]) for name in ("value", "sd", "fitted", "luck_sd", "without")}
        names = {**names, "size": ("size_mm", millimetres), "assay_mass": ("assay_mass_kg", float)}
        named = {"stream": m.stream, "what": m.what, "unit": unit}
        return named | row(m, names, deep=False) | row(self, names, deep=False)


@dataclass(frozen=True, eq=False, repr=False)
class Fitted(Tabled):
    """All that a fit found.

    >>> import flowsheet as fs
    >>> fs.fit("sack3.yaml")
    <Fitted 'Quillfeather dump, sack 3': the weights tell of 3 of 4 numbers, chance of the misfit 0.649>
    """

    sheet: Sheet
    evidence: Evidence
    parameters: tuple[Parameter, ...]
    checked: tuple[Checked, ...]
    #: Misfit of data and priors together.
    chi2: float
    dof: int
    p: float
    posterior: LaplacePosterior
    covariance: Array
    tangles: tuple[Confounded, ...] = ()
    advice: tuple[Weighing, ...] = ()
    settled: bool = True
    #: Interval of each number with all others fitted again, by name; None where that was not asked for.
    profiles: Mapping[str, Profile] | None = None

    def _tables(self) -> Tables:
        return {
            "numbers": lambda: (one.row() for one in self.parameters),
            "weights": lambda: (one.row() for one in self.checked),
        }

    def _headline(self) -> tuple[str, str]:
        informed = sum(one.informed for one in self.own)
        told = f"the weights tell of {informed} of {len(self.own)} numbers, chance of the misfit {brief(self.p)}"
        return f"Fitted '{self.sheet.title}'", told

    @property
    def own(self) -> tuple[Parameter, ...]:
        """Return the parameters that stand in the sheet (not the feed masses of single tests)."""
        return tuple(p for p in self.parameters if p.unknown.test is None)

    @cached_property
    def text(self) -> str:
        """The sheet's own text with each fitted number in the place of the old one. Raises SheetError."""
        document, source = source_text(self.sheet)
        numbers = {one.name: (one.value, one.sd) for one in self.own if not one.jumps}
        return checked_text(document, source, self.sheet, numbers)

    @cached_property
    def fitted_sheet(self) -> Sheet:
        """The sheet with the fitted numbers, for ``run`` and ``trial``; fitted again, its weights would count twice.

        Raises SheetError where fitted numbers contradict each other.
        """
        return rebuild(parse(self.text, self.sheet.file))


def fit(
    sheet: Sheet,
    measured: Sequence[Measurement],
    seed: int = 1,
    openings: Sequence[float] = (),
    look_further: bool = True,
) -> Fitted:
    """Fit a sheet to what was measured. Raises SheetError where there is nothing to fit, or nothing to fit it to.

    ``openings`` (m): sizes that the grid must hold besides (trials'). ``look_further`` also finds what would tell of
    the numbers that the weights did not tell of.
    """
    evidence = Evidence.of(sheet, measured, openings)
    refuse_nothing(sheet, evidence)
    evidence = evidence.without_jumps()
    refuse_jumps(sheet, evidence)
    found, covariance, settled = _rounds(evidence, evidence.prior)
    if found.held.any() or not settled or chi2_tail(found.sum_of_squares, len(evidence.measured)) < ALARM:
        other = _rounds(evidence, _better_start(evidence, covariance, seed))
        # What no weight speaks of stays where it was: another start must win something that counts.
        if _deviance(*other[:2]) < _deviance(found, covariance) - WINS:
            found, covariance, settled = other
    return _summary(evidence, found, covariance, settled, seed, look_further)


def residuals_of(evidence: Evidence, covariance: Array, sets: Array) -> Array:
    """Return data and priors as residuals of unit variance, (P, K + n), for parameter ``sets`` (P, n)."""
    misfit = evidence.predicted(sets) - evidence.values
    data = np.linalg.solve(np.linalg.cholesky(covariance), misfit.T).T
    pull = np.where(evidence.even, KEPT_EVEN, 1.0)
    return np.concatenate([data, pull * (sets - evidence.prior) / evidence.prior_sd], axis=1)


def _prior_draws(evidence: Evidence, seed: int) -> Array:
    rng = np.random.default_rng(seed)
    normal = evidence.prior + evidence.prior_sd * rng.standard_normal((TRIES, len(evidence.prior)))
    spread = np.where(np.isfinite(evidence.upper - evidence.lower), evidence.upper - evidence.lower, 0.0)
    even = evidence.lower + spread * rng.uniform(size=normal.shape)
    return np.asarray(np.clip(np.where(evidence.even, even, normal), evidence.lower, evidence.upper))


def _better_start(evidence: Evidence, covariance: Array, seed: int) -> Array:
    """Return the draw of the prior that fits best: another start, in case the first found a corner."""
    sets = _prior_draws(evidence, seed)
    return np.asarray(sets[int(np.argmin((residuals_of(evidence, covariance, sets) ** 2).sum(axis=1)))])


def _deviance(found: LeastSquares, covariance: Array) -> float:
    """Return twice the negative logarithm of the posterior's density, up to a constant, with the covariance at hand."""
    return found.sum_of_squares + float(np.linalg.slogdet(covariance)[1])


def _rounds(evidence: Evidence, start: Array) -> tuple[LeastSquares, Array, bool]:
    """Fit with the covariance held, take it anew at the estimate, and so on until they agree."""
    x = start
    covariance = evidence.covariance(x)
    for turn in range(MOST_ROUNDS):
        found = minimise(evidence, covariance, x, near=turn > 0)
        moved = np.max(np.abs(found.x - x) / evidence.prior_sd)
        x, covariance = found.x, evidence.covariance(found.x)
        if moved < AGREED:
            return found, covariance, found.settled
    return found, covariance, False


def minimise(evidence: Evidence, covariance: Array, start: Array, near: bool = False) -> LeastSquares:
    """Find the parameters with the least sum of squares, the covariance held."""
    return least_squares(
        lambda sets: residuals_of(evidence, covariance, sets),
        start,
        evidence.lower,
        evidence.upper,
        evidence.prior_sd,
        near,
    )


def _summary(
    evidence: Evidence, found: LeastSquares, covariance: Array, settled: bool, seed: int, look_further: bool
) -> Fitted:
    count, prior_sd = len(evidence.measured), evidence.prior_sd
    data = found.jacobian[:count]
    pull = np.where(evidence.even, 0.0, 1 / prior_sd)
    posterior = LaplacePosterior(
        mode=found.x,
        precision=data.T @ data + np.diag(pull**2),
        lower=evidence.lower,
        upper=evidence.upper,
        scale=prior_sd,
        seed=seed,
        slope=np.where(found.held != 0, found.jacobian.T @ found.residuals, 0.0),
    )
    parameters = _parameters(evidence, found, posterior, data)
    fitted, total = evidence.predicted(found.x[None])[0], np.diag(covariance)
    luck = np.sqrt(np.maximum(total - evidence.variance, 0.0))
    off = (evidence.values - fitted) / np.sqrt(total)
    suspicion, slip = _suspicion(posterior.linear(found.held == 0), data, covariance, evidence.values - fitted)
    checked = tuple(
        Checked(m, float(fitted[k]), float(np.sqrt(evidence.variance[k])), float(luck[k]), float(off[k]),
                float(suspicion[k]), m.value - float(slip[k]))
        for k, m in enumerate(evidence.measured)
    )  # fmt: skip
    chi2 = float((found.residuals[:count] ** 2).sum() + ((pull * (found.x - evidence.prior)) ** 2).sum())
    dof = count - _seen(data[:, evidence.even] * prior_sd[evidence.even])
    fitted_own = zip(parameters, evidence.unknowns, strict=False)  # those that jump come last
    untold = [i for i, (one, unknown) in enumerate(fitted_own) if not one.informed and unknown.test is None]
    return Fitted(
        sheet=evidence.model.sheet,
        evidence=evidence,
        parameters=parameters,
        checked=checked,
        chi2=chi2,
        dof=dof,
        p=chi2_tail(chi2, dof),
        posterior=posterior,
        covariance=covariance,
        tangles=tangles(evidence, posterior, data),
        advice=advise(evidence, posterior, untold) if look_further else (),
        settled=settled,
    )


def _parameters(
    evidence: Evidence, found: LeastSquares, posterior: LaplacePosterior, data: Array
) -> tuple[Parameter, ...]:
    low, high = posterior.interval()
    scaled = data * evidence.prior_sd
    before = _spread(evidence)
    told = np.where(np.abs(scaled).max(axis=0) < FELT, 0.0, 1 - (posterior.sd / before) ** 2)
    return tuple(
        Parameter(
            unknown=unknown,
            value=float(found.x[i]),
            sd=float(posterior.sd[i]),
            low=float(low[i]),
            high=float(high[i]),
            told=float(told[i]),
            bound={-1: "lower", 1: "upper"}.get(int(found.held[i]), ""),
        )
        for i, unknown in enumerate(evidence.unknowns)
    ) + tuple(_stayed(unknown) for unknown in evidence.jumping)


def _stayed(unknown: Unknown) -> Parameter:
    """Return a number that was not fitted, since what was measured moves with it only in jumps."""
    number, reach = unknown.number, 0.9 * math.sqrt(3) if unknown.even else NORMAL_95
    ends = number.value - reach * number.sd, number.value + reach * number.sd
    low, high = max(ends[0], unknown.lower), min(ends[1], unknown.upper)
    return Parameter(unknown, number.value, number.sd, low, high, 0.0, "", jumps=True)


def _suspicion(known: Array, data: Array, covariance: Array, misfit: Array) -> tuple[Array, Array]:
    """Return the most powerful test of a gross error in each measurement alone, (K,), and the error it would be.

    ``known``: covariance of the parameters, (n, n).
    Source: R. S. H. Mah & A. C. Tamhane, AIChE Journal 28 (1982).
    """
    sd = np.sqrt(np.diag(covariance))
    scaled = covariance / np.outer(sd, sd)
    inverse, slope = np.linalg.inv(scaled), np.linalg.cholesky(scaled) @ data
    pull = inverse @ (misfit / sd)
    left = np.diag(inverse - inverse @ slope @ known @ slope.T @ inverse)
    room = np.where(left / np.diag(inverse) > CHECKS, left, np.nan)
    return pull / np.sqrt(room), sd * pull / room


def _spread(evidence: Evidence) -> Array:
    """Return the standard deviations of the priors within their bounds, (n,): of normal laws cut off there."""
    from scipy.special import ndtr

    low, high = ((bound - evidence.prior) / evidence.prior_sd for bound in (evidence.lower, evidence.upper))
    low, high = np.maximum(low, -40.0), np.minimum(high, 40.0)
    at_low, at_high = (np.exp(-(end**2) / 2) / np.sqrt(2 * np.pi) for end in (low, high))
    inside = ndtr(high) - ndtr(low)
    cut = 1 + (low * at_low - high * at_high) / inside - ((at_low - at_high) / inside) ** 2
    return np.asarray(evidence.prior_sd * np.where(evidence.even, 1.0, np.sqrt(cut)))


def _seen(columns: Array) -> int:
    """Return how many directions of the even priors the data settle: each costs a degree of freedom."""
    return int(np.count_nonzero(np.linalg.svd(columns, compute_uv=False) > 1)) if columns.size else 0
