"""Many draws of a material that differ by little: what can be left unsaid of them until it is asked for.

Locked gold by host and grain size is nearly all that a draw has to work out. Where draws differ in mass and grade
alone, it is one table for all of them, times a factor for each host size.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array, Draws, Kept
from flowsheet.ore.material import Material, some


class FactoredMaterial(Material):
    """Locked gold is ``row`` (..., S) times ``base`` (S hosts, S grains)."""

    row: Array
    base: Array

    def __init__(self, light: Array, heavy: Array, free: Array, base: Array, row: Array) -> None:
        vars(self).update(light=light, heavy=heavy, free=free, base=base, row=row)

    @cached_property
    def locked(self) -> Array:
        """Locked gold, (..., S hosts, S grains)."""
        return np.asarray(self.row[..., :, None] * self.base)

    @Kept
    def gold(self) -> Array:
        """Fine gold in kg, shape (...)."""
        return np.asarray(np.add.reduce(self.free, axis=-1) + self.row @ self.base.sum(axis=-1))

    @property
    def locked_by_host(self) -> Array:
        """Locked gold in kg by host size, shape (..., S)."""
        return np.asarray(self.row * self.base.sum(axis=-1))

    @Kept
    def gold_by_grain(self) -> Array:
        """Gold in kg, free and locked, by grain size, shape (..., S)."""
        return np.asarray(self.free + self.row @ self.base)

    def locked_times(self, weights: Array) -> Array:
        """Return the sum over grain sizes of locked gold times ``weights`` (..., S hosts, S grains): (..., S)."""
        return np.asarray(self.row * (self.base * weights).sum(axis=-1))

    def part(self, draws: Draws) -> FactoredMaterial:
        """Return some of the draws."""
        light, heavy, free, row = (some(array, draws, 1) for array in (self.light, self.heavy, self.free, self.row))
        return FactoredMaterial(light, heavy, free, self.base, row)

    def __mul__(self, shares: Material) -> Material:
        if isinstance(shares, Remainder):
            return Difference(self, self * shares.of)
        if isinstance(shares, FactoredMaterial):
            base, row = self.base * shares.base, self.row * shares.row
        elif shares.locked.ndim <= self.base.ndim:
            base, row = self.base * shares.locked, self.row
        else:
            return super().__mul__(shares)
        return FactoredMaterial(
            self.light * shares.light, self.heavy * shares.heavy, self.free * shares.free, base, row
        )


class Remainder(Material):
    """Shares: what the shares ``of`` leave."""

    of: Material

    def __init__(self, of: Material) -> None:
        vars(self).update(of=of, light=1 - of.light, heavy=1 - of.heavy, free=1 - of.free)

    @cached_property
    def locked(self) -> Array:
        """Shares of locked gold, (..., S hosts, S grains)."""
        return np.asarray(1 - self.of.locked)


class Difference(Material):
    """What is left of ``whole`` without ``taken``, a part of it."""

    whole: Material
    taken: Material

    def __init__(self, whole: Material, taken: Material) -> None:
        light, heavy, free = whole.light - taken.light, whole.heavy - taken.heavy, whole.free - taken.free
        vars(self).update(whole=whole, taken=taken, light=light, heavy=heavy, free=free)

    @cached_property
    def locked(self) -> Array:
        """Locked gold, (..., S hosts, S grains)."""
        return np.asarray(self.whole.locked - self.taken.locked)

    @Kept
    def gold(self) -> Array:
        """Fine gold in kg, shape (...)."""
        return np.asarray(self.whole.gold - self.taken.gold)

    @Kept
    def gold_by_grain(self) -> Array:
        """Gold in kg, free and locked, by grain size, shape (..., S)."""
        return np.asarray(self.whole.gold_by_grain - self.taken.gold_by_grain)
