"""What every step must give: all that it is fed, shared out; and the error where a kind of equipment does not.

A kind whose arrays lack an axis, or whose shares do not make one, would give wrong numbers without a word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, NoReturn, TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.factored_material import FactoredMaterial, Remainder
from flowsheet.ore.material import Material

if TYPE_CHECKING:
    from flowsheet.steps._operator import Breakage, Operator

Shares: TypeAlias = Material

DrawsOf: TypeAlias = Callable[[], AbstractSet[int]]
"""Tells how many draws a step was given: of its feed, its numbers, its site; nothing in a plain solve."""

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


def check_shapes(
    operator: Operator, kind: str, outlets: AbstractSet[str], classes: int, draws: DrawsOf | None = None
) -> None:
    """Check that all outlets have their shares, and every array its axes of S = ``classes``. Raises ContractError.

    ``draws`` tells which lengths an axis before these may have; it is asked only where there is one. None: any.
    """
    check = _Check(kind, classes)
    if operator.shares.keys() != outlets:
        check.outlets(operator.shares, outlets)
    for outlet, shares in operator.shares.items():
        layout = _layout(shares)
        if layout is None or not _laid_out_right(layout, classes):
            check.shapes(outlet, shares)
    for name, breakage in operator.breakages():
        check.breakage_shapes(name, breakage)
    if draws is not None:
        allowed = None
        for name, array, axes in _all_arrays(operator):
            if array.ndim > axes:
                allowed = draws() if allowed is None else allowed
                check.drawn(name, array, allowed)


def check_numbers(operator: Operator, kind: str, classes: int) -> None:
    """Check that shares (of right shapes) lie within 0 to 1 and make one. Raises ContractError."""
    if not all(map(share_all_out, _in_parts(operator))):
        _Check(kind, classes).numbers(operator)


def check_silver(kind: str, shares: Mapping[str, Array], outlets: AbstractSet[str]) -> None:
    """Check a kind's shares of silver, () or (D,) each. Raises ContractError."""
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

    def shapes(self, outlet: str, shares: Shares) -> None:
        for name, array, axes in _arrays(shares):
            if not _shaped(array.shape, axes, self.classes):
                wanted = ", ".join(["…", *[str(self.classes)] * axes])
                told = f"has the shape {array.shape}, not ({wanted}); an axis of sizes may be 1, none may be missing"
                self.fail(f"shares of {outlet}, {name}", told)

    def drawn(self, name: str, array: Array, draws: AbstractSet[int]) -> None:
        if array.shape[0] not in draws:
            told = f"{' or '.join(map(str, sorted(draws)))} draws" if draws else "one value, without draws"
            self.fail(name, f"has the shape {array.shape}, but its first axis is none of draws: the step is fed {told}")

    def breakage_shapes(self, name: str, breakage: Breakage) -> None:
        square = (self.classes, self.classes)
        for part, array in (("product", breakage.product), ("locked_share", breakage.locked_share)):
            if array.shape[-2:] != square or array.ndim > 3:
                self.fail(f"{name}, {part}", f"has the shape {array.shape}, not (…, {self.classes}, {self.classes})")

    def numbers(self, operator: Operator) -> None:
        shares = operator.shares
        for outlet, mine in shares.items():
            for name, array, _ in _arrays(mine):
                self.inside(f"shares of {outlet}, {name}", array)
        if not _by_construction(list(shares.values())):
            for name in ("light", "heavy", "free", "locked"):
                self.one(name, sum(getattr(mine, name) for mine in shares.values()))
        for name, breakage in operator.breakages():
            self.inside(f"{name}, product", breakage.product)
            self.one("", breakage.product.sum(axis=-2), f"{name}, product")

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


# ── the same in few operations ──────────────────────────────────────────────────────────────────────────────
# A solve takes a quarter of a millisecond a step; looked at array by array, shares would take a third of that. So all
# of a solve are looked at together, and only where something is wrong one by one, to name it.


