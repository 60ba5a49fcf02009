"""A step's numbers as arrays: as they stand in the sheet, or many draws of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TypeAlias

from flowsheet.ore.arrays import Array, Draws
from flowsheet.ore.material import some
from flowsheet.spec.blocks.factors import Band, OutletFactors
from flowsheet.spec.blocks.fields import Block
from flowsheet.spec.text.number_with_doubt import Number

Banded: TypeAlias = Mapping[str, Sequence[tuple[Band, Array]]]
"""Outlet → its bands, and the share that each goes there with, () or (D,)."""


class Values:
    """The numbers of a step by their names, each an array of shape () or (D,): ``at.gap``.

    A number that the sheet leaves out and that has no default is not there: ask the step for it first
    (``self.gap is not None``). Raises AttributeError for one that is not there.
    """

    def __init__(
        self,
        numbers: Mapping[str, Array],
        blocks: Mapping[str, Values] | None = None,
        factors: Mapping[str, Banded] | None = None,
    ) -> None:
        vars(self).update(numbers)  # models read many, so reading one takes no detour
        self._numbers, self._blocks, self._factors = dict(numbers), dict(blocks or {}), dict(factors or {})

    def __getattr__(self, name: str) -> Array:
        raise AttributeError(f"the step has no number {name}")

    def block(self, name: str) -> Values:
        """Return the numbers of a block within the step's: ``at.block("to").p80``."""
        return self._blocks[name]

    def banded(self, name: str) -> Banded:
        """Return the shares that the sheet gives as ``split`` or ``recovery``."""
        return self._factors[name]

    def shapes(self) -> Iterator[tuple[int, ...]]:
        """Give the shape of every number, () or (D,)."""
        yield from (number.shape for number in self._numbers.values())
        for block in self._blocks.values():
            yield from block.shapes()
        yield from (share.shape for at in self._factors.values() for bands in at.values() for _, share in bands)

    def part(self, draws: Draws) -> Values:
        """Return some of the draws."""
        return Values(
            {name: some(number, draws, 0) for name, number in self._numbers.items()},
            {name: block.part(draws) for name, block in self._blocks.items()},
            {
                name: {outlet: [(band, some(share, draws, 0)) for band, share in bands] for outlet, bands in at.items()}
                for name, at in self._factors.items()
            },
        )

    def replaced(self, path: Sequence[str], number: Array) -> Values:
        """Return the same with another number at ``path``, the names of blocks before that of the number."""
        name, *inner = path
        if inner:
            blocks = {**self._blocks, name: self._blocks[name].replaced(inner, number)}
            return Values(self._numbers, blocks, self._factors)
        return Values({**self._numbers, name: number}, self._blocks, self._factors)


def evaluate(step: Block, take: Callable[[Number], Array]) -> Values:
    """Return every number of a step as ``take`` gives it, in the order of its fields."""
    numbers: dict[str, Array] = {}
    blocks: dict[str, Values] = {}
    factors: dict[str, Banded] = {}
    for name, value in vars(step).items():
        if isinstance(value, Number):
            numbers[name] = take(value)
        elif isinstance(value, Block):
            blocks[name] = evaluate(value, take)
        elif isinstance(value, OutletFactors):
            factors[name] = {o: [(band, take(band.share)) for band in bands] for o, bands in value.outlets.items()}
    return Values(numbers, blocks, factors)
