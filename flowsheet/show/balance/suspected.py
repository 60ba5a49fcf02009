"""Which weight is suspect, in words: what it would have to be, what slipped, and which others may be it as well."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from flowsheet.show.text.figures import sig
from flowsheet.study.balance.result import Explanation, Reconciled, Weight
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM, KILOGRAMS, Slip
from flowsheet.study.common.units_out import TOLD

MOST_TOLD = 4
"""So many streams are named in a sentence; the tables have all of them."""


def suspect(found: Reconciled, weight: Weight) -> Iterator[str]:
    """Say which weight is suspect, what it would have to be, what may have slipped, and which others may be it."""
    begin = "If they were not, the" if found.swapped is not None else "The"
    reads = value(weight.measured, weight.sd, weight.unit)
    yield f"{begin} one to look at is {said(weight.name)}: it reads {reads}"
    without = found.without
    if without is not None:
        if without.should_be.known:
            yield f"where all the others want {value(without.should_be.value, without.should_be.sd, weight.unit)}."
        else:
            yield "and the others cannot say what it should be."
        if without.slip is not None:
            yield _slip(without.slip)
    yield from _others(found)
    if without is not None and without.dof > 0:
        agreeing = "the others agree" if without.p >= ALARM else "the others still disagree, so more than it is wrong"
        yield f"Without it {agreeing}."


def _slip(slip: Slip) -> str:
    if slip.point:
        return f"A slip of the point? {slip.written} for {slip.meant} would explain it."
    return f"A slip of the unit? {sig(slip.number)} {slip.meant} written as {slip.written} would explain it."


def _others(found: Reconciled) -> Iterator[str]:
    """Say which other weights would explain it, equally or nearly so, and which of them cannot be."""
    possible = [one for one in found.explained if one.possible]
    tied = [one for one in possible if one.tied]
    near = [one for one in possible if not one.tied]
    if tied:
        these = "these" if len(tied) > 1 else "that"
        slipped = found.without is not None and found.without.slip is not None
        why = "a slip explains it" if slipped else "it would be off by least"
        yield (
            f"A tie: the balance cannot tell it from {some(map(_would, tied), 'or')}, which would explain it exactly "
            f"as well. It is named first since {why}: check {these} as well."
        )
    if near:
        these = "these" if len(near) > 1 else "that"
        yield f"The balance cannot tell it from {some(map(_would, near), 'or')}: check {these} as well."
    yield from (_slip_of(one) for one in possible if one.slip is not None)
    cannot = [said(one.weight.name) for one in found.explained if not one.possible]
    if cannot:
        yield f"It is hardly {some(cannot, 'or')}: with that wrong, a stream would come out below nothing."


def _would(one: Explanation) -> str:
    """Say a weight and what it would have to read."""
    weight, right = one.weight, one.should_be
    if not right.known:
        return said(weight.name)
    read, would = value(weight.measured, 0, weight.unit), value(right.value, 0, weight.unit)
    return f"{said(weight.name)} (reads {read}, would be {would})"


def _slip_of(one: Explanation) -> str:
    assert one.slip is not None
    return f"Of {said(one.weight.name)}: {_slip(one.slip)[0].lower()}{_slip(one.slip)[1:]}"


def value(value: float, sd: float, unit: str) -> str:
    """Write a value (kg, kg/kg, a share) with its doubt in a unit that suits it, to the digits that this leaves."""
    if unit in ("g/t", "%"):
        value, sd = TOLD[unit](value), TOLD[unit](sd)
    else:
        size = max(abs(value), abs(sd))
        unit = next((u for u in ("t", "kg", "g") if size >= KILOGRAMS[u]), "mg")
        value, sd = value / KILOGRAMS[unit], sd / KILOGRAMS[unit]
    if not sd > 0:
        return f"{sig(value, 4)} {unit}"
    decimals = max(1 - math.floor(math.log10(sd)), 0)
    whole = math.floor(math.log10(max(abs(value), sd)))
    decimals = min(decimals, max(5 - whole, 0))
    return f"{value:,.{decimals}f} ± {sig(sd, 2)} {unit}".replace("-", "−")


def said(name: str) -> str:
    """Turn the name of a weight, "tails, mass", into words: "the mass of tails"."""
    stream, _, what = name.rpartition(", ")
    return f"the {what} of {stream}"


def some(names: Any, joint: str) -> str:
    """Join names, at most a few of them."""
    names = list(names)
    if len(names) > MOST_TOLD + 1:
        names = [*names[:MOST_TOLD], f"{len(names) - MOST_TOLD} more"]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {joint} {names[-1]}" if names else "nothing"
