"""Metal that was picked out of a stream by hand: ways of its own, parted from those that gold takes by itself.

Of the clusters that come to the stream those of size d are picked with the chance 1 / (1 + (at / d)^SHARPNESS), each
for itself, so that what is picked and what goes on are Poisson, and independent: all stays exact. ``at``, the size of
which half is picked, is an unknown of each test and stream. Weights of the stream itself, and of all that lies behind
it, see only what is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.spec.blocks.measurement import PICKED, Measurement, picked_from
from flowsheet.study.posterior import streams
from flowsheet.study.posterior.forward import Expected

AT, AT_SD, SHARPNESS = 0.7e-3, 1.0, 4.0
"""Half of the grains of this size (m) are picked, give or take a factor of e; and how sharply that rises. Typical of
tweezers and a lens, no source."""

FINE = 15_500.0
"""Fine gold in a grain (kg/m³), about: it lies in the root, so that a tenth of it is nothing."""


def at_size(u: Array) -> Array:
    """Return the size (m) of which half is picked, for its coordinate ``u``."""
    return np.asarray(AT * np.exp(AT_SD * u))


def picked_of(model: Model, measured: Iterable[Measurement]) -> tuple[str, ...]:
    """Return the streams out of which one test picked metal, in the order in which gold comes to them."""
    order = {name: i for i, name in enumerate(name for stage in model.stages for name in stage.steps)}
    found = {m.stream for m in measured if m.what == PICKED}
    makers = model.sheet.makers
    return tuple(sorted(found, key=lambda stream: (order[makers[stream]] if stream in makers else -1, stream)))


def ways_with(ways: Sequence[tuple[int, str]], picked: Sequence[str]) -> tuple[tuple[int, str], ...]:
    """Return (band of the feed, end) of each way, those of what was picked behind the others."""
    bands = range(1 + max((band for band, _ in ways), default=0))
    return (*ways, *((band, picked_from(stream)) for stream in picked for band in bands))


def parted(model: Model, e: Expected, by_way: Array, picked: Sequence[str], at: Sequence[Array]) -> Array:
    """Return the gold by way and class, (D, G + P bands, J) kg, of ``by_way`` (D, G, J): what is left, then picked.

    ``at``: size (m) of which half is picked, (D,) of each stream.
    """
    size = np.cbrt(6 * e.grain / (np.pi * FINE))
    ends = [end for band, end in e.ways if band == 0]
    caught = [c.stream for c in e.solver.caught]
    through = [streams.of_ends(model, amounts, ends, caught) for amounts in e.by_band]
    left, more = by_way.copy(), []
    for stream, half in zip(picked, at, strict=True):
        share = 1 / (1 + (half[:, None] / size) ** SHARPNESS)
        for band, ways in enumerate(through):
            mine = [i for i, (b, _) in enumerate(e.ways) if b == band]
            taken = np.minimum(ways[stream], 1.0)[..., None] * share[:, None] * left[:, mine]
            left[:, mine] -= taken
            more.append(taken.sum(axis=1))
    return np.concatenate([left, np.stack(more, axis=1)], axis=1)
