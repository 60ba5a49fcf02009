"""Worth written out: tables as CSV, and what each way leaves with its interval."""

from __future__ import annotations

from pathlib import Path

from flowsheet.show import worths
from flowsheet.show.chance_plots import _clean
from flowsheet.show.figures import short
from flowsheet.show.plots import COLOURS, save, wrapped
from flowsheet.show.worths import MOST_WAYS, money
from flowsheet.study.worths import Worths


def write_worths(found: Worths, folder: Path) -> list[Path]:
    """Write the tables and pictures into ``folder`` and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for grid in worths.tables(found):
        written.append(folder / f"{grid.name}.csv")
        grid.write_csv(written[-1])
    by_way(found, folder / "ways.png")
    written.append(folder / "ways.png")
    if len(found.splits) > 1:
        by_opening(found, folder / "partings.png")
        written.append(folder / "partings.png")
    return written


def by_way(found: Worths, path: Path) -> None:
    """Write a plot of what each way leaves: nine chances in ten as a bar, the mean as a dot."""
    from matplotlib.figure import Figure

    shown = found.ways[:MOST_WAYS]
    figure = Figure(figsize=(8.6, 1.7 + 0.5 * len(shown)), layout="constrained", dpi=130)
    axes = figure.subplots()
    for k, way in enumerate(shown):
        net = way.counts.net
        axes.plot([net.p5, net.p95], [k, k], color=COLOURS[1 if k == 0 else 0], linewidth=8, solid_capstyle="butt",
                  alpha=0.75)  # fmt: skip
        axes.plot(net.mean, k, "o", color="black", markersize=5)
        axes.annotate(money(net.mean), (net.mean, k), (0, 8), textcoords="offset points", ha="center", fontsize=9)
    axes.axvline(0, color="#333333", linewidth=0.9, linestyle="--")
    axes.set_yticks(range(len(shown)), [wrapped(way.name) for way in shown])
    axes.set_ylim(len(shown) - 0.4, -0.7)
    axes.margins(x=0.08)
    of = f"the pile of {found.sacks:g} sacks" if found.sacks else "one sack"
    axes.set_xlabel(f"left of {of}, {found.currency}: nine chances in ten, and the mean")
    _clean(axes)
    save(figure, path)


def by_opening(found: Worths, path: Path) -> None:
    """Write a plot of what is left at each opening of the screens, with the best parting of the picked rocks."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.6, 4.2), layout="constrained", dpi=130)
    axes = figure.subplots()
    names = list(dict.fromkeys(split.screen for split in found.splits))
    for i, name in enumerate(names):
        rows = sorted((s for s in found.splits if s.screen == name), key=lambda s: s.opening_mm)
        axes.plot([s.opening_mm for s in rows], [s.net for s in rows], "osv^Dx"[i % 6] + "-", color=COLOURS[i % 8],
                  label=wrapped(name))  # fmt: skip
    best = max(found.splits, key=lambda s: s.net)
    axes.plot(best.opening_mm, best.net, "o", markersize=13, markerfacecolor="none", color=COLOURS[3])
    axes.annotate(f"{short(best.opening_mm)} mm: {money(best.net)}", (best.opening_mm, best.net), (0, 11),
                  textcoords="offset points", ha="center", fontsize=9, color=COLOURS[3])  # fmt: skip
    axes.set_xscale("log")
    ticks = sorted({s.opening_mm for s in found.splits})
    axes.set_xticks(ticks, [short(tick) for tick in ticks])
    axes.minorticks_off()
    axes.margins(y=0.18)
    axes.set_xlabel("opening of the screen, mm")
    axes.set_ylabel(f"left, {found.currency}")
    if len(names) > 1:
        axes.legend(frameon=False)
    _clean(axes)
    save(figure, path)
