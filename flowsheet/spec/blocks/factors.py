"""Factors: shares of the solids (``split``) or of the gold (``recovery``) that go to each outlet.

A share is a number, or a table by size (``{"+20 mm": 95 %, "20 mm to 1 mm": 90 %, "-1 mm": 5 %}``), or by
form and size (``{free: …, locked: …}``, either way round). The outlet that is left out gets the rest.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.number_with_doubt import AT_BOUND, Number, NumberMistake

FORMS = ("free", "locked")
LEAST_SIEVE, MOST_SIEVE = 1e-6, 5.0
"""Bounds (m) of every opening that a sheet may name."""


def is_sieve(size: float) -> bool:
    """Whether an opening of ``size`` (m) may be named; the bounds count, but for the rounding of a unit."""
    return LEAST_SIEVE * (1 - AT_BOUND) <= size <= MOST_SIEVE * (1 + AT_BOUND)


At: TypeAlias = tuple[str | int, ...]
UNCOVERED = "no_share_for_a_size"
"""Code of the mistake that a size or a form has no share."""
#: Where, message, remedy, whether the name of the field is at fault (not what stands behind the colon), and the code.
Fault: TypeAlias = tuple[At, str, str, bool, str]


@dataclass(frozen=True)
class Band:
    """One share, for the sizes from ``lower`` to ``upper`` (m) and one form of the gold (None: both)."""

    share: Number
    lower: float = 0.0
    upper: float = math.inf
    form: str | None = None


@dataclass(frozen=True)
class OutletFactors:
    """The shares of each outlet that the sheet names, as bands that cover every size and form."""

    outlets: dict[str, tuple[Band, ...]]

    def openings(self) -> set[float]:
        """Return every size (m) that the factors name: each becomes a class limit."""
        ends = {end for band in self.bands() for end in (band.lower, band.upper)}
        return {end for end in ends if 0 < end < math.inf}

    def bands(self) -> Iterator[Band]:
        """Go through the bands of all outlets."""
        for bands in self.outlets.values():
            yield from bands

    @property
    def by_form(self) -> bool:
        """Whether free and locked gold have shares of their own."""
        return any(band.form for band in self.bands())


def _read(value: object) -> OutletFactors:
    if isinstance(value, OutletFactors):
        return value
    faults: list[Fault] = []
    outlets: dict[str, tuple[Band, ...]] = {}
    if not isinstance(value, dict) or not value:
        faults.append(
            (
                (),
                "shares by outlet are wanted here",
                "Write {outlet: 80 %}, with the outlet's name",
                False,
                "shares_wanted",
            )
        )
    else:
        for outlet, given in value.items():
            bands = list(_bands(given, (outlet,), {}, faults))
            if not any(fault[0][:1] == (outlet,) for fault in faults):
                _check_cover(bands, (outlet,), faults)
            outlets[outlet] = tuple(bands)
    if faults:
        raise PydanticCustomError("sheet", "{faults}", {"faults": faults})
    return OutletFactors(outlets)


def _bands(given: object, at: At, narrowed: dict[str, Any], faults: list[Fault]) -> Iterator[Band]:
    """Read a share, or a table of shares by size or form, at ``at``."""
    if given == {}:
        faults.append((at, "no shares stand here", "Write a share, as 80 %", False, "nothing_written"))
    if isinstance(given, dict):
        for key, inner in given.items():
            limit = _narrow(key, (*at, key), narrowed, faults)
            if limit is not None:
                yield from _bands(inner, (*at, key), {**narrowed, **limit}, faults)
        return
    try:
        share = number_with_doubt.parse("" if given is None or isinstance(given, list) else str(given), units.SHARE)
    except NumberMistake as wrong:
        faults.append((at, wrong.message, wrong.remedy, False, wrong.code))
        return
    top = share.value if share.high is None else share.high
    low = share.value if share.low is None else share.low
    if low < 0:
        faults.append((at, "a negative share", "Write a share from 0 % to 100 %", False, "share_out_of_range"))
    elif top > 1:
        hint = f'Did you mean "{top:g} %"?' if top <= 100 and not share.unit[0] else "Write at most 100 %"
        faults.append((at, "a share over 100 %", hint, False, "share_out_of_range"))
    else:
        yield Band(share, **narrowed)


def _narrow(key: str, at: At, narrowed: dict[str, Any], faults: list[Fault]) -> dict[str, Any] | None:
    """Read one key of a table of shares: a form of gold, or a range of sizes."""
    remedy = 'Write a size range ("+20 mm", "20 mm to 1 mm", "-1 mm") or a form (free, locked)'
    if key in FORMS:
        if "form" in narrowed:
            faults.append((at, "a form inside a form", remedy, True, "nested_twice"))
            return None
        return {"form": key}
    if "upper" in narrowed or "lower" in narrowed:
        faults.append((at, "a size range inside a size range", remedy, True, "nested_twice"))
        return None
    text = key.strip()
    try:
        if text[:1] in "+-" and len(text) > 1:
            size = _size(text[1:].strip())
            return {"lower": size} if text[0] == "+" else {"upper": size}
        ends = re.split(r"\s+to\s+", text) if len(text) <= number_with_doubt.LONGEST else []
        if len(ends) == 2:
            a, b = (_size(end) for end in number_with_doubt.lend_unit(ends[0], ends[1]))
            if a != b:
                return {"lower": min(a, b), "upper": max(a, b)}
    except NumberMistake as wrong:
        faults.append((at, wrong.message, wrong.remedy, True, wrong.code))
        return None
    faults.append((at, "neither a size range nor a form of gold", remedy, True, "no_size_nor_form"))
    return None


def _size(text: str) -> float:
    size = number_with_doubt.parse(text, units.LENGTH).value
    if not is_sieve(size):
        raise NumberMistake("no sieve has such an opening", "Check the number and its unit", code="no_such_sieve")
    return size


def _check_cover(bands: list[Band], at: At, faults: list[Fault]) -> None:
    """See that every size and form has one share, and only one."""
    forms = {band.form for band in bands}
    for form in FORMS if forms != {None} else (None,):
        mine = sorted((b for b in bands if b.form in (form, None)), key=lambda b: (b.lower, b.upper))
        name = f"{form} gold" if form else "the sizes"
        if not mine:
            faults.append((at, f"no share for {form} gold", f"Add {form}: …", False, UNCOVERED))
            continue
        reached = 0.0
        for band in mine:
            if band.lower > reached * (1 + 1e-9):
                gap = f"{_mm(reached)} to {_mm(band.lower)}" if reached else f"-{_mm(band.lower)}"
                faults.append((at, f"no share for {name} {gap}", f'Add "{gap}": …', False, UNCOVERED))
            elif band.lower < reached * (1 - 1e-9):
                faults.append((at, f"two shares for {name} just under {_mm(min(reached, band.upper))}",
                               "Let the size ranges meet without overlapping", False, "shares_overlap"))  # fmt: skip
            reached = max(reached, band.upper)
        if reached < math.inf:
            faults.append((at, f"no share for {name} +{_mm(reached)}", f'Add "+{_mm(reached)}": …', False, UNCOVERED))


def _mm(size: float) -> str:
    return f"{size * 1000:g} mm"


class _Reader:
    """Makes pydantic read a field as Factors."""

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(_read)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        share = {"type": ["string", "number"], "quantity": "share"}
        table = {"type": "object", "additionalProperties": {"anyOf": [share, {"type": "object"}]}}
        return {"type": "object", "minProperties": 1, "additionalProperties": {"anyOf": [share, table]}}


FactorField: TypeAlias = Annotated[OutletFactors, _Reader()]
