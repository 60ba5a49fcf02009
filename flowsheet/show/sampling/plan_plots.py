"""A sampling plan written out: tables as CSV, the doubt against the mass, and what each stage adds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import INK, bar_look, beside, line_look, name_rows, new_figure, png
from flowsheet.show.sampling import plans
from flowsheet.show.text.figures import short, sig
from flowsheet.show.text.tables import csv_files
from flowsheet.study.sampling.sampling_plan import SamplingPlan
from flowsheet.study.sampling.sampling_variance import GRAINS, GROUPING, MEASURING, SACKS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BY_MASS = (
    "whole sacks, crushed, ground and panned",
    "the same by Gy, ground to the gold's size",
    "surest plan for the same work",
)
KINDS = (SACKS, GRAINS, GROUPING, MEASURING)


def plan_files(found: SamplingPlan) -> dict[str, bytes]:
    """Return the tables and pictures, by the names of their files."""
    return {
        **csv_files((plans.errors(found), plans.least(found), plans.curve(found))),
        "doubt_by_mass.png": png(doubt_by_mass_figure(found)),
        "plan_errors.png": png(stages_figure(found)),
    }


def doubt_by_mass_figure(found: SamplingPlan) -> Figure:
    """Draw the doubt against the rock that the same work would run whole."""
    figure, (axes,) = new_figure(1, wide=9.6)
    x = [point.mass for point in found.curve]
    for look, y in (
        (0, [100 * p.whole for p in found.curve]),
        (3, [100 * p.whole_by_gy for p in found.curve]),
        (1, [100 * p.best for p in found.curve]),
    ):
        axes.plot(x, y, ":" if look == 3 else "-", **line_look(look))
    lines = list(axes.lines)
    at = found.plan.work / found.straight
    axes.plot(at, 100 * found.plan.doubt, "*", color=INK, markersize=13, zorder=5)
    axes.annotate("this plan", (at, 100 * found.plan.doubt), (0, 9), ha="center", textcoords="offset points",
                  fontsize=9)  # fmt: skip
    if found.wish.want is not None:
        axes.axhline(100 * found.wish.want, color=INK, linewidth=0.9, linestyle="--")
        wished = f"wished: ± {plans.whole_percent(found.wish.want)}"
        axes.annotate(wished, (1.0, 100 * found.wish.want), (-4, 3), ha="right",
                      xycoords=("axes fraction", "data"), textcoords="offset points", fontsize=9)  # fmt: skip
    axes.set_xscale("log")
    axes.set_xticks(x, [short(kg) for kg in x])
    axes.minorticks_off()
    axes.set_xlabel("work, as kg of sacks run whole")
    axes.set_ylabel(f"± %, held with a chance of {plans.whole_percent(found.wish.confidence)}")
    axes.margins(y=0.15)
    axes.set_ylim(bottom=0)
    beside(axes, lines, BY_MASS, 26)
    return figure


def stages_figure(found: SamplingPlan) -> Figure:
    """Draw the variance that each stage adds."""
    rows = [row for row in found.plan.errors[:-1] if row.sd > 0]
    figure, (axes,) = new_figure(1, wide=8.6, grid="x")
    total = found.plan.sd**2
    for k, row in enumerate(rows):
        share = 100 * row.sd**2 / total
        axes.barh(k, share, 0.6, **bar_look(KINDS.index(row.kind)))
        axes.annotate(f"± {sig(100 * row.sd, 2)} %", (share, k), (4, 0), textcoords="offset points", va="center")
    name_rows(axes, [f"{row.stage}:\n{row.kind}" for row in rows])
    axes.set_xlim(0, 115)
    axes.set_xlabel(
        f"part of the variance, % (all together: ± {sig(100 * found.plan.sd, 2)} %, one standard deviation)"
    )
    return figure
