"""Pictures of a page: each drawn in the one style, with what it says in words for those who can't see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.balance import weight_plots
from flowsheet.show.estimate import chance_plots
from flowsheet.show.graphics.style import printable, svg
from flowsheet.show.run import run_plots, size_plots
from flowsheet.show.run.gold_bar import gold_bar as gold_bar
from flowsheet.show.run.sentences import REASONS
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import gold, length, mass, percent, sig
from flowsheet.study.balance.result import Reconciled, Weight
from flowsheet.study.common.streams import Stream
from flowsheet.study.run.run import Run

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from flowsheet.study.estimate.chance import Chance


def _picture(name: str, figure: Figure, alt: str) -> Picture:
    return Picture(name, svg(figure), printable(alt))


def by_size(run: Run, names: list[str]) -> Picture | None:
    """Return rock and gold by size of up to six streams; None where the sheet knows no sizes."""
    if not run.solution.model.grid.sized:
        return None
    chosen = names[: size_plots.MOST_STREAMS]
    told = "; ".join(f"{name}: {_sized(run.streams[name])}" for name in chosen)
    alt = f"Two bar charts by size class, of rock (kg) and of gold (g). {told}."
    return _picture("sizes", size_plots.by_size_figure(run, chosen, narrow=True), alt)


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
        text = f"{length(row.opening)}: {percent(row.mass_share)} of the rock, {percent(row.gold_share)} of the gold"
        if row.opening in sure.shares:
            one = sure.shares[row.opening]
            by = "by the weights" if row.opening in sure.weighed else "nine chances in ten"
            text += f" ({by} {100 * one.p5:.0f} to {100 * one.p95:.0f} %)"
        rows.append(text)
    own = [f"{name} {length(size)}" for name, size in run_plots.screens(run).items()]
    marked = f" Marked: {', '.join(own)}." if own else ""
    alt = f"Lines of what is coarser than each opening. {'; '.join(rows)}.{marked}"
    return _picture("coarse", run_plots.coarse_figure(run, sure), alt)


def losses(run: Run) -> Picture | None:
    """Return each loss in g, stacked by reason; None where hardly any gold is lost."""
    rows = run_plots.lost(run)
    if not rows:
        return None
    told = []
    for one in rows:
        ranked = sorted(one.reasons.items(), key=lambda item: -item[1])
        why = ", ".join(f"{gold(kg)} {REASONS[reason]}" for reason, kg in ranked if kg > 0.005 * one.gold)
        told.append(f"{one.name} {gold(one.gold)}, {percent(one.share)} of the gold{f' ({why})' if why else ''}")
    return _picture("losses", run_plots.losses_figure(rows), f"A bar for each loss. {'; '.join(told)}.")


def weights_moved(found: Reconciled) -> Picture | None:
    """Return how far each weight of a test moved that another one checks; None where nothing checks any."""
    rows = weight_plots.checked(found)
    if not rows:
        return None
    told = "; ".join(_moved(found, one) for one in rows)
    reach = weight_plots.reach_of(found)
    chance = f" Chance alone moves one by no more than {sig(reach, 2)}." if reach is not None else ""
    free = [f"{one.name} {weight_plots.amount(one.measured, one.unit)}" for one in found.weights if one not in rows]
    rest = f" Nothing checks {len(free)} more: {'; '.join(free)}." if free else ""
    alt = f"A bar for each weight: adjusted less weighed, in its standard deviations. {told}.{chance}{rest}"
    return _picture("weights", weight_plots.moved_figure(found), alt)


def _moved(found: Reconciled, one: Weight) -> str:
    weighed, adjusted = (weight_plots.amount(value, one.unit) for value in (one.measured, one.adjusted))
    moved = f"{-one.standardised:+.1f}".replace("-", "−")
    suspect = ", the suspect" if one is found.suspect else ""
    return f"{one.name}: weighed {weighed}, adjusted {adjusted}, moved {moved}{suspect}"


def next_sack(found: Chance) -> Picture:
    """Return the law of the next sack's gold."""
    law = found.next_sack
    low, high = (gold(law.quantile(share)) for share in (0.05, 0.95))
    alt = (
        f"A bar chart of the gold in the next sack, by chance: {gold(found.next_mean)} on average, "
        f"{low} to {high} nine times in ten; less than half of the mean {percent(found.less_than_half)}, "
        f"more than double {percent(found.more_than_double)} of the time."
    )
    return _picture("next_sack", chance_plots.next_sack_figure(found, narrow=True), alt)
