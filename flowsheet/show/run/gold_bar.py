"""Where the gold went: one bar from nothing to all of the gold fed, made by hand, since a live page redraws it."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from flowsheet.show.graphics.style import printable
from flowsheet.show.graphics.svg import FAMILIES
from flowsheet.show.run.told_tables import GUESSED, name_of
from flowsheet.show.text import spans
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import gold
from flowsheet.show.text.markup import text
from flowsheet.show.text.tables import Column, Grid
from flowsheet.spec.blocks.measurement import picked_from
from flowsheet.study.common.interval import Interval
from flowsheet.study.estimate.this_test import SHEET
from flowsheet.study.run.run import Run

KEPT, LOST, CAUGHT = "kept", "not kept", "caught in a loop"
MIXED = "–"
"""What several small losses together are from."""
TINY = 0.005
"""Two losses or more below this share of the gold are one segment."""
HUNDREDTHS = 10_000
"""Hundredths of a percent in all of the gold."""

WIDE, HIGH = 390.0, 88.0
TOP, TALL, STRIP, EDGE = 20.0, 42.0, 8.0, 1.0
"""The bar's place and height, its strip at the foot that tells the fate by its hatch, and its edge, in points."""
LETTER, PAD = {True: 6.6, False: 5.8}, 3.0
"""Room for a letter, bold or not, and beside a name."""
INK, SOFT, PAPER = "var(--ink, #26231e)", "var(--soft, #645c4f)", "var(--card, #fffdf9)"
FILLS = {KEPT: "var(--gilt, #f3dd94)", LOST: "var(--ash, #e4e4e8)", CAUGHT: PAPER}


@dataclass(frozen=True)
class Segment:
    """One segment: an end of the sheet, what a loop has caught, or several small losses together."""

    name: str
    fate: str
    #: kg.
    gold: float
    #: Of all gold fed.
    share: float
    #: The same in hundredths of a percent, rounded so that all parts make 10000.
    hundredths: int
    #: Ends of the gold, and what it is from; None and "" where no weights tell it.
    ends: Interval | None = None
    source: str = ""

    @property
    def listed(self) -> str:
        """The share as the list has it: all of them make 100.00 %."""
        return f"{self.hundredths // 100}.{self.hundredths % 100:02d} %"

    @property
    def told(self) -> str:
        """The share as it is written in the bar: plainly rounded, as it is told elsewhere."""
        return f"{GUESSED if self.source == SHEET else ''}{_percent(self.share)}"


class SegmentRow(NamedTuple):
    """A segment as a row of the list below the bar."""

    name: str
    #: kg.
    gold: float
    #: Of all gold fed, as listed; all of them make 100.00 %.
    share: str
    fate: str
    #: The gold with its ends, and what it is from; "" where no weights tell it.
    told: str = ""
    source: str = ""


@dataclass(frozen=True)
class GoldBar:
    """The bar as a picture, and its segments from left to right."""

    picture: Picture
    parts: tuple[Segment, ...]

    @property
    def rows(self) -> tuple[SegmentRow, ...]:
        """The list of all segments, those too narrow for their names too."""
        return tuple(_row(part) for part in self.parts)

    def table(self) -> Grid:
        """Return that list as a table."""
        ends, share, fate = Column("Ends in"), Column("Share", str), Column("Fate")
        if not any(part.source for part in self.parts):
            plain = [(row.name, row.gold, row.share, row.fate) for row in self.rows]
            return Grid("gold", "Where the gold went", (ends, Column("Gold", gold), share, fate), plain)
        columns = (ends, Column("Gold (5 to 95 %)", str), share, Column("From"), fate)
        rows = [(row.name, row.told, row.share, row.source, row.fate) for row in self.rows]
        return Grid("gold", "Where the gold went", columns, rows)


def _row(part: Segment) -> SegmentRow:
    told = spans.gold(part.ends) if part.ends is not None else gold(part.gold)
    return SegmentRow(part.name, part.gold, part.listed, part.fate, told, part.source)


