"""Reconciled weights written out: tables as CSV, and a picture of how far each weight had to move."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path

from flowsheet.show import reconciled
from flowsheet.show.plots import COLOURS, as_text, save
from flowsheet.study.reconciled import Reconciled
from flowsheet.study.suspects import limit


def write_reconciled(tests: Mapping[str, Reconciled], folder: Path) -> list[Path]:
    """Write the tables and the picture of every test into ``folder`` and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for i, (test, found) in enumerate(tests.items()):
        begin = f"{_file_name(test) or i + 1}-" if len(tests) > 1 else ""
        grids = (reconciled.streams(found), reconciled.weights(found), reconciled.parts(found))
        for grid in (g for g in (*grids, reconciled.streams_without(found)) if g is not None):
            written.append(folder / f"{begin}{grid.name}.csv")
            grid.write_csv(written[-1])
        written.append(folder / f"{begin}weights.png")
        moved(found, written[-1])
    return written


def _file_name(test: str) -> str:
    return re.sub(r"[^\w.-]+", "_", test).strip("._")


def moved(found: Reconciled, path: Path) -> None:
    """Write a plot of each weight's doubt and adjustment: how far it moved, and how far it may by chance."""
    from matplotlib.figure import Figure

    rows = found.weights
    figure = Figure(figsize=(10.4, 1.7 + 0.34 * len(rows)), layout="constrained", dpi=130)
    shifts, values = figure.subplots(1, 2, sharey=True)
    at = list(range(len(rows)))
    for axes in (shifts, values):
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="x", color="#dddddd", linewidth=0.6)
        axes.set_axisbelow(True)
    checked = [not math.isnan(w.standardised) for w in rows]
    suspect = found.suspect
    reach = limit(sum(checked), found.dof) if any(checked) and found.dof > 0 else None
    if reach is not None:
        shifts.axvspan(-reach, reach, color="#eeeeee", zorder=0, label="no more than chance")
    wrong = [suspect is not None and w is suspect for w in rows]
    for k, w in enumerate(rows):
        if checked[k]:
            shifts.barh(k, -w.standardised, 0.6, color=COLOURS[3] if wrong[k] else COLOURS[0],
                        hatch="//" if wrong[k] else "", edgecolor="white",
                        label="the suspect" if wrong[k] else None)  # fmt: skip
        else:
            shifts.text(0, k, " nothing checks it", va="center", fontsize=8, color="#555555")
    shifts.axvline(0, color="#333333", linewidth=0.8)
    shifts.set_yticks(at, [as_text(f"{w.stream}, {w.what} {reconciled.amount(w.measured, w.unit)}") for w in rows])
    shifts.invert_yaxis()
    shifts.set_title("How far each weight had to move")
    shifts.set_xlabel("adjusted less weighed, in its standard deviations")
    largest = max([abs(w.standardised) for w, known in zip(rows, checked, strict=True) if known], default=1.0)
    shifts.set_xlim(-1.1 * max(largest, reach or 1.0), 1.1 * max(largest, reach or 1.0))
    weighed = [w.measured or 1.0 for w in rows]
    values.errorbar([1.0] * len(rows), at, xerr=[abs(w.sd / m) for w, m in zip(rows, weighed, strict=True)], fmt="o",
                    color=COLOURS[0], capsize=3, label="weighed, with its doubt")  # fmt: skip
    values.plot([w.adjusted / m for w, m in zip(rows, weighed, strict=True)], at, "D", color=COLOURS[1],
                markersize=5, zorder=5, label="adjusted")  # fmt: skip
    values.set_title("Weighed and adjusted")
    values.set_xlabel("over what was weighed (1: as it reads)")
    figure.legend(loc="outside lower center", ncols=3, frameon=False)
    save(figure, path)
