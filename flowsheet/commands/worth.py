"""The command worth: what a sack and the pile bring by each way of selling."""

from __future__ import annotations

from typing import Annotated

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, print_result, progress, tell_if_long
from flowsheet.commands.writing import Replace, Writer


def worth(
    file: Sheet,
    draws: Annotated[int, typer.Option("--draws", min=10, max=100_000, help="Draws of the numbers in doubt.")] = 1000,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Tell what a sack and the pile are worth by each way of selling, and whether working up pays."""
    import flowsheet as fs

    sheet = fs.read(file)
    tell_if_long(sheet)
    found = fs.worth(sheet, draws, seed, lambda ways: progress(ways, "ways"))
    if out is not None:
        from flowsheet.show.money.worth_plots import worth_files

        Writer("worth", file, sheet.sources, replace).put_folder(out, worth_files(found))
    if as_json:
        print_result(found.as_dict(), sheet.sources, seed)
    else:
        from flowsheet.show.money.worths import show_worths

        show_worths(sheet.title, found)
