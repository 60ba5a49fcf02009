"""The program: its commands, and how it ends."""

from __future__ import annotations

import functools
import gc
import io
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from flowsheet import __version__
from flowsheet.commands import (
    chance,
    cut,
    explain,
    fit,
    label,
    lot,
    plan,
    reconcile,
    report,
    serve,
    sheet,
    specimen,
    worth,
)
from flowsheet.commands.common import WRONG_INPUT, print_result
from flowsheet.commands.output import Output, OutputError, end_without
from flowsheet.commands.usage import Program, usage_of
from flowsheet.spec.text.wording import on_command_line

MOST_TOPICS = 3
"""So many are named below the mistakes."""

if TYPE_CHECKING:
    from flowsheet.spec.text.mistakes import Mistake, SheetError
    from flowsheet.spec.text.source_files import SourceFiles

USAGE: Any = typer.BadParameter.__mro__[1]
"""What typer raises where a command line is wrong; it gives no name to it."""

app = typer.Typer(
    cls=Program,
    help="From the weights of a bench test to what an ore holds, where gold is lost, and what would win it back.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

_asked: dict[str, Path] = {}
"""The sheet (or table of specimens) that the command was asked of: where it is refused, it cannot say so itself."""


def remembered(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command that notes the sheet (or table) that it is asked of; ``new`` makes one, and is asked of none."""

    @functools.wraps(command)
    def noted(**given: Any) -> None:
        if command is not sheet.new and isinstance(asked := given.get("file"), Path):
            _asked["sheet"] = asked
        command(**given)

    return noted


for command in (
    sheet.check,
    sheet.run,
    sheet.draw,
    sheet.try_,
    reconcile.reconcile,
    fit.fit,
    chance.chance,
    plan.plan,
    lot.lot,
    specimen.specimen,
    cut.cut,
    worth.worth,
    label.label,
    serve.serve,
    report.report,
    sheet.new,
    explain.explain,
    sheet.schema,
):
    app.command(name=command.__name__.rstrip("_"))(remembered(command))


@app.callback(no_args_is_help=True, invoke_without_command=True)
def _program(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    if version:
        typer.echo(f"flowsheet {__version__}")
        raise typer.Exit


def commands() -> dict[str, str]:
    """Return every command and what it does in a line, for whoever explains them without being one."""
    return explain.commands_of(typer.main.get_command(app))


def main() -> NoReturn:
    """Run the commands; exit with 0 (done), 2 (the input or the disk is wrong), 141 (the reader left) or 1 (a bug)."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal without → shows ?, which beats a traceback
            stream.reconfigure(errors="replace")
    plain = sys.stdout or open(os.devnull, "w")  # noqa: SIM115 (closed by the shell: nobody wants the answer)
    output = Output(plain)
    _asked.clear()
    _start_lightly()
    sys.stdout = output
    try:
        with on_command_line():
            code = _run()
        output.flush()
    except OutputError as fault:
        code = end_without(output, fault)
    finally:
        sys.stdout = plain
    sys.exit(code)


def _start_lightly() -> None:
    """Leave out, before anything heavy is loaded, what costs a short run more than it does for it."""
    # Matrices here are tens by tens: threads that wait for one another take longer than the work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Nothing here is a plugin of pydantic's; to look for some, it reads what is said of every package installed.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # What is loaded stays: to look through it for garbage at every 700 new objects finds nothing.
    gc.set_threshold(50_000, 20, 100)


def _run() -> str | int | None:
    """Run the command that was asked for; return its exit code."""
    as_json = "--json" in sys.argv  # whoever reads JSON is told in JSON
    try:
        end = app(standalone_mode=not as_json)
    except SystemExit as ended:
        return ended.code
    except USAGE as wrong:
        _print_json([_of_usage(wrong)])
        wrong.show()
    except Exception as wrong:
        from flowsheet.spec.text.mistakes import SheetError

        if not isinstance(wrong, SheetError):
            raise
        if as_json:
            _print_json(wrong.mistakes)
        _print_mistakes(wrong)
    else:
        return end if isinstance(end, int) else 0
    return WRONG_INPUT


def _print_json(mistakes: Iterable[Mistake]) -> None:
    print_result({"ok": False, "mistakes": [mistake.as_dict() for mistake in mistakes]}, _asked_of())


def _of_usage(wrong: Any) -> Mistake:
    """Return what is wrong with the command line, as the library that reads it says it, and its cure."""
    from flowsheet.spec.text.mistakes import Mistake

    option = getattr(wrong, "option_name", None) or next(iter(getattr(getattr(wrong, "param", None), "opts", ())), "")
    option = option if option.startswith("-") else ""  # an argument has no name that anybody types
    program = wrong.ctx.command_path if wrong.ctx is not None else "flowsheet"
    message, cure = usage_of(wrong)
    return Mistake(message, cure or f'See what it takes: "{program} --help"', file=option, code="command_line")


def _asked_of() -> SourceFiles | None:
    """Return the files of the sheet that a refused command was asked of, as far as they can be read."""
    from flowsheet.spec.weights.read_weighed import readable_sources

    sheet = _asked.get("sheet")
    return readable_sources(sheet) if sheet is not None else None


def _print_mistakes(wrong: SheetError) -> None:
    count = len(wrong.mistakes)
    for mistake in wrong.mistakes:
        print(mistake, file=sys.stderr)
    if count > 1:
        print(f"{count} mistakes. Nothing was written.", file=sys.stderr)
    topics = list(dict.fromkeys(mistake.topic for mistake in wrong.mistakes if mistake.topic))
    if topics:
        print(f"To read more: flowsheet explain {' '.join(topics[:MOST_TOPICS])}", file=sys.stderr)
