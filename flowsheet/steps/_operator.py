"""What a step does once its shares are settled, and the check that they are shares at all.

An Operator breaks the rock (where the step breaks it) and then parts every class among the outlets. A kind whose
arrays lack an axis, or whose shares do not make one, would give wrong numbers without a word: ``Operator.checked``
raises ContractError then, in every solve.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import NoReturn, TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.factored_material import Rest, Rowed
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material, some

Shares: TypeAlias = Material
"""Parts of one that go to an outlet, laid out like the material they multiply; an axis of sizes may have length 1."""

AXES = (1, 1, 1, 2)
"""Axes of sizes of light, heavy, free and locked."""

AT_ONCE = 10
"""Draws whose shares are looked at together, so that they stay in the processor's cache."""

ROUNDING = 1e-9
"""How far shares may lie outside of 0 to 1, and their sums off one: what rounding leaves is a millionth of it."""


class ContractError(RuntimeError):
    """A bug in a kind of equipment, never a mistake of the sheet: what its step gives is no sharing out."""

    def __init__(self, kind: str, array: str, wrong: str, step: str = "") -> None:
        super().__init__(kind, array, wrong, step)
        self.kind, self.array, self.wrong, self.step = kind, array, wrong, step

    def __str__(self) -> str:
        where = f"{self.kind} (step {self.step})" if self.step else self.kind
        return f"a bug in the kind {where}: {self.array} {self.wrong}"

    def in_step(self, step: str) -> ContractError:
        """Return the same with the name of the step where it was found."""
        return type(self)(self.kind, self.array, self.wrong, step)


@dataclass(frozen=True)
class Site:
    """What is common to all steps of a sheet: size classes, liberation in force, and the gold."""

    grid: Grid
    #: (..., S hosts, S grains): share of the gold that is locked.
    locked_share: Array
    #: (...): fraction of gold in the gold grains.
    fineness: Array
    grains_known: bool = True


@dataclass(frozen=True)
class Breakage:
    """Rock moved between size classes, and the gold that this frees.

    ``product`` (..., S, S): share of each class (column) that ends in each class (row); columns make one.
    Gold keeps its grain size; its locked share becomes that of the new host size, whatever the path.
    """

    product: Array
    locked_share: Array

    @cached_property
    def freed_share(self) -> Array:
        """What this breaking frees, as a share of what the host began with, (..., S hosts, S grains).

        Never negative: the share that stays locked falls with the host's size.
        """
        still = np.swapaxes(self.product, -1, -2) @ self.locked_share
        return np.maximum(self.locked_share - still, 0.0)

    def __call__(self, feed: Material) -> Material:
        """Return ``feed`` broken."""
        with np.errstate(divide="ignore", invalid="ignore"):
            began = np.where(self.locked_share > 0, feed.locked / self.locked_share, 0.0)
        return Material(
            _move(self.product, feed.light),
            _move(self.product, feed.heavy),
            feed.free + (began * self.freed_share).sum(axis=-2),
            self.locked_share * (self.product @ began),
        )

    def part(self, draws: slice) -> Breakage:
        """Return some of the draws."""
        return Breakage(some(self.product, draws, 2), some(self.locked_share, draws, 2))


def _move(product: Array, mass: Array) -> Array:
    return np.asarray((product @ mass[..., None])[..., 0])


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

    def part(self, draws: slice) -> Operator:
        """Return some of the draws."""
        return Operator(
            {outlet: shares.part(draws) for outlet, shares in self.shares.items()},
            self.breakage.part(draws) if self.breakage is not None else None,
            {outlet: breakage.part(draws) for outlet, breakage in self.then.items()},
        )

    def checked(self, kind: str, outlets: AbstractSet[str], classes: int) -> Operator:
        """Return the operator itself, once it is known to share out all that S = ``classes`` size classes bring.

        Raises ContractError, which names ``kind`` and the array: an outlet without shares or without a stream, an array
        that lacks an axis, a share outside of 0 to 1, shares that do not make one over the outlets, a breakage whose
        columns do not make one.
        """
        check = _Check(kind, classes)
        if self.shares.keys() != outlets:
            check.outlets(self.shares, outlets)
        if not _plainly_right(tuple(self.shares.values()), classes):
            check.shares(self.shares)
        if self.breakage is not None:
            check.breakage("breakage", self.breakage)
        for outlet, breakage in self.then.items():
            check.breakage(f"breakage of {outlet}", breakage)
        return self


def even(share: Array) -> Shares:
    """Return shares of ``share``, () or (D,), of everything: rock and gold of all sizes go alike."""
    row = np.asarray(share)[..., None]
    return Shares(row, row, row, row[..., None])


def check_silver(kind: str, shares: Mapping[str, Array], outlets: AbstractSet[str]) -> None:
    """Check a kind's shares of silver, () or (D,) each. Raises ContractError as ``Operator.checked`` does."""
    check = _Check(kind, 1, "silver_shares")
    check.outlets(shares, outlets)
    for outlet, share in shares.items():
        check.inside(f"of {outlet}", np.asarray(share))
    check.one("", sum(np.asarray(share) for share in shares.values()))


