"""What a sack and the pile are worth, in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.money import worth_plots, worths
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.notes import texts
from flowsheet.study.money.result import Worths


def _worths(found: Worths) -> Page:
    split = len(found.splits) > 1
    return Page(
        "What it is worth",
        worths.answers(found),
        pictures=(
            plot("ways", worth_plots.by_way_figure(found), "What each way leaves"),
            plot("partings", worth_plots.by_opening_figure(found), "What is left at each opening") if split else None,
        ),
        grids=worths.tables(found),
        notes=(*texts(found.notes), RULES),
    )


VIEWS: Views = {
    Worths: _worths,
}
