"""The command chance: how sure all this is, and what another sack would say."""

from __future__ import annotations

from typing import Annotated

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, print_result, progress, tell_if_long
from flowsheet.commands.writing import Replace, Writer


def chance(
    file: Sheet,
    draws: Annotated[int, typer.Option("--draws", min=10, max=1_000_000, help="Draws of the numbers in doubt.")] = 1000,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Tell how sure the answers are, and what another sack would say."""
    import flowsheet as fs

    sheet = fs.read(file)
    tell_if_long(sheet)
    found = fs.chance(sheet, draws, seed, lambda chunks: progress(chunks, "draws"))
    if out is not None:
        from flowsheet.show.estimate.chance_plots import chance_files

        Writer("chance", file, sheet.sources, replace).put_folder(out, chance_files(found, sheet.keep))
    if as_json:
        print_result(found.as_dict(), sheet.sources, seed)
    else:
        from flowsheet.show.estimate.chances import show_chance

        show_chance(sheet.title, found, sum(ore.mass.value for ore in sheet.ores.values()))
