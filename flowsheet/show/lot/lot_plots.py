"""A pile written out: tables as CSV and as a workbook, and a picture of every sack's interval and the pile's."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import BLUE, GOLD, INK, PURPLE, RED, as_text, interval, new_figure, png
from flowsheet.show.lot import lots
from flowsheet.show.text.figures import sig
from flowsheet.show.text.tables import Grid, csv_files
from flowsheet.show.text.workbook import workbook
from flowsheet.study.common.units_out import g_per_t
from flowsheet.study.lot.combine_tests import Lot, TestedSack

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_NAMED = 40
"""Tests that a picture names; of more it shows the grades only."""
LONGEST = 28
"""Characters of a name."""


def lot_files(found: Lot) -> dict[str, bytes]:
    """Return the tables and the picture, by the names of their files."""
    grids = [lots.pile(found), lots.each_test(found)]
    remarks = [*(f"{question} {answer}" for question, answer in lots.answers(found)), *lots.notes(found)]
    return {
        **csv_files(_known(grid) for grid in grids),
        "lot.xlsx": workbook(grids, [*remarks, *lots.cautions(found)]),
        "lot.png": png(lot_figure(found)),
    }


def _known(grid: Grid) -> Grid:
    """Return a table in which what is not known is left empty."""
    rows = [[None if isinstance(cell, float) and math.isnan(cell) else cell for cell in row] for row in grid.rows]
    return Grid(grid.name, grid.title, grid.columns, rows)


def lot_figure(found: Lot) -> Figure:
    """Draw what each sack tells by itself, of the pile's interval, and of the plain t interval."""
    named = len(found.told) <= MOST_NAMED
    count = len(found.told) if named else 0
    figure, (axes,) = new_figure(1, 8.6, (2.4 + 0.3 * count) if named else 5.6, grid="x")
    axes.axvspan(found.grade.p5, found.grade.p95, color=GOLD, alpha=0.25, linewidth=0)
    if named:
        _sacks(axes, found.told)
        below = count + 0.6
    else:
        _many(axes, found.told)
        below = 1.25
    ticks = list(axes.get_yticks()) if named else []
    names = [as_text(_short(row)) for row in found.told] if named else []
    apart = 1.0 if named else 0.16
    low, high = map(g_per_t, found.plain.student())
    pile = (g_per_t(found.grade.p5), g_per_t(found.grade.mean), g_per_t(found.grade.p95))
    bars = [("the pile", pile, GOLD)]
    if math.isfinite(low):
        bars.append(("plain t interval", (low, g_per_t(found.plain.mean), high), RED))
    for k, (_, (start, middle, end), colour) in enumerate(bars):
        at = below + k * apart
        interval(axes, start, end, at, colour, 0.4 * apart)
        axes.plot(middle, at, "o", color="white", markeredgecolor=INK, markersize=4.5)
        text = f"{sig(middle)} g/t ({sig(start)} to {sig(end)})"
        axes.annotate(text, (end, at), (6, 0), textcoords="offset points", va="center", fontsize=8)
    ticks += [below + k * apart for k in range(len(bars))]
    axes.set_yticks(ticks, names + [name for name, _, _ in bars])
    axes.set_ylim(below + len(bars) * apart, -0.8 if named else -0.1)
    most = max([pile[2], high if math.isfinite(high) else 0.0, *_ends(found.told, named)])
    axes.set_xlim(min(0.0, low if math.isfinite(low) else 0.0), 1.3 * most)
    axes.set_xlabel("grade, g/t: nine chances in ten" + (" (of a sack: its grains and weights alone)" if named else ""))
    return figure


def _ends(rows: list[TestedSack], named: bool) -> list[float]:
    return [g_per_t(row.high if named else row.grade) for row in rows]


def _short(row: TestedSack) -> str:
    return row.name if len(row.name) <= LONGEST else f"…{row.name[-LONGEST + 1 :]}"


def _sacks(axes: Axes, rows: list[TestedSack]) -> None:
    """Draw each sack's interval, with its grade as a dot; a diamond where it stands out."""
    for k, row in enumerate(rows):
        interval(axes, g_per_t(row.low), g_per_t(row.high), k, PURPLE if row.outlying else BLUE)
        mark = "D" if row.outlying else "o"
        axes.plot(g_per_t(row.grade), k, mark, color="white", markeredgecolor=INK, markersize=5)
        if row.outlying:
            axes.annotate(
                "stands out", (g_per_t(row.high), k), (5, 0), textcoords="offset points", va="center", fontsize=8
            )
    axes.set_yticks(range(len(rows)))


def _many(axes: Axes, rows: list[TestedSack]) -> None:
    """Draw the grades of many sacks from the poorest to the richest."""
    grades = sorted(g_per_t(row.grade) for row in rows)
    along = [1 - (k + 0.5) / len(grades) for k in range(len(grades))]
    axes.plot(grades, along, color=BLUE, linewidth=1.5)
    out = {g_per_t(row.grade) for row in rows if row.outlying}
    at = [(g, y) for g, y in zip(grades, along, strict=True) if g in out]
    if at:
        axes.plot(*zip(*at, strict=True), "D", color=PURPLE, markeredgecolor=INK, linestyle="none")
    axes.annotate(
        f"{len(grades):,} sacks, richest on top",
        (0.99, 0.03),
        xycoords="axes fraction",
        ha="right",
        va="bottom",
        fontsize=9,
    )
