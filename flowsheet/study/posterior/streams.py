"""From what came by each way to what every stream held: bottom up, so that each draw closes at every step.

Where a step takes several streams, what went through it came from each of them in the proportions of the solve.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model


def of_ends(
    model: Model, gold: Mapping[str, Array], ends: Sequence[str], caught: Sequence[str], picked: Sequence[str] = ()
) -> dict[str, Array]:
    """Return stream → what of each end's gold went through it, (D, E + P): 1 where all of it did.

    ``gold``: stream → gold (D,) of the solve; ``caught``: streams at which loops hold gold, the last of ``ends``. In a
    loop gold goes through a stream more than once, so it may be more than 1. Behind the ends stand the P streams out of
    which metal was ``picked``: what went through others on its way there. It is no part of what is left in its own
    stream, but of an ore, which was fed with it.
    """
    sheet = model.sheet
    steps, draws = list(sheet.steps), len(next(iter(gold.values())))
    place, held = {name: i for i, name in enumerate(steps)}, len(ends) - len(caught)
    part: dict[str, Array] = {}
    for step in sheet.steps.values():
        whole = sum(gold[s] for s in step.takes)
        for s in step.takes:
            even = np.full(draws, 1 / len(step.takes))
            part[s] = np.divide(gold[s], whole, out=even, where=whole > 0)
    matrix = np.broadcast_to(np.eye(len(steps)), (draws, len(steps), len(steps))).copy()
    right = np.zeros((len(steps), len(ends) + len(picked)))
    for name, step in sheet.steps.items():
        for stream in step.outlets.values():
            if stream in sheet.takers:
                matrix[:, place[name], place[sheet.takers[stream]]] -= part[stream]
            else:
                right[place[name], ends.index(stream)] += 1.0
            for i, cut in enumerate(caught):
                right[place[name], held + i] += float(cut == stream)
            for i, one in enumerate(picked):
                right[place[name], len(ends) + i] += float(one == stream)
    through = np.linalg.solve(matrix, np.broadcast_to(right, (draws, *right.shape)))
    found = {}
    for stream in gold:
        if stream in sheet.takers:
            found[stream] = part[stream][:, None] * through[:, place[sheet.takers[stream]]]
        else:
            mine = [float(stream == end) for end in ends] + [0.0] * len(picked)
            found[stream] = np.broadcast_to(np.array(mine), (draws, len(mine)))
    for i, one in enumerate(picked):
        if one in sheet.ores:
            found[one][:, len(ends) + i] = 1.0
    return found
