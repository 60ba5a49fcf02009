"""The command explain: what a kind of step, a part of a sheet, a command or a page of the guide means."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

from flowsheet.commands.common import Json, print_result


def _known(context: typer.Context) -> dict[str, str]:
    """Return every command of the program, and what it does in a line."""
    found = getattr(context.find_root().command, "commands", {})
    return {name: (command.help or "").partition("\n")[0].rstrip(".") for name, command in found.items()}


def _complete(context: typer.Context, incomplete: str) -> list[str]:
    """Return the topics that begin like what is typed."""
    from flowsheet.show.guide.topics import topics

    return [name for name in topics(_known(context)) if name.startswith(incomplete)]


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
    from flowsheet.show.guide import words
    from flowsheet.show.guide.topics import find, topics

    known = topics(_known(context))
    asked = {topic.name: topic for topic in (find(name, known) for name in names or ())}.values()
    if as_json:
        told = [topic.as_dict() for topic in asked] or [topic.in_brief() for topic in known.values()]
        print_result({"topics": told})
        return
    if not asked:
        lines = list(words.overview(known.values()))
    else:
        lines = [line for topic in asked for line in (*words.told(topic), "")]
    typer.echo("\n".join(lines).strip("\n"))
