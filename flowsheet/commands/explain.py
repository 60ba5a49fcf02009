"""The command explain: what a kind of step, a part of a sheet, a command or a page of the guide means."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, print_result


def commands_of(program: object) -> dict[str, str]:
    """Return every command of the program, and what it does in a line."""
    found = getattr(program, "commands", {})
    return {name: (command.help or "").partition("\n")[0].rstrip(".") for name, command in found.items()}


def _complete(context: typer.Context, incomplete: str) -> list[str]:
    """Return the topics that begin like what is typed."""
    from flowsheet.show.guide.topics import topics

    return [name for name in topics(commands_of(context.find_root().command)) if name.startswith(incomplete)]


def explain(
    context: typer.Context,
    names: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Argument(
            metavar="[TOPIC]…", help="What to explain, as pan or weights.", show_default=False, autocompletion=_complete
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Explain a kind of step, a part of a sheet, a command or a page of the guide; list them all."""
    import flowsheet as fs

    found = fs.explain(*(names or ()), commands=commands_of(context.find_root().command))
    if as_json:
        print_result(found.as_dict())
    else:
        typer.echo(found.terminal)
