"""The next sack as a picture of a page, with what it says in words."""

from __future__ import annotations

from flowsheet.show.estimate import chance_plots
from flowsheet.show.graphics.picture import picture
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import gold, percent
from flowsheet.study.estimate.chance import Chance


def next_sack(found: Chance) -> Picture:
    """Return the law of the next sack's gold."""
    law = found.next_sack
    low, high = (gold(law.quantile(share)) for share in (0.05, 0.95))
    alt = (
        f"A bar chart of the gold in the next sack, by chance: {gold(found.next_mean)} on average, "
        f"{low} to {high} nine times in ten; less than half of the mean {percent(found.less_than_half)}, "
        f"more than double {percent(found.more_than_double)} of the time."
    )
    return picture("next_sack", chance_plots.next_sack_figure(found, narrow=True), alt)
