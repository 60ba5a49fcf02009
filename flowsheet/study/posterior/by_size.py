"""What the tests of an estimate held by size class: draws solved again, each with the rock and gold that it held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solver
from flowsheet.study.common.streams import SizeRow
from flowsheet.study.common.uncertain_inputs import inputs_with
from flowsheet.study.posterior.estimate import Posterior, TestDraws

SOLVED = 100
"""So many draws are solved again: their mean by size has two digits, and what is told of each stream is that of all."""


def by_size(found: Posterior, tests: Sequence[TestDraws]) -> dict[str, tuple[SizeRow, ...]]:
    """Return stream → its size classes, coarsest first, kg, of all ``tests`` together: means over the draws.

    Together they are the mean rock and the mean gold of the stream, as they are told. Gold of an ore lies above each of
    its openings as the draws of the test have it; of any other stream the sheet's steps say in which sizes it lies.
    """
    model, draws = found.model, len(found.grade)
    at = np.arange(min(SOLVED, draws)) * draws // min(SOLVED, draws)
    values = {name: value[at] if value.ndim else value for name, value in found.values.items()}
    run = Solver(model, inputs_with(model, values, len(at)))
    run.through(model.stages)
    rows = {}
    for name, material in run.named.items():
        rock = [_mean(part, len(at)) for part in (material.light, material.heavy)]
        light, heavy = _scaled(rock, float(np.mean(sum(test.rock[name] for test in tests))))
        free, locked = _scaled(_even(material, at, name, tests), float(np.mean(sum(test.gold[name] for test in tests))))
        rows[name] = [light, heavy, free, locked]
    _part_by_band([rows[name] for name in model.sheet.ores], _bands(model, found.coarse), tests)
    return {name: _rows(model, *parts) for name, parts in rows.items()}


def _mean(part: Array, draws: int) -> Array:
    return np.asarray(np.broadcast_to(part, (draws, part.shape[-1])).mean(axis=0))


def _scaled(parts: Sequence[Array], whole: float) -> list[Array]:
    """Return arrays (S,) that together make ``whole``; what is nothing stays so."""
    total = float(sum(part.sum() for part in parts))
    return [part * (whole / total if total > 0 else 0.0) for part in parts]


def _even(material: Material, at: NDArray[np.intp], name: str, tests: Sequence[TestDraws]) -> list[Array]:
    """Return free and locked gold by size, (S,) each, scaled in each draw to what the tests held."""
    held = np.asarray(sum(test.gold[name][at] for test in tests))
    gold = np.broadcast_to(material.gold, held.shape)
    by = np.divide(held, gold, out=np.zeros(len(held)), where=gold > 0)[:, None]
    return [_mean(by * part, len(held)) for part in (material.free, material.locked_by_host)]


def _bands(model: Model, coarse: Mapping[float, Array]) -> list[tuple[int, int]]:
    """Return the first class of each band of the feed, and the one behind its last, coarsest first."""
    ends = [model.grid.coarser(size) for size in coarse]
    return list(zip([0, *ends], [*ends, len(model.grid)], strict=True))


def _part_by_band(ores: Sequence[list[Array]], bands: Sequence[tuple[int, int]], tests: Sequence[TestDraws]) -> None:
    """Scale the gold of the ores in each band of their sizes to what the tests held in rock of that band."""
    above = [float(np.mean(sum(parts))) for parts in zip(*(test.above.values() for test in tests), strict=True)]
    held = np.diff([*above, float(np.mean(sum(test.fed for test in tests)))], prepend=0.0)
    whole = [free.sum() + locked.sum() for _, _, free, locked in ores]
    for (start, stop), mine in zip(bands, held, strict=True):
        expected = sum(float((free + locked)[start:stop].sum()) for _, _, free, locked in ores)
        for ore in ores if expected > 0 else ():
            for k in (2, 3):
                ore[k] = ore[k].copy()
                ore[k][start:stop] *= mine / expected
    # Where there are several ores, each keeps what it held.
    for ore, kept in zip(ores, whole, strict=True):
        ore[2:] = _scaled(ore[2:], kept)


def _rows(model: Model, light: Array, heavy: Array, free: Array, locked: Array) -> tuple[SizeRow, ...]:
    grid = model.grid
    return tuple(
        SizeRow(float(grid.upper[i]) if grid.sized else None, float(grid.lower[i]), *map(float, amounts))
        for i, amounts in enumerate(zip(light, heavy, free, locked, strict=True))
    )
