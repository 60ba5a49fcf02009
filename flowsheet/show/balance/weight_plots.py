"""Reconciled weights written out: tables as CSV, and a picture of how far each weight had to move."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from flowsheet.show.balance import reconciled, sieved
from flowsheet.show.graphics.style import (
    BAR,
    BLUE,
    FAINT,
    GOLD,
    INK,
    SOFT,
    bar_look,
    name_rows,
    named_rows,
    new_figure,
    png,
)
from flowsheet.show.text.figures import mass, sig
from flowsheet.show.text.tables import csv_files
from flowsheet.study.balance.result import Reconciled, Weight
from flowsheet.study.balance.suspect_or_swapped_weights import limit
from flowsheet.study.common.units_out import g_per_t, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def reconciled_files(tests: Mapping[str, Reconciled]) -> dict[str, bytes]:
    """Return the tables and the picture of every test, by the names of their files."""
    files = {}
    for i, (test, found) in enumerate(tests.items()):
        begin = f"{_file_name(test) or i + 1}-" if len(tests) > 1 else ""
        grids = (reconciled.streams(found), reconciled.weights(found), reconciled.parts(found))
        more = (reconciled.streams_without(found), *sieved.grids(found.sieved))
        told = csv_files(g for g in (*grids, *more) if g is not None)
        told["weights.png"] = png(adjusted_figure(found))
        files.update({f"{begin}{name}": raw for name, raw in told.items()})
    return files


def _file_name(test: str) -> str:
    return re.sub(r"[^\w.-]+", "_", test).strip("._")


def adjusted_figure(found: Reconciled) -> Figure:
    """Draw each weight's doubt and adjustment: how far it moved, and how far it may by chance."""
    rows = found.weights
    figure, (shifts, values) = new_figure(2, 5.2, 1.7 + 0.34 * len(rows), grid="x", sharey=True)
    at = [float(k) for k in range(len(rows))]
    _shifts(shifts, rows, found, at, 0.6)
    shifts.set_title("How far each weight had to move")
    name_rows(shifts, [f"{w.stream}, {w.what} {reconciled.amount(w.measured, w.unit)}" for w in rows])
    weighed = [w.measured or 1.0 for w in rows]
    values.errorbar([1.0] * len(rows), at, xerr=[abs(w.sd / m) for w, m in zip(rows, weighed, strict=True)], fmt="o",
                    color=BLUE, capsize=3, label="weighed, with its doubt")  # fmt: skip
    values.plot([w.adjusted / m for w, m in zip(rows, weighed, strict=True)], at, "D", color=GOLD, markersize=5,
                markeredgecolor=INK, zorder=5, label="adjusted")  # fmt: skip
    values.set_title("Weighed and adjusted")
    values.set_xlabel("over what was weighed (1: as it reads)")
    figure.legend(loc="outside lower center", ncols=4, frameon=False)
    return figure


def checked(found: Reconciled) -> list[Weight]:
    """Return the weights that another one checks: of the others nobody can tell how far they would move."""
    return [w for w in found.weights if not math.isnan(w.standardised)]


def moved_figure(found: Reconciled) -> Figure:
    """Draw how far each checked weight moved, in a page: what it reads and was adjusted to stand above its bar.

    There must be one.
    """
    rows = checked(found)
    told = [f"{w.name}: {amount(w.measured, w.unit)}, adjusted {amount(w.adjusted, w.unit)}" for w in rows]
    figure, axes, at = named_rows(told, 0.9)
    _shifts(axes, rows, found, at, BAR, narrow=True)
    if unchecked := len(found.weights) - len(rows):
        axes.set_xlabel(f"{axes.get_xlabel()}\n(nothing checks {unchecked} more)")
    if axes.get_legend_handles_labels()[0]:
        figure.legend(loc="outside lower center", ncols=2, frameon=False, fontsize=9)
    return figure


def amount(value: float, unit: str) -> str:
    """Return a measured value (kg, kg/kg or a share) to four digits, which show by how little it may have moved."""
    if unit == "%":
        return f"{sig(percent(value), 4)} %"
    return f"{sig(g_per_t(value), 4)} g/t" if unit == "g/t" else mass(value, 4)


def reach_of(found: Reconciled) -> float | None:
    """Return how far a weight may move by chance, in standard deviations; None where nothing is checked."""
    number = len(checked(found))
    return limit(number, found.dof) if number and found.dof > 0 else None


def _shifts(
    axes: Axes, rows: Sequence[Weight], found: Reconciled, at: Sequence[float], thick: float, narrow: bool = False
) -> None:
    """Draw a bar for each of ``rows``, at heights ``at``; where names stand above the bars no line crosses them."""
    reach = reach_of(found)
    if reach is not None:
        axes.axvspan(-reach, reach, color=FAINT, zorder=0, label="no more than chance")
    if reach is not None and not narrow:
        for edge in (-reach, reach):
            axes.axvline(edge, color=SOFT, linewidth=0.7, linestyle=":")
    largest = reach or 1.0
    for height, w in zip(at, rows, strict=True):
        if math.isnan(w.standardised):
            axes.annotate("nothing checks it", (0, height), (4, 0), textcoords="offset points", va="center",
                          fontsize=8, color=SOFT)  # fmt: skip
            continue
        wrong = found.suspect is not None and w is found.suspect
        axes.barh(height, -w.standardised, thick, label="the suspect" if wrong else None,
                  **bar_look(3 if wrong else 0))  # fmt: skip
        largest = max(largest, abs(w.standardised))
    if narrow:
        axes.grid(visible=False)
        axes.vlines([0.0] * len(at), [y - 0.5 * thick for y in at], [y + 0.5 * thick for y in at], color=INK)
    else:
        axes.axvline(0, color=INK, linewidth=0.8)
    axes.set_xlabel("adjusted less weighed, in its standard deviations")
    axes.set_xlim(-1.1 * largest, 1.1 * largest)
