"""Which weight is far from what was foretold of it, and were two exchanged when they were written down?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from flowsheet.spec.blocks.measurement import Measurement

SDS, SHARE = 3.0, 0.2
"""A weight is off by more than so many of its doubts, and than this share of what was foretold of it: typical."""


@dataclass(frozen=True)
class Misfit:
    """A measurement that is off; ``foretold`` is what it should have been, in the same unit (SI)."""

    measured: Measurement
    foretold: float

    @property
    def ratio(self) -> float:
        """Return how many times what was foretold it is."""
        return self.measured.value / self.foretold if self.foretold > 0 else math.inf

    @property
    def far(self) -> float:
        """Return how far off it is, up or down alike."""
        return abs(math.log(self.ratio)) if 0 < self.ratio < math.inf else math.inf


def misfits(pairs: Iterable[tuple[Measurement, float]]) -> list[Misfit]:
    """Return the measurements that are off, the furthest first, of (measurement, what was foretold of it in SI)."""
    found = []
    for measured, foretold in pairs:
        gap = abs(measured.value - foretold)
        if gap > SDS * measured.sd and gap > SHARE * foretold:
            found.append(Misfit(measured, foretold))
    return sorted(found, key=lambda one: -one.far)


def exchanged(odd: Sequence[Misfit]) -> Misfit | None:
    """Return with which one the first may have been exchanged: each reads what was foretold of the other."""
    for other in odd[1:]:
        if other.measured.what == odd[0].measured.what and _reads(odd[0], other) and _reads(other, odd[0]):
            return other
    return None


def _reads(one: Misfit, other: Misfit) -> bool:
    return abs(one.measured.value - other.foretold) <= max(SHARE * other.foretold, SDS * one.measured.sd)
