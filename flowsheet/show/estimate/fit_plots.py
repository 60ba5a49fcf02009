"""Plot of a fit: each number's doubt before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.ore.arrays import NORMAL_95
from flowsheet.show.estimate import fitted
from flowsheet.show.estimate.fit_words import after, verdict
from flowsheet.show.graphics.style import BLUE, GREY, INK, SOFT, as_text, new_figure, png
from flowsheet.show.text.tables import csv_files
from flowsheet.study.estimate.fit import Fitted, Parameter

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def before_and_after_figure(found: Fitted) -> Figure:
    """Draw every fitted number's 90 % interval before and after, on the scale of its doubt before."""
    figure, (axes,) = new_figure(1, 8.6, 1.7 + 0.62 * len(found.parameters), grid="x")
    rows = found.parameters[::-1]
    for at, one in enumerate(rows):
        for low, middle, high, shift, colour, mark in (
            (*_before(one), 0.16, GREY, "s"),
            (one.low, one.value, one.high, -0.16, BLUE, "o"),
        ):
            ends = [_scaled(one, value) for value in (low, middle, high)]
            axes.plot([ends[0], ends[2]], [at + shift] * 2, color=colour, linewidth=2.6, solid_capstyle="butt")
            axes.plot([ends[1]], [at + shift], mark, color=colour, markeredgecolor=INK, markersize=5.5)
        axes.annotate(
            f"{after(one)} (weights {verdict(one)})", (1.02, at), fontsize=9,
            xycoords=("axes fraction", "data"), va="center", annotation_clip=False,
        )  # fmt: skip
    axes.axvline(0, color=SOFT, linewidth=0.8)
    axes.set_yticks(range(len(rows)), [as_text(one.name) for one in rows])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.set_xlabel("standard deviations of the doubt before, from the value before")
    axes.set_title("Doubt (90 %) before and after the weights")
    axes.plot([], [], "s-", color=GREY, markeredgecolor=INK, linewidth=2.6, label="before")
    axes.plot([], [], "o-", color=BLUE, markeredgecolor=INK, linewidth=2.6, label="after")
    figure.legend(loc="outside lower center", ncols=2, frameon=False)
    return figure


def _before(one: Parameter) -> tuple[float, float, float]:
    number = one.number
    if number.low is not None and number.high is not None:
        tail = 0.05 * (number.high - number.low)
        return number.low + tail, number.value, number.high - tail
    reach = NORMAL_95 * one.before_sd
    return one.before - reach, one.before, one.before + reach


def _scaled(one: Parameter, value: float) -> float:
    return (value - one.before) / one.before_sd


def fitted_files(found: Fitted) -> dict[str, bytes]:
    """Return a fit's tables and its picture, by the names of their files."""
    return {**csv_files(fitted.grids(found)), "fitted.png": png(before_and_after_figure(found))}
