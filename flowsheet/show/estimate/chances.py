"""Chances on the terminal: intervals by stream, the next sack, and which doubt matters most."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flowsheet.show.text import spans
from flowsheet.show.text.figures import closes, gold, mass, percent, short, sig, small_unit
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import RULES, console, print_table
from flowsheet.spec.text.notes import texts
from flowsheet.study.common.interval import LessThan
from flowsheet.study.common.units_out import grams, millimetres
from flowsheet.study.estimate.chance import GRADE, Chance

FEW_GRAINS = 0.2
"""A luck above this relative sd is called poor (S. C. Dominy's limit for sampling of coarse gold, ±20 %)."""
NOTHING = 0.005
"""A part of the doubt below this is not told."""


def streams(found: Chance) -> Grid:
    """Return the gold of every stream with its interval."""
    columns = (
        Column("Stream"),
        Column("Mean, g", _sig),
        Column("sd, g", _sig),
        Column("5 %, g", _sig),
        Column("Middle, g", _sig),
        Column("95 %, g", _sig),
    )
    rows = [(name, *map(grams, (one.mean, one.sd, one.p5, one.p50, one.p95))) for name, one in found.streams.items()]
    return Grid("chances", "Gold of the next sack by stream", columns, rows)


LUCK = "luck with grains"
"""How the ranked doubts call what no number of the sheet decides."""


def coarse(found: Chance) -> Grid:
    """Return the share of the gold above each opening with its interval."""
    columns = (
        Column("Coarser than, mm", short),
        Column("Gold, %", _share),
        Column("5 %", _share),
        Column("95 %", _share),
        Column("By"),
    )
    by = {True: "the weights", False: "the sheet, for one sack"}
    rows = [
        (millimetres(size), one.mean, one.p5, one.p95, by[size in found.coarse_weighed])
        for size, one in found.coarse.items()
    ]
    return Grid("coarse_chances", "Gold in the coarse fraction", columns, rows)


def doubts(found: Chance) -> Grid:
    """Return the parts of the doubt about the gold kept, largest first."""
    columns = (Column("Doubt"), Column("in the sheet"), Column("Part of the doubt, %", _share))
    rows: list[tuple[Any, ...]] = [(d.name, d.text, d.share) for d in found.doubts if d.share >= NOTHING]
    rows.append((LUCK, "", found.luck_share))
    return Grid("doubts", "What the doubt about the gold kept comes from", columns, sorted(rows, key=lambda r: -r[2]))


def _sig(value: float) -> str:
    return sig(value) if value >= 1e-6 or value == 0 else "<0.000001"


def _share(share: float) -> str:
    return sig(100 * share, 2 if share < 0.1 else 3)


def answers(found: Chance, rock_kg: float) -> Iterator[tuple[str, str]]:
    """Return (question, answer): the ore, what is kept, the coarse fraction, the next sack, the doubt that matters."""
    yield "What does the ore hold?", head(found)
    yield "What do you keep of a sack like this?", keeps(found)
    if found.coarse:
        yield "How much of the gold is coarse?", share_of_coarse(found, own_opening(found))
    yield "Would another sack say the same?", next_sack(found, rock_kg)
    yield "Which doubt matters most?", most_doubt(found)


def keeps(found: Chance) -> str:
    """Say what is kept of the next sack; of next to no gold no share is told."""
    if isinstance(found.kept, LessThan):
        return f"{spans.about(found.kept, spans.gold)}."
    return f"{spans.gold(found.kept)}, {spans.percent(found.kept_share)}."


def head(found: Chance) -> str:
    """Say the head grade and where it is from."""
    if found.weighed is not None and found.this_test is not None and found.weighed.next_to_none:
        return (
            f"{spans.about(found.head_grade, spans.grade)}, nineteen times in twenty: {mass(found.weighed.rock)} were "
            f"tested and held {spans.gold(found.this_test.held)} of gold, which cannot be told from none."
        )
    if found.weighed is not None:
        held = f"{gold(found.weighed.gold)} ± {gold(found.weighed.gold_sd)}"
        rest = found.weighed.rest if found.lot is None else "the luck of grains and how far the sacks differ"
        return (
            f"About {spans.grade(found.head_grade)}: {mass(found.weighed.rock)} were tested and held {held} by the "
            f"balance of the weights; the rest of the doubt is {rest}."
        )
    source = "by the sheet's numbers as the weights corrected them" if found.fitted else "by the sheet's own numbers"
    tail = "" if found.fitted else " Weigh and assay what comes out (weighed:), and the weights will tell instead."
    return f"About {spans.grade(found.head_grade)}, {source}.{tail}"


def own_opening(found: Chance) -> float:
    """Return the opening (m) to tell of: one that the weights tell, else the sheet's own, the coarsest of them."""
    return next(iter((*found.coarse_weighed, *found.own_openings, *found.coarse)))


def share_of_coarse(found: Chance, opening: float) -> str:
    """Say how much of the gold lies above one opening."""
    one = found.coarse[opening]
    of = "of the ore's gold, by your weights" if opening in found.coarse_weighed else "of a sack's gold"
    return f"Rock coarser than {short(millimetres(opening))} mm holds about {spans.percent(one)} {of}."


def next_sack(found: Chance, rock_kg: float) -> str:
    """Say what the next sack gives, and how often it misleads."""
    middle, high = (found.next_sack.quantile(share) for share in (0.5, 0.95))
    unit, of = small_unit(high)
    if isinstance(found.kept, LessThan):
        told, times = f"less than {sig(of(high))}", "nineteen times in twenty"
    else:
        told, times = f"{sig(of(found.next_low))} to {sig(of(high))}", "nine times in ten"
    text = (
        f"The next {mass(rock_kg)} hold {told} {unit} of gold {times}, {sig(of(middle))} {unit} in the "
        f"middle. Chance of less than half of the mean: {percent(found.less_than_half)}; of more than double: "
        f"{percent(found.more_than_double)}. Luck with grains alone is ± {percent(found.by_grains)} (one standard "
        "deviation)"
    )
    if found.by_grains > FEW_GRAINS:
        needed = rock_kg * (found.by_grains / FEW_GRAINS) ** 2
        return f"{text}: one sack says little. For ± {percent(FEW_GRAINS)} run {mass(needed)}."
    return f"{text}."


def gy(found: Chance) -> str:
    """Say what Gy's formula gives beside the counting of grains."""
    return (
        f"Gy's formula, the trade's check: ± {percent(found.by_gy.as_ground)} at the size of the gold's grains (grain "
        f"counting: ± {percent(found.by_grains)}); ± {percent(found.by_gy.as_broken)} with the liberation factor "
        "√(L/d) of the handbooks, which says far too much where grains are much finer than the rock."
    )


def most_doubt(found: Chance) -> str:
    """Say what the doubt about the gold kept comes from, and what to do about it."""
    first = found.doubts[0] if found.doubts else None
    if first is None or found.luck_share >= first.share:
        return f"Luck with grains makes {percent(found.luck_share)} of the doubt about what you keep: run more sacks."
    part = percent(first.share)
    if first.name == GRADE:
        return (
            f"{part} of the doubt about what you keep is the ore's grade, of which one test tells so much and no more: "
            "run more sacks."
        )
    named = f"{first.name} ({first.text})" if first.text else first.name
    return f"{part} of the doubt about what you keep comes from {named}: weigh or measure what tells of it."


def show_chance(title: str, found: Chance, rock_kg: float) -> None:
    """Print intervals, answers, the ranked doubts, and what was assumed."""
    out = console()
    out.print(title, style="bold")
    print_table(out, streams(found))
    made = f"{found.draws:,} draws, seed {found.seed}" if found.draws > 1 else "No number is given with doubt"
    out.print(f"{made}; the balance closes {closes(found.closure)}.")
    for question, answer in answers(found, rock_kg):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    for grid in (coarse(found), doubts(found)):
        if grid.rows:
            out.print()
            print_table(out, grid)
    out.print()
    out.print(gy(found))
    for note in texts(found.notes):
        out.print(f"Note: {note}")
    out.print(RULES)
