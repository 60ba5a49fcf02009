"""Chances written out: tables as CSV, interval bars by stream, the next sack's law, the ranked doubts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flowsheet.show import chances
from flowsheet.show.figures import percent, sig
from flowsheet.show.plots import COLOURS, as_text, new_figure, save
from flowsheet.study.chance import Chance

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BARS = 60
"""Bars of the next sack's picture."""
BEYOND = 0.999
"""It is drawn up to the amount that so many sacks stay below,"""
LEAST, MOST = 2.2, 4.0
"""between so many times the mean: more than double is to be seen, and the words at the lines need room."""


def write_chance(found: Chance, keep: tuple[str, ...], folder: Path) -> list[Path]:
    """Write the tables and pictures into ``folder`` and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for grid in (chances.streams(found), chances.coarse(found), chances.doubts(found)):
        if grid.rows:
            written.append(folder / f"{grid.name}.csv")
            grid.write_csv(written[-1])
    intervals(found, keep, folder / "intervals.png")
    next_sack(found, folder / "next_sack.png")
    ranked(found, folder / "doubts.png")
    written += [folder / name for name in ("intervals.png", "next_sack.png", "doubts.png")]
    return written


def intervals(found: Chance, keep: tuple[str, ...], path: Path) -> None:
    """Write a plot of each stream's interval: from 5 to 95 %, the middle as a dot."""
    from matplotlib.figure import Figure

    names = list(found.streams)
    figure = Figure(figsize=(8.6, 1.6 + 0.32 * len(names)), layout="constrained", dpi=130)
    axes = figure.subplots()
    for k, name in enumerate(names):
        one, kept = found.streams[name], name in keep
        axes.plot([one.p5, one.p95], [k, k], color=COLOURS[1 if kept else 0], linewidth=7 if kept else 5,
                  solid_capstyle="butt", alpha=0.75)  # fmt: skip
        axes.plot(one.p50, k, "o", color="black", markersize=4)
        axes.annotate(f"{sig(one.p50)}", (one.p95, k), (5, 0), textcoords="offset points", va="center", fontsize=8)
    axes.set_yticks(range(len(names)), [as_text(f"{name} (kept)" if name in keep else name) for name in names])
    axes.invert_yaxis()
    axes.set_xlim(0, 1.12 * max(one.p95 for one in found.streams.values()))
    axes.set_xlabel("gold of the next sack, g: nine chances in ten, and the middle")
    _clean(axes)
    save(figure, path)


def next_sack(found: Chance, path: Path) -> None:
    """Write a plot of what the next sack may hold."""
    figure, (axes,) = new_figure(1, wide=8.6)
    law, mean = found.next_sack, 1e3 * found.next_mean
    edges = np.linspace(0.0, np.clip(1e3 * law.quantile(BEYOND), LEAST * mean, MOST * mean), BARS + 1)
    chance, _ = np.histogram(1e3 * law.amounts, edges, weights=law.chance)
    middle = (edges[1:] + edges[:-1]) / 2
    misleading = (middle < 0.5 * mean) | (middle > 2 * mean)
    for which, colour, hatch in ((~misleading, COLOURS[0], ""), (misleading, COLOURS[3], "///")):
        axes.bar(middle[which], 100 * chance[which], edges[1] * 0.92, color=colour, hatch=hatch, edgecolor="white")
    top = 100 * float(chance.max())
    axes.set_ylim(0, 1.25 * top)
    less, more = (
        f"less than half:\n{percent(found.less_than_half)}",
        f"more than double:\n{percent(found.more_than_double)}",
    )
    for at, text in ((0.5 * mean, less), (mean, "mean"), (2 * mean, more)):
        axes.axvline(at, color="#333333", linewidth=0.9, linestyle="--")
        side = "right" if at < mean else "left"
        axes.annotate(text, (at, 1.22 * top), (-4 if side == "right" else 4, 0), textcoords="offset points", ha=side,
                      va="top", fontsize=9)  # fmt: skip
    axes.set_xlabel("gold in the next sack, g")
    axes.set_ylabel("chance, %")
    axes.set_xlim(0, edges[-1])
    _clean(axes)
    save(figure, path)


def ranked(found: Chance, path: Path) -> None:
    """Write a plot of what the doubt about the gold kept comes from."""
    from matplotlib.figure import Figure

    rows = chances.doubts(found).rows
    figure = Figure(figsize=(8.6, 1.5 + 0.42 * len(rows)), layout="constrained", dpi=130)
    axes = figure.subplots()
    for k, (name, _, share) in enumerate(rows):
        luck = name == "luck with grains"
        axes.barh(k, 100 * share, 0.6, color=COLOURS[1 if luck else 0], hatch="//" if luck else "", edgecolor="white")
        axes.annotate(f"{100 * share:.0f} %", (100 * share, k), (4, 0), textcoords="offset points", va="center")
    axes.set_yticks(range(len(rows)), [as_text(f"{name}\n{text}" if text else name) for name, text, _ in rows])
    axes.invert_yaxis()
    axes.set_xlim(0, 110)
    axes.set_xlabel("part of the variance of the gold kept, %")
    _clean(axes)
    save(figure, path)


def _clean(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
