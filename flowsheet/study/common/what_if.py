"""The sheet with one thing changed: what a trial, a finer screen and the advice have in common."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from flowsheet.spec.blocks.fields import Block, extra_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.numbers import Number
from flowsheet.study.common.units_out import millimetres

_WRITTEN = re.compile(r"(?P<number>\d+(?:\.\d+)?)\s*(?P<unit>%|[A-Za-zµμ]+)\s*(?:±.*)?")


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
    """Return ``number`` changed by a rule ("x0.5", "+1", "to 0.95"); None if it is as good already."""
    if rule.startswith("x"):
        return times(number, float(rule[1:]))
    if rule.startswith("+"):
        value = number.value + float(rule[1:])
        return Number(value, text=f"{value:g}", least=number.least, most=number.most)
    value = float(rule.removeprefix("to "))
    if number.value >= value:
        return None
    return Number(value, text=f"{100 * value:g} %", least=number.least, most=number.most)


def times(number: Number, factor: float) -> Number:
    """Return a multiple of a length or share without its doubt, in the unit that it was written in if that is plain.

    A mesh number, a fraction or a range is no number that can be multiplied: its length is told in mm.
    """
    value = factor * number.value
    written = _WRITTEN.fullmatch(number.text.strip())
    if written and written["unit"].casefold() != "mesh":
        text = f"{float(written['number']) * factor:.4g} {written['unit']}"
    else:
        text = f"{100 * value:.4g} %" if number.most <= 1 else f"{millimetres(value):.4g} mm"
    return Number(value, text=text, least=number.least, most=number.most)
