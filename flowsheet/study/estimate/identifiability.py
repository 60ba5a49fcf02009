"""What the data could not tell apart, and which weighing would tell more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import metal_streams
from flowsheet.spec.blocks.measurement import (
    ASSAY_SHARE,
    GRADE,
    GRAINS,
    MASS,
    MASS_SHARE,
    PASSING,
    PASSING_POINTS,
    Measurement,
)
from flowsheet.study.estimate import predicted_weights
from flowsheet.study.estimate.bounded_lsq import STEP, derivatives
from flowsheet.study.estimate.evidence import Evidence
from flowsheet.study.estimate.laplace_posterior import LaplacePosterior

FELT = 1 / 9
"""Information (of 1 for the prior) that the data must hold of a number if all others were known: enough to take away a
tenth of its prior variance."""
FLAT = 0.9
"""Share of the prior variance that a direction must have kept to count as untold."""
TAKES_PART = 0.3
"""Least share (a component of the unit vector) with which a number takes part in a direction."""
TIED = 0.95
"""Correlation above which two numbers cannot be told apart."""
LEFT = 0.25
"""Share of the prior variance that counts as much doubt left, where two numbers are tied."""
WORTH = 0.25
"""Share of the remaining variance that a further weighing must take away to be worth telling."""
AS_GOOD = 0.8
"""A simpler weighing is told in place of the best if it takes away this much of what the best does."""
COUNTABLE = (3.0, 500.0)
"""Grains that one would care to count."""
LEAST_COUNTED = 1e-4
"""Smallest grains (m) that can be picked out and counted: typical, set your own."""
SIMPLE_FIRST = (GRADE, MASS, PASSING, GRAINS)


@dataclass(frozen=True)
class Confounded:
    """Numbers of which the data tell only some of them together."""

    names: tuple[str, ...]
    #: How they go together along what stays unknown: the same sign, up and down together.
    signs: tuple[int, ...]
    #: Of two numbers; of more, the largest among them.
    correlation: float
    #: Whether much of their doubt is left; else both are known well, though only together.
    open: bool


@dataclass(frozen=True)
class Weighing:
    """A weighing that would tell of some numbers: how, and what share of the remaining variance it takes (None: no
    single one would)."""

    names: tuple[str, ...]
    stream: str = ""
    what: str = ""
    size: float | None = None
    takes: float | None = None


def tangles(evidence: Evidence, posterior: LaplacePosterior, data: Array) -> tuple[Confounded, ...]:
    """Return the directions that stayed as wide as before though each of their numbers is felt, and tied pairs.

    ``data``: derivatives of the data's residuals (K, n).
    """
    scale = evidence.prior_sd
    felt = np.flatnonzero(((data * scale) ** 2).sum(axis=0) >= FELT)
    if len(felt) < 2:
        return ()
    scaled = (posterior.covariance / np.outer(scale, scale))[np.ix_(felt, felt)]
    names = [evidence.unknowns[i].label for i in felt]
    sd = np.sqrt(np.diag(scaled))
    correlation = scaled / np.outer(sd, sd)
    found: list[Confounded] = []
    values, vectors = np.linalg.eigh(scaled)
    for value, vector in zip(values[::-1], vectors.T[::-1], strict=True):
        part = np.flatnonzero(np.abs(vector) >= TAKES_PART)
        if value < FLAT or len(part) < 2:
            continue
        inner = correlation[np.ix_(part, part)] - np.eye(len(part))
        if np.abs(inner).max() < 0.5:  # each is untold for itself
            continue
        found.append(_tangle([names[i] for i in part], vector[part], float(np.abs(inner).max()), True))
    for i in range(len(felt)):
        for j in range(i):
            r = float(correlation[i, j])
            pair = {names[i], names[j]}
            if abs(r) > TIED and not any(pair <= set(one.names) for one in found):
                left = max(scaled[i, i], scaled[j, j]) > LEFT
                found.append(_tangle([names[j], names[i]], np.array([1.0, r]), abs(r), left))
    return tuple(found)


def _tangle(names: list[str], vector: Array, correlation: float, is_open: bool) -> Confounded:
    signs = np.sign(vector) * np.sign(vector[0])
    return Confounded(tuple(names), tuple(int(s) for s in signs), correlation, bool(is_open))


def advise(evidence: Evidence, posterior: LaplacePosterior, wanted: Sequence[int]) -> tuple[Weighing, ...]:
    """Return, for each of the ``wanted`` unknowns, the weighing not yet made that would tell most of it."""
    candidates = _candidates(evidence, posterior.mode)
    if not candidates or not wanted:
        return ()
    # All of them as measurements of the first test.
    tests = (tuple(range(len(candidates))), *((),) * (len(evidence.tests) - 1))
    first = replace(evidence, measured=tuple(candidates), tests=tests)
    step = STEP * evidence.prior_sd
    values, slope = derivatives(first.predicted, posterior.mode, evidence.lower, evidence.upper, step)
    sd = np.array([_sd(m, v) for m, v in zip(candidates, values, strict=True)])
    variance = sd**2 + np.array(predicted_weights.luck_alone(first.solution(posterior.mode[None]), candidates))
    along = slope @ posterior.covariance
    takes = along**2 / (variance + (slope * along).sum(axis=1))[:, None] / posterior.sd**2
    found: dict[tuple[str, str, float | None] | None, list[tuple[str, float]]] = {}
    for i in wanted:
        name, best = evidence.unknowns[i].label, float(takes[:, i].max())
        if best < WORTH:
            found.setdefault(None, []).append((name, best))
            continue
        good = [k for k in range(len(candidates)) if takes[k, i] >= AS_GOOD * best]
        k = min(good, key=lambda k: (SIMPLE_FIRST.index(candidates[k].what), -takes[k, i]))
        m = candidates[k]
        found.setdefault((m.stream, m.what, m.size), []).append((name, float(takes[k, i])))
    return tuple(
        Weighing(tuple(name for name, _ in told), *key, takes=min(share for _, share in told))
        if key is not None
        else Weighing(tuple(name for name, _ in told))
        for key, told in found.items()
    )


def _sd(m: Measurement, value: float) -> float:
    """Return the doubt of a measurement of the kind; the luck of grains comes on top."""
    return {GRADE: ASSAY_SHARE * value, MASS: MASS_SHARE * value, PASSING: PASSING_POINTS}.get(m.what, 0.0) or 1e-12


def _candidates(evidence: Evidence, at: Array) -> list[Measurement]:
    """Return what could be weighed, assayed, sieved and counted of each stream that holds anything."""
    sheet, grid = evidence.model.sheet, evidence.model.grid
    metal = metal_streams(sheet)
    molten = {
        stream
        for step in sheet.steps.values()
        if any(step.port(outlet).metal for outlet in step.outlets)
        for stream in step.outlets.values()
    }
    done = {(m.stream, m.what, m.size) for m in evidence.measured}
    solution = evidence.solution(at[None])
    found: list[Measurement] = []
    for name in (*sheet.ores, *sheet.makers):
        material = solution.streams[name]
        fed = float(np.max(solution.fed_solids))
        if name in metal:
            found.append(Measurement(name, MASS, 0.0, 0.0, True))
        if name in metal or float(np.max(material.solids)) < 1e-4 * fed:
            continue
        found += [Measurement(name, what, 0.0, 0.0, True) for what in (GRADE, MASS)]
        for size in grid.upper[1:] if grid.sized and name not in molten else ():
            found.append(Measurement(name, PASSING, 0.0, 0.0, True, float(size)))
            if evidence.model.grains_known and size >= LEAST_COUNTED:
                count = Measurement(name, GRAINS, 0.0, 0.0, True, float(size))
                expected = float(np.max(predicted_weights.predict(solution, [count])))
                found += [count] if COUNTABLE[0] <= expected <= COUNTABLE[1] else []
    return [m for m in found if (m.stream, m.what, m.size) not in done]
