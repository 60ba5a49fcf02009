"""The command specimen: how much gold a rock holds that nobody crushes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, print_result, progress
from flowsheet.commands.writing import Replace, Writer

DRAWS = 10_000
Text = Optional[str]  # noqa: UP045


def specimen(
    air: Annotated[Text, typer.Option("--air", metavar="MASS", help="Weight in air, dry, as 96g.")] = None,
    water: Annotated[Text, typer.Option("--water", metavar="MASS", help="Weight hanging in water, as 74.5g.")] = None,
    host: Annotated[
        Text, typer.Option("--host", help='Host rock: its density (g/cm3), or "quartz + 3 % pyrite".')
    ] = None,
    fineness: Annotated[Text, typer.Option("--fineness", help='Fineness of the gold, as "870 ± 20".')] = None,
    metal: Annotated[Text, typer.Option("--metal", help="Density of the metal (g/cm3), in place of fineness.")] = None,
    scale: Annotated[Text, typer.Option("--scale", metavar="MASS", help="Step of the scale, as 0.01g.")] = None,
    temperature: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option("--temperature", metavar="°C", help="Of the water (without it: 1.000 g/cm3)."),
    ] = None,
    file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--file", metavar="CSV", help="Many specimens: name,air,water,unit,host,fineness,note."),
    ] = None,
    draws: Annotated[
        int, typer.Option("--draws", min=100, max=1_000_000, help="Draws of the numbers in doubt.")
    ] = DRAWS,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Tell the gold in a specimen by its weights in air and in water."""
    import flowsheet as fs

    table = file is not None
    found = fs.specimen(
        air, water, file=file, host=host, fineness=fineness, metal=metal, scale=scale, temperature=temperature,
        draws=draws, seed=seed, progress=(lambda items: progress(items, "specimens")) if table else iter,
    )  # fmt: skip
    if out is not None:
        from flowsheet.show.rocks.specimen_plots import specimen_files

        writer = Writer("specimen", file, replace=replace, reads="table")
        writer.put_folder(out, specimen_files(found, table))
    from flowsheet.show.rocks.specimens import as_dict, show

    if as_json:
        print_result(as_dict(found, table), found.sources, seed)
    else:
        show(found, table)
