"""What is written of a sheet as a whole: the drawing, the lot sheet and the report, to be looked at or saved."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from flowsheet.door.sheets import as_sheet
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import one_line

if TYPE_CHECKING:
    from flowsheet.show.report.parts import Report
    from flowsheet.study.label.contents import LotSheet
    from flowsheet.study.run.run import Run

PAPER = {"a4": "a4", "letter": "us-letter"}
"""Paper as it is asked for, and as the typesetter calls it."""


@dataclass(frozen=True)
class Drawing:
    """The flowsheet of a run drawn; it shows itself in a notebook.

    >>> import flowsheet as fs
    >>> fs.draw("sack3.yaml")
    <Drawing 'Quillfeather dump, sack 3': 8 steps, 16 streams>
    """

    run: Run

    def __repr__(self) -> str:
        sheet = self.run.solution.model.sheet
        return one_line(f"Drawing '{sheet.title}'", f"{len(sheet.steps)} steps, {len(self.run.streams)} streams")

    @cached_property
    def svg(self) -> str:
        """The drawing as one ``<svg>`` element, with the title of the sheet."""
        from flowsheet.show.run.drawing import svg

        return svg(self.run, titled=True)

    def _repr_svg_(self) -> str:
        return self.svg


@dataclass(frozen=True)
class LabelPage:
    """A lot sheet on one page; ``contents`` is what it tells, as data.

    >>> import flowsheet as fs
    >>> "Quillfeather dump, sack 3" in fs.label("sack3.yaml").text
    True
    """

    contents: LotSheet

    def __repr__(self) -> str:
        return one_line(f"LabelPage '{self.contents.title}'", f"{len(self.text.splitlines())} lines")

    @cached_property
    def text(self) -> str:
        """The page as plain text."""
        from flowsheet.show.label.label import text

        return text(self.contents)

    @cached_property
    def html(self) -> str:
        """The page as HTML that needs nothing else."""
        from flowsheet.show.label.label import html

        return html(self.contents)

    def _repr_html_(self) -> str | None:
        return self.contents._repr_html_()


@dataclass(frozen=True)
class ReportPage:
    """A report: ``contents`` holds its title and sections, as data.

    >>> import flowsheet as fs
    >>> fs.report("sack3.yaml", day="2031-05-20")
    <ReportPage 'Quillfeather dump, sack 3': 20 sections>
    """

    contents: Report

    def __repr__(self) -> str:
        return one_line(f"ReportPage '{self.contents.title}'", f"{len(self.contents.sections)} sections")

    @cached_property
    def html(self) -> str:
        """The report as HTML that needs nothing else."""
        from flowsheet.show.report.html import html

        return html(self.contents)

    def pdf(self, paper: Literal["a4", "letter"] = "a4") -> bytes:
        """Return the report as a PDF on A4 or US letter."""
        from flowsheet.show.report.pdf import pdf

        return pdf(self.contents, PAPER[paper])


def draw(sheet: Sheet | str | Path) -> Drawing:
    """Return the flowsheet drawn: steps and streams, lines as wide as their share of the gold.

    Raises SheetError for what is wrong with the sheet, and where nothing can leave a loop.

    >>> import flowsheet as fs
    >>> fs.draw("sack3.yaml").svg.startswith("<svg")
    True
    """
    from flowsheet.study.run.run import run

    return Drawing(run(as_sheet(sheet), certain=False))


def label(sheet: Sheet | str | Path, seed: int = 1) -> LabelPage:
    """Return a lot sheet on one page: what was tested, how, how sure it is, and what it is not.

    It is an estimate of a test, never an assay certificate. Raises SheetError for what is wrong with the sheet.

    >>> import flowsheet as fs
    >>> page = fs.label("sack3.yaml")
    >>> page.contents.title, page.contents.tests
    ('Quillfeather dump, sack 3', 1)
    """
    from flowsheet.study.label.contents import lot_sheet

    return LabelPage(lot_sheet(as_sheet(sheet), seed))


def report(
    sheet: Sheet | str | Path,
    day: str = "",
    seed: int = 1,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> ReportPage:
    """Return a report: the answers, the drawn flowsheet, pictures, tables, what was assumed, and cautions.

    ``day`` is put on it (default: today, as 2031-05-20). Raises SheetError for what is wrong with the sheet.

    >>> import flowsheet as fs
    >>> page = fs.report("sack3.yaml", day="2031-05-20")
    >>> page.contents.sections[0].head
    'What you keep'
    """
    from flowsheet.show.report.facts import facts
    from flowsheet.show.report.parts import report as laid_out

    given = as_sheet(sheet)
    text = given.document.text if given.document is not None else ""
    found = facts(given, Path(given.file).name, text, seed, progress)
    return ReportPage(laid_out(found, day or date.today().isoformat()))
