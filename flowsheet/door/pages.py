"""What is written of a sheet as a whole: the drawing, the lot sheet and the report, to be looked at or saved."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from flowsheet.door.sheets import as_sheet
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import one_line
from flowsheet.spec.text.mistakes import Mistake, SheetError, did_you_mean
from flowsheet.spec.text.wording import argument

if TYPE_CHECKING:
    from flowsheet.show.report.parts import Report
    from flowsheet.spec.text.source_files import SourceFiles
    from flowsheet.study.label.contents import LotSheet
    from flowsheet.study.run.run import Run

HTML, TEXT, PDF = (".html", ".htm"), ".txt", ".pdf"
PAPER = {"a4": "a4", "letter": "us-letter"}
"""Paper as it is asked for, and as the typesetter calls it."""


class Page:
    """What is written of a sheet as a whole; ``save`` puts it into a file as safely as the commands do."""

    #: What it is called in the list of what was written.
    kind: ClassVar[str]
    sources: SourceFiles

    def as_file(self, path: str | Path, paper: Literal["a4", "letter"] = "a4") -> bytes:
        """Return it as the ending of ``path`` says; ``paper`` is that of a PDF. Raises SheetError."""
        raise NotImplementedError

    def save(self, path: str | Path, replace: bool = False, paper: Literal["a4", "letter"] = "a4") -> Path:
        """Write it as the ending of ``path`` says, in one stroke, and return the path; ``paper`` is that of a PDF.

        Raises SheetError for an ending that it cannot be written as, and for a file that is the user's own, unless
        ``replace``; nothing is ever written over the sheet or its weigh sheets. Raises OSError where the system
        refuses.
        """
        from flowsheet.spec.written.put_files import Request, check_targets, put_files

        target = Path(path)
        asked = Request(f"{self.kind} from Python", list(self.sources.paths), replace)
        check_targets([target], asked)
        put_files([(target, self.as_file(target, paper))], asked)
        return target


@dataclass(frozen=True, repr=False)
class Drawing(Page):
    """The flowsheet of a run drawn, or its rock and gold by size (``sizes``); it shows itself in a notebook.

    Its files end in .svg, .png, .pdf or .dot; sizes in .svg, .png or .pdf.

    >>> import flowsheet as fs
    >>> fs.draw("sack3.yaml")
    <Drawing 'Quillfeather dump, sack 3': 8 steps, 16 streams>
    """

    kind: ClassVar[str] = "draw"
    run: Run
    sources: SourceFiles
    #: Streams of which the sizes are plotted; none: the flowsheet is drawn.
    sizes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        sheet = self.run.solution.model.sheet
        of = f"sizes of {', '.join(self.sizes)}" if self.sizes else f"{len(self.run.streams)} streams"
        return one_line(f"Drawing '{sheet.title}'", f"{len(sheet.steps)} steps, {of}")

    @cached_property
    def svg(self) -> str:
        """The drawing as one ``<svg>`` element, with the title of the sheet."""
        if self.sizes:
            from flowsheet.show.graphics.style import svg as in_page
            from flowsheet.show.run.size_plots import by_size_figure

            return in_page(by_size_figure(self.run, list(self.sizes)))
        from flowsheet.show.run.drawing import svg

        return svg(self.run, titled=True)

    def as_file(self, path: str | Path, paper: Literal["a4", "letter"] = "a4") -> bytes:
        """Return the picture as the ending of ``path`` says; ``paper`` does not matter. Raises SheetError."""
        if self.sizes:
            from flowsheet.show.graphics.style import picture
            from flowsheet.show.run.size_plots import by_size_figure

            return picture(by_size_figure(self.run, list(self.sizes)), Path(path))
        from flowsheet.show.run.drawing import drawn

        return drawn(self.run, Path(path))

    def _repr_svg_(self) -> str:
        return self.svg


@dataclass(frozen=True, repr=False)
class LabelPage(Page):
    """A lot sheet on one page, .html or .txt; ``contents`` is what it tells, as data.

    >>> import flowsheet as fs
    >>> "Quillfeather dump, sack 3" in fs.label("sack3.yaml").text
    True
    """

    kind: ClassVar[str] = "label"
    contents: LotSheet
    sources: SourceFiles

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

    def as_file(self, path: str | Path, paper: Literal["a4", "letter"] = "a4") -> bytes:
        """Return the page as the ending of ``path`` says; ``paper`` does not matter. Raises SheetError."""
        ending = _ending(path, (*HTML, TEXT))
        return (self.text if ending == TEXT else self.html).encode("utf-8")

    def _repr_html_(self) -> str | None:
        return self.contents._repr_html_()


@dataclass(frozen=True, repr=False)
class ReportPage(Page):
    """A report, .html or .pdf: ``contents`` holds its title and sections, as data.

    >>> import flowsheet as fs
    >>> fs.report("sack3.yaml", day="2031-05-20")
    <ReportPage 'Quillfeather dump, sack 3': 22 sections>
    """

    kind: ClassVar[str] = "report"
    contents: Report
    sources: SourceFiles

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

    def as_file(self, path: str | Path, paper: Literal["a4", "letter"] = "a4") -> bytes:
        """Return the report as the ending of ``path`` says; ``paper`` is that of a PDF. Raises SheetError."""
        return self.pdf(paper) if _ending(path, (*HTML, PDF)) == PDF else self.html.encode("utf-8")


def _ending(path: str | Path, known: Sequence[str]) -> str:
    ending = Path(path).suffix.lower()
    if ending not in known:
        message = f'a page cannot be written as "{ending}"'
        raise SheetError(
            [Mistake(message, f"End the name in {' or '.join(known)}", file=str(path), code="no_such_format")]
        )
    return ending


def draw(sheet: Sheet | str | Path, sizes: Sequence[str] = ()) -> Drawing:
    """Return the flowsheet drawn: steps and streams, lines as wide as their share of the gold.

    ``sizes``: plot rock and gold by size of these streams instead, six at most. Raises SheetError for what is wrong
    with the sheet, where nothing can leave a loop, and for a stream that is not there, with the nearest name.

    >>> import flowsheet as fs
    >>> fs.draw("sack3.yaml").svg.startswith("<svg")
    True
    >>> fs.draw("sack3.yaml", sizes=["ore", "tails"])
    <Drawing 'Quillfeather dump, sack 3': 8 steps, sizes of ore, tails>
    """
    from flowsheet.study.run.run import run

    found = run(as_sheet(sheet))
    names = tuple(dict.fromkeys(name.strip() for name in sizes if name.strip()))
    if sizes:
        _check_streams(names, found)
    return Drawing(found, found.solution.model.sheet.sources, names)


def _check_streams(names: Sequence[str], found: Run) -> None:
    from flowsheet.show.run.size_plots import MOST_STREAMS

    def refusal(message: str, remedy: str) -> SheetError:
        return SheetError([Mistake(message, remedy, file=argument("sizes"), code="option_refused")])

    if not found.solution.model.grid.sized:
        raise refusal("the sheet knows no sizes", "Give the ore sizes: {top: …, p80: …}")
    if not 0 < len(names) <= MOST_STREAMS:
        like = argument("sizes", ["ore", "tails"])
        raise refusal(f"{len(names)} streams are named", f"Name one to {MOST_STREAMS}, as {like}")
    for name in names:
        if name not in found.streams:
            raise refusal(f'there is no stream "{name}"', did_you_mean(name, found.streams, "streams"))


def label(sheet: Sheet | str | Path, seed: int = 1) -> LabelPage:
    """Return a lot sheet on one page: what was tested, how, how sure it is, and what it is not.

    It is an estimate of a test, never an assay certificate. Raises SheetError for what is wrong with the sheet.

    >>> import flowsheet as fs
    >>> page = fs.label("sack3.yaml")
    >>> page.contents.title, page.contents.tests
    ('Quillfeather dump, sack 3', 1)
    """
    from flowsheet.study.label.contents import lot_sheet

    given = as_sheet(sheet)
    return LabelPage(lot_sheet(given, seed), given.sources)


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
    'What the weights say'
    """
    from flowsheet.show.report.facts import facts
    from flowsheet.show.report.parts import report as laid_out

    given = as_sheet(sheet)
    text = given.document.text if given.document is not None else ""
    found = facts(given, Path(given.file).name, text, seed, progress)
    return ReportPage(laid_out(found, day or date.today().isoformat()), given.sources)
