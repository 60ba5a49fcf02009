"""The style that all pictures share: colours, hatches, marks, clean axes, and how a figure is written."""

from __future__ import annotations

import io
import textwrap
import threading
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.show.graphics.svg import inlined

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

BLUE, GOLD, _, RED, GREY, PURPLE, SKY, YELLOW = COLOURS = (
    "#0072b2", "#e69f00", "#009e73", "#d55e00", "#7a7a7a", "#cc79a7", "#56b4e9", "#f0e442",
)  # fmt: skip
"""Told apart by colour-blind eyes: M. Okabe & K. Ito, Color Universal Design (2002, 2008), as printed in B. Wong,
Points of view: Color blindness, Nature Methods 8 (2011) 441 (both from memory; a test simulates what such eyes see);
a grey in place of black, which no dark page would show."""
HATCHES = ("", "//", "..", "\\\\", "xx", "--", "++", "oo")
MARKERS = "osv^DXP*"
"""Colour never tells alone: bars have a hatch too, lines a mark."""

INK, SOFT, RULE, FAINT = "#26231e", "#645c4f", "#d8cfbd", "#efe9dc"
"""As in theme.css; a picture in a page takes the page's own."""
EDGED = {GOLD, PURPLE, SKY, YELLOW}
"""Colours too light for a line on light paper (contrast under 3): such a line has edges of ink."""

NARROW = 5.4
"""Inches of a picture in a page: its letters are still read where a phone makes it as narrow as itself."""
LABEL_WIDTH = 40
"""Characters of a line of a name."""
ROW_WIDTH = 58
"""Characters of a line of a name that stands above its row,"""
LINE, BAR, GAP = 0.17, 0.17, 0.13
"""and inches of a line, of a bar, and between rows."""
_DRAWING = threading.Lock()


