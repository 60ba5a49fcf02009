"""The command cut: how to saw a rock with a mineral band."""

from __future__ import annotations

from typing import Annotated

import typer

from flowsheet.commands.common import Json, Out, print_result
from flowsheet.commands.writing import Replace, Writer


def cut(
    rock: Annotated[
        str, typer.Option("--rock", help='Its size, as 120mm or "120 x 90 x 70 mm" (the third: square to the band).')
    ],
    band: Annotated[str, typer.Option("--band", help="Thickness of the mineral band, as 6mm.")],
    slab: Annotated[str, typer.Option("--slab", help="Thickness of a slab, one or several, as 3mm,5mm,8mm.")],
    kerf: Annotated[str, typer.Option("--kerf", help="Width that the blade cuts away, as 1mm,2mm.")],
    lie: Annotated[
        str, typer.Option("--lie", help="A third way: degrees between band and cut, 0 (along) to 90 (across).")
    ] = "across",
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Compare cutting a rock along its mineral band and across it."""
    import flowsheet as fs
    from flowsheet.show.rocks.cuts import as_dict, cut_files, show

    found = fs.cut(rock, band, slab, kerf, lie)
    block, cuts = found.rock, found.cuts
    if out is not None:
        Writer("cut", None, replace=replace).put_folder(out, cut_files(block, cuts))
    if as_json:
        print_result(as_dict(block, cuts))
    else:
        show(block, cuts)
