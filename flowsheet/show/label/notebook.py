"""The lot sheet in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views
from flowsheet.show.label import label
from flowsheet.study.label.contents import LotSheet


def _lot_sheet(found: LotSheet) -> Page:
    return Page("Lot sheet", plain=label.text(found))


VIEWS: Views = {
    LotSheet: _lot_sheet,
}
