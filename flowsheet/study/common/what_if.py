"""The sheet with one thing changed: what a trial, a finer screen and the advice have in common."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from flowsheet.spec.blocks.fields import Block, extra_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import EVEN, Number, written
from flowsheet.spec.text.units import LENGTH


@dataclass(frozen=True)
class Variant:
    """One field of one step set to another number."""

    step: str
    path: tuple[str, ...]
    what: str
    old: Number
    new: Number

    @property
    def name(self) -> str:
        """Return the field as a setting names it."""
        return ".".join((self.step, *self.path))

    def of(self, sheet: Sheet) -> Sheet:
        """Return the sheet with the change made."""
        step = sheet.steps[self.step]
        return replace(sheet, steps={**sheet.steps, self.step: _with(step, self.path, self.new)})


def _with(block: Any, path: tuple[str, ...], number: Number) -> Any:
    """Return a copy of a block with one number set; the copy is not checked again, the caller keeps bounds."""
    inner = number if len(path) == 1 else _with(getattr(block, path[0]), path[1:], number)
    return block.model_copy(update={path[0]: inner})


def improvements(sheet: Sheet) -> Iterator[Variant]:
    """Go through the changes that the knobs of the sheet's steps say may be for the better."""
    for name, step in sheet.steps.items():
        for path, what, old, new in _better(step, ()):
            yield Variant(name, path, what, old, new)


def _better(block: Block, within: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str, Number, Number]]:
    for name, field in type(block).model_fields.items():
        value = getattr(block, name)
        if isinstance(value, Block):
            yield from _better(value, (*within, name))
            continue
        extra = extra_of(field)
        if not isinstance(value, Number) or "better" not in extra:
            continue
        new = changed(value, extra["better"])
        low, high = extra.get("low", -float("inf")), extra.get("high", float("inf"))
        if new is not None and low <= new.value <= high:
            yield (*within, name), field.description or name, value, new


def changed(number: Number, rule: str) -> Number | None:
    """Return ``number`` changed by a rule ("x0.5", "+1", "to 0.95"), without its doubt; None if it is so already."""
    if rule.startswith("x"):
        return times(number, float(rule[1:]))
    if rule.startswith("+"):
        return _set_to(number, number.value + float(rule[1:]), 6)
    value = float(rule.removeprefix("to "))
    return _set_to(number, value, 6) if number.value < value else None


def times(number: Number, factor: float) -> Number:
    """Return a multiple of a number without its doubt."""
    return _set_to(number, factor * number.value, 4)


def _set_to(number: Number, value: float, digits: int) -> Number:
    """Return a number set to ``value`` (SI), in the unit that it was written in if that is plain.

    A length that is written as a mesh number, as a fraction, as a range or with a power of ten is told in mm.
    """
    plain = number.amount is not None and number.amount.plain and number.law != EVEN
    unit = "mm" if number.dimension is LENGTH and not plain else number.unit[0]
    return written(value, unit, number.dimension, digits)
