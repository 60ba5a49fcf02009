"""How gold comes: the classes of clusters of grains by which luck is worked out, in draws that differ in them.

Draws may differ in how many grains lie together, and, where no grain sizes are told, in the sizes too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import NORMAL_95, Array

#: Gold of grains that the sheet says nothing of: half of it is in grains finer than d50, 95 % in those finer than four
#: times that; d50 itself is in doubt by a factor of three. Typical of vein gold that is seen at all, set your own.
UNTOLD_D50, UNTOLD_RATIO, UNTOLD_SD = 0.3e-3, 4.0, 1.1
UNTOLD_PARTS = np.array([1.75, 1.0, 0.5, 0.0, -0.5, -1.0, -1.75])
"""Middles (in standard deviations) of the parts of that law by mass, coarse first, all of them holding as much gold."""
RARE = 0.02
"""Of untold grains the largest, of which fewer clusters than this are expected together, are taken to be absent: told
one by one they would blur all others."""
APART = 2.0
"""Untold grains are laid on classes that are so many times as heavy as the one before."""


def untold_grain(off: Array, fineness: Array | float) -> Array:
    """Return the gold in a grain of each part, kg, (D, J), where no sizes are told: ``off`` (D,) sd from the middle."""
    wide = math.log(UNTOLD_RATIO) / NORMAL_95
    size = UNTOLD_D50 * np.exp(UNTOLD_SD * off)[:, None] * np.exp(wide * UNTOLD_PARTS)
    return grains.grain_mass(size, np.broadcast_to(np.asarray(fineness), (len(off),)))


@dataclass(frozen=True)
class GrainLots:
    """Classes of clusters of grains for D draws of gold by grain size (S,)."""

    #: How many grains lie together in each draw, (D,), and each such number once, rising.
    number: Array
    values: Array
    #: Gold in one grain of each size, kg, (S,).
    grain: Array
    #: Gold in one cluster of each class, kg.
    mass: Array

    @classmethod
    def of(cls, number: Array, grain: Array) -> GrainLots:
        """Return the classes of draws of which ``number`` (D,) grains lie together: each such number has its own."""
        # What np.unique gives; that would load masked arrays, which nothing else here needs.
        rising = np.sort(number)
        values = rising[np.diff(rising, prepend=-1.0) > 0]
        return cls(number, values, grain, np.asarray((values[:, None] * grain).ravel()))

    def at(self, draws: int) -> GrainLots:
        """Return the lots of so many draws, as often as need be."""
        return GrainLots(np.resize(self.number, draws), self.values, self.grain, self.mass)

    def apart(self, by_grain: Array, draws: Any) -> Array:
        """Return gold by grain size (E, S) of some ``draws`` (E,) by class of clusters, (E, classes)."""
        if len(self.values) == 1:
            return np.array(by_grain)
        found = np.zeros((len(by_grain), len(self.values), by_grain.shape[-1]))
        found[np.arange(len(by_grain)), np.searchsorted(self.values, self.number[draws])] = by_grain
        return found.reshape(len(by_grain), found.shape[1] * found.shape[2])

    def luck(self, by_grain: Array, draws: Any) -> Array:
        """Return the variance of the luck with gold by grain size (E, S) kg of some ``draws`` (E,), kg², (E,)."""
        return np.asarray(self.number[draws] * (by_grain @ self.grain))


@dataclass(frozen=True)
class UntoldLots:
    """The same where no grain sizes are told: each draw's gold is in clusters of J masses, an equal part in each."""

    number: Array
    #: Gold in one cluster of each part, kg, coarse first, (D, J).
    cluster: Array
    #: Gold in one cluster of each class, kg: APART times as much as in the one before.
    mass: Array

    @classmethod
    def of(cls, number: Array, off: Array, fineness: float) -> UntoldLots:
        """Return the classes of draws: ``number`` (D,) grains lie together, sizes are ``off`` (D,) sd."""
        cluster = number[:, None] * untold_grain(off, fineness)
        least, most = float(cluster.min()), float(cluster.max())
        return cls(
            number, cluster, np.asarray(least * APART ** np.arange(math.ceil(math.log(most / least, APART)) + 2))
        )

    def at(self, draws: int) -> UntoldLots:
        """Return the lots of so many draws, as often as need be."""
        again = np.resize(np.arange(len(self.number)), draws)
        return UntoldLots(self.number[again], self.cluster[again], self.mass)

    def apart(self, by_grain: Array, draws: Any) -> Array:
        """Return gold by grain size (E, S) of some ``draws`` (E,) by class of clusters, (E, classes).

        A cluster that lies between two classes is parted between them so that gold and luck stay as they are.
        """
        cluster = self.cluster[draws]
        each = np.broadcast_to(by_grain.sum(axis=-1, keepdims=True) / cluster.shape[-1], cluster.shape)
        each = np.where(np.cumsum(each / cluster, axis=-1) < RARE, 0.0, each)
        below = np.searchsorted(self.mass, cluster, side="right") - 1
        part = (cluster - self.mass[below]) / (self.mass[below + 1] - self.mass[below])
        found = np.zeros((len(cluster), len(self.mass)))
        rows = np.arange(len(cluster))[:, None]
        np.add.at(found, (rows, below), (1 - part) * each)
        np.add.at(found, (rows, below + 1), part * each)
        return found

    def luck(self, by_grain: Array, draws: Any) -> Array:
        """Return the variance of the luck with gold by grain size (E, S) kg of some ``draws`` (E,), kg², (E,)."""
        return np.asarray(by_grain.sum(axis=-1) * self.cluster[draws].mean(axis=-1))


Lots = GrainLots | UntoldLots
