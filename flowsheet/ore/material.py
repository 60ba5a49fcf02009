"""What a stream carries, by size class, with any number of leading axes of draws."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array, Draws, Kept


def some(array: Array, draws: Draws, axes: int) -> Array:
    """Return some of an array's draws, where it has an axis of draws before its ``axes`` own."""
    return array[draws] if array.ndim > axes else array


@dataclass(frozen=True, eq=False)
class Material:
    """Rock and gold in kg, or (as shares) what part of each goes somewhere.

    ``light`` and ``heavy`` (..., S): quartz-like and dense gangue by particle size. ``free`` (..., S): fine
    gold in liberated grains by grain size. ``locked`` (..., S, S): fine gold by host size × grain size.
    """

    light: Array
    heavy: Array
    free: Array
    locked: Array

    @classmethod
    def nothing(cls, classes: int) -> Material:
        """Return an empty material on ``classes`` size classes."""
        row = np.zeros(classes)
        return cls(row, row, row, np.zeros((classes, classes)))

    @classmethod
    def total(cls, materials: Iterable[Material]) -> Material:
        """Return the sum of at least one material."""
        first, *others = materials
        for other in others:
            first = first + other
        return first

    @classmethod
    def join(cls, parts: Sequence[Material]) -> Material:
        """Put the draws of ``parts`` one behind the other again."""

        def joined(arrays: list[Array], axes: int) -> Array:
            return np.concatenate(arrays) if arrays[0].ndim > axes else arrays[0]

        return cls(
            joined([part.light for part in parts], 1),
            joined([part.heavy for part in parts], 1),
            joined([part.free for part in parts], 1),
            joined([part.locked for part in parts], 2),
        )

    def part(self, draws: Draws) -> Material:
        """Return some of the draws, of all that has any."""
        return Material(
            some(self.light, draws, 1),
            some(self.heavy, draws, 1),
            some(self.free, draws, 1),
            some(self.locked, draws, 2),
        )

    def __add__(self, other: Material) -> Material:
        return Material(
            self.light + other.light,
            self.heavy + other.heavy,
            self.free + other.free,
            self.locked + other.locked,
        )

    def __sub__(self, other: Material) -> Material:
        return Material(
            self.light - other.light,
            self.heavy - other.heavy,
            self.free - other.free,
            self.locked - other.locked,
        )

    def __mul__(self, shares: Material) -> Material:
        return Material(
            self.light * shares.light,
            self.heavy * shares.heavy,
            self.free * shares.free,
            self.locked * shares.locked,
        )

    def __repr__(self) -> str:
        return f"Material(solids {np.mean(self.solids):.4g} kg, gold {1e3 * np.mean(self.gold):.4g} g)"

    @Kept
    def solids(self) -> Array:
        """Rock in kg, shape (...)."""
        return np.asarray(np.add.reduce(self.light + self.heavy, axis=-1))

    @Kept
    def gold(self) -> Array:
        """Fine gold in kg, shape (...)."""
        return np.asarray(np.add.reduce(self.free, axis=-1) + np.add.reduce(self.locked, axis=(-2, -1)))

    @property
    def rock_by_size(self) -> Array:
        """Rock in kg by particle size, shape (..., S)."""
        return self.light + self.heavy

    @property
    def locked_by_host(self) -> Array:
        """Locked gold in kg by host size, shape (..., S)."""
        return np.asarray(self.locked.sum(axis=-1))

    @Kept
    def gold_by_grain(self) -> Array:
        """Gold in kg, free and locked, by grain size, shape (..., S)."""
        return np.asarray(self.free + self.locked.sum(axis=-2))

    def locked_times(self, weights: Array) -> Array:
        """Return the sum over grain sizes of locked gold times ``weights`` (..., S hosts, S grains): (..., S)."""
        return np.asarray(np.einsum("...hg,...hg->...h", self.locked, weights))
