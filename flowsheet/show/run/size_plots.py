"""Plots: solids and gold by size side by side, and what one or two moving settings do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import (
    LABEL_WIDTH,
    NARROW,
    bar_look,
    new_figure,
    wrapped,
)
from flowsheet.show.run.told_tables import of_tests
from flowsheet.show.text.figures import short
from flowsheet.study.common.streams import Stream
from flowsheet.study.common.units_out import grams, millimetres
from flowsheet.study.run.run import Run

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_STREAMS = 6
LEGEND_WIDTH = 130
"""Characters of a row of names below both plots."""
TALL = 2.9
"""Height (inches) of one of two panels that stand one below the other."""


def by_size_figure(run: Run, names: list[str], narrow: bool = False) -> Figure:
    """Draw rock and gold by size class of up to six streams: side by side, or one below the other if ``narrow``."""
    figure, (rock, held) = new_figure(1, NARROW, TALL, rows=2) if narrow else new_figure(2)
    chosen = names[:MOST_STREAMS]
    for i, name in enumerate(chosen):
        stream = run.flows[name]
        _bars(rock, stream, [r.rock for r in stream.sizes], i, len(chosen), name)
        _bars(held, stream, [grams(r.gold) for r in stream.sizes], i, len(chosen), name)
    for axes, title, unit, what in (
        (rock, "Rock by size", "kg in the class", "pieces"),
        (held, "Gold by size", "g in the class", "free grains and hosts of locked gold"),
    ):
        axes.set_title(title if run.this_test is None else f"{title}: {of_tests(run.this_test)}")
        axes.set_ylabel(unit)
        axes.set_xlabel(f"{what}, upper edge in mm")
        sizes = run.flows[chosen[0]].sizes
        ticks = [i for i, row in enumerate(sizes) if row.upper and i % max(1, len(sizes) // 8) == 0]
        axes.set_xticks([len(sizes) - 1 - i for i in ticks], [_tick(sizes[i].upper) for i in ticks], rotation=30)
    # Below both, where the longest name covers no bar.
    longest = max(min(len(name), LABEL_WIDTH) for name in chosen)
    room = LEGEND_WIDTH // 2 if narrow else LEGEND_WIDTH
    figure.legend(*rock.get_legend_handles_labels(), loc="outside lower center", frameon=False,
                  ncols=max(1, min(len(chosen), room // (longest + 8))))  # fmt: skip
    return figure


def _tick(upper: float | None) -> str:
    return "" if upper is None else short(millimetres(upper))


def _bars(axes: Axes, stream: Stream, values: list[float], i: int, n: int, name: str) -> None:
    width = 0.8 / n
    # A class that holds nothing has no bar: each takes its time. One is there all the same, for the name.
    held = [k for k, value in enumerate(values) if value > 0] or [0]
    at = [len(values) - 1 - k - 0.4 + width * (i + 0.5) for k in held]
    axes.bar(at, [values[k] for k in held], width, label=wrapped(name), **{**bar_look(i), "linewidth": 0.3})
    axes.set_xlim(-1, len(values))