def new_figure(
    columns: int = 1, wide: float = 5.6, high: float = 4.2, grid: str = "y", rows: int = 1, **more: Any
) -> tuple[Figure, Any]:
    """Return a figure of ``rows`` times ``columns`` clean panels, each ``wide`` by ``high`` inches, and the panels."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(wide * columns, high * rows), layout="constrained", dpi=130, facecolor="white")
    panels = figure.subplots(rows, columns, squeeze=False, **more).ravel()
    for one in panels:
        clean(one, grid)
    return figure, panels


def named_rows(names: Sequence[str], foot: float = 0.6) -> tuple[Figure, Axes, list[float]]:
    """Return a narrow figure of level rows with each name above its own, its axes, and the height of each row's bar.

    A bar is ``BAR`` high in the axes' units. ``foot`` is the room (inches) for what stands below the axis.
    """
    told = [wrapped(name, ROW_WIDTH) for name in names]
    tops, at, top = [], [], 0.0
    for name in told:
        tops.append(top)
        top += LINE * (name.count("\n") + 1)
        at.append(top + 0.5 * BAR)
        top += BAR + GAP
    figure, (axes,) = new_figure(1, NARROW, top + foot, grid="x")
    for start, name in zip(tops, told, strict=True):
        axes.annotate(name, (0, start), (2, -1), xycoords=("axes fraction", "data"), textcoords="offset points",
                      va="top", fontsize=9)  # fmt: skip
    axes.set_ylim(top, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    return figure, axes, at


def clean(axes: Axes, grid: str = "y") -> None:
    """Take away what tells nothing; leave thin lines across the axis that is read, "x" or "y"."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[:].set_color(SOFT)
    axes.grid(axis="x" if grid == "x" else "y", color=RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(which="both", color=SOFT, labelcolor=INK)


def bar_look(i: int) -> dict[str, Any]:
    """Return the look of bars of the ``i``-th kind: a colour and a hatch, with an edge that every paper shows."""
    k = i % len(COLOURS)
    return {"color": COLOURS[k], "hatch": HATCHES[k], "edgecolor": INK, "linewidth": 0.5}


def line_look(i: int) -> dict[str, Any]:
    """Return the look of the ``i``-th line: a colour and a mark with an edge of ink."""
    k = i % len(COLOURS)
    return {"marker": MARKERS[k], "markeredgecolor": INK, "markeredgewidth": 0.6, **edged(COLOURS[k])}


def edged(colour: str) -> dict[str, Any]:
    """Return the look of a line of ``colour``: one too light for its paper has edges of ink."""
    if colour not in EDGED:
        return {"color": colour}
    from matplotlib.patheffects import Normal, SimpleLineShadow

    edge = SimpleLineShadow(offset=(0, 0), shadow_color=INK, alpha=1.0, linewidth=2.7)
    return {"color": colour, "path_effects": [edge, Normal()]}


def interval(axes: Axes, low: float, high: float, at: float, colour: str, thick: float = 0.3) -> None:
    """Draw a level band from ``low`` to ``high`` at a row's height, with an edge of ink."""
    axes.use_sticky_edges = False  # or the axis would end where a band does
    axes.barh(at, high - low, thick, left=low, color=colour, edgecolor=INK, linewidth=0.5)


def beside(axes: Axes, lines: Sequence[Line2D], texts: Sequence[str], width: int = LABEL_WIDTH) -> None:
    """Write each line's name beside its right end, as near to it as the names leave each other room."""
    axes.margins(y=0.15)
    told = [wrapped(text, width) for text in texts]
    ends = [_end(line) for line in lines]
    low, high = axes.get_ylim()
    spec = axes.get_subplotspec()
    panel = axes.get_figure(root=True).get_figheight() / (spec.get_gridspec().nrows if spec else 1)  # type: ignore[union-attr]
    line = (high - low) * max(1 / 16, LINE / (0.7 * panel))
    heights = [line * max(1.0, 0.9 * (text.count("\n") + 1)) for text in told]
    order = sorted(range(len(ends)), key=lambda i: ends[i])
    at, lowest = {}, low
    for i in order:
        at[i] = max(ends[i], lowest + heights[i] / 2 - line / 2)
        lowest = at[i] + heights[i] / 2 + line / 2
    over = max(0.0, lowest - line - high)
    for i, text in enumerate(told):
        axes.annotate(text, (1.05, at[i] - over), xycoords=("axes fraction", "data"), color=INK,
                      va="center", fontsize=9, annotation_clip=False)  # fmt: skip
        # A key between line and name, where the name had to move away from its line's end.
        key: dict[str, Any] = {"marker": lines[i].get_marker(), "edgecolors": INK, "linewidths": 0.6}
        if key["marker"] in ("None", None, ""):
            key = {"marker": "_", "linewidths": 1.4}
        axes.scatter([1.025], [at[i] - over], s=30, color=lines[i].get_color(), clip_on=False,
                     transform=axes.get_yaxis_transform(), **key)  # fmt: skip


def _end(line: Line2D) -> float:
    x, y = np.asarray(line.get_xdata(), dtype=float), np.asarray(line.get_ydata(), dtype=float)
    return float(y[np.argmax(x)])


def name_rows(axes: Axes, names: Sequence[str]) -> None:
    """Write the names of level rows beside them, the first on top."""
    axes.set_yticks(range(len(names)), [as_text(name) for name in names])
    axes.set_ylim(len(names) - 0.4, -0.6)


def as_text(name: str) -> str:
    """Return a name so that it is drawn as written: no $…$ formula, and no leading _, which would hide it.

    What no font shows (controls, marks of direction) becomes the mark for it.
    """
    shown = printable(name).replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def printable(text: str) -> str:
    """Return a text with a mark in place of what no font shows: controls, marks of direction."""
    return "".join(c if c.isprintable() or c == "\n" else "\ufffd" for c in text)


def wrapped(name: str, width: int = LABEL_WIDTH) -> str:
    """Return a name to be drawn, on as many lines as it needs."""
    return as_text("\n".join(textwrap.wrap(name, width)) or name)


def png(figure: Figure) -> bytes:
    """Return a figure as a PNG file."""
    return picture(figure, Path("figure.png"))


def picture(figure: Figure, path: Path) -> bytes:
    """Return a figure as the file ``path`` is to hold. Raises SheetError where its ending is no picture format."""
    from flowsheet.spec.text.mistakes import Mistake, SheetError

    kind = path.suffix.lstrip(".").lower()
    if kind not in figure.canvas.get_supported_filetypes():
        message, remedy = f'"{path.suffix}" is no picture format', "End the name in .png, .svg or .pdf"
        raise SheetError([Mistake(message, remedy, file=str(path), line=0, code="picture_format_unknown")])
    raw = io.BytesIO()
    with _DRAWING, warnings.catch_warnings():
        # A name in letters that the font lacks is drawn as boxes; the tables tell it in full.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        _in_ink(figure)
        figure.savefig(raw, format=kind)
    return raw.getvalue()


def _in_ink(figure: Figure) -> None:
    """Write all that nobody gave a colour in ink."""
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        if text.get_color() == "black":
            text.set_color(INK)


def svg(figure: Figure) -> str:
    """Return a figure as one ``<svg class="plot">`` to be put into a page: see ``svg.inlined``."""
    import matplotlib

    raw = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    # The settings are the library's own, for all threads: a page's are many.
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": "flowsheet"}
    with _DRAWING, matplotlib.rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        _in_ink(figure)
        figure.savefig(raw, format="svg", transparent=True, metadata=nothing)
    return inlined(raw.getvalue())
