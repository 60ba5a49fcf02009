"""How far what a sheet says of its gold grains may be off: their sizes, and how many of them lie together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from flowsheet.spec.text.number_with_doubt import Number

SIZE_SD = 0.5
"""Of the one factor on all sizes, in its logarithm: d50 and d95 told by eye are off by e^0.5 = 1.6 either way. Typical,
set your own."""
SPREAD_SD = 0.2
"""Of the logarithm of how widely the sizes are spread, which is ln(d95/d50): typical, set your own."""
CLUSTER_VALUES, CLUSTER_CHANCES = (1.0, 2.0, 5.0, 10.0), (0.55, 0.20, 0.20, 0.05)
"""Grains that lie together where nothing is said, and the chance of each: typical, set your own."""
CLUSTERS = "1, 2, 5 or 10 with chances of 55, 20, 20 and 5 %"

_MIDDLES = (-1.2815515655, -0.5244005127, 0.0, 0.5244005127, 1.2815515655)
"""The middles of five equal parts of the normal law: 10, 30, 50, 70 and 90 % lie below them."""


@dataclass(frozen=True)
class GrainDoubts:
    """Doubts of the sizes of gold grains, as standard deviations of logarithms.

    All sizes are off by one factor, e^N(0, ``size_sd``); ln(d95/d50) by another, e^N(0, ``spread_sd``).
    """

    size_sd: float
    spread_sd: float
    #: Whether it is the sheet's own, written (± 0 counts) behind d50, or behind d95. These numbers are then drawn by
    #: themselves where the sheet's numbers are drawn.
    size_told: bool = False
    spread_told: bool = False


def doubts_of(d50: Number | None, d95: Number | None, rows: Sequence[Number] = ()) -> GrainDoubts:
    """Return the doubts of a law through ``d50`` and ``d95``, or of a table of grain sizes (its numbers: ``rows``).

    A table has the spread that it has; any doubt written in it is its own. Where neither is given there is no law to
    be off.
    """
    if rows:
        told = any(number.told_doubt for number in rows)
        return GrainDoubts(0.0 if told else SIZE_SD, 0.0, size_told=told, spread_told=True)
    if d50 is None or d95 is None:
        return GrainDoubts(0.0, 0.0)
    size, spread = SIZE_SD, SPREAD_SD
    if d50.told_doubt:
        size = d50.sd / d50.value
    if d95.told_doubt:
        wide = math.log(d95.value / d50.value) if d95.value > d50.value else 0.0
        own = math.hypot(d95.sd / d95.value, size if d50.told_doubt else 0.0)
        spread = own / wide if wide > 0 else 0.0
    return GrainDoubts(size, spread, size_told=d50.told_doubt, spread_told=d95.told_doubt)


def clusters_of(told: Number | None) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return (values, chances) of how many grains lie together: what was told, cut into five where it is in doubt."""
    if told is None:
        return CLUSTER_VALUES, CLUSTER_CHANCES
    if not told.doubtful:
        return (told.value,), (1.0,)
    if told.low is not None and told.high is not None:
        values = [told.low + (told.high - told.low) * (i + 0.5) / 5 for i in range(5)]
    else:
        values = [told.value + told.sd * z for z in _MIDDLES]
    return tuple(max(1.0, value) for value in values), (0.2,) * 5