def share_all_out(*operators: Operator) -> bool:
    """Whether operators of right shapes have shares within 0 to 1 that make one."""
    first: list[Array] = []  # of two outlets with arrays of one layout
    second: list[Array] = []
    others: list[Array] = []
    ones: list[Array] = []
    for operator in operators:
        shares = tuple(operator.shares.values())
        if any(isinstance(mine, FactoredMaterial) for mine in shares):
            return False
        if _by_construction(shares):
            others += next(_four(mine.of) for mine in shares if isinstance(mine, Remainder))
        elif len(shares) == 2 and _layout(shares[0]) == _layout(shares[1]):
            first += _four(shares[0])
            second += _four(shares[1])
        else:
            for parts in zip(*map(_four, shares), strict=True):
                others += parts
                ones.append(sum(parts[1:], parts[0]))
        for _, breakage in operator.breakages():
            others.append(breakage.product)
            ones.append(np.add.reduce(breakage.product, axis=-2))
    flat = np.concatenate([*first, *second, *others], axis=None)
    half = sum(part.size for part in first)
    if not (np.minimum.reduce(flat) >= -ROUNDING and np.maximum.reduce(flat) <= 1 + ROUNDING):
        return False
    total = np.concatenate([flat[:half] + flat[half : 2 * half], *ones], axis=None)
    return _makes_one(total) if total.size else True


def _four(shares: Shares) -> tuple[Array, Array, Array, Array]:
    return shares.light, shares.heavy, shares.free, shares.locked


def _in_parts(operator: Operator) -> Iterator[Operator]:
    """Give an operator in parts of few draws, which stay in the processor's cache."""
    arrays = [(array, axes) for mine in operator.shares.values() for _, array, axes in _arrays(mine)]
    arrays += [(breakage.product, 2) for _, breakage in operator.breakages()]
    draws = max(array.shape[0] if array.ndim > axes else 0 for array, axes in arrays)
    shares = operator.shares.values()
    # Of draws that are not laid out none are: they are known by their factors, and by what they leave.
    if draws <= AT_ONCE or any(isinstance(mine, (FactoredMaterial, Remainder)) for mine in shares):
        yield operator
    else:
        yield from (operator.part(slice(at, at + AT_ONCE)) for at in range(0, draws, AT_ONCE))


def _layout(shares: Shares) -> tuple[tuple[int, ...], ...] | None:
    """Return the shapes of four arrays; None where they are not simply there, and have to be looked at one by one."""
    if isinstance(shares, Remainder):
        return _layout(shares.of)
    if isinstance(shares, FactoredMaterial):
        return None
    return shares.light.shape, shares.heavy.shape, shares.free.shape, shares.locked.shape


@cache
def _laid_out_right(layout: tuple[tuple[int, ...], ...], classes: int) -> bool:
    return all(_shaped(shape, axes, classes) for shape, axes in zip(layout, AXES, strict=True))


def _shaped(shape: tuple[int, ...], axes: int, classes: int) -> bool:
    return axes <= len(shape) <= axes + 1 and all(n in (1, classes) for n in shape[-axes:])


def _makes_one(total: Array) -> bool:
    least, most = np.minimum.reduce(total, axis=None), np.maximum.reduce(total, axis=None)
    return bool(least >= 1 - ROUNDING and most <= 1 + ROUNDING)


def _arrays(shares: Shares) -> Iterator[tuple[str, Array, int]]:
    """Give the name of each array of some shares, the array and how many axes of sizes it has, laying none out."""
    yield "light", shares.light, 1
    yield "heavy", shares.heavy, 1
    yield "free", shares.free, 1
    if isinstance(shares, FactoredMaterial):
        yield "locked (row)", shares.row, 1
        yield "locked (base)", shares.base, 2
    elif not isinstance(shares, Remainder):  # what others leave of one lies within 0 to 1 if they do
        yield "locked", shares.locked, 2


def _all_arrays(operator: Operator) -> Iterator[tuple[str, Array, int]]:
    """Give what an error calls each array of an operator, the array, and how many axes of sizes it has."""
    for outlet, shares in operator.shares.items():
        yield from ((f"shares of {outlet}, {name}", array, axes) for name, array, axes in _arrays(shares))
    for name, breakage in operator.breakages():
        yield f"{name}, product", breakage.product, 2
        yield f"{name}, locked_share", breakage.locked_share, 2


def _by_construction(shares: Sequence[Shares]) -> bool:
    """Whether there are two outlets, of which one gets what the other leaves: that makes one without adding up."""
    if len(shares) != 2:
        return False
    one, other = shares
    return (isinstance(one, Remainder) and one.of is other) or (isinstance(other, Remainder) and other.of is one)
