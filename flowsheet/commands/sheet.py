"""Commands on a sheet alone: check, run, draw, try, new, schema. Heavy parts load where they are used."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, print_json, print_result, progress, tell_if_long
from flowsheet.commands.writing import Replace, Writer, put_new, say_written

if TYPE_CHECKING:
    from flowsheet.spec.blocks.schema import Sheet as SheetOf


def check(file: Sheet, as_json: Json = False) -> None:
    """Say whether a sheet is right, or all that is wrong with it."""
    import flowsheet as fs

    sheet = fs.read(file)
    found = fs.check(sheet)
    if as_json:
        print_result(found.as_dict(), sheet.sources)
        return
    from flowsheet.show.run.overview import lines
    from flowsheet.show.text.terminal import say

    say(lines(found))
    say(f"Note: {note.text}" for note in found.notes)


def run(file: Sheet, as_json: Json = False, out: Out = None, replace: Replace = False) -> None:
    """Solve a sheet: balance, coarse gold, finer screens, losses."""
    import flowsheet as fs

    sheet = fs.read(file)
    tell_if_long(sheet)
    found = fs.run(sheet)
    if out is not None:
        from flowsheet.show.run.files import run_files

        Writer("run", file, sheet.sources, replace).put_folder(out, run_files(found))
    if as_json:
        print_result(found.as_dict(), sheet.sources, found.seed)
    else:
        from flowsheet.show.run.terminal import show_run

        show_run(found)


def draw(
    file: Sheet,
    output: Annotated[
        Optional[Path], typer.Option("-o", "--output", help="Picture to write: .svg, .png, .pdf, .dot.")  # noqa: UP045
    ] = None,
    sizes: Annotated[
        str, typer.Option("--sizes", metavar="STREAMS", help="Plot rock and gold by size of these streams (a,b,c).")
    ] = "",
    as_json: Json = False,
    replace: Replace = False,
) -> None:
    """Draw the flowsheet, or the sizes of some streams."""
    import flowsheet as fs

    sheet = fs.read(file)
    writer = Writer("draw", file, sheet.sources, replace)
    target = writer.check_page(output or Path(f"{file.stem}-sizes.png" if sizes else f"{file.stem}.svg"))
    found = fs.draw(sheet, sizes.split(",") if sizes else ())
    writer.put_page(target, found.as_file(target))
    if as_json:
        print_result({"written": [str(target)]}, sheet.sources)
    else:
        say_written([target])


def try_(
    file: Sheet,
    settings: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="STEP.FIELD=VALUES",
            help="As scalp.opening=20mm,12mm or 5 mm to 20 mm in 4 (lengths by ratio, others evenly).",
        ),
    ],
    fitted: Annotated[
        bool, typer.Option("--fitted", help="Tell what it would have done to the sack that was run, with intervals.")
    ] = False,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Solve a sheet again with other settings."""
    import flowsheet as fs

    sheet = fs.read(file)
    writer = Writer("try", file, sheet.sources, replace)
    if fitted:
        _forecast(sheet, settings, seed, as_json, out, writer)
        return
    found = fs.trial(sheet, settings, progress)
    if out is not None:
        from flowsheet.show.trials.trial_files import trial_files
        from flowsheet.show.trials.trial_plots import why_no_plot

        writer.put_folder(out, trial_files(found))
        if (why := why_no_plot(found)) is not None:
            print(f"no picture: {why}", file=sys.stderr)
    if as_json:
        print_result(found.as_dict(), sheet.sources)
    else:
        from flowsheet.show.trials.terminal import show_trials

        show_trials(found)


def _forecast(sheet: SheetOf, settings: list[str], seed: int, as_json: bool, out: Path | None, writer: Writer) -> None:
    """Try settings on the sack that was run."""
    import flowsheet as fs

    found = fs.forecast(sheet, settings, seed, progress)
    if out is not None:
        from flowsheet.show.trials.trial_files import forecast_files
        from flowsheet.show.trials.trial_plots import why_no_plot

        writer.put_folder(out, forecast_files(found))
        if (why := why_no_plot(found)) is not None:
            print(f"no picture: {why}", file=sys.stderr)
    from flowsheet.show.trials.forecasts import as_dict, show_forecasts

    if as_json:
        print_result(as_dict(found), sheet.sources, seed)
    else:
        show_forecasts(found)


def new(
    file: Sheet,
    like: Annotated[str, typer.Option("--like", metavar="NAME", help="Shipped sheet to start from.")] = "quick",
    as_json: Json = False,
) -> None:
    """Write a commented sheet to start from (never over a file)."""
    from flowsheet.spec.text.source_files import SourceFiles
    from flowsheet.starters import starter

    raw = starter(like).encode()
    put_new(file, raw)
    if as_json:
        print_result({"written": [str(file)]}, SourceFiles(((file, raw),)))
    else:
        typer.echo(f'Wrote {file}. Edit it, then: flowsheet run "{file}"')
        if file.suffix.lower() not in (".yaml", ".yml"):
            typer.echo("Note: the name does not end in .yaml, by which editors and people know a sheet.")


def schema(as_json: Json = False) -> None:
    """Print the JSON Schema of a sheet, for editors that check."""
    from flowsheet import __version__
    from flowsheet.spec.json_schema import json_schema
    from flowsheet.steps import kinds

    del as_json
    found = json_schema(kinds())
    # An editor reads it, so it is a schema and nothing else: what made it stands in a word that schemas have for that.
    print_json({"$schema": found["$schema"], "$comment": f"flowsheet {__version__}", **found})