def gold_bar(run: Run) -> GoldBar:
    """Return where the gold of a run went."""
    parts = parts_of(run)
    return GoldBar(Picture("gold_bar", _svg(parts), printable(_alt(parts))), parts)


def parts_of(run: Run) -> tuple[Segment, ...]:
    """Return what is kept, then what is not, each by size; small losses together."""
    led = run.this_test is not None
    rows = [row for row in (_told(run) if led else _planned(run)) if row.gold > 0]
    whole = sum(row.share for row in rows)
    small = [row for row in rows if row.fate != KEPT and row.share < TINY * whole]
    if len(small) > 1:
        fate = LOST if any(row.fate == LOST for row in small) else CAUGHT
        gold_of, share = sum(row.gold for row in small), sum(row.share for row in small)
        together = _Row(f"{len(small)} more", fate, gold_of, share, None, MIXED if led else "")
        rows = [*(row for row in rows if row not in small), together]
    shares = [row.share / whole for row in rows]
    return tuple(
        Segment(row.name, row.fate, row.gold, share, hundredths, row.ends, row.source)
        for row, share, hundredths in zip(rows, shares, apportioned(shares, HUNDREDTHS), strict=True)
    )


class _Row(NamedTuple):
    """Where some gold ends: its fate, kg, its share of all (or what goes with that), its ends, what it is from."""

    name: str
    fate: str
    gold: float
    share: float
    ends: Interval | None = None
    source: str = ""


def _planned(run: Run) -> list[_Row]:
    """Return where the gold ends by the sheet."""
    sheet = run.solution.model.sheet

    def row(name: str, fate: str, kg: float) -> _Row:
        return _Row(name, fate, kg, kg)

    kept = [row(n, KEPT, run.streams[n].gold) for n in sheet.keep]
    lost = [row(f"caught in {one.stream}", CAUGHT, one.gold) for one in run.caught]
    lost += [row(n, LOST, run.streams[n].gold) for n in sheet.ends if n not in sheet.keep]
    return [*sorted(kept, key=lambda row: -row.gold), *sorted(lost, key=lambda row: -row.gold)]


def _told(run: Run) -> list[_Row]:
    """Return where the gold ends by the estimate."""
    picked = run.this_test.picked if run.this_test is not None else {}
    names = (*run.solution.model.sheet.keep, *map(picked_from, picked))
    streams = sorted(((n, run.told_streams[n]) for n in names), key=lambda one: -one[1].gold.mean)
    kept = [_Row(n, KEPT, one.gold.mean, one.share.mean, one.gold, one.gold_from) for n, one in streams]
    lost = [
        _Row(
            name_of(one),
            CAUGHT if one.reasons.get("caught") else LOST,
            one.gold.mean,
            one.share.mean,
            one.gold,
            one.source,
        )
        for one in run.told_losses
    ]
    return [*kept, *lost]


def apportioned(shares: Sequence[float], whole: int) -> list[int]:
    """Return shares of one as whole numbers that make ``whole``: what is left over goes to the largest remainders."""
    if not shares:
        return []
    floors = [min(int(whole * share), whole) for share in shares]
    order = sorted(range(len(shares)), key=lambda i: floors[i] - whole * shares[i])
    for i in order[: whole - sum(floors)]:
        floors[i] += 1
    return floors


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _together(parts: Sequence[Segment], kept: bool) -> str:
    return _percent(sum(part.share for part in parts if (part.fate == KEPT) == kept))


def _alt(parts: Sequence[Segment]) -> str:
    if not parts:
        return "An empty bar: there is no gold in the ore."
    told = [f"{part.name} {part.told} ({gold(part.gold)}, {part.fate})" for part in parts]
    whole = gold(sum(part.gold for part in parts))
    kept, lost = _together(parts, True), _together(parts, False)
    return f"One bar from 0 to 100 % of {whole} of gold: kept {kept}, not kept {lost}. {'; '.join(told)}."


