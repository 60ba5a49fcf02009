"""The command lot: several tests of one pile, and what the whole pile holds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, fail, print_result, progress
from flowsheet.commands.writing import Replace, Writer

Tests = Annotated[
    Path,
    typer.Argument(
        metavar="FILE-OR-FOLDER",
        help="A sheet that names its weigh sheets, or a folder of sheets and weigh sheets.",
        show_default=False,
    ),
]


def lot(
    file: Tests,
    sacks: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(
            "--sacks", min=1, max=1_000_000, help="Sacks in the pile (default: pile: {sacks: …} of the sheet)."
        ),
    ] = None,
    skip: Annotated[bool, typer.Option("--skip", help="Leave out, and name, files that are wrong.")] = False,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Join several tests of one pile: its grade and gold."""
    import flowsheet as fs

    if out is not None and file.is_dir() and out.resolve() == file.resolve():
        fail(str(out), "the tables would lie among the weigh sheets, and be read as such", "Name another folder")
    found = fs.lot(file, sacks, skip, lambda items: progress(items, "weigh sheets"),
                   lambda tests: progress(tests, "sacks"))  # fmt: skip
    if out is not None:
        from flowsheet.show.lot.lot_plots import lot_files

        Writer("lot", file, found.sources, replace).put_folder(out, lot_files(found))
    if as_json:
        print_result(found.as_dict(), found.sources)
    else:
        from flowsheet.show.lot.lots import show_lot

        show_lot(found)
