"""Streams and losses of a test as tables: the estimate's amounts, each with its ends and with what it is from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from flowsheet.show.text.figures import short
from flowsheet.show.text.tables import FATES, Column, Grid, mass_cell, percent_number, sig3
from flowsheet.study.common.interval import Interval, LessThan
from flowsheet.study.common.units_out import g_per_t, grams, milligrams, millimetres, told_apart
from flowsheet.study.estimate.this_test import SHEET, ThisTest
from flowsheet.study.run.run import Run
from flowsheet.study.run.told import ToldLoss

if TYPE_CHECKING:
    from flowsheet.study.estimate.chance import Chance

FROM = {"weights": "weights", SHEET: "sheet"}
"""How it is told in a table what a number is from."""
WHAT_FROM = (
    "From weights: weighed, or what the balance of the weights alone leaves. From the sheet: nobody weighed it, so "
    "that is the sheet's guess, as far as the weights have corrected it. 5 % and 95 %: the truth lies between them "
    "nine times in ten."
)
REASON_IN_SHORT = {
    "too_fine": "too fine",
    "locked": "locked",
    "not_seen": "not seen",
    "soaked_up": "soaked up",
    "caught": "caught in the loop",
    "unused": "no step takes it",
    "other": "for other reasons",
}
LEAST_PART = 0.005
"""A smaller part of a loss is not told."""
GUESSED = "≈ "
"""Stands before what nobody weighed, where the weights tell the rest."""
MOST_IN_MG = 1e-2
"""Gold is told in mg where no stream holds more (kg)."""


def of_tests(test: ThisTest) -> str:
    """Say of what the numbers are."""
    return "this test" if test.tests == 1 else f"these {test.tests} tests together"


def gold(run: Run, test: ThisTest) -> Grid:
    """Return the gold of every stream with its ends, what it is from, and what was planned where that differs."""
    unit, scale = _unit(one.gold.mean for one in run.told_streams.values())
    columns = (
        Column("Stream"),
        *_with_ends(f"Gold, {unit}"),
        Column("Of all, %", percent_number),
        Column("From"),
        Column(f"As planned, {unit}", _blank(sig3)),
        Column("Fate"),
    )
    rows = [
        (
            name,
            *_ends(one.gold, scale),
            one.share.mean,
            FROM[one.gold_from],
            _differs(scale * one.gold.mean, scale * one.planned_gold, sig3),
            FATES[one.fate],
        )
        for name, one in run.told_streams.items()
    ]
    return Grid("gold_held", f"Where the gold of {of_tests(test)} went", columns, rows)


def rock(run: Run, test: ThisTest) -> Grid:
    """Return what every stream weighs with its ends, what it is from, its grade, and what was planned."""
    columns = (
        Column("Stream"),
        Column("Mass, kg", _open(mass_cell), shown="Mass"),
        Column("5 %", _open(mass_cell)),
        Column("95 %", mass_cell),
        Column("Grade, g/t", sig3),
        Column("From"),
        Column("As planned, kg", _blank(mass_cell), shown="As planned"),
    )
    rows = [
        (
            name,
            *_ends(one.mass, 1.0),
            g_per_t(one.grade),
            FROM[one.mass_from],
            _differs(one.mass.mean, one.planned_mass, mass_cell),
        )
        for name, one in run.told_streams.items()
    ]
    return Grid("rock_held", f"What the streams of {of_tests(test)} weighed", columns, rows)


def losses(run: Run, test: ThisTest) -> Grid:
    """Return every loss with its ends and what it is from; why, in percent of it, is the sheet's."""
    told = run.told_losses
    unit, scale = _unit(one.gold.mean for one in told)
    columns = (
        Column("Lost with"),
        *_with_ends(f"Gold, {unit}"),
        Column("Of all, %", percent_number),
        Column("From"),
        Column("Why, by the sheet alone"),
    )
    rows = [
        (name_of(one), *_ends(one.gold, scale), one.share.mean, FROM[one.source], _why(one.reasons)) for one in told
    ]
    return Grid("losses", f"What {of_tests(test)} lost", columns, rows)


