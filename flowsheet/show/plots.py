"""Plots: solids and gold by size side by side, and what one or two moving settings do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowsheet.show.figures import short
from flowsheet.show.style import (
    INK,
    LABEL_WIDTH,
    NARROW,
    as_text,
    bar_look,
    beside,
    line_look,
    new_figure,
    save,
    wrapped,
)
from flowsheet.study.run import Run
from flowsheet.study.streams import Stream
from flowsheet.study.trials import Trials, numeric

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_STREAMS = 6
MOST_TICKS = 12
MOST_LINES = 8
LEGEND_WIDTH = 130
"""Characters of a row of names below both plots."""
AS_IT_IS = "as the sheet is"
NAME_WIDTH = 22
"""Characters of a line of a name between two panels."""
TALL = 2.9
"""Height (inches) of one of two panels that stand one below the other."""


def by_size(run: Run, names: list[str], path: Path) -> None:
    """Write a plot of rock and of gold by size class of up to six streams, side by side."""
    save(by_size_figure(run, names), path)


def by_size_figure(run: Run, names: list[str], narrow: bool = False) -> Figure:
    """Draw rock and gold by size class of up to six streams: side by side, or one below the other if ``narrow``."""
    figure, (rock, held) = new_figure(1, NARROW, TALL, rows=2) if narrow else new_figure(2)
    chosen = names[:MOST_STREAMS]
    for i, name in enumerate(chosen):
        stream = run.streams[name]
        _bars(rock, stream, [r.light_kg + r.heavy_kg for r in stream.sizes], i, len(chosen), name)
        _bars(held, stream, [r.free_g + r.locked_g for r in stream.sizes], i, len(chosen), name)
    for axes, title, unit, what in (
        (rock, "Rock by size", "kg in the class", "pieces"),
        (held, "Gold by size", "g in the class", "free grains and hosts of locked gold"),
    ):
        axes.set_title(title)
        axes.set_ylabel(unit)
        axes.set_xlabel(f"{what}, upper edge in mm")
        sizes = run.streams[chosen[0]].sizes
        ticks = [i for i, row in enumerate(sizes) if row.upper_mm and i % max(1, len(sizes) // 8) == 0]
        axes.set_xticks([len(sizes) - 1 - i for i in ticks], [_tick(sizes[i].upper_mm) for i in ticks], rotation=30)
    # Below both, where the longest name covers no bar.
    longest = max(min(len(name), LABEL_WIDTH) for name in chosen)
    room = LEGEND_WIDTH // 2 if narrow else LEGEND_WIDTH
    figure.legend(*rock.get_legend_handles_labels(), loc="outside lower center", frameon=False,
                  ncols=max(1, min(len(chosen), room // (longest + 8))))  # fmt: skip
    return figure


def _tick(upper_mm: float | None) -> str:
    return "" if upper_mm is None else short(upper_mm)


def _bars(axes: Axes, stream: Stream, values: list[float], i: int, n: int, name: str) -> None:
    width = 0.8 / n
    # A class that holds nothing has no bar: each takes its time. One is there all the same, for the name.
    held = [k for k, value in enumerate(values) if value > 0] or [0]
    at = [len(values) - 1 - k - 0.4 + width * (i + 0.5) for k in held]
    axes.bar(at, [values[k] for k in held], width, label=wrapped(name), **{**bar_look(i), "linewidth": 0.3})
    axes.set_xlim(-1, len(values))


def why_no_plot(trials: Trials) -> str | None:
    """Return why these trials cannot be plotted, None if they can."""
    moved = list(trials.moved.values())
    if len(trials.rows) < 2:
        return "only one setting was tried"
    if len(moved) > 2:
        return f"{len(moved)} settings move, and a picture shows two at most"
    if len(moved) == 2 and min(map(len, moved)) > MOST_LINES:
        return f"a picture shows {MOST_LINES} lines at most, and both settings have more values"
    return None


def plot(trials: Trials, path: Path) -> None:
    """Write the plot of trials in which one setting moves, or two."""
    save(trials_figure(trials), path)


def trials_figure(trials: Trials, narrow: bool = False) -> Figure:
    """Draw trials in which one setting moves, or two; ``narrow`` puts panels one below the other."""
    return moving_figure(trials, narrow) if len(trials.moved) == 1 else crossing_figure(trials)


def crossing(trials: Trials, path: Path) -> None:
    """Write a plot of what is kept as one setting moves, a line for each value of another.

    Lines are for the second setting, or for the first where the second has too many values.
    """
    save(crossing_figure(trials), path)


def crossing_figure(trials: Trials) -> Figure:
    """Draw what is kept as one setting moves, a line for each value of another.

    Lines are for the second setting, or for the first where the second has too many values.
    """
    (along, values), (across, lines) = trials.moved.items()
    if len(lines) > MOST_LINES:
        (along, values), (across, lines) = (across, lines), (along, values)
    figure, (kept,) = new_figure(1, wide=7.6)
    x = list(numeric(values))
    words = any(v != v for v in x)
    at: list[Any] = list(range(len(values))) if words else x
    for i, line in enumerate(lines):
        rows = {row.settings[along]: row.kept_g for row in trials.rows if row.settings[across] == line}
        kept.plot(at, [rows[value] for value in values], **line_look(i))
    _as_it_is(kept, trials)
    beside(kept, kept.lines, [*(f"{across} = {line}" for line in lines), AS_IT_IS])
    kept.set_title("Gold kept, g")
    _along(kept, along, values, x, at, words)
    return figure


def _as_it_is(axes: Axes, trials: Trials) -> None:
    axes.axhline(trials.base.kept_g, color=INK, linestyle="--", linewidth=1)


def _along(axes: Axes, name: str, values: list[str], x: list[float], at: list[Any], words: bool) -> None:
    """Lay out the axis along which a setting moves."""
    axes.set_xlabel(f"{as_text(name)}{_unit(values)}")
    if not words and min(x) > 0 and max(x) > 3 * min(x):
        axes.set_xscale("log")
    axes.set_xticks(at[:: len(at) // MOST_TICKS + 1], values[:: len(at) // MOST_TICKS + 1], rotation=30, ha="right")
    axes.minorticks_off()


def moving(trials: Trials, path: Path) -> None:
    """Write a plot of what is kept and lost as one setting moves."""
    save(moving_figure(trials), path)


def moving_figure(trials: Trials, narrow: bool = False) -> Figure:
    """Draw what is kept and lost as one setting moves."""
    name, values = next(iter(trials.moved.items()))
    x = list(numeric(values))
    words = any(v != v for v in x)
    figure, (kept, lost) = new_figure(1, 1.2 * NARROW, TALL, rows=2) if narrow else new_figure(2)
    at: list[Any] = list(range(len(values))) if words else x
    kept.plot(at, [row.kept_g for row in trials.rows], **line_look(1))
    _as_it_is(kept, trials)
    ranked = sorted(trials.rows[0].lost_g, key=lambda s: -max(r.lost_g.get(s, 0.0) for r in trials.rows))[:MOST_STREAMS]
    for i, stream in enumerate(ranked):
        lost.plot(at, [r.lost_g.get(stream, 0.0) for r in trials.rows], **line_look(i))
    for axes, title, names in ((kept, "Gold kept, g", ["kept", AS_IT_IS]), (lost, "Gold lost, g", ranked)):
        axes.set_title(title)
        _along(axes, name, values, x, at, words)
        axes.margins(y=0.15)
        if axes is lost:
            axes.set_ylim(bottom=0)
        if names:  # a sheet that keeps everything loses nothing
            beside(axes, axes.lines, names, NAME_WIDTH)
    return figure


def _unit(values: list[str]) -> str:
    if any(ch.isalpha() for ch in values[0]):
        return ""
    return ", %" if "%" in values[0] else ""
