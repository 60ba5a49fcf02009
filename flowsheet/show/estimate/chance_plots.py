"""Chances written out: tables as CSV, interval bars by stream, the next sack's law, the ranked doubts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flowsheet.show.estimate import chances
from flowsheet.show.graphics.style import BLUE, GOLD, INK, NARROW, RED, bar_look, interval, name_rows, new_figure, png
from flowsheet.show.text.figures import percent, sig
from flowsheet.show.text.tables import csv_files
from flowsheet.study.common.units_out import grams
from flowsheet.study.estimate.chance import Chance

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BARS = 60
"""Bars of the next sack's picture."""
BEYOND = 0.999
"""It is drawn up to the amount that so many sacks stay below,"""
LEAST, MOST = 2.2, 4.0
"""between so many times the mean: more than double is to be seen, and the words at the lines need room."""


def chance_files(found: Chance, keep: tuple[str, ...]) -> dict[str, bytes]:
    """Return the tables and pictures, by the names of their files."""
    tables = (chances.streams(found), chances.coarse(found), chances.doubts(found))
    return {
        **csv_files(grid for grid in tables if grid.rows),
        "intervals.png": png(intervals_figure(found, keep)),
        "next_sack.png": png(next_sack_figure(found)),
        "doubts.png": png(ranked_figure(found)),
    }


def intervals_figure(found: Chance, keep: tuple[str, ...]) -> Figure:
    """Draw each stream's interval: from 5 to 95 %, the middle as a dot."""
    names = list(found.streams)
    figure, (axes,) = new_figure(1, 8.6, 1.6 + 0.32 * len(names), grid="x")
    for k, name in enumerate(names):
        one, kept = found.streams[name], name in keep
        interval(axes, grams(one.p5), grams(one.p95), k, GOLD if kept else BLUE, 0.36 if kept else 0.24)
        axes.plot(grams(one.p50), k, "o", color="white", markeredgecolor=INK, markersize=4.5)
        axes.annotate(
            f"{sig(grams(one.p50))}", (grams(one.p95), k), (5, 0), textcoords="offset points", va="center", fontsize=8
        )
    name_rows(axes, [f"{name} (kept)" if name in keep else name for name in names])
    axes.set_xlim(0, 1.12 * max(grams(one.p95) for one in found.streams.values()))
    axes.set_xlabel("gold of the next sack, g: nine chances in ten, and the middle")
    return figure


def next_sack_figure(found: Chance, narrow: bool = False) -> Figure:
    """Draw what the next sack may hold; a sack that would mislead is hatched."""
    figure, (axes,) = new_figure(1, NARROW, 3.4) if narrow else new_figure(1, wide=8.6)
    law, mean = found.next_sack, grams(found.next_mean)
    edges = np.linspace(0.0, np.clip(grams(law.quantile(BEYOND)), LEAST * mean, MOST * mean), BARS + 1)
    chance, _ = np.histogram(grams(law.amounts), edges, weights=law.chance)
    middle = (edges[1:] + edges[:-1]) / 2
    misleading = (middle < 0.5 * mean) | (middle > 2 * mean)
    for which, colour, hatch in ((~misleading, BLUE, ""), (misleading, RED, "///")):
        axes.bar(middle[which], 100 * chance[which], edges[1] * 0.92, color=colour, hatch=hatch, edgecolor=INK,
                 linewidth=0.3)  # fmt: skip
    top = 100 * float(chance.max())
    # Its words go to the side of the line that has room for them.
    double = "right" if 2 * mean > 0.75 * edges[-1] else "left"
    axes.set_ylim(0, 1.45 * top)
    for at, text, side in (
        (0.5 * mean, f"less than\nhalf:\n{percent(found.less_than_half)}", "right"),
        (mean, f"mean:\n{sig(mean)} g", "left"),
        (2 * mean, f"more than\ndouble:\n{percent(found.more_than_double)}", double),
    ):
        axes.axvline(at, color=INK, linewidth=0.9, linestyle="--")
        axes.annotate(text, (at, 1.43 * top), (-3 if side == "right" else 3, 0), textcoords="offset points", ha=side,
                      va="top", fontsize=8 if narrow else 9)  # fmt: skip
    axes.set_xlabel("gold in the next sack, g")
    axes.set_ylabel("chance, %")
    axes.set_xlim(0, edges[-1])
    return figure


def ranked_figure(found: Chance) -> Figure:
    """Draw what the doubt about the gold kept comes from."""
    rows = chances.doubts(found).rows
    figure, (axes,) = new_figure(1, 8.6, 1.5 + 0.42 * len(rows), grid="x")
    for k, (name, _, share) in enumerate(rows):
        axes.barh(k, 100 * share, 0.6, **bar_look(1 if name == chances.LUCK else 0))
        axes.annotate(f"{100 * share:.0f} %", (100 * share, k), (4, 0), textcoords="offset points", va="center")
    name_rows(axes, [f"{name}\n{text}" if text else name for name, text, _ in rows])
    axes.set_xlim(0, 110)
    axes.set_xlabel("part of the variance of the gold kept, %")
    return figure
