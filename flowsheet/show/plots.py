"""Plots: solids and gold by size side by side, and what one or two moving settings do."""

from __future__ import annotations

import textwrap
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowsheet.show.figures import short
from flowsheet.study.run import Run
from flowsheet.study.streams import Stream
from flowsheet.study.trials import Trials, numeric

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Distinct in lightness as well as in hue, so that they tell apart in print and to most eyes.
COLOURS = ("#3b4a6b", "#c9922e", "#7a9e7e", "#a4452c", "#8d8d99", "#5d3a6e", "#2f7f8f", "#b7a57a")
HATCHES = ("", "//", "..", "\\\\", "xx", "--", "++", "oo")
MOST_STREAMS = 6
MOST_TICKS = 12
MOST_LINES = 8
LABEL_WIDTH, LEGEND_WIDTH = 40, 130
"""Characters of one name, and of a row of names below both plots."""


def by_size(run: Run, names: list[str], path: Path) -> None:
    """Write a plot of rock and of gold by size class of up to six streams, side by side."""
    figure, (rock, held) = new_figure(2)
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
    figure.legend(*rock.get_legend_handles_labels(), loc="outside lower center", frameon=False,
                  ncols=max(1, min(len(chosen), LEGEND_WIDTH // (longest + 8))))  # fmt: skip
    save(figure, path)


def _tick(upper_mm: float | None) -> str:
    return "" if upper_mm is None else short(upper_mm)


def _bars(axes: Axes, stream: Stream, values: list[float], i: int, n: int, name: str) -> None:
    width = 0.8 / n
    at = [len(values) - 1 - k - 0.4 + width * (i + 0.5) for k in range(len(values))]
    axes.bar(at, values, width, color=COLOURS[i], hatch=HATCHES[i], edgecolor="white", linewidth=0.3,
             label=wrapped(name))  # fmt: skip


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
    if len(trials.moved) == 1:
        moving(trials, path)
    else:
        crossing(trials, path)


def crossing(trials: Trials, path: Path) -> None:
    """Write a plot of what is kept as one setting moves, a line for each value of another.

    Lines are for the second setting, or for the first where the second has too many values.
    """
    (along, values), (across, lines) = trials.moved.items()
    if len(lines) > MOST_LINES:
        (along, values), (across, lines) = (across, lines), (along, values)
    figure, (kept,) = new_figure(1, wide=7.6)
    x = list(numeric(values))
    words = any(v != v for v in x)
    at: list[Any] = list(range(len(values))) if words else x
    ends = []
    for i, line in enumerate(lines):
        rows = {row.settings[along]: row.kept_g for row in trials.rows if row.settings[across] == line}
        y = [rows[value] for value in values]
        kept.plot(at, y, "osv^Dx*p"[i] + "-", color=COLOURS[i])
        ends.append(y[max(range(len(at)), key=lambda k: at[k])])
    kept.axhline(trials.base.kept_g, color="black", linestyle="--", linewidth=1)
    told = [f"{across} = {line}" for line in lines]
    _label_ends(kept, [*ends, trials.base.kept_g], [*told, "as the sheet is"], [*COLOURS[: len(lines)], "black"])
    kept.set_title("Gold kept, g")
    _along(kept, along, values, x, at, words)
    save(figure, path)


def _label_ends(axes: Axes, ends: list[float], texts: list[str], colours: list[str]) -> None:
    """Write each line's name beside its right end, as near to it as the names leave each other room."""
    axes.margins(y=0.15)
    low, high = axes.get_ylim()
    room = (high - low) / 16
    order = sorted(range(len(ends)), key=lambda i: ends[i])
    at, lowest = {}, low
    for i in order:
        at[i] = max(ends[i], lowest)
        lowest = at[i] + room
    over = max(0.0, lowest - room - high)
    for i, text in enumerate(texts):
        axes.annotate(wrapped(text), (1.02, at[i] - over), xycoords=("axes fraction", "data"), color=colours[i],
                      va="center", fontsize=9, annotation_clip=False)  # fmt: skip


def _along(axes: Axes, name: str, values: list[str], x: list[float], at: list[Any], words: bool) -> None:
    """Lay out the axis along which a setting moves."""
    axes.set_xlabel(f"{as_text(name)}{_unit(values)}")
    if not words and min(x) > 0 and max(x) > 3 * min(x):
        axes.set_xscale("log")
    axes.set_xticks(at[:: len(at) // MOST_TICKS + 1], values[:: len(at) // MOST_TICKS + 1], rotation=30, ha="right")
    axes.minorticks_off()


def moving(trials: Trials, path: Path) -> None:
    """Write a plot of what is kept and lost as one setting moves."""
    name, values = next(iter(trials.moved.items()))
    x = list(numeric(values))
    words = any(v != v for v in x)
    figure, (kept, lost) = new_figure(2)
    at: list[Any] = list(range(len(values))) if words else x
    kept.plot(at, [row.kept_g for row in trials.rows], "o-", color=COLOURS[1], label="kept")
    kept.axhline(trials.base.kept_g, color=COLOURS[0], linestyle="--", linewidth=1, label="kept as the sheet is")
    ranked = sorted(trials.rows[0].lost_g, key=lambda s: -max(r.lost_g.get(s, 0.0) for r in trials.rows))
    for i, stream in enumerate(ranked[:MOST_STREAMS]):
        lost.plot(at, [r.lost_g.get(stream, 0.0) for r in trials.rows], "osv^Dx"[i] + "-", color=COLOURS[i],
                  label=as_text(stream))  # fmt: skip
    for axes, title in ((kept, "Gold kept, g"), (lost, "Gold lost, g")):
        axes.set_title(title)
        _along(axes, name, values, x, at, words)
        axes.margins(y=0.15)
        if axes.lines:  # a sheet that keeps everything loses nothing
            axes.legend(frameon=False)
    lost.set_ylim(bottom=0)
    save(figure, path)


def as_text(name: str) -> str:
    """Return a name so that it is drawn as written: no $…$ formula, and no leading _, which would hide it."""
    return f" {name}".replace("$", r"\$") if name.startswith("_") else name.replace("$", r"\$")


def wrapped(name: str) -> str:
    """Return a name to be drawn, on as many lines as it needs."""
    return as_text("\n".join(textwrap.wrap(name, LABEL_WIDTH)) or name)


def _unit(values: list[str]) -> str:
    if any(ch.isalpha() for ch in values[0]):
        return ""
    return ", %" if "%" in values[0] else ""


def new_figure(columns: int, wide: float = 5.6) -> tuple[Figure, Any]:
    """Return a figure with so many panels side by side, in the style that all plots share, and the panels."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide * columns, 4.2), layout="constrained", dpi=130)
    axes = figure.subplots(1, columns, squeeze=False)[0]
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.grid(axis="y", color="#dddddd", linewidth=0.6)
        one.set_axisbelow(True)
    return figure, axes


def save(figure: Figure, path: Path) -> None:
    """Write a figure. Raises SheetError where the name's ending is no picture format."""
    from flowsheet.spec.mistakes import Mistake, SheetError

    kinds = figure.canvas.get_supported_filetypes()
    if path.suffix.lstrip(".").lower() not in kinds:
        message, remedy = f'"{path.suffix}" is no picture format', "End the name in .png, .svg or .pdf"
        raise SheetError([Mistake(message, remedy, file=str(path), line=0)])
    with warnings.catch_warnings():
        # A name in letters that the font lacks is drawn as boxes; the tables tell it in full.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(path)
