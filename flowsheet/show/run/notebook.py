"""A run in a notebook, a sheet looked over, and a sheet itself."""

from __future__ import annotations

import re
from collections.abc import Iterator

from flowsheet.show.graphics.notebook_page import IN_TABLE, Page, Views
from flowsheet.show.run import drawing, overview, pictures, run_tables, sentences, told_tables
from flowsheet.show.run.files import default_streams
from flowsheet.show.text.content import Picture
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import counted
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import texts
from flowsheet.study.run.overview import Overview
from flowsheet.study.run.overview import overview as looked_over
from flowsheet.study.run.run import Run, run

STEPS_IN_TABLE = "What each step takes and gives stands in the table."


def _run(found: Run) -> Page:
    return Page(
        found.solution.model.sheet.title,
        sentences.answers(found),
        pictures=(
            _flow(found),
            pictures.gold_bar(found).picture,
            pictures.by_size(found, default_streams(found)),
            pictures.coarse_band(found),
            pictures.losses(found),
        ),
        grids=(*_balance(found), run_tables.weighed(found), run_tables.sieved(found)),
        notes=(*texts([*found.warnings, *found.notes]), RULES),
    )


def _balance(found: Run) -> Iterator[Grid]:
    test = found.this_test
    if test is None:
        yield from (run_tables.balance(found), run_tables.losses(found), run_tables.coarse(found))
    else:
        told = (told_tables.gold, told_tables.rock, told_tables.losses)
        yield from (*(table(found, test) for table in told), told_tables.coarse(found, test))


def _sheet(found: Sheet) -> Page:
    """Return a sheet before anything is asked of it; what only a solve finds wrong stands in the picture's place."""
    try:
        lines, picture = tuple(overview.lines(looked_over(found))), _flow(run(found, certain=False), STEPS_IN_TABLE)
    except SheetError as wrong:
        lines, picture = tuple(map(str, wrong.mistakes)), None
    return Page(found.title, lines=(*lines, *_fed(found)), pictures=(picture,), grids=(_steps(found),),
                notes=texts(found.notes))  # fmt: skip


def _fed(found: Sheet) -> Iterator[str]:
    for name, ore in found.ores.items():
        yield f"{name}: {ore.mass}" + (f" at {ore.grade}." if ore.grade is not None else ".")
    if found.weighed:
        yield f"Weighed or assayed: {counted(len(found.weighed), 'number')}."


def _steps(found: Sheet) -> Grid:
    columns = (Column("Step"), Column("Do"), Column("Takes"), Column("Gives"))
    rows = [
        (name, type(step).kind, ", ".join(step.takes), ", ".join(step.outlets.values()))
        for name, step in found.steps.items()
    ]
    return Grid("steps", "Steps", columns, rows)


def _flow(found: Run, beside: str = IN_TABLE) -> Picture:
    # Streams of two drawings in one notebook would share their names.
    flow = re.sub(r'(<g) id="[^"]*"', r"\1", drawing.svg(found)).replace("<svg", '<svg class="flow"', 1)
    return Picture("flow", flow, f"The flowsheet drawn. {beside}")


def _overview(found: Overview) -> Page:
    return Page(found.title, lines=overview.lines(found), notes=texts(found.notes))


def svg(found: object) -> str | None:
    """Return the flowsheet of a run drawn; None of anything else."""
    return drawing.svg(found, titled=True) if isinstance(found, Run) else None


VIEWS: Views = {
    Run: _run,
    Overview: _overview,
    Sheet: _sheet,
}
