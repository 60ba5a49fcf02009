"""Weighted least squares under a balance, with nothing below zero: the arithmetic of reconciliation.

Gauss-Newton on the null space of the balance, with an active set for values at zero. For a bilinear
measurement (a grade is gold over mass) each turn is one successive linearisation. Source: S. Narasimhan &
C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapters 3 to 5 and 7.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array, Mask

#: x (n,) → predicted measurements (k,) and their derivatives (k, n).
Predict: TypeAlias = Callable[[Array], tuple[Array, Array]]

MOST_TURNS = 500
MOST_HALVINGS = 40
SETTLED = 1e-13
STALLED = 1e-8
"""A step below this that no longer brings the misfit down is rounding."""
NEARLY = 1e-6
"""Where turns run out: a misfit that falls by less than this a turn is as low as any scale could tell."""
RANK = 1e-8
"""A singular value this small beside the largest is none."""
GONE = 1e-7
"""What is left of a derivative, by its share, where the balance lets nothing of it move: rounding."""
PUSH = 1e-9
"""A press against zero this small beside the largest force is none."""
UNSEEN = 1e-6
"""A value that moves by less than this of its scale along what nothing fixes is fixed."""
CHECKED = 1e-7
"""A measurement whose adjustment can vary by less than this of its sd is checked by nothing."""


@dataclass(frozen=True)
class Determined:
    """What a set of measurements fixes: the spread of the values, and which of them are determined."""

    #: (n, n); only rows and columns of determined values mean anything.
    covariance: Array
    #: (n,): whether the measurements and the balance fix the value.
    determined: Mask
    #: How many independent things the measurements tell.
    rank: int
    #: (n, f): the directions in which values (in units of ``scale``, (n,)) can still move unseen.
    unseen: Array
    scale: Array

    def fixes(self, slope: Array) -> bool:
        """Whether a combination ``slope`` (n,) of the values is determined."""
        scaled = slope * self.scale
        size = float(np.linalg.norm(scaled)) or 1.0
        return bool(np.abs(scaled @ self.unseen).max(initial=0.0) < UNSEEN * size)

    def sd(self, slope: Array) -> float:
        """Return the standard deviation of a combination ``slope`` (n,); NaN where it is not determined."""
        return math.sqrt(max(float(slope @ self.covariance @ slope), 0.0)) if self.fixes(slope) else math.nan


@dataclass(frozen=True)
class Adjusted:
    """The adjusted values, how well each is known, and what became of each measurement."""

    #: (n,)
    x: Array
    known: Determined
    #: (k,): measured less adjusted.
    adjustment: Array
    #: (k,): the adjustment over its own standard deviation; NaN where nothing checks the measurement.
    standardised: Array
    chi2: float
    dof: int
    #: Whether the turns came to an end.
    settled: bool
    #: (n,): values that the measurements press against zero (or their floor).
    held: Mask
    #: (n, m) directions that the balance leaves open, and (k, n) derivatives in units of sd; both scaled.
    ways: Array
    slope: Array
    scale: Array

    def knowing(self, slope: Array, sd: float) -> Determined:
        """Return what would be fixed by one more measurement of derivative ``slope`` (n,) that says the same."""
        more = slope * self.scale / sd
        return _known(self.ways, np.concatenate([self.slope, more[None]]), self.scale)


def adjust(
    balance: Array,
    total: Array,
    predict: Predict,
    measured: Array,
    sd: Array,
    start: Array,
    scale: Array,
    floor: Array | float = 0.0,
) -> Adjusted:
    """Find x >= ``floor`` with ``balance`` @ x = ``total`` that comes nearest to ``measured`` (k,), in units of ``sd``.

    ``balance`` (c, n), ``start`` and ``scale`` (n,): typical sizes of x, so that kg of rock and mg of gold
    are told apart from rounding. ``floor`` (n,) is nothing, or next to it where a ratio to x was measured.
    Values that nothing fixes stay as near to ``start`` as they can.
    """
    rows, least = balance * scale, floor / scale
    total = total - rows @ least
    first = np.maximum(start / scale - least, 0.0)
    # First the nearest point that balances: from there on, every turn has only the misfit to bring down.
    one = np.eye(len(first))
    x, _, _ = _turns(rows, total, lambda x: (first - x, one), first)

    def whitened(x: Array) -> tuple[Array, Array]:
        values, slope = predict((x + least) * scale)
        return (measured - values) / sd, slope * scale / sd[:, None]

    x, at_zero, settled = _turns(rows, total, whitened, x)
    misfit, slope = whitened(x)
    ways = null_space(_with_zeros(rows, at_zero))
    ways[sorted(at_zero)] = 0.0  # but for rounding, they are
    known = _known(ways, slope, scale)
    # The part of the measurements that no x can follow: its axes (k, dof) tell what checks each of them.
    checks = np.linalg.svd(slope @ ways)[0][:, known.rank :]
    room = np.linalg.norm(checks, axis=1)
    checked = room > CHECKED
    return Adjusted(
        x=(x + least) * scale,
        known=known,
        adjustment=misfit * sd,
        standardised=np.where(checked, checks @ (checks.T @ misfit) / np.where(checked, room, 1.0), np.nan),
        chi2=float((misfit**2).sum()),
        dof=len(measured) - known.rank,
        settled=settled,
        held=np.isin(np.arange(len(x)), list(at_zero)),
        ways=ways,
        slope=slope,
        scale=scale,
    )


def null_space(rows: Array) -> Array:
    """Return an orthonormal basis (n, m) of what ``rows`` (c, n) send to zero."""
    return _row_spaces(rows, np.linalg.norm(rows, axis=1))[1]


def _seen(slope: Array, ways: Array) -> tuple[Array, Array]:
    """Return bases, along ``ways`` (n, m), of what derivatives ``slope`` (k, n) see and of what they do not."""
    return _row_spaces(slope @ ways, np.linalg.norm(slope, axis=1))


def _row_spaces(rows: Array, size: Array) -> tuple[Array, Array]:
    """Return orthonormal bases of what ``rows`` (c, n) see (n, r) and of what they do not (n, n - r).

    Rows are brought to one length first: what is seen does not depend on how sharply. A row is nothing
    where it is so beside its ``size`` (c,), since the rest of it is rounding.
    """
    length = np.linalg.norm(rows, axis=1)
    rows = rows[length > GONE * size] / length[length > GONE * size, None]
    if len(rows) == 0:
        return np.zeros((rows.shape[1], 0)), np.eye(rows.shape[1])
    _, values, right = np.linalg.svd(rows)
    rank = int(np.count_nonzero(values > RANK * float(values.max(initial=0.0))))
    return np.asarray(right[:rank].T), np.asarray(right[rank:].T)


def _turns(
    rows: Array, total: Array, misfit_at: Callable[[Array], tuple[Array, Array]], x: Array
) -> tuple[Array, set[int], bool]:
    """Return the x >= 0 that balances with the least misfit, the values held at zero, and whether it is the end.

    ``misfit_at`` (n,) → misfits (k,) and the derivatives (k, n) of what is predicted.
    """
    at_zero: set[int] = set()
    misfit, slope = misfit_at(x)
    gained = 0.0
    for _ in range(MOST_TURNS):
        held = _with_zeros(rows, at_zero)
        goal = np.concatenate([total, np.zeros(len(at_zero))])
        step = _step(held, goal - held @ x, slope, misfit)
        length, blocking = _to_the_wall(x, step, at_zero)
        before, size = float(misfit @ misfit), float(np.abs(step).max(initial=0.0))
        for _ in range(MOST_HALVINGS):
            tried = np.maximum(x + length * step, 0.0)
            misfit, slope = misfit_at(tried)
            gained = before - float(misfit @ misfit)
            if gained >= -1e-12 * before - 1e-24 or size < STALLED or np.abs(held @ x - goal).max(initial=0.0) > RANK:
                break
            length, blocking = length / 2, None
        x = tried
        x[sorted(at_zero)] = 0.0
        if blocking is not None:
            x[blocking] = 0.0
            at_zero.add(blocking)
            misfit, slope = misfit_at(x)
            continue
        reach = max(1.0, float(np.abs(x).max(initial=0.0)))
        if size <= SETTLED * reach or (size <= STALLED * reach and gained <= 1e-13 * before):
            force = slope.T @ misfit
            push = np.linalg.lstsq(held.T, -force, rcond=RANK)[0][len(rows) :] if at_zero else np.zeros(0)
            least = PUSH * (1e-3 + float(np.abs(force).max(initial=0.0)))
            if push.min(initial=0.0) >= -least:
                # What only happens to be zero, and is not held there by a measurement, stays free to be unknown.
                return x, {i for i, p in zip(sorted(at_zero), push, strict=True) if p > least}, True
            at_zero.discard(sorted(at_zero)[int(np.argmin(push))])
    return x, at_zero, gained <= NEARLY


def _with_zeros(rows: Array, at_zero: set[int]) -> Array:
    return np.concatenate([rows, np.eye(rows.shape[1])[sorted(at_zero)]])


def _step(held: Array, gap: Array, slope: Array, misfit: Array) -> Array:
    """Return the step that closes the balance and then comes nearest; unfixed directions do not move."""
    close = np.linalg.lstsq(held, gap, rcond=RANK)[0] if len(held) else np.zeros(slope.shape[1])
    ways = null_space(held)
    seen, _ = _seen(slope, ways)
    along = np.linalg.lstsq(slope @ ways @ seen, misfit - slope @ close, rcond=None)[0]
    return np.asarray(close + ways @ (seen @ along))


def _to_the_wall(x: Array, step: Array, at_zero: set[int]) -> tuple[float, int | None]:
    """Return how much of the step can be gone before a value falls below zero, and which one stops it."""
    inward = np.flatnonzero((x + step < -1e-15) & ~np.isin(np.arange(len(x)), list(at_zero)))
    if len(inward) == 0:
        return 1.0, None
    room = x[inward] / -step[inward]
    first = int(np.argmin(room))
    return float(max(room[first], 0.0)), int(inward[first])


def _known(ways: Array, slope: Array, scale: Array) -> Determined:
    """Return what derivatives ``slope`` (k, n), in units of sd and scaled, fix along ``ways`` (n, m)."""
    seen, unseen = _seen(slope, ways)
    _, values, right = np.linalg.svd(slope @ ways @ seen, full_matrices=False)
    spread = ways @ seen @ (right.T / values)
    free = ways @ unseen
    return Determined(
        covariance=(spread @ spread.T) * np.outer(scale, scale),
        determined=np.abs(free).max(axis=1, initial=0.0) < UNSEEN,
        rank=seen.shape[1],
        unseen=free,
        scale=scale,
    )