def _svg(parts: Sequence[Segment]) -> str:
    begin = f'<svg xmlns="http://www.w3.org/2000/svg" class="plot bar" viewBox="0 0 {WIDE:g} {HIGH:g}" '
    return f'{begin}font-family="{FAMILIES}" font-size="10">{"".join(_drawn(parts))}</svg>'


def _drawn(parts: Sequence[Segment]) -> Iterator[str]:
    long = WIDE - 2 * EDGE
    if parts:
        yield _words(EDGE, TOP - 7, f"kept {_together(parts, True)}", "start", bold=True)
        yield _words(WIDE - EDGE, TOP - 7, f"not kept {_together(parts, False)}", "end")
    else:
        yield _words(WIDE / 2, TOP + TALL / 2 + 3, "no gold in the ore", "middle")
    before = 0.0
    for part in parts:
        yield _segment(part, EDGE + long * before, long * part.share)
        before += part.share
    yield f'<rect x="{EDGE}" y="{TOP}" width="{long:g}" height="{TALL:g}" fill="none" stroke="{INK}" stroke-width="1"/>'
    for percent in (0, 25, 50, 75, 100):
        x = EDGE + long * percent / 100
        yield f'<path d="M{x:.2f} {TOP + TALL:g}v4" stroke="{SOFT}" stroke-width="0.8"/>'
        anchor = {0: "start", 100: "end"}.get(percent, "middle")
        yield _words(x, TOP + TALL + 15, f"{percent} %", anchor, SOFT)


def _segment(part: Segment, x: float, wide: float) -> str:
    """Draw one segment; its name stands in it where there is room, else its share, else nothing."""
    middle, foot = x + wide / 2, TOP + TALL - STRIP
    fate = {KEPT: "kept", LOST: "lost", CAUGHT: "caught"}[part.fate]
    drawn = [
        f'<g class="part {fate}"><title>{text(part.name)}: {gold(part.gold)}, {part.told}, {part.fate}</title>',
        f'<rect x="{x:.2f}" y="{TOP}" width="{wide:.2f}" height="{TALL:g}" fill="{FILLS[part.fate]}" '
        f'stroke="{INK}" stroke-width="0.8"/>',
        _strip(part.fate, x, foot, wide),
    ]
    kept, told = part.fate == KEPT, LETTER[False] * len(part.told)
    if wide >= max(LETTER[kept] * _letters(part.name), told) + PAD:
        drawn.append(_words(middle, TOP + 14, part.name, "middle", bold=kept))
        drawn.append(_words(middle, TOP + 27, part.told, "middle"))
    elif wide >= told:
        drawn.append(_words(middle, TOP + 20, part.told, "middle"))
    return "".join(drawn) + "</g>"


def _strip(fate: str, x: float, y: float, wide: float) -> str:
    """Draw the foot of a segment: full where kept, hatched where lost, hatched both ways where caught."""
    if fate == KEPT:
        return f'<rect x="{x:.2f}" y="{y}" width="{wide:.2f}" height="{STRIP:g}" fill="{INK}"/>'
    lines = [f"M{x:.2f} {y}h{wide:.2f}"]
    at = x
    while at + STRIP <= x + wide:
        lines.append(f"M{at:.2f} {y + STRIP}l{STRIP:g} -{STRIP:g}")
        if fate == CAUGHT:
            lines.append(f"M{at:.2f} {y}l{STRIP:g} {STRIP:g}")
        at += 5.0
    return f'<path d="{"".join(lines)}" fill="none" stroke="{INK}" stroke-width="0.9"/>'


def _letters(name: str) -> int:
    """Return how many letters' room a name takes; some scripts' are twice as wide."""
    return sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in name)


def _words(x: float, y: float, words: str, anchor: str, fill: str = INK, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    return f'<text x="{x:.2f}" y="{y:g}" text-anchor="{anchor}" fill="{fill}"{weight}>{text(words)}</text>'
