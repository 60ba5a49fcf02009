"""A pile on the terminal: what it holds, how sure that is, which sack stands out, what one more would buy."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from flowsheet.show.text import spans
from flowsheet.show.text.figures import gold, grade, mass, percent, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console, list_lines, print_table
from flowsheet.spec.text.notes import texts
from flowsheet.spec.text.wording import argument
from flowsheet.study.common.interval import LessThan
from flowsheet.study.common.units_out import g_per_t, grams
from flowsheet.study.lot.combine_tests import Lot, TestedSack

MOST_ROWS = 40
"""Tests that the terminal shows; of more, those that matter most."""
NAMED = 3
"""Sacks that a sentence names."""
HARDLY = 0.03
"""An interval that one more sack narrows by less than this share is hardly worth it: typical, no source."""
MOSTLY = 0.95
"""The luck of grains without rare ones is told beside it where it is less than this part of it."""


def each_test(found: Lot, rows: Sequence[TestedSack] | None = None) -> Grid:
    """Return the tests: what each held, and what it tells of the ore by itself."""
    columns = (
        Column("Test"),
        Column("Mass, kg", _sig4),
        Column("Gold, g", _sig4),
        Column("± sd, g", _sig2),
        Column("Grade, g/t", sig),
        Column("Alone 5 %, g/t", sig),
        Column("Alone 95 %, g/t", sig),
        Column("So rich by the others, %", _share),
        Column("Note"),
    )
    shown = found.rows if rows is None else rows
    cells = [
        (
            r.name,
            r.mass,
            grams(r.gold),
            grams(r.gold_sd),
            *map(g_per_t, (r.grade, r.low, r.high)),
            100 * r.above,
            _note(r),
        )
        for r in shown
    ]
    return Grid("tests", "The tests", columns, cells)


def pile(found: Lot) -> Grid:
    """Return the pile's grade and gold, and the plain interval beside."""
    columns = (Column("What"), Column("Unit"), Column("Mean", sig), Column("5 %", sig), Column("95 %", sig))
    rows: list[tuple[Any, ...]] = [
        ("grade of the pile", "g/t", *map(g_per_t, (found.grade.mean, found.grade.p5, found.grade.p95)))
    ]
    if found.gold is not None:
        rows.append(("gold of the pile", "g", *map(grams, (found.gold.mean, found.gold.p5, found.gold.p95))))
    spread = found.spread
    rows.append(("spread between sacks", "%", 100 * spread.mean, 100 * spread.p5, 100 * spread.p95))
    low, high = found.plain.student()
    rows.append(("grade by the plain t interval", "g/t", *map(g_per_t, (found.plain.mean, low, high))))
    return Grid("pile", "The pile (from 5 to 95 %: nine chances in ten)", columns, rows)


def _note(row: TestedSack) -> str:
    told = []
    if not row.told:
        told.append("at least; left out")
    if row.outlying:
        told.append(f"stands out: {row.outlying}")
    if row.suspect:
        told.append("weights disagree")
    return "; ".join(told)


def _sig4(value: float) -> str:
    return sig(value, 4)


def _sig2(value: float) -> str:
    return sig(value, 2)


def _share(share: float) -> str:
    return "<0.01" if 0 <= share < 0.01 else sig(share, 2)


def answers(found: Lot) -> Iterator[tuple[str, str]]:
    """Return (question, answer): what the pile holds, how sure that is, the next sack, the sacks that stand out."""
    yield "What does the pile hold?", holds(found)
    yield "How sure is that?", sure(found)
    yield "What would one more sack buy?", one_more(found)
    if len(found.told) > 1:
        yield "Does a sack stand out?", standing_out(found)


def holds(found: Lot) -> str:
    """Say grade and gold of the pile, and what they rest on."""
    told = found.told
    rock, held = sum(row.mass for row in told), sum(row.gold for row in told)
    tested = f"{_counted(len(told), 'test')} took {mass(rock)} of it, with {gold(held)} of gold"
    chances = "nineteen chances in twenty" if isinstance(found.grade, LessThan) else "nine chances in ten"
    if found.gold is None or found.sacks is None:
        return (
            f"{spans.about(found.grade, spans.grade)}, {chances}: {tested}. How much gold that is, the sheet "
            "does not say: add pile: {sacks: 40, sack_mass: 14 kg}, with your numbers."
        )
    left = found.sacks - len(told)
    rest = f"the other {_counted(left, 'sack')} are estimated" if left > 1 else "one sack is estimated"
    rest = rest if left else "no sack is left to test"
    return (
        f"{spans.about(found.gold, spans.gold)} of gold in {mass(found.mass)} ({_counted(found.sacks, 'sack')}), "
        f"{chances}: {spans.grade(found.grade)}. {tested}; {rest}."
    )


