"""Plots of a run in a page: the coarse fraction against opening, with its band; losses by reason."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import (
    BAR,
    BLUE,
    GOLD,
    GREY,
    INK,
    NARROW,
    SOFT,
    as_text,
    bar_look,
    beside,
    edged,
    named_rows,
    new_figure,
)
from flowsheet.show.run.sentences import REASONS
from flowsheet.show.run.told_tables import name_of
from flowsheet.show.text import spans
from flowsheet.show.text.figures import gold, percent, short
from flowsheet.study.common.coarse_fraction import Coarse
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.units_out import grams, millimetres, told_apart
from flowsheet.study.estimate.this_test import WEIGHTS
from flowsheet.study.run.run import Run

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from flowsheet.study.estimate.chance import Chance

MOST_LOSSES = 12
"""Losses that a picture shows one by one; the others are one bar."""
FAINT_LOSS = 1e-4
"""A loss of less than this share of the gold is not drawn."""
DIRECT = ("gold", "rock")
"""Lines that are named at their ends,"""
KEYS = ("gold: nine chances in ten", "gold by the weights")
"""and what is named below the picture."""
MOST_SIZES = 16
"""So many openings could be written along the axis without touching."""
SCREEN_WIDTH = 28
"""Characters of a screen's name above its line,"""
SCREEN_SIZE, LETTER = 11, 0.022
"""points of its letters, which a phone shows at two thirds, and the part of the panel that each takes."""


@dataclass(frozen=True)
class CoarseShares:
    """How sure the coarse shares are: opening (m) → share of the gold, and which of them the weights tell."""

    shares: dict[float, Interval]
    weighed: tuple[float, ...]
    #: Whether all these shares are the estimate's: then their means are drawn, not the plan's.
    led: bool = False

    def drawn(self, row: Coarse) -> float:
        """Return the share of the gold that is drawn for an opening."""
        return self.shares[row.opening].mean if self.led and row.opening in self.shares else row.gold_share


def known(run: Run, chance: Chance | None) -> CoarseShares:
    """Return what is known of the coarse shares: by the chances where they were worked out, else by the run."""
    told = chance if chance is not None else run.sure
    if told is None:
        return CoarseShares({}, ())
    if run.this_test is None:
        return CoarseShares(told.coarse, told.coarse_weighed)
    mine = {told_apart(size): one for size, one in run.this_test.coarse.items()}
    weighed = tuple(size for size, (_, source) in mine.items() if source == WEIGHTS)
    return CoarseShares({**told.coarse, **{size: one for size, (one, _) in mine.items()}}, weighed, True)


def screens(run: Run) -> dict[str, float]:
    """Return the openings (m) that the sheet's own steps name and that rock of the feed lies on: step → opening."""
    told = {row.opening for row in run.coarse}
    found = {}
    for name, step in run.solution.model.sheet.steps.items():
        for size in step.openings():
            if (opening := told_apart(size)) in told:
                found[name] = opening
    return found


def _apart(sizes: Sequence[float], least: float) -> set[float]:
    """Return those of some sizes that are ``least`` apart by their logarithm, the first of them before the others."""
    kept: list[float] = []
    for size in sizes:
        if all(abs(math.log(size / other)) > least for other in kept):
            kept.append(size)
    return set(kept)


def coarse_figure(run: Run, sure: CoarseShares) -> Figure:
    """Draw the shares of gold and rock coarser than each opening; openings that the weights tell have a mark."""
    figure, (axes,) = new_figure(1, NARROW, 4.0)
    rows = sorted(run.coarse, key=lambda row: row.opening)
    x = [millimetres(row.opening) for row in rows]
    shares = {millimetres(row.opening): sure.shares[row.opening] for row in rows if row.opening in sure.shares}
    by_weights = [millimetres(size) for size in sure.weighed]
    by_doubt = [mm for mm in shares if mm not in by_weights]
    ends = {mm: (100 * one.p5, 100 * one.p95) for mm, one in shares.items()}
    if len(by_doubt) > 1:
        low, high = ([ends[mm][k] for mm in by_doubt] for k in (0, 1))
        axes.fill_between(by_doubt, low, high, facecolor=GOLD, alpha=0.3, linewidth=0)
        for edge in (low, high):
            axes.plot(by_doubt, edge, color=SOFT, linewidth=0.8, linestyle=":")
    for k, (mm, both) in enumerate(ends.items()):
        axes.plot([mm, mm], both, color=INK, linewidth=1.2, marker="_", markersize=7,
                  label=None if k else KEYS[0])  # fmt: skip
    axes.plot(x, [100 * row.mass_share for row in rows], color=GREY, linewidth=1.2, marker="s", markersize=3.5,
              markeredgecolor=INK, markeredgewidth=0.5, label=DIRECT[1])  # fmt: skip
    axes.plot(x, [100 * sure.drawn(row) for row in rows], linewidth=2.2, marker="o", markersize=5,
              markeredgecolor=INK, markeredgewidth=0.6, label=DIRECT[0], **edged(GOLD))  # fmt: skip
    weighed = [mm for mm in by_weights if mm in ends]
    if weighed:
        axes.plot(weighed, [100 * shares[mm].mean for mm in weighed], "D", color=BLUE, markeredgecolor=INK,
                  markersize=6, zorder=4, label=KEYS[1])  # fmt: skip
    if min(x) < max(x):
        axes.set_xscale("log")
    own = {name: millimetres(size) for name, size in screens(run).items()}
    written = _apart(sorted(x, key=lambda mm: (mm not in own.values(), -mm)), math.log(max(x) / min(x)) / MOST_SIZES)
    axes.set_xticks(x, [short(mm) if mm in written else "" for mm in x], rotation=45)
    axes.minorticks_off()
    axes.set_xlim(min(x) / 1.15, max(x) * 1.15)
    axes.set_ylim(0, 105)
    _lines_of_screens(axes, own)
    axes.set_xlabel("opening, mm")
    axes.set_ylabel("coarser than the opening, %")
    named = {line.get_label(): line for line in axes.lines}
    beside(axes, [named[key] for key in DIRECT], DIRECT)
    keys = [key for key in KEYS if key in named]
    if keys:
        figure.legend([named[key] for key in keys], keys, loc="outside lower center", ncols=2, frameon=False,
                      fontsize=9)  # fmt: skip
    return figure


