"""Worth written out: tables as CSV, and what each way leaves with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import BLUE, GOLD, INK, RED, beside, interval, line_look, new_figure, png, wrapped
from flowsheet.show.money import worths
from flowsheet.show.money.worths import MOST_WAYS, money
from flowsheet.show.text.figures import short
from flowsheet.show.text.tables import csv_files
from flowsheet.study.common.units_out import millimetres
from flowsheet.study.money.result import Worths

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def worth_files(found: Worths) -> dict[str, bytes]:
    """Return the tables and pictures, by the names of their files."""
    files = {**csv_files(worths.tables(found)), "ways.png": png(by_way_figure(found))}
    if len(found.splits) > 1:
        files["partings.png"] = png(by_opening_figure(found))
    return files


def by_way_figure(found: Worths) -> Figure:
    """Draw what each way leaves: nine chances in ten as a bar, the mean as a dot."""
    shown = found.ways[:MOST_WAYS]
    figure, (axes,) = new_figure(1, 8.6, 1.7 + 0.5 * len(shown), grid="x")
    for k, way in enumerate(shown):
        net = way.counts.net
        interval(axes, net.p5, net.p95, k, GOLD if k == 0 else BLUE, 0.28)
        axes.plot(net.mean, k, "o", color="white", markeredgecolor=INK, markersize=5)
        axes.annotate(money(net.mean), (net.mean, k), (0, 14), textcoords="offset points", ha="center", fontsize=9)
    axes.axvline(0, color=INK, linewidth=0.9, linestyle="--")
    axes.set_yticks(range(len(shown)), [wrapped(way.name) for way in shown])
    axes.set_ylim(len(shown) - 0.4, -0.7)
    axes.margins(x=0.08)
    of = f"the pile of {found.sacks:g} sacks" if found.sacks else "one sack"
    axes.set_xlabel(f"left of {of}, {found.currency}: nine chances in ten, and the mean")
    return figure


def by_opening_figure(found: Worths) -> Figure:
    """Draw what is left at each opening of the screens, with the best parting of the picked rocks."""
    figure, (axes,) = new_figure(1, wide=8.6)
    names = list(dict.fromkeys(split.screen for split in found.splits))
    for i, name in enumerate(names):
        rows = sorted((s for s in found.splits if s.screen == name), key=lambda s: s.opening)
        axes.plot([millimetres(s.opening) for s in rows], [s.net for s in rows], **line_look(i))
    lines = list(axes.lines)
    best = max(found.splits, key=lambda s: s.net)
    at = millimetres(best.opening)
    axes.plot(at, best.net, "o", markersize=13, markerfacecolor="none", color=RED)
    axes.annotate(f"{short(at)} mm: {money(best.net)}", (at, best.net), (0, 11),
                  textcoords="offset points", ha="center", fontsize=9)  # fmt: skip
    axes.set_xscale("log")
    ticks = sorted({millimetres(s.opening) for s in found.splits})
    axes.set_xticks(ticks, [short(tick) for tick in ticks])
    axes.minorticks_off()
    axes.margins(y=0.18)
    axes.set_xlabel("opening of the screen, mm")
    axes.set_ylabel(f"left, {found.currency}")
    if len(names) > 1:
        beside(axes, lines, names, 26)
    return figure
