"""Sieves beside the weights: whether they agree, and the rock of each stream by the miner's own sieves."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from flowsheet.show.balance.suspected import said, some
from flowsheet.show.text.figures import mass, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.study.balance.result import Reconciled, Weight
from flowsheet.study.balance.sieve_balance import SieveBalance
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM
from flowsheet.study.common.units_out import g_per_t, milligrams, millimetres, percent

QUESTION = "Do my sieves agree with my weights?"


def agree(found: Reconciled) -> Iterator[str]:
    """Say of each set of sieved streams whether they agree, and which flow or sieve stands out."""
    for one in found.sieved:
        streams = some(dict.fromkeys(c.stream for c in one.classes if not math.isnan(c.written)), "and")
        mine = [w for w in _suspects(found) if w.stream in one.streams]
        if not one.checked:
            yield (
                f"Nothing checks the sieves of {streams}: sieve both what goes into a step that only parts rock and "
                "all that comes out of it, and they will check each other and its flows."
            )
        elif mine and all(w.unit != "%" for w in mine):
            what = f"the {one.sieves} sieves agree with each other" if one.sieves > 1 else "the sieve agrees"
            wrong = said(mine[0].name)
            yield f"It is a flow that is wrong and not a sieve: {what}, and {wrong} contradicts the others."
        elif mine:
            which = some([said(w.name) for w in mine], "or")
            yield f"Of {streams} one sieving stands out: {which}. No flow need be wrong."
        elif found.p >= ALARM or _suspects(found):
            yield f"Yes: {streams} agree on all sieves together."
        else:
            yield f"{streams[:1].upper()}{streams[1:]} do not all agree, and no flow and no single sieve explains it."


def _suspects(found: Reconciled) -> list[Weight]:
    """Return the weights of which one is wrong, the likeliest first."""
    likely = [one.weight for one in found.explained if one.possible]
    return [found.suspect, *likely] if found.suspect is not None else []


def grids(found: Sequence[SieveBalance]) -> list[Grid]:
    """Return the rock of every stream between the sieves that were used, and its gold where fractions were assayed."""
    classes = [c for one in found for c in one.classes]
    told = [c for c in classes if not (math.isnan(c.mass) and math.isnan(c.written))]
    graded = [c for c in classes if not all(math.isnan(x) for x in (c.gold, c.grade, c.grade_written))]
    tables = []
    if told:
        columns = (
            Column("Stream"),
            Column("Between"),
            Column("Mass, kg", _mass, shown="Mass"),
            Column("doubt, kg", _mass, shown="doubt"),
            Column("As written, %", _three),
            Column("Of the stream, %", _three),
            Column("Of the class fed, %", _three),
        )
        rows = [
            (c.stream, _between(c.upper, c.lower), _known(c.mass), _known(c.mass_sd),
             *(_known(percent(x)) for x in (c.written, c.share, c.distribution)))
            for c in told
        ]  # fmt: skip
        title = "Rock by your own sieves, as written and as all weights have it"
        tables.append(Grid("sieved", title, columns, rows))
    if graded:
        columns = (
            Column("Stream"),
            Column("Between"),
            Column("As assayed, g/t", _three),
            Column("Grade, g/t", _three),
            Column("doubt, g/t", _three),
            Column("Gold, mg", _three),
            Column("Of the gold fed, %", _three),
        )
        rows = [
            (c.stream, _between(c.upper, c.lower),
             *(_known(g_per_t(x)) for x in (c.grade_written, c.grade, c.grade_sd)),
             _known(milligrams(c.gold)), _known(percent(c.gold_distribution)))
            for c in graded
        ]  # fmt: skip
        title = "Gold by your own sieves, as assayed and as all weights have it"
        tables.append(Grid("sieved-gold", title, columns, rows))
    return tables


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _between(upper: float | None, lower: float | None) -> str:
    if upper is None:
        return f"+{sig(millimetres(lower or 0.0), 3)} mm"
    if lower is None:
        return f"-{sig(millimetres(upper), 3)} mm"
    return f"{sig(millimetres(upper), 3)} to {sig(millimetres(lower), 3)} mm"


def _mass(kg: float | None) -> str:
    return "–" if kg is None else mass(kg, 3)


def _three(share: float | None) -> str:
    return "–" if share is None else sig(share, 3)
