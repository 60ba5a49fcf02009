"""What the model says that each measurement should be, and how far the luck of grains may throw it off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array, Mask
from flowsheet.ore.feed import RICH
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.streams import weight


def sieves(measured: Sequence[Measurement]) -> set[float]:
    """Return the sizes (m) that must be class limits for what was measured."""
    return {m.size for m in measured if m.size is not None}


def foretold(model: Model, m: Measurement) -> bool:
    """Return whether the sheet knows enough to say what a measurement should be."""
    if m.what == MASS and m.stream in fired_streams(model.sheet):
        return False  # Flux and cupel weigh more than the rock that went in.
    return {PASSING: model.grid.sized, GRAINS: model.grains_known}.get(m.what, True)


def foretold_of(solution: Solution, measured: Sequence[Measurement]) -> list[tuple[Measurement, float]]:
    """Return (measurement, what a plain solve foretells of it in SI) for each of which the sheet knows enough."""
    told = predict(solution, measured)
    return [(m, float(one)) for m, one in zip(measured, told, strict=True) if foretold(solution.model, m)]


def predict(solution: Solution, measured: Sequence[Measurement]) -> Array:
    """Return the measurements as the model has them, in SI, shape (..., K) with the solution's draws in front."""
    metal, glass = metal_streams(solution.model.sheet), _fired_masses(solution.model.sheet)
    values = [_one(solution, m, metal, glass) for m in measured]
    draws = solution.inputs.draws
    if draws is not None:
        values = [np.broadcast_to(value, (draws,)) for value in values]
    return np.stack(values, axis=-1)


def _fired_masses(sheet: Sheet) -> dict[tuple[str, str], float]:
    """Return what was weighed (kg) of each stream that leaves fire beside the metal, by test and stream."""
    glass = fired_streams(sheet)
    return {(m.test, m.stream): m.value for m in sheet.weighed if m.what == MASS and m.stream in glass}


def _one(solution: Solution, m: Measurement, metal: set[str], glass: Mapping[tuple[str, str], float]) -> Array:
    material = solution.streams[m.stream]
    if m.what == GOLD:
        return material.gold
    if m.what == BEAD:
        return solution.metal(m.stream)
    if m.what == GRADE:
        fired = glass.get((m.test, m.stream))
        return material.gold / np.maximum(_mass(solution, m.stream, metal) if fired is None else fired, 1e-300)
    if m.what == PASSING:
        rock = material.rock_by_size
        through = rock[..., solution.model.grid.coarser(m.size or 0.0) :].sum(axis=-1)
        return np.asarray(through / np.maximum(rock.sum(axis=-1), 1e-300))
    if m.what == GRAINS:
        each = grains.grain_mass(solution.model.grid.size, solution.inputs.site.fineness)
        counted = (material.gold_by_grain / each)[..., : _coarse(solution.model, m)]
        return np.asarray(counted.sum(axis=-1))
    return _mass(solution, m.stream, metal)


def _mass(solution: Solution, stream: str, metal: set[str]) -> Array:
    """Return what a scale shows, (...): rock, and the metal's own mass where that counts."""
    return weight(solution, stream, metal)


def _metal_counts(solution: Solution, stream: str, metal: set[str]) -> Mask:
    material = solution.streams[stream]
    rich = (material.gold > RICH * material.solids) & (stream not in solution.model.sheet.ores)
    return np.asarray(rich | (stream in metal) | solution.model.metal_counts)


def _coarse(model: Model, m: Measurement) -> int:
    """Return how many classes, coarsest first, a count of grains holds: those of at least its size."""
    return len(model.grid) if m.size is None else model.grid.coarser(m.size)


