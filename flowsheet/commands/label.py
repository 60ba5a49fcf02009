"""The command label: a lot sheet on one page, for a buyer or for the miner's own shelf."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Seed, Sheet, page_path, print_result, tell_if_long
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
    import flowsheet as fs

    sheet = fs.read(file)
    writer = Writer("label", file, sheet.sources, replace)
    path = writer.check_page(page_path(file, output, "label", ENDINGS, ".html or .txt"))
    tell_if_long(sheet)
    page = fs.label(sheet, seed)
    writer.put_page(path, page.as_file(path))
    if as_json:
        print_result({**page.contents.as_dict(), "written": str(path)}, sheet.sources, seed)
    else:
        say_written([path])
