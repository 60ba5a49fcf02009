"""The commands. Each is a thin caller of study and show; heavy parts load where they are used."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, Optional

import typer

if TYPE_CHECKING:
    from flowsheet.spec.mistakes import SheetError

WRONG_INPUT = 2

app = typer.Typer(
    help="From the weights of a bench test to what an ore holds, where gold is lost, and what would win it back.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Sheet = Annotated[Path, typer.Argument(metavar="FILE", help="The sheet, a YAML file.", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Out = Annotated[Optional[Path], typer.Option("--out", metavar="DIR", help="Write tables (CSV) and pictures there.")]  # noqa: UP045


@app.command()
def check(file: Sheet, as_json: Json = False) -> None:
    """Say whether a sheet is right, or all that is wrong with it."""
    from flowsheet.solve.model import Model, load
    from flowsheet.spec.mistakes import SheetError

    try:
        sheet, _ = load(file)
    except SheetError as wrong:
        if as_json:
            _print_json({"ok": False, "mistakes": [mistake.as_dict() for mistake in wrong.mistakes]})
            raise typer.Exit(WRONG_INPUT) from None
        raise
    model = Model.of(sheet)
    streams = len(sheet.makers) + len(sheet.ores)
    loops = [stage.steps for stage in model.stages if stage.is_loop]
    if as_json:
        _print_json({"ok": True, "mistakes": [], "steps": len(sheet.steps), "streams": streams, "loops": loops,
                     "notes": model.notes()})  # fmt: skip
        return
    from flowsheet.show.terminal import say

    sizes = f"{len(model.grid)} size classes" if model.grid.sized else "one size class (the ore gives no sizes)"
    say([f"{file}: right. {len(sheet.steps)} steps, {streams} streams, {sizes}."])
    say(f"Loop: {' → '.join([*loop, loop[0]])}." for loop in loops)
    say(f"Note: {note}" for note in model.notes())


@app.command()
def run(file: Sheet, as_json: Json = False, out: Out = None) -> None:
    """Solve a sheet: balance, coarse gold, finer screens, losses."""
    from flowsheet.solve.model import load
    from flowsheet.study.run import run as run_sheet

    found = run_sheet(load(file)[0])
    if out is not None:
        from flowsheet.show.files import write_run

        with _writing(out):
            _say_written(write_run(found, _folder(out)))
    if as_json:
        _print_json(found.as_dict())
    else:
        from flowsheet.show.terminal import show_run

        show_run(found)


@app.command()
def draw(
    file: Sheet,
    output: Annotated[
        Optional[Path], typer.Option("-o", "--output", help="Picture to write: .svg, .png, .pdf, .dot.")  # noqa: UP045
    ] = None,
    sizes: Annotated[
        str, typer.Option("--sizes", metavar="STREAMS", help="Plot rock and gold by size of these streams (a,b,c).")
    ] = "",
    as_json: Json = False,
) -> None:
    """Draw the flowsheet, or the sizes of some streams."""
    from flowsheet.solve.model import load
    from flowsheet.study.run import run as run_sheet

    found = run_sheet(load(file)[0])
    if sizes:
        from flowsheet.show.plots import by_size

        target = output or Path(f"{file.stem}-sizes.png")
        with _writing(target):
            by_size(found, _stream_names(sizes, found), _writable(target))
    else:
        from flowsheet.show.drawing import draw as draw_run

        target = output or Path(f"{file.stem}.svg")
        with _writing(target):
            draw_run(found, _writable(target))
    if as_json:
        _print_json({"written": [str(target)]})
    else:
        _say_written([target])


@app.command(name="try")
def try_(
    file: Sheet,
    settings: Annotated[
        list[str],
        typer.Option("--set", metavar="STEP.FIELD=VALUES", help="As scalp.opening=20mm,12mm or 5mm to 20mm in 4."),
    ],
    as_json: Json = False,
    out: Out = None,
) -> None:
    """Solve a sheet again with other settings."""
    from flowsheet.spec import document
    from flowsheet.study.trials import parse_settings, run_trials

    moved = parse_settings(settings)
    found = run_trials(document.read(file), moved, _progress)
    if out is not None:
        from flowsheet.show.files import write_trials

        with _writing(out):
            _say_written(write_trials(found, _folder(out)))
    if as_json:
        from dataclasses import asdict

        _print_json({"base": asdict(found.base), "trials": [asdict(row) for row in found.rows]})
    else:
        from flowsheet.show.terminal import show_trials

        show_trials(found)


@app.command()
def new(
    file: Sheet,
    like: Annotated[str, typer.Option("--like", metavar="NAME", help="Shipped sheet to start from.")] = "quick",
    as_json: Json = False,
) -> None:
    """Write a commented sheet to start from (never over a file)."""
    from flowsheet.starters import starter

    text = starter(like)
    with _writing(file):
        target = _writable(file)
        if target.exists():
            _fail(str(target), "there is such a file already", "Name another, or delete it first")
        target.write_text(text, encoding="utf-8")
    if as_json:
        _print_json({"written": [str(target)]})
    else:
        typer.echo(f'Wrote {target}. Edit it, then: flowsheet run "{target}"')


@app.command()
def schema(as_json: Json = False) -> None:
    """Print the JSON Schema of a sheet, for editors that check."""
    from flowsheet.spec.json_schema import json_schema
    from flowsheet.steps import kinds

    del as_json
    _print_json(json_schema(kinds()))


def main() -> NoReturn:
    """Run the commands; exit with 0 (done), 2 (the input is wrong) or 1 (a bug)."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without → shows ?, which beats a traceback
            stream.reconfigure(errors="replace")
    try:
        app(standalone_mode=True)
    except Exception as wrong:
        from flowsheet.spec.mistakes import SheetError

        if not isinstance(wrong, SheetError):
            raise
        _print_mistakes(wrong)
    sys.exit(WRONG_INPUT)


