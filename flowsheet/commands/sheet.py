"""Commands on a sheet alone: check, run, draw, try, new, schema. Heavy parts load where they are used."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, fail, print_json, print_result, progress
from flowsheet.commands.fit import forecast
from flowsheet.commands.writing import Replace, Writer, put_new, say_written
from flowsheet.spec.text.notes import texts


def check(file: Sheet, as_json: Json = False) -> None:
    """Say whether a sheet is right, or all that is wrong with it."""
    from flowsheet.solve.model import Model, load
    from flowsheet.solve.propagate import solve

    sheet, _ = load(file)
    model = Model.of(sheet)
    solve(model)  # whether anything leaves a loop shows only there
    streams = len(sheet.makers) + len(sheet.ores)
    loops = [stage.steps for stage in model.stages if stage.is_loop]
    lost = [stream for stream in sheet.ends if stream not in sheet.keep]
    if as_json:
        print_result({"ok": True, "mistakes": [], "steps": len(sheet.steps), "streams": streams, "loops": loops,
                      "ends": {"kept": sheet.keep, "not_kept": lost}, "notes": texts(model.notes())},
                     sheet.sources)  # fmt: skip
        return
    from flowsheet.show.text.terminal import say

    sizes = f"{len(model.grid)} size classes" if model.grid.sized else "one size class (the ore gives no sizes)"
    say([f"{file}: right. {len(sheet.steps)} steps, {streams} streams, {sizes}."])
    say(f"Loop: {' → '.join([*loop, loop[0]])}." for loop in loops)
    ends = ((sheet.keep, "kept"), (lost, "not kept"))
    say(["Ends: " + "; ".join(f"{', '.join(names)} ({what})" for names, what in ends if names) + "."])
    say(f"Note: {note.text}" for note in model.notes())


def run(file: Sheet, as_json: Json = False, out: Out = None, replace: Replace = False) -> None:
    """Solve a sheet: balance, coarse gold, finer screens, losses."""
    from flowsheet.solve.model import load
    from flowsheet.study.run.run import run as run_sheet

    sheet = load(file)[0]
    found = run_sheet(sheet)
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
    from flowsheet.solve.model import load
    from flowsheet.study.run.run import run as run_sheet

    sheet = load(file)[0]
    writer = Writer("draw", file, sheet.sources, replace)
    target = writer.check_page(output or Path(f"{file.stem}-sizes.png" if sizes else f"{file.stem}.svg"))
    found = run_sheet(sheet, certain=False)
    if sizes:
        from flowsheet.show.graphics.style import picture
        from flowsheet.show.run.size_plots import by_size_figure

        raw = picture(by_size_figure(found, _stream_names(sizes, found)), target)
    else:
        from flowsheet.show.run.drawing import drawn

        raw = drawn(found, target)
    writer.put_page(target, raw)
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
        bool, typer.Option("--fitted", help="Fit the sheet first, and tell how sure each trial is.")
    ] = False,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Solve a sheet again with other settings."""
    from flowsheet.solve.model import load
    from flowsheet.study.trials.trials import counts, parse_settings, run_trials

    sheet, document = load(file)
    moved = parse_settings(settings, counts(sheet))
    writer = Writer("try", file, sheet.sources, replace)
    if fitted:
        forecast(sheet, document, moved, seed, as_json, out, writer)
        return
    found = run_trials(document, moved, progress)
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


def schema(as_json: Json = False) -> None:
    """Print the JSON Schema of a sheet, for editors that check."""
    from flowsheet.spec.blocks.json_schema import json_schema
    from flowsheet.steps import kinds

    del as_json
    print_json(json_schema(kinds()))


def _stream_names(text: str, found: Any) -> list[str]:
    from flowsheet.show.run.size_plots import MOST_STREAMS
    from flowsheet.spec.text.mistakes import did_you_mean

    if not found.solution.model.grid.sized:
        fail("--sizes", "the sheet knows no sizes", "Give the ore sizes: {top: …, p80: …}")
    names = list(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
    if not 0 < len(names) <= MOST_STREAMS:
        fail("--sizes", f"{len(names)} streams are named", f"Name one to {MOST_STREAMS}, as --sizes ore,tails")
    for name in names:
        if name not in found.streams:
            fail("--sizes", f'there is no stream "{name}"', did_you_mean(name, found.streams, "streams"))
    return names
