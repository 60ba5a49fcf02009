"""Plots: solids and gold by size side by side, and what one moving setting does."""

from __future__ import annotations

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


def by_size(run: Run, names: list[str], path: Path) -> None:
    """Write a plot of rock and of gold by size class of up to six streams, side by side."""
    figure, (rock, held) = _figure(2)
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
        axes.legend(frameon=False)
    _save(figure, path)


def _tick(upper_mm: float | None) -> str:
    return "" if upper_mm is None else short(upper_mm)


def _bars(axes: Axes, stream: Stream, values: list[float], i: int, n: int, name: str) -> None:
    width = 0.8 / n
    at = [len(values) - 1 - k - 0.4 + width * (i + 0.5) for k in range(len(values))]
    axes.bar(at, values, width, color=COLOURS[i], hatch=HATCHES[i], edgecolor="white", linewidth=0.3,
             label=_plain(name))  # fmt: skip


def moving(trials: Trials, path: Path) -> None:
    """Write a plot of what is kept and lost as one setting moves."""
    name, values = next(iter(trials.moved.items()))
    x = list(numeric(values))
    words = any(v != v for v in x)
    figure, (kept, lost) = _figure(2)
    at: list[Any] = list(range(len(values))) if words else x
    kept.plot(at, [row.kept_g for row in trials.rows], "o-", color=COLOURS[1], label="kept")
    kept.axhline(trials.base.kept_g, color=COLOURS[0], linestyle="--", linewidth=1, label="kept as the sheet is")
    ranked = sorted(trials.rows[0].lost_g, key=lambda s: -max(r.lost_g.get(s, 0.0) for r in trials.rows))
    for i, stream in enumerate(ranked[:MOST_STREAMS]):
        lost.plot(at, [r.lost_g.get(stream, 0.0) for r in trials.rows], "osv^Dx"[i] + "-", color=COLOURS[i],
                  label=_plain(stream))  # fmt: skip
    for axes, title in ((kept, "Gold kept, g"), (lost, "Gold lost, g")):
        axes.set_title(title)
        axes.set_xlabel(f"{_plain(name)}{_unit(values)}")
        if not words and min(x) > 0 and max(x) > 3 * min(x):
            axes.set_xscale("log")
        axes.set_xticks(at[:: len(at) // MOST_TICKS + 1], values[:: len(at) // MOST_TICKS + 1], rotation=30, ha="right")
        axes.minorticks_off()
        axes.margins(y=0.15)
        if axes.lines:  # a sheet that keeps everything loses nothing
            axes.legend(frameon=False)
    lost.set_ylim(bottom=0)
    _save(figure, path)


def _plain(name: str) -> str:
    """Return a name so that it is drawn as written: no $…$ formula, and no leading _, which would hide it."""
    return f" {name}".replace("$", r"\$") if name.startswith("_") else name.replace("$", r"\$")


def _unit(values: list[str]) -> str:
    if any(ch.isalpha() for ch in values[0]):
        return ""
    return ", %" if "%" in values[0] else ""


def _figure(columns: int) -> tuple[Figure, Any]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.6 * columns, 4.2), layout="constrained", dpi=130)
    axes = figure.subplots(1, columns)
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
        one.grid(axis="y", color="#dddddd", linewidth=0.6)
        one.set_axisbelow(True)
    return figure, axes


def _save(figure: Figure, path: Path) -> None:
    from flowsheet.spec.mistakes import Mistake, SheetError

    kinds = figure.canvas.get_supported_filetypes()
    if path.suffix.lstrip(".").lower() not in kinds:
        message, remedy = f'"{path.suffix}" is no picture format', "End the name in .png, .svg or .pdf"
        raise SheetError([Mistake(message, remedy, file=str(path), line=0)])
    with warnings.catch_warnings():
        # A name in letters that the font lacks is drawn as boxes; the tables tell it in full.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(path)
