"""Specimens and cuts in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.rocks import cuts, specimen_plots, specimen_sums, specimens
from flowsheet.steps.base import SAWING
from flowsheet.study.rocks.result import SpecimenGold, Specimens
from flowsheet.study.rocks.slabs import Cutting


def _specimen(found: SpecimenGold) -> Page:
    shown = found.gold.value > 0
    drawn = plot("specimen", specimen_plots.by_host_figure(found), "The gold against the host's density")
    return Page(
        "A specimen" if found.specimen.name == "specimen" else found.specimen.name,
        specimens.answers(found),
        pictures=(drawn,),
        grids=(specimens.doubts(found), specimens.without_gold(found) if shown else None),
        notes=(*specimens.warnings(found), *specimens.cautions([found])),
    )


def _specimens(found: Specimens) -> Page:
    if len(found.specimens) == 1:
        return _specimen(found.specimens[0])
    return Page(
        "Specimens",
        specimen_sums.sum_answers(found),
        pictures=(plot("specimens", specimen_plots.bars_figure(found), "The gold of each rock, with its interval"),),
        grids=(specimens.specimens(found),),
        notes=specimens.cautions(found.counted),
    )


def _cutting(found: Cutting) -> Page:
    return Page(
        "Ways to cut",
        lines=cuts.advice(found.rock, found.cuts),
        pictures=(plot("cuts", cuts.figure(found.rock, found.cuts), "The rock from the side, cut each way"),),
        grids=(cuts.table(found.cuts),),
        notes=(cuts.AN_IDEAL, *SAWING),
    )


VIEWS: Views = {
    SpecimenGold: _specimen,
    Specimens: _specimens,
    Cutting: _cutting,
}
