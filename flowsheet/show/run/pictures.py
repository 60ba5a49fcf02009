"""Pictures of a page: each drawn in the one style, with what it says in words for those who can't see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.graphics.picture import picture
from flowsheet.show.run import run_plots, size_plots
from flowsheet.show.run.gold_bar import gold_bar as gold_bar
from flowsheet.show.run.sentences import REASONS
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import gold, length, mass, percent
from flowsheet.study.common.streams import Stream
from flowsheet.study.run.run import Run

if TYPE_CHECKING:
    from flowsheet.study.estimate.chance import Chance


def by_size(run: Run, names: list[str]) -> Picture | None:
    """Return rock and gold by size of up to six streams; None where the sheet knows no sizes."""
    if not run.solution.model.grid.sized:
        return None
    chosen = names[: size_plots.MOST_STREAMS]
    told = "; ".join(f"{name}: {_sized(run.flows[name])}" for name in chosen)
    alt = f"Two bar charts by size class, of rock (kg) and of gold (g). {told}."
    return picture("sizes", size_plots.by_size_figure(run, chosen, narrow=True), alt)


def _sized(stream: Stream) -> str:
    """Say in which classes most of a stream's rock and gold lies."""
    parts = [f"{mass(stream.mass)} and {gold(stream.gold)} of gold"]
    for what, amounts in (
        ("rock", [row.rock for row in stream.sizes]),
        ("gold", [row.gold for row in stream.sizes]),
    ):
        whole = sum(amounts)
        if whole > 0:
            k = max(range(len(amounts)), key=lambda i: amounts[i])
            row = stream.sizes[k]
            sizes = f"{length(row.lower)} to {length(row.upper)}" if row.upper else "its one class"
            parts.append(f"the fullest class of {what} is {sizes} with {percent(amounts[k] / whole)}")
    return ", ".join(parts)


def coarse_band(run: Run, chance: Chance | None = None) -> Picture | None:
    """Return the shares coarser than each opening, with their band; None where the sheet knows no sizes."""
    if not run.coarse:
        return None
    sure = run_plots.known(run, chance)
    rows = []
    for row in run.coarse:
        text = f"{length(row.opening)}: {percent(row.mass_share)} of the rock, {percent(sure.drawn(row))} of the gold"
        if row.opening in sure.shares:
            one = sure.shares[row.opening]
            by = "by the weights" if row.opening in sure.weighed else "nine chances in ten"
            text += f" ({by} {100 * one.p5:.0f} to {100 * one.p95:.0f} %)"
        rows.append(text)
    own = [f"{name} {length(size)}" for name, size in run_plots.screens(run).items()]
    marked = f" Marked: {', '.join(own)}." if own else ""
    alt = f"Lines of what is coarser than each opening. {'; '.join(rows)}.{marked}"
    return picture("coarse", run_plots.coarse_figure(run, sure), alt)


def losses(run: Run) -> Picture | None:
    """Return each loss in g, stacked by reason; None where hardly any gold is lost."""
    rows = run_plots.lost(run)
    if not rows:
        return None
    told = []
    for one in rows:
        ranked = sorted(one.reasons.items(), key=lambda item: -item[1])
        why = ", ".join(f"{gold(kg)} {REASONS[reason]}" for reason, kg in ranked if kg > 0.005 * one.gold)
        told.append(f"{one.name} {one.told}, {percent(one.share)} of the gold{f' ({why})' if why else ''}")
    return picture("losses", run_plots.losses_figure(rows), f"A bar for each loss. {'; '.join(told)}.")
