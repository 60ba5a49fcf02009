"""A loop's amounts and shares in blocks, and what the blocks make of a place where rock is broken.

Blocks are light and heavy rock and the locked gold of each grain class, by host class; of free gold the grain classes.
Arrays have the blocks and, last of all, the draws: (..., B, D); D is 1 where all draws are alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.steps.base import Breakage

ROCK = 2
"""Blocks of rock: light, heavy."""

#: (B, D), or a number where all of them are that.
Blocks: TypeAlias = Array | float


def last(array: Array, axes: int = 1) -> Array:
    """Put the draws behind the ``axes`` of sizes; an axis of one where there are none."""
    return np.ascontiguousarray(np.moveaxis(array, 0, -1)) if array.ndim > axes else array[..., None]


def rows(material: Material, classes: int, gold: bool) -> Array:
    """Lay rock, and the locked gold, of a material (or of shares) out by host, (S or 1, B, D); S = ``classes``."""
    rock = [last(material.light)[:, None], last(material.heavy)[:, None]]
    if not gold:
        return joined(rock)
    locked = last(material.locked, 2)
    return joined([*rock, np.broadcast_to(locked, (len(locked), classes, locked.shape[2]))])


def joined(parts: Sequence[Array]) -> Array:
    """Put blocks (S or 1, B, D or 1) side by side."""
    classes, draws = (max(part.shape[axis] for part in parts) for axis in (0, 2))
    return np.concatenate([np.broadcast_to(p, (classes, p.shape[1], draws)) for p in parts], axis=1)


def at(array: Array, i: int) -> Array:
    """Return a row of an array that has one for each class, or one for all of them."""
    return np.asarray(array[i if len(array) > 1 else 0])


def of_class(blocks: Blocks, i: int) -> Blocks:
    """Return a row of blocks (S or 1, B, D), as ``at`` does; a number is that of all classes."""
    return at(blocks, i) if isinstance(blocks, np.ndarray) and blocks.ndim else blocks


def of_classes(blocks: Blocks, classes: slice) -> Blocks:
    """Return some rows of blocks (S or 1, B, D); one that is of all classes stays, and so does a number."""
    return blocks[classes] if isinstance(blocks, np.ndarray) and blocks.ndim and len(blocks) > 1 else blocks


def stacked(by_class: Mapping[int, Array], classes: range) -> Array:
    """Put some classes one behind the other, with as many blocks and draws as any of them has."""
    return np.stack(np.broadcast_arrays(*(by_class[j] for j in classes)))


def summed(product: Array, blocks: Array) -> Array:
    """Return Σ product (J, D) · blocks (J, B, D) over J."""
    if product.shape[-1] == 1:
        return np.asarray((product[:, 0] @ blocks.reshape(len(blocks), -1)).reshape(blocks.shape[1:]))
    return np.asarray((product[:, None] * blocks).sum(axis=0))


# ── where rock is broken ────────────────────────────────────────────────────────────────────────────────────


@dataclass
class FreedAt:
    """A place where rock is broken, as free gold sees it: it comes from there, and what is free stays as it is."""

    source: Blocks = 0.0
    #: The share of what goes in that stays in its class, and that leaves it for a finer one, or is freed.
    stays: Blocks = 1.0
    leaves: Blocks = 0.0

    def arrives(self, i: int) -> Blocks:
        """Return what comes out in a class of what did not go in there."""
        return self.source

    def note_in(self, i: int, blocks: Blocks) -> None:
        """Take down what goes in."""

    def freed_in_all(self) -> Array:
        """Return the gold that is freed here, (S grains, D)."""
        raise NotImplementedError


class BrokenAt(FreedAt):
    """A place where rock is broken, as rock and what is locked in it sees it.

    Out of class i comes ``weight``[i] · Σ product[i, j] · what went into class j / ``weight``[j]: weight is one for
    rock, and for gold its locked share, so that gold is locked as its new host has it; what is not is free.
    """

    def __init__(self, breakage: Breakage, gold: bool) -> None:
        super().__init__()
        product, share = breakage.product, breakage.locked_share
        own = np.arange(product.shape[-1])
        finer = np.array(product)
        finer[..., own, own] = 0.0
        self.product = last(product, 2)
        self.went_in = np.zeros((len(own), 1, 1))
        left = last(finer.sum(axis=-2))[:, None]
        left = np.broadcast_to(left, (len(own), ROCK, left.shape[-1]))
        self.weight: Array | None = None
        if gold:
            per = np.divide(1.0, share, out=np.zeros_like(share), where=share > 0)
            self.freed_share = last(breakage.freed_share, 2)
            ones = np.ones((len(own), ROCK, 1))
            self.weight, self.per = joined([ones, last(share, 2)]), joined([ones, last(per, 2)])
            further = (np.swapaxes(finer, -1, -2) @ share + breakage.freed_share) * per
            # No grain is locked in a host finer than itself: such a class is empty, not one that nothing leaves.
            further = np.where(share > 0, further, 1.0)
            left = joined([left, last(further, 2)])
        diagonal = self.product[own, own][:, None]
        self.stays = diagonal if self.weight is None else diagonal * (self.weight > 0)
        self.leaves = left

    def arrives(self, i: int) -> Blocks:
        """Return what comes out in class i of what went into coarser ones."""
        if i == 0:
            return 0.0
        arrived = summed(self.product[i, :i], self.went_in[:i])
        return arrived if self.weight is None else arrived * self.weight[i]

    def note_in(self, i: int, blocks: Blocks) -> None:
        """Take down what goes into class i."""
        went_in = np.asarray(blocks if self.weight is None else blocks * self.per[i])
        shape = np.broadcast_shapes(self.went_in.shape[1:], went_in.shape)
        if shape != self.went_in.shape[1:]:  # the first, or one that differs from draw to draw
            self.went_in = np.array(np.broadcast_to(self.went_in, (len(self.went_in), *shape)))
        self.went_in[i] = went_in

    def freed_in_all(self) -> Array:
        """Return the gold that is freed here, (S grains, D)."""
        went_in = self.went_in[:, ROCK:]
        return np.asarray((self.freed_share * went_in).sum(axis=0))