def luck(solution: Solution, measured: Sequence[Measurement], tests: Sequence[Sequence[int]]) -> Array:
    """Return the covariance (K, K) that the luck of grains gives the measurements.

    ``solution`` has one draw for each test; ``tests`` holds, for each, which measurements are its own. In stream a
    the grains of class j are a Poisson number g_aj/m_j, whose gold has variance m_j g_aj; of the grains in b, which
    lies downstream of a, all that a held count in both: covariance Σ_j m_j min(g_aj, g_bj). Streams of which neither
    lies downstream of the other, and other tests, have nothing in common. A count of grains has the weight 1/m_j
    in place of 1, so that its variance is the number expected. Grains that lie together (``cluster`` of a sort)
    come together: the variance is that many times larger, which is an upper bound where they were parted.
    """
    model = solution.model
    found = np.zeros((len(measured), len(measured)))
    if not model.grains_known:
        return found
    related = downstream(model.sheet)
    metal = metal_streams(model.sheet)
    fineness = np.asarray(solution.inputs.site.fineness)
    for t, mine in enumerate(tests):
        each = grains.grain_mass(model.grid.size, fineness if fineness.ndim == 0 else fineness[t])
        gold = {name: _draw(material.gold_by_grain, t, 1) for name, material in solution.streams.items()}
        weights = {k: _weights(solution, measured[k], metal, each, t) for k in mine}
        for k in mine:
            for other in mine:
                a, b = measured[k].stream, measured[other].stream
                if b in related[a] or a in related[b]:
                    shared = each * np.minimum(gold[a], gold[b])
                    found[k, other] = float((shared * weights[k] * weights[other]).sum())
    clusters = [float(np.max(getattr(at, "cluster", 1.0))) for at in solution.inputs.values.values()]
    # Where streams meet and part again the smaller of two amounts is more than they share, and might ask too much.
    # Grains squared and kilograms squared lie far apart, so correlations are mended, not covariances.
    sd = np.sqrt(np.diag(found))
    scale = np.where(sd > 0, sd, 1.0)
    values, vectors = np.linalg.eigh(found / np.outer(scale, scale))
    mended = found if values.min() >= 0 else (vectors * np.maximum(values, 0.0)) @ vectors.T * np.outer(sd, sd)
    return np.asarray(max([1.0, *clusters]) * mended)


def _weights(solution: Solution, m: Measurement, metal: set[str], each: Array, t: int) -> Array:
    """Return how much the measurement changes with the gold in each grain class, (S,)."""
    one, none = np.ones_like(each), np.zeros_like(each)
    material = solution.streams[m.stream]
    if m.what == GOLD:
        return one
    if m.what == GRADE:
        fired = _fired_masses(solution.model.sheet).get((m.test, m.stream))
        return one / max(float(_draw(_mass(solution, m.stream, metal), t, 0)) if fired is None else fired, 1e-300)
    if m.what == GRAINS:
        return np.asarray(np.where(np.arange(len(each)) < _coarse(solution.model, m), 1 / each, 0.0))
    if m.what == BEAD or (m.what == MASS and bool(_draw(_metal_counts(solution, m.stream, metal), t, 0))):
        return one * float(_draw(solution.metal(m.stream), t, 0)) / max(float(_draw(material.gold, t, 0)), 1e-300)
    return none


def _draw(array: Any, t: int, axes: int) -> Any:
    return array[t] if array.ndim > axes else array


def downstream(sheet: Sheet) -> dict[str, set[str]]:
    """Return each stream → itself and all that lies downstream of it."""
    takers = sheet.takers
    found: dict[str, set[str]] = {}
    for name in (*sheet.ores, *sheet.makers):
        reached, waiting = {name}, [name]
        while waiting:
            taker = takers.get(waiting.pop())
            new = set(sheet.steps[taker].outlets.values()) - reached if taker is not None else set()
            reached |= new
            waiting += new
        found[name] = reached
    return found


def luck_alone(solution: Solution, measured: Sequence[Measurement]) -> list[float]:
    """Return the variance that the luck of grains gives each measurement of the first draw."""
    model = solution.model
    if not model.grains_known:
        return [0.0] * len(measured)
    metal = metal_streams(model.sheet)
    each = grains.grain_mass(model.grid.size, _draw(np.asarray(solution.inputs.site.fineness), 0, 0))
    found = []
    for m in measured:
        gold = _draw(solution.streams[m.stream].gold_by_grain, 0, 1)
        found.append(float((each * gold * _weights(solution, m, metal, each, 0) ** 2).sum()))
    return found
