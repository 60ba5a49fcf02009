"""The command specimen: how much gold a rock holds that nobody crushes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, fail, print_result, progress
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
    from flowsheet.spec.rocks import specimen_table
    from flowsheet.spec.rocks.specimen_table import IMPOSSIBLE
    from flowsheet.spec.text.mistakes import Mistake, SheetError
    from flowsheet.study.rocks.hydrostatic import weigh
    from flowsheet.study.rocks.result import impossible

    if file is not None and (air is not None or water is not None):
        fail("--file", "both a table and the weights of one rock are given", "Give --file, or --air and --water")
    if file is None and (air is None or water is None):
        lacking = "--air" if air is None else "--water"
        fail(lacking, "this weight is missing", "Give both, as --air 96g --water 74.5g, or a table: --file rocks.csv")
    options = {"air": air, "water": water, "host": host, "fineness": fineness, "metal": metal, "scale": scale}
    common, one = specimen_table.from_options(options, temperature)
    table = one is None
    rocks = [one] if one is not None else specimen_table.read(file, common) if file is not None else []
    found = weigh(rocks, draws, seed, (lambda items: progress(items, "specimens")) if table else iter)
    if not found.counted:
        wrong = [(rock.specimen, *impossible(rock)) for rock in found.left_out]
        if table:
            raise SheetError([Mistake(m, r, rock.name, file=str(file), code=IMPOSSIBLE) for rock, m, r in wrong])
        raise SheetError([Mistake(m, r, read=water, file="--water", code=IMPOSSIBLE) for _, m, r in wrong])
    if out is not None:
        from flowsheet.show.rocks.specimen_plots import specimen_files

        writer = Writer("specimen", file, replace=replace, reads="table")
        writer.put_folder(out, specimen_files(found, table))
    from flowsheet.show.rocks.specimens import as_dict, show

    if as_json:
        print_result(as_dict(found, table), seed=seed)
    else:
        show(found, table)
