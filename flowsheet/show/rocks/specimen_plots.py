"""Specimens written out: tables as CSV; gold against the host's density, or an interval bar for each rock."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from flowsheet.show.graphics.style import BLUE, GOLD, GREY, INK, RED, interval, name_rows, new_figure, png
from flowsheet.show.rocks import specimens
from flowsheet.show.rocks.specimen_sums import from_nothing
from flowsheet.show.text.figures import sig
from flowsheet.show.text.tables import csv_files
from flowsheet.study.common.units_out import grams
from flowsheet.study.rocks.hydrostatic import gold_in, water_density
from flowsheet.study.rocks.result import SpecimenGold, Specimens

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_BARS = 40
"""A picture shows so many rocks, those with most gold; the table has all."""
AROUND = 4.0
"""The host's density is drawn so many standard deviations to both sides."""
LEAST_AROUND = 0.15
"""But at least so far (g/cm3)."""


def specimen_files(found: Specimens, table: bool = False) -> dict[str, bytes]:
    """Return the tables and the picture, by the names of their files."""
    one = found.specimens[0]
    grids = (specimens.doubts(one), specimens.without_gold(one)) if not table else (specimens.specimens(found),)
    return {**csv_files(grids), "specimen_gold.png": png(bars_figure(found) if table else by_host_figure(one))}


def by_host_figure(found: SpecimenGold) -> Figure:
    """Draw the gold against the host's density, with the doubt of both."""
    specimen = found.specimen
    air, water = grams(specimen.air.value), grams(specimen.water.value)
    middle = specimen.host.density
    reach = max(AROUND * specimen.host.sd, LEAST_AROUND)
    density = np.linspace(middle - reach, middle + reach, 101)
    metal, displaced = np.asarray(1 / found.metal), water_density(specimen.common.temperature)
    gold = found.fine * gold_in(np.asarray(air), np.asarray(water), 1 / density, metal, displaced)
    figure, (axes,) = new_figure(1, wide=8.6)
    axes.plot(density, gold, color=BLUE, linewidth=2)
    ends, held = from_nothing(found.gold), grams(found.gold.value)
    axes.axhspan(grams(ends.low), grams(ends.high), facecolor=GOLD, alpha=0.35, linewidth=0,
                 label="gold, nine times in ten")  # fmt: skip
    axes.axvspan(middle - specimen.host.sd, middle + specimen.host.sd, facecolor=GREY, alpha=0.3, hatch="//",
                 edgecolor=INK, linewidth=0, label="the host, ± one standard deviation")  # fmt: skip
    axes.plot(middle, held, "o", color=RED, markeredgecolor=INK, zorder=3)
    axes.axhline(0, color=INK, linewidth=0.8)
    axes.annotate(f"{sig(held)} g", (middle, held), (6, -16), textcoords="offset points")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower center", frameon=False, ncols=2, fontsize=9)
    axes.set_xlim(density[0], density[-1])
    axes.set_xlabel("density of the host rock, g/cm3")
    axes.set_ylabel("fine gold by these weights, g")
    return figure


def bars_figure(found: Specimens) -> Figure:
    """Draw each rock's interval, the richest on top."""
    ranked = sorted(found.counted, key=lambda one: -one.gold.value)[:MOST_BARS]
    figure, (axes,) = new_figure(1, 8.6, 1.6 + 0.32 * len(ranked), grid="x")
    for k, one in enumerate(ranked):
        shows = one.gold.value > one.smallest.decision
        ends = from_nothing(one.gold)
        interval(axes, grams(ends.low), grams(ends.high), k, GOLD if shows else GREY, 0.36)
        held = grams(max(one.gold.value, 0.0))
        axes.plot(held, k, "o", color="white", markeredgecolor=INK, markersize=4.5)
        axes.annotate(sig(held) if shows else "may hold none", (grams(ends.high), k), (5, 0),
                      textcoords="offset points", va="center", fontsize=8)  # fmt: skip
    axes.axvline(0, color=INK, linewidth=0.8)
    name_rows(axes, [one.specimen.name for one in ranked])
    high = max(0.0, *(grams(one.gold.high) for one in ranked)) or 1.0
    axes.set_xlim(-0.03 * high, 1.16 * high)
    axes.set_xlabel("fine gold, g: nine times in ten, and the middle")
    return figure
