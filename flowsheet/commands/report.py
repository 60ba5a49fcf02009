"""The command report: all that a sheet tells, in one document."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal, Optional

import typer

from flowsheet.commands.common import Json, Seed, Sheet, page_path, print_result, progress
from flowsheet.commands.writing import Replace, Writer, say_written

HTML, PDF = (".html", ".htm"), ".pdf"
PAPER = {"a4": "a4", "letter": "us-letter"}
"""Paper as it is asked for, and as the typesetter calls it."""


def report(
    file: Sheet,
    output: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("-o", "--output", metavar="FILE", help=".html or .pdf to write (default: NAME.report.html)."),
    ] = None,
    paper: Annotated[Literal["a4", "letter"], typer.Option("--paper", help="Paper of a PDF.")] = "a4",
    day: Annotated[str, typer.Option("--day", help="Day to put on it (default: today).", show_default=False)] = "",
    seed: Seed = 1,
    as_json: Json = False,
    replace: Replace = False,
) -> None:
    """Write a report: the answers, the drawn flowsheet, pictures, tables, what was assumed, and cautions."""
    from flowsheet.solve.model import load

    sheet, document = load(file)
    writer = Writer("report", file, sheet.sources, replace)
    path = writer.check_page(page_path(file, output, "report", (*HTML, PDF), ".html or .pdf"))

    from flowsheet.show.report.facts import facts
    from flowsheet.show.report.parts import report as laid_out

    text = document.text
    found = facts(sheet, file.name, text, seed, lambda chunks: progress(chunks, "draws"))
    laid = laid_out(found, day or date.today().isoformat())
    if path.suffix.lower() == PDF:
        from flowsheet.show.report.pdf import pdf

        page = pdf(laid, PAPER[paper])
    else:
        from flowsheet.show.report.html import html

        page = html(laid).encode("utf-8")
    writer.put_page(path, page)
    if as_json:
        sections = [{"key": one.key, "head": one.head, "lines": list(one.lines)} for one in laid.sections]
        print_result({"written": str(path), "sections": sections}, sheet.sources, seed)
    else:
        say_written([path])
