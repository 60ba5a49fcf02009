"""Plots of trials: what one or two moving settings do."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.show.graphics.style import INK, NARROW, SOFT, as_text, beside, line_look, new_figure
from flowsheet.show.run.size_plots import MOST_STREAMS, TALL
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.study.common.units_out import g_per_t, grams, millimetres
from flowsheet.study.trials.forecast import Forecasts
from flowsheet.study.trials.trials import Trials

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_TICKS = 12

MOST_LINES = 8

AS_IT_IS = "as the sheet is"
LUCK = "luck of one sack"
AS_IT_WAS = "as it was"

NAME_WIDTH = 22
"""Characters of a line of a name between two panels."""


def why_no_plot(trials: Trials | Forecasts) -> str | None:
    """Return why these trials cannot be plotted, None if they can."""
    moved = list(trials.moved.values())
    if len(trials.rows) < 2:
        return "only one setting was tried"
    if len(moved) > 2:
        return f"{len(moved)} settings move, and a picture shows two at most"
    if len(moved) == 2 and min(map(len, moved)) > MOST_LINES:
        return f"a picture shows {MOST_LINES} lines at most, and both settings have more values"
    return None


def trials_figure(trials: Trials, narrow: bool = False) -> Figure:
    """Draw trials in which one setting moves, or two; ``narrow`` puts panels one below the other."""
    return moving_figure(trials, narrow) if len(trials.moved) == 1 else crossing_figure(trials)


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
        rows = {row.settings[along]: grams(row.kept) for row in trials.rows if row.settings[across] == line}
        kept.plot(at, [rows[value] for value in values], **line_look(i))
    _as_it_is(kept, trials)
    kept.margins(y=0.15)
    _from_nought(kept)
    beside(kept, kept.lines, [*(f"{across} = {line}" for line in lines), AS_IT_IS])
    kept.set_title("Gold kept, g")
    _along(kept, along, values, x, at, words)
    _key(figure, kept)
    return figure


def _from_nought(axes: Axes) -> None:
    """Let an axis begin at nought, so that no small difference looks like a cliff."""
    axes.set_ylim(bottom=0)


def _key(figure: Figure, axes: Axes) -> None:
    """Name the band of luck below the picture, where there is one."""
    band = [one for one in axes.patches if one.get_label() == LUCK]
    if band:
        figure.legend(band, [LUCK], loc="outside lower center", frameon=False, fontsize=9)


def _luck(axes: Axes, middle: float, luck: float | None) -> None:
    """Draw how far luck with grains alone moves one sack (g), once its standard deviation either way."""
    if luck is not None and luck > 0:
        low = max(middle - luck, 0.0) if middle > 0 else -luck
        axes.axhspan(low, middle + luck, facecolor=SOFT, alpha=0.18, hatch="///", edgecolor=SOFT, linewidth=0,
                     zorder=0, label=LUCK)  # fmt: skip


def numeric(values: list[str]) -> Iterator[float]:
    """Turn the values of one setting into numbers for an axis: lengths in mm, shares in %, others as written."""
    scales = ((units.PLAIN, 1.0), (units.LENGTH, millimetres(1.0)), (units.SHARE, 100.0), (units.GRADE, g_per_t(1.0)),
              (units.MASS, 1.0))  # fmt: skip
    for text in values:
        for dimension, scale in scales:
            try:
                yield scale * number_with_doubt.parse(text, dimension).value
                break
            except number_with_doubt.NumberMistake:
                continue
        else:
            yield float("nan")


def _as_it_is(axes: Axes, trials: Trials) -> None:
    axes.axhline(grams(trials.base.kept), color=INK, linestyle="--", linewidth=1)
    _luck(axes, grams(trials.base.kept), grams(trials.luck) if trials.luck is not None else None)


def _along(axes: Axes, name: str, values: list[str], x: list[float], at: list[Any], words: bool) -> None:
    """Lay out the axis along which a setting moves."""
    axes.set_xlabel(f"{as_text(name)}{_unit(values)}")
    if not words and min(x) > 0 and max(x) > 3 * min(x):
        axes.set_xscale("log")
    axes.set_xticks(at[:: len(at) // MOST_TICKS + 1], values[:: len(at) // MOST_TICKS + 1], rotation=30, ha="right")
    axes.minorticks_off()


def moving_figure(trials: Trials, narrow: bool = False) -> Figure:
    """Draw what is kept and lost as one setting moves."""
    name, values = next(iter(trials.moved.items()))
    x = list(numeric(values))
    words = any(v != v for v in x)
    figure, (kept, lost) = new_figure(1, 1.2 * NARROW, TALL, rows=2) if narrow else new_figure(2)
    at: list[Any] = list(range(len(values))) if words else x
    kept.plot(at, [grams(row.kept) for row in trials.rows], **line_look(1))
    _as_it_is(kept, trials)
    ranked = sorted(trials.rows[0].lost, key=lambda s: -max(r.lost.get(s, 0.0) for r in trials.rows))[:MOST_STREAMS]
    for i, stream in enumerate(ranked):
        lost.plot(at, [grams(r.lost.get(stream, 0.0)) for r in trials.rows], **line_look(i))
    for axes, title, names in ((kept, "Gold kept, g", ["kept", AS_IT_IS]), (lost, "Gold lost, g", ranked)):
        axes.set_title(title)
        _along(axes, name, values, x, at, words)
        axes.margins(y=0.15)
        _from_nought(axes)
        if names:  # a sheet that keeps everything loses nothing
            beside(axes, axes.lines, names, NAME_WIDTH)
    _key(figure, kept)
    return figure


def forecasts_figure(found: Forecasts) -> Figure:
    """Draw what one moving setting, or two, would have gained of a sack: each with its ends, against luck."""
    moved = dict(found.moved)
    (along, values), *others = sorted(moved.items(), key=lambda one: -len(one[1]))
    figure, (axes,) = new_figure(1, wide=7.6)
    x = list(numeric(values))
    words = any(v != v for v in x)
    at: list[Any] = list(range(len(values))) if words else x
    lines = [dict(zip((name for name, _ in others), one, strict=True)) for one in product(*(v for _, v in others))]
    names = []
    for i, line in enumerate(lines):
        mine = [row for row in found.rows if all(row.settings[name] == value for name, value in line.items())]
        rows = {row.settings[along]: row.gain.of_one(found.tests) for row in mine}
        gains = [rows[value] for value in values]
        ends = [[grams(g.value - g.p5) for g in gains], [grams(g.p95 - g.value) for g in gains]]
        axes.plot(at, [grams(g.value) for g in gains], **line_look(i + 1))
        axes.errorbar(at, [grams(g.value) for g in gains], yerr=np.maximum(ends, 0.0), fmt="none", ecolor=INK,
                      elinewidth=1, capsize=4)  # fmt: skip
        names.append(", ".join(f"{name} = {value}" for name, value in line.items()) or "gained")
    drawn = list(axes.lines[: len(names)]) if not lines else [one for one in axes.lines if one.get_linestyle() == "-"]
    axes.axhline(0.0, color=INK, linestyle="--", linewidth=1)
    _luck(axes, 0.0, grams(found.luck))
    beside(axes, [*drawn[: len(names)], axes.lines[-1]], [*names, AS_IT_WAS])
    axes.set_title(f"Gold gained of {'this sack' if found.tests == 1 else 'a sack'}, g (5 to 95 %)")
    _along(axes, along, values, x, at, words)
    _key(figure, axes)
    return figure


def _unit(values: list[str]) -> str:
    if any(ch.isalpha() for ch in values[0]):
        return ""
    return ", %" if "%" in values[0] else ""