@dataclass
class _Check:
    """The checks of what a step gives; each raises ContractError."""

    kind: str
    classes: int
    what: str = "shares"

    def fail(self, array: str, wrong: str) -> NoReturn:
        raise ContractError(self.kind, array, wrong)

    def outlets(self, given: Mapping[str, object], outlets: AbstractSet[str]) -> None:
        for outlet in outlets - given.keys():
            self.fail(f"{self.what} of {outlet}", "are not given, though a stream of the sheet comes from there")
        for outlet in given.keys() - outlets:
            self.fail(f"{self.what} of {outlet}", "are given, though the step has no such outlet")

    def shares(self, shares: Mapping[str, Shares]) -> None:
        for outlet, mine in shares.items():
            for name, array, axes in _arrays(mine):
                self.shape(f"shares of {outlet}, {name}", array, axes)
                self.inside(f"shares of {outlet}, {name}", array)
        if not _by_construction(list(shares.values())):
            for name in ("light", "heavy", "free", "locked"):
                self.one(name, sum(getattr(mine, name) for mine in shares.values()))

    def breakage(self, name: str, breakage: Breakage) -> None:
        for part, array in (("product", breakage.product), ("locked_share", breakage.locked_share)):
            if array.shape[-2:] != (self.classes, self.classes):
                self.fail(f"{name}, {part}", f"has the shape {array.shape}, not (…, {self.classes}, {self.classes})")
        total = np.add.reduce(breakage.product, axis=-2)
        if not (np.minimum.reduce(breakage.product, axis=None) >= -ROUNDING and _makes_one(total)):
            self.inside(f"{name}, product", breakage.product)
            self.one("", total, f"{name}, product")

    def shape(self, array: str, values: Array, axes: int) -> None:
        if not _shaped(values.shape, axes, self.classes):
            wanted = ", ".join(["…", *[str(self.classes)] * axes])
            told = f"has the shape {values.shape}, not ({wanted}); an axis of sizes may be 1, none may be missing"
            self.fail(array, told)

    def inside(self, array: str, values: Array) -> None:
        least, most = np.minimum.reduce(values, axis=None), np.maximum.reduce(values, axis=None)
        if not (least >= -ROUNDING and most <= 1 + ROUNDING):  # so said that nan is refused too
            self.fail(array, f"goes from {least:.6g} to {most:.6g}, not within 0 to 1")

    def one(self, part: str, total: Array | int, array: str = "") -> None:
        if not _makes_one(np.asarray(total)):
            least, most = np.min(total), np.max(total)
            off = least if abs(least - 1) > abs(most - 1) else most
            name = array or ", ".join(filter(None, [self.what, part]))
            self.fail(name, f"{'sums over a column' if array else 'sum over the outlets'} to {off:.12g}, not to one")


def _plainly_right(shares: Sequence[Shares], classes: int) -> bool:
    """Whether shares keep the contract, found in as few operations as will do; if not, _Check tells what is wrong.

    A solve takes a quarter of a millisecond a step: looked at array by array, shares would take a third of that.
    """
    pair = _by_construction(shares)
    looked_at = [mine.of for mine in shares if isinstance(mine, Rest)] if pair else shares
    if any(type(mine) is not Material for mine in looked_at):
        return False
    layouts = {(mine.light.shape, mine.heavy.shape, mine.free.shape, mine.locked.shape) for mine in looked_at}
    draws = _draws(layouts.pop(), classes) if len(layouts) == 1 else None
    if draws is None or draws <= AT_ONCE:
        return draws is not None and _in_range(looked_at, pair)
    starts = range(0, draws, AT_ONCE)
    return all(_in_range([mine.part(slice(at, at + AT_ONCE)) for mine in looked_at], pair) for at in starts)


@cache
def _draws(layout: tuple[tuple[int, ...], ...], classes: int) -> int | None:
    """Return how many draws the four arrays of some shares have (0: none); None where their shapes are wrong."""
    if not all(_shaped(shape, axes, classes) for shape, axes in zip(layout, AXES, strict=True)):
        return None
    return max(shape[0] if len(shape) > axes else 0 for shape, axes in zip(layout, AXES, strict=True))


def _shaped(shape: tuple[int, ...], axes: int, classes: int) -> bool:
    return axes <= len(shape) <= axes + 1 and all(n in (1, classes) for n in shape[-axes:])


def _in_range(shares: Sequence[Shares], lone: bool) -> bool:
    """Whether shares of one layout are no less than 0, and make one (``lone``: are no more than one)."""
    arrays = [part for mine in shares for part in (mine.light, mine.heavy, mine.free, mine.locked)]
    flat = np.concatenate(arrays, axis=None)
    if not np.minimum.reduce(flat) >= -ROUNDING:
        return False
    if lone:
        return bool(np.maximum.reduce(flat) <= 1 + ROUNDING)
    return _makes_one(np.add.reduce(flat.reshape(len(shares), -1), axis=0))


def _makes_one(total: Array) -> bool:
    least, most = np.minimum.reduce(total, axis=None), np.maximum.reduce(total, axis=None)
    return bool(least >= 1 - ROUNDING and most <= 1 + ROUNDING)


def _arrays(shares: Shares) -> Iterator[tuple[str, Array, int]]:
    """Give the name of each array of some shares, the array and how many axes of sizes it has, laying none out."""
    yield "light", shares.light, 1
    yield "heavy", shares.heavy, 1
    yield "free", shares.free, 1
    if isinstance(shares, Rowed):
        yield "locked (row)", shares.row, 1
        yield "locked (base)", shares.base, 2
    elif not isinstance(shares, Rest):  # what others leave of one lies within 0 to 1 if they do
        yield "locked", shares.locked, 2


def _by_construction(shares: Sequence[Shares]) -> bool:
    """Whether there are two outlets, of which one gets what the other leaves: that makes one without adding up."""
    if len(shares) != 2:
        return False
    one, other = shares
    return (isinstance(one, Rest) and one.of is other) or (isinstance(other, Rest) and other.of is one)
