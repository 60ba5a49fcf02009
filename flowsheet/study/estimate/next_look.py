"""What the weights could not tell apart, and which weighing would tell more: both by the draws of the one estimate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import metal_streams
from flowsheet.solve.propagate import Solution
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
from flowsheet.study.estimate.predicted_weights import luck_alone, predict

TIED = 0.8
"""Correlation above which two numbers are told together."""
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
    """Two numbers that the weights tell only together: their correlation is positive where both go up together."""

    names: tuple[str, str]
    correlation: float


@dataclass(frozen=True)
class Weighing:
    """A weighing that would tell of some numbers: how, and what share of the remaining variance it takes (None: no
    single one would)."""

    names: tuple[str, ...]
    stream: str = ""
    what: str = ""
    size: float | None = None
    takes: float | None = None


def tied(values: Mapping[str, Array]) -> tuple[Confounded, ...]:
    """Return the pairs of numbers, by name (D,), that go together more than TIED, the closest first."""
    names = [name for name, one in values.items() if np.ptp(one) > 0]
    if len(names) < 2:
        return ()
    ties = np.corrcoef([values[name] for name in names])
    pairs = [(names[k], names[i], float(ties[i, k])) for i in range(len(names)) for k in range(i)]
    close = sorted((p for p in pairs if abs(p[2]) > TIED), key=lambda p: -abs(p[2]))
    return tuple(Confounded((one, other), r) for one, other, r in close)


def advise(solution: Solution, wanted: Mapping[str, Array], measured: Sequence[Measurement]) -> tuple[Weighing, ...]:
    """Return, for each of the ``wanted`` numbers (D,), the weighing not yet made that would tell most of it.

    ``solution`` is of the same D draws. What a weighing y with an error of variance s² takes of the variance of x is
    cov(x, y)² / (var x (var y + s²)), as in a linear regression.
    """
    candidates = _candidates(solution, measured)
    if not candidates or not wanted:
        return ()
    told = predict(solution, candidates)
    sd = np.array([_sd(m, v) for m, v in zip(candidates, told.mean(axis=0), strict=True)])
    noise = sd**2 + np.array(luck_alone(solution, candidates))
    off = told - told.mean(axis=0)
    room = off.var(axis=0) + noise
    found: dict[tuple[str, str, float | None] | None, list[tuple[str, float]]] = {}
    for name, x in wanted.items():
        takes = (off * (x - x.mean())[:, None]).mean(axis=0) ** 2 / (max(x.var(), 1e-300) * room)
        best = float(takes.max())
        if best < WORTH:
            found.setdefault(None, []).append((name, best))
            continue
        good = [k for k in range(len(candidates)) if takes[k] >= AS_GOOD * best]
        k = min(good, key=lambda k: (SIMPLE_FIRST.index(candidates[k].what), -takes[k]))
        m = candidates[k]
        found.setdefault((m.stream, m.what, m.size), []).append((name, float(takes[k])))
    return tuple(
        Weighing(tuple(name for name, _ in told), *key, takes=min(share for _, share in told))
        if key is not None
        else Weighing(tuple(name for name, _ in told))
        for key, told in found.items()
    )


def _sd(m: Measurement, value: float) -> float:
    """Return the doubt of a measurement of the kind; the luck of grains comes on top."""
    return {GRADE: ASSAY_SHARE * value, MASS: MASS_SHARE * value, PASSING: PASSING_POINTS}.get(m.what, 0.0) or 1e-12


def _candidates(solution: Solution, measured: Sequence[Measurement]) -> list[Measurement]:
    """Return what could be weighed, assayed, sieved and counted of each stream that holds anything."""
    model = solution.model
    sheet, grid, metal = model.sheet, model.grid, metal_streams(model.sheet)
    molten = {
        stream
        for step in sheet.steps.values()
        if any(step.port(outlet).metal for outlet in step.outlets)
        for stream in step.outlets.values()
    }
    done = {(m.stream, m.what, m.size) for m in measured}
    fed = float(np.max(solution.fed_solids))
    found: list[Measurement] = []
    for name in (*sheet.ores, *sheet.makers):
        if name in metal:
            found.append(Measurement(name, MASS, 0.0, 0.0, True))
        if name in metal or float(np.max(solution.streams[name].solids)) < 1e-4 * fed:
            continue
        found += [Measurement(name, what, 0.0, 0.0, True) for what in (GRADE, MASS)]
        for size in grid.upper[1:] if grid.sized and name not in molten else ():
            found.append(Measurement(name, PASSING, 0.0, 0.0, True, float(size)))
            if model.grains_known and size >= LEAST_COUNTED:
                count = Measurement(name, GRAINS, 0.0, 0.0, True, float(size))
                expected = float(np.mean(predict(solution, [count])))
                found += [count] if COUNTABLE[0] <= expected <= COUNTABLE[1] else []
    return [m for m in found if (m.stream, m.what, m.size) not in done]
