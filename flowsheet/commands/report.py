"""The command report: all that a sheet tells, in one document."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Optional

import typer

from flowsheet.commands.common import Json, Seed, Sheet, page_path, print_result, progress, tell_if_long
from flowsheet.commands.writing import Replace, Writer, say_written

ENDINGS = (".html", ".htm", ".pdf")


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
    import flowsheet as fs

    sheet = fs.read(file)
    writer = Writer("report", file, sheet.sources, replace)
    path = writer.check_page(page_path(file, output, "report", ENDINGS, ".html or .pdf"))
    tell_if_long(sheet)
    page = fs.report(sheet, day, seed, lambda chunks: progress(chunks, "draws"))
    writer.put_page(path, page.as_file(path, paper))
    if as_json:
        sections = [{"key": one.key, "head": one.head, "lines": list(one.lines)} for one in page.contents.sections]
        print_result({"written": str(path), "sections": sections}, sheet.sources, seed)
    else:
        say_written([path])