def _why(reasons: Mapping[str, float]) -> str:
    """Say in a few words why a loss is lost, the parts of it that matter."""
    ranked = sorted(((part, reason) for reason, part in reasons.items() if part >= LEAST_PART), reverse=True)
    if len(ranked) == 1:
        return REASON_IN_SHORT[ranked[0][1]]
    return ", ".join(f"{100 * part:.0f} % {REASON_IN_SHORT[reason]}" for part, reason in ranked) or "not told"


def lost(run: Run) -> Grid:
    """Return the same with full digits, each reason by itself, for a file."""
    rows = [one.as_row() for one in run.told_losses]
    heads = tuple(dict.fromkeys(head for row in rows for head in row))
    return Grid(
        "losses", "Losses", tuple(Column(head) for head in heads), [[r.get(h, 0.0) for h in heads] for r in rows]
    )


def coarse(run: Run, test: ThisTest, found: Chance | None = None) -> Grid:
    """Return the feed above each opening: gold by the estimate, of the tests, or else (``found``) of another sack."""
    mine = {told_apart(size): one for size, one in test.coarse.items()}
    others = {size: (one, SHEET) for size, one in found.coarse.items()} if found is not None else {}
    told = {**others, **mine}
    known = run.solution.model.grains_known
    columns = (
        Column("Coarser than, mm", short),
        Column("Gold, %", _blank(percent_number)),
        Column("5 %", _blank(percent_number)),
        Column("95 %", _blank(percent_number)),
        Column("From"),
        Column("Rock, planned %", percent_number),
        Column("Gold, planned %", percent_number),
        Column("Grade, planned g/t", sig3),
        *((Column("In sight, planned %", percent_number),) if known else ()),
    )
    rows = []
    for row in run.coarse:
        one, source = told.get(row.opening, (None, ""))
        ends = (one.mean, one.p5, one.p95) if one is not None else (None, None, None)
        plan = (row.mass_share, row.gold_share, g_per_t(row.grade), *((row.in_sight_share,) if known else ()))
        rows.append((millimetres(row.opening), *ends, FROM.get(source, ""), *plan))
    title = f"The feed above each opening: shares of the gold of {of_tests(test)}"
    if set(others) - set(mine):
        title += ", at openings that the sheet does not name of another sack"
    return Grid("coarse", title, columns, rows)


def name_of(loss: ToldLoss) -> str:
    """Return what a loss is called: a stream, or what a loop holds at one."""
    return f"caught in {loss.stream}" if loss.reasons.get("caught") else loss.stream


def streams(run: Run) -> Grid:
    """Return all of both tables by streams in one, with full digits, for a file."""
    rows = [{"stream": name, **one.as_row()} for name, one in run.told_streams.items()]
    heads = tuple(rows[0]) if rows else ()
    return Grid("balance", "Streams", tuple(Column(head) for head in heads), [tuple(row.values()) for row in rows])


def _unit(amounts: Iterable[float]) -> tuple[str, float]:
    return ("mg", milligrams(1.0)) if max(amounts, default=0.0) <= MOST_IN_MG else ("g", grams(1.0))


def _with_ends(head: str) -> tuple[Column, ...]:
    return Column(head, _open(sig3)), Column("5 %", _open(sig3)), Column("95 %", sig3)


def _ends(one: Interval, scale: float) -> tuple[float | None, float | None, float]:
    """Return a middle and two ends; only the upper end of what cannot be told from nothing."""
    if isinstance(one, LessThan):
        return None, None, scale * one.p95
    return scale * one.mean, scale * one.p5, scale * one.p95


def _differs(told: float, planned: float, form: Callable[[float], str]) -> float | None:
    """Return what was planned; None where it reads as what is told."""
    return None if form(told) == form(planned) else planned


def _open(form: Callable[[float], str]) -> Callable[[float | None], str]:
    """Return how a number is written that nobody can tell."""
    return lambda value: "–" if value is None else form(value)


def _blank(form: Callable[[float], str]) -> Callable[[float | None], str]:
    """Return how a number is written that may be left out."""
    return lambda value: "" if value is None else form(value)
