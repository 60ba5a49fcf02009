"""The command label: a lot sheet on one page, for a buyer or for the miner's own shelf."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Seed, Sheet, page_path, print_result
from flowsheet.commands.writing import Replace, Writer, say_written

ENDINGS = (".html", ".htm", ".txt")


def label(
    file: Sheet,
    output: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("-o", "--output", metavar="FILE", help="Page to write: .html or .txt (default: NAME.label.html)."),
    ] = None,
    seed: Seed = 1,
    as_json: Json = False,
    replace: Replace = False,
) -> None:
    """Write a lot sheet: one page that says what was tested, how, how sure it is, and what it is not."""
    from flowsheet.show.label.label import html, text
    from flowsheet.solve.model import load
    from flowsheet.study.label.contents import lot_sheet

    sheet = load(file)[0]
    writer = Writer("label", file, sheet.sources, replace)
    path = writer.check_page(page_path(file, output, "label", ENDINGS, ".html or .txt"))
    found = lot_sheet(sheet, seed)
    page = text(found) if path.suffix.lower() == ".txt" else html(found)
    writer.put_page(path, page.encode("utf-8"))
    if as_json:
        print_result({**found.as_dict(), "written": str(path)}, sheet.sources, seed)
    else:
        say_written([path])
