"""The command plan: how to sample the pile that the sheet's ore comes from."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, print_result, progress
from flowsheet.commands.writing import Replace, Writer


def plan(
    file: Sheet,
    want: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--want", metavar="SHARE", help='How far off the grade may be, as "20 %" (the default).'),
    ] = None,
    mass: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            "--mass", metavar="MASS", help="The rock that you can afford to run, as 50kg, in place of --want."
        ),
    ] = None,
    confidence: Annotated[
        str, typer.Option("--confidence", metavar="SHARE", help="The chance that it is no further off.")
    ] = "90 %",
    sacks: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--sacks", min=1, max=1_000_000, help="Sacks in the pile, in place of the sheet's."),
    ] = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Plan how to sample the pile: how many sacks, what of each, how fine to break it before each split."""
    import flowsheet as fs

    sheet = fs.read(file)
    found = fs.plan(sheet, want, mass, confidence, sacks, seed, lambda starts: progress(starts, "piles"))
    if out is not None:
        from flowsheet.show.sampling.plan_plots import plan_files

        Writer("plan", file, sheet.sources, replace).put_folder(out, plan_files(found))
    if as_json:
        print_result(found.as_dict(), sheet.sources, seed)
    else:
        from flowsheet.show.sampling.plans import show_plan

        show_plan(sheet.title, found)
