"""The numbers of a sheet that a setting can name: where each stands, what it means, and its bounds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from flowsheet.spec.blocks.factors import OutletFactors
from flowsheet.spec.blocks.fields import Block, dimension_of, extra_of, solved_fields
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import units
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.yaml.marked_document import Document


@dataclass(frozen=True)
class Turnable:
    """A number of the sheet, or the place of one that it does not give."""

    block: str
    path: tuple[str, ...]
    number: Number | None
    dimension: units.Dimension
    extra: Mapping[str, Any]
    what: str
    required: bool = False

    @property
    def setting(self) -> str:
        """Return its name, as ``try`` takes it."""
        return ".".join((self.block, *self.path))

    @property
    def bounds(self) -> tuple[float, float]:
        """Return what it may be at least and at most, in SI."""
        least = self.number.least if self.number else self.dimension.least
        most = self.number.most if self.number else self.dimension.most
        return max(least, self.extra.get("low", 0.0)), min(most, self.extra.get("high", math.inf))


def turnables(document: Document, sheet: Sheet) -> Iterator[Turnable]:
    """Go through the numbers that a setting can name: steps, then ores; rows of tables are left out."""
    for name, step in sheet.steps.items():
        if "." not in name and name == name.strip():
            yield from _in(step, name, ())
            yield from _shares(document, name, step.split, "split", list(step.outlets))
            yield from _shares(document, name, step.recovery, "recovery", list(step.outlets))
    alone = "ore" in document.data
    for name, ore in sheet.ores.items():
        block = "ore" if alone else f"ores.{name}"
        if block.split(".")[0] not in sheet.steps and "." not in name and name == name.strip():
            # Several ores must agree on detach, so it cannot be turned for one of them.
            yield from (one for one in _in(ore, block, ()) if alone or one.path[-1] != "detach")


def _in(block: Block, name: str, within: tuple[str, ...]) -> Iterator[Turnable]:
    for key, field in solved_fields(block).items():
        value, dimension = getattr(block, key), dimension_of(field)
        if isinstance(value, Block):
            yield from _in(value, name, (*within, key))
        elif dimension is not None and (value is None or isinstance(value, Number)):
            told = field.description or key
            yield Turnable(name, (*within, key), value, dimension, extra_of(field), told, field.is_required())


def _shares(
    document: Document, name: str, factors: OutletFactors | None, key: str, outlets: list[str]
) -> Iterator[Turnable]:
    """Go through the given shares that one setting can name and change, with no other to make the whole."""
    if factors is None or set(factors.outlets) >= set(outlets):
        return
    what = {"split": "share of the rock", "recovery": "share of the gold"}[key]
    for outlet, bands in factors.outlets.items():
        given = document.data["steps"][name][key][outlet]
        if not isinstance(given, str) or "." in outlet or outlet != outlet.strip():
            continue
        others = sum(max(b.share.value for b in mine) for o, mine in factors.outlets.items() if o != outlet)
        extra = {"low": 0.0, "high": max(0.0, 1 - others)}
        yield Turnable(name, (key, outlet), bands[0].share, units.SHARE, extra, f"{what} that goes to {outlet}", True)


def is_given(document: Document, one: Turnable) -> bool:
    """Whether the sheet itself gives a number; else it has its default."""
    top = () if one.block.split(".")[0] in ("ore", "ores") and one.block not in document.data["steps"] else ("steps",)
    node: Any = document.data
    for part in (*top, *one.block.split("."), *one.path):
        if not isinstance(node, dict) or part not in node:
            return False
        node = node[part]
    return True


def with_number(block: Any, path: tuple[str, ...], number: Number) -> Any:
    """Return a block with one number set; shares, whose range keeps them sound, are left as they are."""
    if isinstance(block, OutletFactors):
        return block
    inner = number if len(path) == 1 else with_number(getattr(block, path[0]), path[1:], number)
    return block.model_copy(update={path[0]: inner})
