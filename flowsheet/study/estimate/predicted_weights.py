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
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, PICKED, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.streams import weight


def sieves(measured: Sequence[Measurement]) -> set[float]:
    """Return the sizes (m) that must be class limits for what was measured."""
    return {m.size for m in measured if m.size is not None}


def foretold(model: Model, m: Measurement) -> bool:
    """Return whether the sheet knows enough to say what a measurement should be."""
    if m.what == MASS and m.stream in fired_streams(model.sheet):
        return False  # Flux and cupel weigh more than the rock that went in.
    if m.what == PICKED:
        return False  # Whoever picks decides.
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


def estimated(solution: Solution, m: Measurement, gold: Array, rock: Array, ratio: float) -> Array | None:
    """Return what draws of a test make of a measurement, (D,); None where the sheet knows too little for that.

    ``gold`` and ``rock`` (kg, (D,)): what the stream held in that test (of picked metal, that itself), which was fed
    ``ratio`` times what the sheet says; ``solution`` is of the same draws.
    """
    if m.what == PICKED:
        return np.asarray(gold * solution.metal(m.stream) / np.maximum(solution.streams[m.stream].gold, 1e-300))
    if not foretold(solution.model, m):
        return None
    if m.what in (PASSING, GRAINS):
        return np.asarray(predict(solution, [m])[..., 0] * (ratio if m.what == GRAINS else 1.0))
    if m.what == GOLD:
        return gold
    fine = np.maximum(np.broadcast_to(solution.streams[m.stream].gold, gold.shape), 1e-300)
    metal = gold * solution.metal(m.stream) / fine
    if m.what == BEAD or m.stream in metal_streams(solution.model.sheet):
        return np.asarray(metal)
    weighed = [w.value for w in solution.model.sheet.weighed if (w.test, w.stream, w.what) == (m.test, m.stream, MASS)]
    if m.what == GRADE:
        return np.asarray(gold / (weighed[0] if weighed else np.maximum(rock, 1e-300)))
    return np.asarray(rock + np.where(gold > RICH * rock, metal, 0.0))


def _fired_masses(sheet: Sheet) -> dict[tuple[str, str], float]:
    """Return what was weighed (kg) of each stream that leaves fire beside the metal, by test and stream."""
    glass = fired_streams(sheet)
    return {(m.test, m.stream): m.value for m in sheet.weighed if m.what == MASS and m.stream in glass}


def _one(solution: Solution, m: Measurement, metal: set[str], glass: Mapping[tuple[str, str], float]) -> Array:
    material = solution.streams[m.stream]
    if m.what == GOLD:
        return material.gold
    if m.what in (BEAD, PICKED):
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
