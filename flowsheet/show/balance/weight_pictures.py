"""Reconciled weights as a picture of a page, with what it says in words."""

from __future__ import annotations

from flowsheet.show.balance import weight_plots
from flowsheet.show.graphics.picture import picture
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import sig
from flowsheet.study.balance.result import Reconciled, Weight


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
    return picture("weights", weight_plots.moved_figure(found), alt)


def _moved(found: Reconciled, one: Weight) -> str:
    weighed, adjusted = (weight_plots.amount(value, one.unit) for value in (one.measured, one.adjusted))
    moved = f"{-one.standardised:+.1f}".replace("-", "−")
    suspect = ", the suspect" if one is found.suspect else ""
    return f"{one.name}: weighed {weighed}, adjusted {adjusted}, moved {moved}{suspect}"
