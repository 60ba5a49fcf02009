"""What a step does once its shares are settled: it breaks the rock, and parts every class among its outlets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array, Draws, Kept
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material, some
from flowsheet.steps._contract import DrawsOf, check_numbers, check_shapes

Shares: TypeAlias = Material
"""Parts of one that go to an outlet, laid out like the material they multiply; an axis of sizes may have length 1."""


@dataclass(frozen=True)
class Site:
    """What is common to all steps of a sheet: size classes, liberation in force, and the gold."""

    grid: Grid
    #: (..., S hosts, S grains): share of the gold that is locked.
    locked_share: Array
    #: (...): fraction of gold in the gold grains.
    fineness: Array
    grains_known: bool = True

    def part(self, draws: Draws) -> Site:
        """Return some of the draws."""
        return Site(self.grid, some(self.locked_share, draws, 2), some(self.fineness, draws, 0), self.grains_known)


@dataclass(frozen=True)
class Breakage:
    """Rock moved between size classes, and the gold that this frees.

    ``product`` (..., S, S): share of each class (column) that ends in each class (row); columns make one.
    Gold keeps its grain size; its locked share becomes that of the new host size, whatever the path.
    """

    product: Array
    locked_share: Array

    @Kept
    def freed_share(self) -> Array:
        """What this breaking frees, as a share of what the host began with, (..., S hosts, S grains).

        Never negative: the share that stays locked falls with the host's size.
        """
        still = np.swapaxes(self.product, -1, -2) @ self.locked_share
        return np.maximum(self.locked_share - still, 0.0)

    def __call__(self, feed: Material) -> Material:
        """Return ``feed`` broken."""
        began = feed.locked / np.where(self.locked_share > 0, self.locked_share, np.inf)
        return Material(
            _move(self.product, feed.light),
            _move(self.product, feed.heavy),
            feed.free + np.add.reduce(began * self.freed_share, axis=-2),
            self.locked_share * (self.product @ began),
        )

    def part(self, draws: Draws) -> Breakage:
        """Return some of the draws."""
        return Breakage(some(self.product, draws, 2), some(self.locked_share, draws, 2))


def _move(product: Array, mass: Array) -> Array:
    return np.asarray((product @ mass[..., None])[..., 0])


class Crushing(Breakage):
    """Breakage by a machine in which a piece is broken as long as it is caught; its product is worked out when asked.

    ``chance`` (..., S) that a piece of a class is broken, ``pieces`` (..., S, S) what becomes of it, and how many
    ``passes`` there are, (...): whole numbers, at least one.
    """

    chance: Array
    pieces: Array
    passes: Array

    def __init__(self, chance: Array, pieces: Array, passes: Array, locked_share: Array) -> None:
        vars(self).update(chance=chance, pieces=pieces, passes=passes, locked_share=locked_share)

    @Kept
    def product(self) -> Array:
        """Where each class ends, as of any breakage."""
        return repeated(crushed_until_it_passes(self.chance, self.pieces), self.passes)

    def part(self, draws: Draws) -> Crushing:
        """Return some of the draws."""
        chance, pieces = some(self.chance, draws, 1), some(self.pieces, draws, 2)
        return Crushing(chance, pieces, some(self.passes, draws, 0), some(self.locked_share, draws, 2))


def repeated(product: Array, passes: Array) -> Array:
    """Return a product (..., S, S) of so many ``passes``, (...): each draw has its own power."""
    if passes.ndim == 0:
        return np.asarray(np.linalg.matrix_power(product, int(passes)))
    product = np.broadcast_to(product, (len(passes), *product.shape[-2:]))
    return np.stack([np.linalg.matrix_power(p, max(1, round(n))) for p, n in zip(product, passes, strict=True)])


def crushed_until_it_passes(chance: Array, pieces: Array) -> Array:
    """Return (I - C)(I - BC)^-1, (..., S, S): where each class ends, broken with ``chance`` into ``pieces``."""
    once = pieces * chance[..., None, :]
    through = np.linalg.inv(np.eye(chance.shape[-1]) - once)
    return np.asarray((1 - chance)[..., :, None] * (through * np.tri(chance.shape[-1])))


@dataclass(frozen=True)
class Operator:
    """A step with its shares settled: material in, material out by outlet.

    Of each outlet's Shares, ``light``, ``heavy`` and ``free`` are (..., S) or (..., 1), ``locked`` is (..., S, S) or
    has 1 in place of either S; ... is nothing, or D draws. Over the outlets they make one.
    """

    shares: Mapping[str, Shares]
    breakage: Breakage | None = None
    #: Breakage of what has gone to an outlet (the powder that a saw makes of its swarf).
    then: Mapping[str, Breakage] = field(default_factory=dict)

    def __call__(self, feed: Material) -> dict[str, Material]:
        """Return what each outlet gives of ``feed``."""
        if self.breakage is not None:
            feed = self.breakage(feed)
        out = {outlet: feed * shares for outlet, shares in self.shares.items()}
        for outlet, breakage in self.then.items():
            out[outlet] = breakage(out[outlet])
        return out

    def part(self, draws: Draws) -> Operator:
        """Return some of the draws."""
        return Operator(
            {outlet: shares.part(draws) for outlet, shares in self.shares.items()},
            self.breakage.part(draws) if self.breakage is not None else None,
            {outlet: breakage.part(draws) for outlet, breakage in self.then.items()},
        )

    def shaped(self, kind: str, outlets: AbstractSet[str], classes: int, draws: DrawsOf | None = None) -> Operator:
        """Return the operator itself, once all outlets have their shares and every array its axes; S = ``classes``.

        ``draws`` tells which lengths an axis before these may have, as the step was given. Raises ContractError, which
        names ``kind`` and the array.
        """
        check_shapes(self, kind, outlets, classes, draws)
        return self

    def checked(self, kind: str, outlets: AbstractSet[str], classes: int, draws: DrawsOf | None = None) -> Operator:
        """Return the operator itself, once it is known to share out all that S = ``classes`` size classes bring.

        Raises ContractError, which names ``kind`` and the array: as ``shaped``, or for a share outside of 0 to 1,
        shares that do not make one over the outlets, a breakage whose columns do not make one.
        """
        check_shapes(self, kind, outlets, classes, draws)
        check_numbers(self, kind, classes)
        return self

    def breakages(self) -> Iterator[tuple[str, Breakage]]:
        """Give all breakages, and what an error calls them."""
        if self.breakage is not None:
            yield "breakage", self.breakage
        for outlet, breakage in self.then.items():
            yield f"breakage of {outlet}", breakage


def even(share: Array) -> Shares:
    """Return shares of ``share``, () or (D,), of everything: rock and gold of all sizes go alike."""
    row = np.asarray(share)[..., None]
    return Shares(row, row, row, row[..., None])
