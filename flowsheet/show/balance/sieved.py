"""Sieves beside the weights: whether they agree, and the rock of each stream by the miner's own sieves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from flowsheet.show.balance.suspected import said, some, value
from flowsheet.show.text.figures import mass, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.spec.blocks.measurement import MASS, Measurement
from flowsheet.study.balance.sieve_balance import SieveBalance
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM
from flowsheet.study.common.units_out import millimetres

QUESTION = "Do my sieves agree with my weights?"


def agree(found: Sequence[SieveBalance]) -> Iterator[str]:
    """Say of each set of sieved streams whether they agree, and which mass or sieve stands out."""
    for one in found:
        streams = some(one.streams, "and")
        if one.p >= ALARM:
            yield f"Yes: {streams} agree on all sieves together (chance of such a misfit {sig(one.p, 2)})."
            continue
        yield f"No: {streams} do not agree (chi-square {sig(one.chi2)}, {one.dof} more than the balance needs)."
        if one.suspect is None:
            yield "No single mass and no single sieve explains it: look for rock lost, or a step that broke some."
            continue
        sieves = len({m.lower for m in one.classes if m.lower is not None})
        if one.flow:
            of = f"the {sieves} sieves agree with each other" if sieves > 1 else "the sieve agrees"
            yield f"It is a flow that is wrong and not a sieve: {of}, and {_named(one.suspect)} contradicts them."
        else:
            yield f"The one to look at is {_named(one.suspect)}: all the others agree without it."
        if not math.isnan(one.should_be_sd):
            yield f"It reads {_value(one.suspect, one.suspect.value, one.suspect.sd)} where they want " + (
                f"{_value(one.suspect, one.should_be, one.should_be_sd)}."
            )
        if one.as_likely:
            yield f"A tie: {some(map(_named, one.as_likely), 'or')} would explain it as well. Check that too."


def sieves(found: Sequence[SieveBalance]) -> Grid:
    """Return the rock of every stream between the sieves that were used."""
    columns = (
        Column("Stream"),
        Column("Between"),
        Column("Mass, kg", _mass, shown="Mass"),
        Column("doubt, kg", _mass, shown="doubt"),
        Column("Of the stream, %", _percent),
        Column("Of the class fed, %", _percent),
    )
    rows = [
        (c.stream, _between(c.upper, c.lower), *(None if math.isnan(x) else x for x in (c.mass, c.mass_sd)),
         *(None if math.isnan(x) else 100 * x for x in (c.share, c.distribution)))
        for one in found for c in one.classes
    ]  # fmt: skip
    return Grid("sieved", "Rock by your own sieves, as sieves and weights have it together", columns, rows)


def _between(upper: float | None, lower: float | None) -> str:
    if upper is None:
        return f"+{sig(millimetres(lower or 0.0), 3)} mm"
    if lower is None:
        return f"-{sig(millimetres(upper), 3)} mm"
    return f"{sig(millimetres(upper), 3)} to {sig(millimetres(lower), 3)} mm"


def _named(m: Measurement) -> str:
    return said(m.name)


def _value(m: Measurement, told: float, sd: float) -> str:
    return value(told, sd, "kg") if m.what == MASS else f"{sig(100 * told, 3)} ± {sig(100 * sd, 2)} %"


def _mass(kg: float | None) -> str:
    return "–" if kg is None else mass(kg, 3)


def _percent(share: float | None) -> str:
    return "–" if share is None else sig(share, 3)
