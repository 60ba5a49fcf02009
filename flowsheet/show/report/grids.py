"""Tables of a report that no single answer has: each joins what a reader would look for side by side."""

from __future__ import annotations

from typing import Any

from flowsheet.show.run import run_tables, told_tables
from flowsheet.show.text import tables
from flowsheet.show.text.figures import percent, short, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.study.common.units_out import grams, milligrams, millimetres
from flowsheet.study.estimate.chance import Chance
from flowsheet.study.run.run import Run
from flowsheet.study.run.sensitivity import AT_MOST

GOLD = (("kg", 1.0), ("g", grams(1.0)), ("mg", milligrams(1.0)))
ROCK = (("t", 1e-3), *GOLD)
"""Units of gold and of rock, and how many of each make a kilogram."""
FINEST = 1e-3
"""Of its column's unit, an amount below this is told as less than it."""


def coarse(run: Run, found: Chance | None) -> Grid:
    """Return the feed above each opening, with the ends of its share of the gold where these are known."""
    if run.this_test is not None:
        return told_tables.coarse(run, run.this_test, found)
    plain = run_tables.coarse(run)
    told = found if found is not None else run.sure
    known = {millimetres(size): one for size, one in told.coarse.items()} if told is not None else {}
    weighed = [millimetres(size) for size in told.coarse_weighed] if told is not None else []
    if not known:
        return plain
    gold = 1 + [column.head for column in plain.columns].index("Gold, %")
    ends = [
        *([Column("By the weights, %", _opened)] if weighed else []),
        Column("5 %", _opened),
        Column("95 %", _opened),
    ]
    rows = []
    for row in plain.rows:
        one = known.get(row[0])
        middle = [one.mean if one is not None and row[0] in weighed else None] if weighed else []
        rows.append((*row[:gold], *middle, *((one.p5, one.p95) if one is not None else (None, None)), *row[gold:]))
    lot = "the ore by the weights, else of one sack" if weighed else "one sack"
    title = f"The feed above each opening (shares of all; 5 % and 95 % are the ends of the gold's, of {lot})"
    return Grid(plain.name, title, (*plain.columns[:gold], *ends, *plain.columns[gold:]), rows)


def _opened(share: float | None) -> str:
    return "–" if share is None else _share(share)


def by_size(run: Run, names: list[str]) -> Grid:
    """Return rock and gold of some streams by size class, coarsest first; classes that hold nothing are left out."""
    edges = [None if row.upper is None else millimetres(row.upper) for row in run.flows[names[0]].sizes]
    columns: list[Column] = [Column("Finer than, mm", short)]
    told: list[list[float]] = []
    held = [False] * len(edges)
    for name in names:
        sizes = run.flows[name].sizes
        for what, units, amounts in (
            ("rock", ROCK, [row.rock for row in sizes]),
            ("gold", GOLD, [row.gold for row in sizes]),
        ):
            unit, scale = next((one for one in units if one[1] * max(amounts) >= 1), units[-1])
            columns.append(Column(f"{name}: {what}, {unit}", _amount))
            told.append([scale * amount for amount in amounts])
            held = [some or amount > tables.FAINT for some, amount in zip(held, amounts, strict=True)]
    rows: list[tuple[Any, ...]] = [
        (edge, *(amounts[at] for amounts in told)) for at, edge in enumerate(edges) if held[at]
    ]
    title = "Rock and free gold by their own size, locked gold by that of its rock"
    return Grid("by_size", title, tuple(columns), rows)


def _amount(value: float) -> str:
    """Write an amount in its column's unit: none has more than three decimals."""
    if value <= 0:
        return "–"
    if value < FINEST:
        return f"<{FINEST:g}"
    return f"{value:.3f}" if value < 1 else sig(value)


def advice(run: Run) -> Grid:
    """Return every change that wins gold, best first."""
    columns = (
        Column("Change"),
        Column("That is"),
        Column("From"),
        Column("To"),
        Column("Keeps more, mg", tables.signed),
        Column("Of all gold, %", _share),
    )
    rows = [(one.setting, one.what, one.now, one.then, milligrams(one.gain), one.gain_share) for one in run.advice]
    bound = " (cleaning a loop by hand: at most)" if any(one.then == AT_MOST for one in run.advice) else ""
    return Grid("advice", f"What to change, best first{bound}", columns, rows)


def _share(share: float) -> str:
    return percent(share).removesuffix(" %").replace("under ", "<")