def sure(found: Lot) -> str:
    """Say where the doubt is from, and what the plain interval would say."""
    text = f"Sacks differ by {spans.percent(found.spread)} from one to the next"
    if len(found.told) == 1:
        text = f"One test tells nothing of how sacks differ: {percent(found.prior_spread)} is taken, more or less"
    elif len(found.told) < NAMED + 1:
        text += f" (with so few tests, mostly by what was taken: {percent(found.prior_spread)}, more or less)"
    if found.luck > 0:
        text += f"; the luck of grains comes on top, ± {percent(found.luck)} for one of them"
        if found.usual_luck < MOSTLY * found.luck:
            text += f" (± {percent(found.usual_luck)} but for the large grains that few sacks hold)"
    if len(found.told) == 1:
        return f"{text}."
    low, high = found.plain.student()
    plain = "{} g/t ({} to {})".format(*(sig(g_per_t(value)) for value in (found.plain.mean, low, high)))
    return (
        f"{text}. The plain t interval of the {len(found.told)} grades would be {plain}: it takes them to be spread "
        "evenly about their mean, and allows for no nugget that none of them holds."
    )


def one_more(found: Lot) -> str:
    """Say what testing one more sack would buy."""
    if found.more is None:
        return "Nothing: every sack of the pile is tested."
    now, then = found.more.now, found.more.then
    gained = 1 - then / now if now > 0 else 0.0
    text = f"The interval is {grade(now)} wide; with one more sack it would be {grade(then)}, as may be expected"
    if gained < HARDLY:
        return f"{text}: hardly anything."
    return f"{text}: narrower by {percent(gained)}."


def standing_out(found: Lot) -> str:
    """Name the sacks that stand out, or the one that lies farthest off."""
    out = found.outlying
    if not out:
        far = min(found.told, key=lambda row: min(row.above, 1 - row.above))
        rich = far.above < 0.5
        seldom = far.above if rich else 1 - far.above
        return (
            f"None. The farthest off is {far.name} ({grade(far.grade)}): by the others, {percent(seldom)} of "
            f"such sacks hold as {'much or more' if rich else 'little or less'}, and {len(found.told)} were tested."
        )
    named = ", ".join(f"{row.name} ({row.outlying}, {grade(row.grade)})" for row in out[:NAMED])
    more = f" and {len(out) - NAMED} more (see the table)" if len(out) > NAMED else ""
    one = len(out) == 1
    return (
        f"{named}{more}: of a pile like the others, hardly any sack would be. Look over "
        f"{'its' if one else 'their'} weights and where {'it was' if one else 'they were'} taken; "
        f"{'it is' if one else 'they are'} counted in all the same."
    )


def notes(found: Lot) -> Iterator[str]:
    """Go through what was left out, what disagrees and what was taken for granted."""
    for row in [row for row in found.rows if not row.told][:MOST_ROWS]:
        weigh = " and ".join(f"the {what} of {stream}" for stream, what in row.weigh)
        weigh = f" Weigh {weigh}, and it counts." if weigh else ""
        yield (
            f"{row.name} held {gold(row.gold)} at least ({grade(row.grade)}): its weights do not determine "
            f"the rest, so it is left out of the estimate.{weigh}"
        )
    doubted = [row for row in found.rows if row.suspect]
    for row in doubted[:NAMED]:
        yield f"The weights of {row.name} disagree ({row.suspect}): see flowsheet reconcile."
    if len(doubted) > NAMED:
        yield f"So do those of {len(doubted) - NAMED} more tests (see the table)."
    for one in found.left[:MOST_ROWS]:
        first = one["mistakes"][0]
        more = f" ({len(one['mistakes'])} mistakes in all)" if len(one["mistakes"]) > 1 else ""
        line = f", line {first['line']}" if first["line"] else ""
        yield f"Left out: {one['file']}{line}: {first['message']}{more}. {first['remedy'].rstrip('.')}."
    if len(found.left) > MOST_ROWS:
        yield f"Left out too: {len(found.left) - MOST_ROWS} more files."
    yield from texts(found.notes)


def shown_rows(found: Lot) -> list[TestedSack]:
    """Return the tests that a terminal shows: all, or those that stand out, disagree, or lie farthest off."""
    if len(found.rows) <= MOST_ROWS:
        return list(found.rows)
    ranked = sorted(
        found.rows, key=lambda r: (not r.outlying, not r.suspect, r.told, min(r.above, 1 - r.above) if r.told else 0.0)
    )
    kept = {id(row) for row in ranked[:MOST_ROWS]}
    return [row for row in found.rows if id(row) in kept]


def _counted(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def cautions(found: Lot) -> list[str]:
    """Say what the estimate is not."""
    count = _counted(len(found.told), "test")
    return [
        f"This is an estimate from {count} of sacks, not a resource statement or an assay certificate: have an "
        "accredited laboratory assay before you sell by grade."
    ]


def show_lot(found: Lot) -> None:
    """Print the answers, the tables, what was left out or taken for granted, and the cautions."""
    out = console()
    out.print(found.title, style="bold")
    for question, answer in answers(found):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    out.print()
    print_table(out, pile(found))
    rows = shown_rows(found)
    print_table(out, each_test(found, rows))
    if len(rows) < len(found.rows):
        all_of_them = f"{argument('out', 'DIR')} writes all of them"
        out.print(f"{len(found.rows) - len(rows):,} tests that lie nearer are not shown: {all_of_them}.")
    list_lines(out, "Look at this", list(notes(found)))
    list_lines(out, "Take care", cautions(found))
