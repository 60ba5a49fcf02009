"""Closure of solids and gold, what loops caught, and which streams are metal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.checks.upstream import fired, metals

if TYPE_CHECKING:
    from flowsheet.solve.model import Model


CLOSED = 1e-9
"""A balance open by more (of what is fed, or goes through a step) is wrong: rounding leaves a thousandth of it."""


class BalanceError(RuntimeError):
    """A bug, never a mistake of the sheet: rock or gold has come from nowhere, or has gone there."""

    def __init__(self, what: str, gap: float) -> None:
        super().__init__(what, gap)
        self.what, self.gap = what, gap

    def __str__(self) -> str:
        return f"a bug: the balance of {self.what} is open by {self.gap:.3g} of what is fed, so no number of it is told"


@dataclass(frozen=True)
class Caught:
    """What a loop holds for ever, where it sits, and how much goes round."""

    loop: tuple[str, ...]
    stream: str
    material: Material
    #: Rock that comes back ÷ rock that is newly fed to the loop, of all its cuts together.
    circulating_load: Array


@dataclass(frozen=True)
class Closure:
    """The largest relative gap of the balance, of the whole sheet and of any step, over all draws."""

    solids: float
    gold: float

    def ensured(self) -> Closure:
        """Return the closure itself. Raises BalanceError where it is open."""
        for what, gap in (("solids", self.solids), ("gold", self.gold)):
            if not gap <= CLOSED:  # so said that nan is refused too
                raise BalanceError(what, gap)
        return self


def closure(
    model: Model, streams: Mapping[str, Material], feeds: Mapping[str, Material], caught: Iterable[Caught]
) -> Closure:
    """Measure how well what went in equals what came out and what was caught."""
    held = {c.stream: c.material for c in caught}
    return Closure(*(_gap(what, model, streams, feeds, held) for what in (_solids, _gold)))


#: Solids or gold of a material: a plain number where there are no draws, since a balance of those takes no arrays.
_Amount: TypeAlias = Callable[[Material], "Array | float"]


def _solids(material: Material) -> Array | float:
    return material.solids if material.solids.ndim else float(material.solids)


def _gold(material: Material) -> Array | float:
    return material.gold if material.gold.ndim else float(material.gold)


def _gap(
    what: _Amount,
    model: Model,
    streams: Mapping[str, Material],
    feeds: Mapping[str, Material],
    held: Mapping[str, Material],
) -> float:
    """Return the largest gap of ``what``: of the sheet, and of each step (of all that goes through it, if that is
    more than what is fed to the sheet: a loop may carry many times that)."""
    amount = {name: what(material) for name, material in streams.items()}
    kept_back = {name: what(material) for name, material in held.items()}
    for name, more in kept_back.items():
        amount[name] = amount[name] + more
    fed = sum(amount[name] for name in (*model.sheet.ores, *model.sources.values()))
    gaps = [relative_gap(fed, sum(amount[name] for name in model.ends) + sum(kept_back.values()), fed, fed)]
    for name, outlets in model.outlets.items():
        into = what(feeds[name])
        gaps.append(relative_gap(into, sum(amount[stream] for stream in outlets.values()), fed, into))
    return max(gaps) if sum(gaps) >= 0 else np.nan  # max alone would lose a nan


def relative_gap(into: Array | float, out: Array | float, fed: Array | float, through: Array | float) -> float:
    """Return the largest gap between what goes in and out, relative to what is fed, or goes through if that is more."""
    if isinstance(into, float) and isinstance(out, float) and isinstance(fed, float):
        whole = max(fed, through)
        if whole > 0:
            return float(abs(into - out) / whole)
        return 0.0 if into == out else np.inf
    most, gap = np.maximum(fed, through), np.abs(into - out)
    known = (most > 0) | (gap == 0)
    return float(np.max(np.where(known, gap / np.where(most > 0, most, 1.0), np.inf)))


def metal_streams(sheet: Sheet) -> set[str]:
    """Return the streams that are metal: a bead or button, and whatever is parted from metal alone."""
    return metals(sheet.steps)


def fired_streams(sheet: Sheet) -> set[str]:
    """Return the streams that leave fire beside the metal, slag say: no balance tells what they weigh."""
    return fired(sheet.steps)
