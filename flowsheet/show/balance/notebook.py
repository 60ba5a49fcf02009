"""Reconciled weights in a notebook: of one test, or of each test of a sheet."""

from __future__ import annotations

from dataclasses import replace

from flowsheet.show.balance import reconciled, sieved, weight_pictures
from flowsheet.show.graphics.notebook_page import Page, Views
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.notes import texts
from flowsheet.study.balance.result import Reconciled, Reconciliation


def _reconciled(found: Reconciled) -> Page:
    return Page(
        "What the weights say",
        reconciled.answers(found),
        pictures=(weight_pictures.weights_moved(found),),
        grids=(
            reconciled.streams(found),
            reconciled.weights(found),
            reconciled.streams_without(found),
            *sieved.grids(found.sieved),
            reconciled.unknown(found) if found.to_know else None,
        ),
        notes=(*texts(found.notes), RULES),
    )


def _reconciliation(found: Reconciliation) -> Page:
    first, *others = (_reconciled(one) for one in found.tests.values())
    if not others:
        return first
    named = [replace(page, title=f"{page.title}: {test or 'the sheet itself'}")
             for test, page in zip(found.tests, (first, *others), strict=True)]  # fmt: skip
    return replace(named[0], more=tuple(named[1:]))


VIEWS: Views = {
    Reconciled: _reconciled,
    Reconciliation: _reconciliation,
}