def _lines_of_screens(axes: Axes, found: dict[str, float]) -> None:
    """Mark each opening (mm) by a line, with the names of its screens above the panel, in rows if need be."""
    at: dict[float, list[str]] = {}
    for name, mm in found.items():
        at.setdefault(mm, []).append(name)
    low, high = (math.log(end) for end in axes.get_xlim())
    rows: list[float] = []  # where each row is free from, in parts of the panel
    for mm in sorted(at):
        told = ", ".join(at[mm])
        told = told if len(told) <= SCREEN_WIDTH else f"{told[: SCREEN_WIDTH - 1]}…"
        where, half = (math.log(mm) - low) / (high - low), 0.5 * LETTER * len(told)
        begin = min(max(where - half, 0.0), 1.0 - 2 * half)
        row = next((k for k, free in enumerate(rows) if begin >= free), len(rows))
        rows[row : row + 1] = [begin + 2 * half + LETTER]
        axes.axvline(mm, color=SOFT, linewidth=0.9, linestyle="--", zorder=0.5)
        axes.annotate(as_text(told), (begin + half, 1), (0, 2 + 13 * row), xycoords="axes fraction",
                      textcoords="offset points", ha="center", va="bottom", fontsize=SCREEN_SIZE)  # fmt: skip


@dataclass(frozen=True)
class Lost:
    """One bar of the picture of losses: what it is called, kg, share of all gold fed, and kg by reason."""

    name: str
    gold: float
    share: float
    reasons: dict[str, float]
    #: Ends of the gold, kg, where the weights tell it.
    ends: tuple[float, float] | None = None

    @property
    def told(self) -> str:
        """The amount, with its ends where they are known."""
        if self.ends is None:
            return gold(self.gold)
        return spans.gold(Interval(self.gold, 0.0, self.ends[0], self.gold, self.ends[1]))


def lost(run: Run) -> list[Lost]:
    """Return the losses worth a bar, largest first; those beyond the most are one."""
    told = (
        _by_weights(run)
        if run.this_test is not None
        else [
            Lost(
                loss.stream,
                loss.gold,
                loss.share,
                {r: loss.gold * part for r, part in loss.reasons.items() if part > 0},
            )
            for loss in run.losses
            if loss.share > FAINT_LOSS
        ]
    )
    if len(told) <= MOST_LOSSES:
        return told
    rest = told[MOST_LOSSES - 1 :]
    reasons: dict[str, float] = {}
    for one in rest:
        for reason, kg in one.reasons.items():
            reasons[reason] = reasons.get(reason, 0.0) + kg
    joined = Lost(f"{len(rest)} more", sum(o.gold for o in rest), sum(o.share for o in rest), reasons)
    return [*told[: MOST_LOSSES - 1], joined]


def _by_weights(run: Run) -> list[Lost]:
    """Return the losses as the estimate has them; the reasons are the sheet's parts of each."""
    return [
        Lost(
            name_of(one),
            one.gold.mean,
            one.share.mean,
            {r: one.gold.mean * part for r, part in (one.reasons or {"other": 1.0}).items() if part > 0},
            (one.gold.p5, one.gold.p95),
        )
        for one in run.told_losses
        if one.share.mean > FAINT_LOSS
    ]


def losses_figure(rows: Sequence[Lost]) -> Figure:
    """Draw each loss as a bar, stacked by reason; its name and amount stand above it."""
    names = [f"{one.name}: {one.told}, {percent(one.share)} of the gold" for one in rows]
    reasons = [reason for reason in REASONS if any(reason in one.reasons for one in rows)]
    figure, axes, at = named_rows(names, foot=0.7 + 0.2 * -(-len(reasons) // 2))
    look = {reason: k for k, reason in enumerate(REASONS)}
    starts = [0.0] * len(rows)
    for reason in reasons:
        parts = [grams(one.reasons.get(reason, 0.0)) for one in rows]
        axes.barh(at, parts, BAR, left=starts, label=REASONS[reason], **bar_look(look[reason]))
        starts = [start + part for start, part in zip(starts, parts, strict=True)]
    known = [(y, one.gold, one.ends) for y, one in zip(at, rows, strict=True) if one.ends is not None]
    for y, middle, (low, high) in known:
        axes.plot([grams(low), grams(high)], [y, y], color=INK, linewidth=1.4, marker="|", markersize=9)
        axes.plot(grams(middle), y, "o", color="white", markeredgecolor=INK, markersize=4)
    axes.set_xlim(0, 1.02 * max([*starts, *(grams(high) for _, _, (_, high) in known)]))
    axes.set_xlabel("gold lost, g")
    figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=9)
    return figure
