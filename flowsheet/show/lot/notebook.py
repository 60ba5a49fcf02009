"""The pile in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.lot import lot_plots, lots
from flowsheet.study.lot.combine_tests import Lot


def _lot(found: Lot) -> Page:
    return Page(
        found.title,
        lots.answers(found),
        pictures=(plot("lot", lot_plots.lot_figure(found), "What each sack tells, and the pile's interval"),),
        grids=(lots.pile(found), lots.each_test(found, lots.shown_rows(found))),
        notes=(*lots.notes(found), *lots.cautions(found)),
    )


VIEWS: Views = {
    Lot: _lot,
}
