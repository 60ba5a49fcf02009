"""A run in a notebook, and a sheet looked over."""

from __future__ import annotations

import re

from flowsheet.show.graphics.notebook_page import IN_TABLE, Page, Views
from flowsheet.show.run import drawing, overview, pictures, run_tables, sentences
from flowsheet.show.run.files import default_streams
from flowsheet.show.text.content import Picture
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.notes import texts
from flowsheet.study.run.overview import Overview
from flowsheet.study.run.run import Run


def _run(found: Run) -> Page:
    # Streams of two drawings in one notebook would share their names.
    flow = re.sub(r'(<g) id="[^"]*"', r"\1", drawing.svg(found)).replace("<svg", '<svg class="flow"', 1)
    return Page(
        found.solution.model.sheet.title,
        sentences.answers(found),
        pictures=(
            Picture("flow", flow, f"The flowsheet drawn. {IN_TABLE}"),
            pictures.gold_bar(found).picture,
            pictures.by_size(found, default_streams(found)),
            pictures.coarse_band(found),
            pictures.losses(found),
        ),
        grids=(
            run_tables.balance(found),
            run_tables.weighed(found),
            run_tables.coarse(found),
            run_tables.sieved(found),
            run_tables.losses(found),
        ),
        notes=(*texts([*found.warnings, *found.notes]), RULES),
    )


def _overview(found: Overview) -> Page:
    return Page(found.title, lines=overview.lines(found), notes=texts(found.notes))


def svg(found: object) -> str | None:
    """Return the flowsheet of a run drawn; None of anything else."""
    return drawing.svg(found, titled=True) if isinstance(found, Run) else None


VIEWS: Views = {
    Run: _run,
    Overview: _overview,
}
