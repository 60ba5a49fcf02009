"""The program: its commands, and how it ends."""

from __future__ import annotations

import io
import sys
from typing import TYPE_CHECKING, NoReturn

import typer

from flowsheet.commands import sheet
from flowsheet.commands.common import WRONG_INPUT

if TYPE_CHECKING:
    from flowsheet.spec.mistakes import SheetError

app = typer.Typer(
    help="From the weights of a bench test to what an ore holds, where gold is lost, and what would win it back.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

for command in (sheet.check, sheet.run, sheet.draw, sheet.try_, sheet.new, sheet.schema):
    app.command(name=command.__name__.rstrip("_"))(command)


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