def _print_mistakes(wrong: SheetError) -> None:
    count = len(wrong.mistakes)
    for mistake in wrong.mistakes:
        print(mistake, file=sys.stderr)
    if count > 1:
        print(f"{count} mistakes. Nothing was written.", file=sys.stderr)


def _fail(file: str, message: str, remedy: str) -> NoReturn:
    from flowsheet.spec.mistakes import Mistake, SheetError

    raise SheetError([Mistake(message, remedy, file=file, line=0)])


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    """Say what the system refuses to write as a mistake of the command, not as a bug."""
    try:
        yield
    except OSError as wrong:
        name, reason = wrong.filename or path, wrong.strerror or str(wrong)
        _fail(str(name), f"this cannot be written ({reason})", "Check its name, its rights and the room on the disk")


def _writable(path: Path) -> Path:
    """Return a path that can be written to, or fail with what to do."""
    if path.is_dir():
        _fail(str(path), "this is a directory", "Name a file in it")
    if not path.parent.is_dir():
        _fail(str(path), f"there is no folder {path.parent}", "Make it first, or name another")
    return path


def _folder(path: Path) -> Path:
    if path.exists() and not path.is_dir():
        _fail(str(path), "this is a file, where a folder is wanted", "Name a folder; it is made if it is not there")
    return path


def _stream_names(text: str, found: Any) -> list[str]:
    from flowsheet.show.plots import MOST_STREAMS
    from flowsheet.spec.mistakes import did_you_mean

    if not found.solution.model.grid.sized:
        _fail("--sizes", "the sheet knows no sizes", "Give the ore sizes: {top: …, p80: …}")
    names = list(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
    if not 0 < len(names) <= MOST_STREAMS:
        _fail("--sizes", f"{len(names)} streams are named", f"Name one to {MOST_STREAMS}, as --sizes ore,tails")
    for name in names:
        if name not in found.streams:
            _fail("--sizes", f'there is no stream "{name}"', did_you_mean(name, found.streams, "streams"))
    return names


def _print_json(data: Any) -> None:
    escaped = not (sys.stdout.encoding or "").lower().startswith("utf")
    json.dump(data, sys.stdout, ensure_ascii=escaped, indent=1, allow_nan=False)
    print()


def _say_written(paths: Iterable[Path]) -> None:
    for path in paths:
        print(f"wrote {path}", file=sys.stderr)


def _progress(items: Iterable[Any]) -> Iterable[Any]:
    """Show progress on stderr where that is a terminal."""
    if not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, description="trials", console=Console(stderr=True), transient=True)
