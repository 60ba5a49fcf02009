"""Templates to HTML: everything is escaped but what is marked as HTML already, and what no font shows is marked."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from flowsheet.show.text import markup
from flowsheet.show.text.content import Picture
from flowsheet.show.text.line_width import tied
from flowsheet.show.text.tables import Grid


def printable(text: str, blanks: str = "\n") -> str:
    """Return a text with a mark for each character that no font shows (controls, direction marks), but ``blanks``."""
    odd = {c for c in set(text) if not c.isprintable() and c not in blanks}
    return text.translate(dict.fromkeys(map(ord, odd), "\ufffd")) if odd else text


def _shown(value: Any) -> Any:
    return value if hasattr(value, "__html__") or not isinstance(value, str) else printable(value)


def _table(grid: Grid, caption: bool = True) -> Markup:
    return Markup(markup.table(grid, caption))  # every cell of it is escaped


def _drawn(picture: Picture) -> Markup:
    return Markup(picture.svg)  # made by the project's own drawing, which escapes names


def _tied(text: str) -> Markup:
    return Markup(tied(str(escape(printable(text)))))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


@cache
def environment() -> Environment:
    """Return the page's templates."""
    made = Environment(
        loader=PackageLoader("flowsheet.show.page"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"table": _table, "drawn": _drawn, "sentence": _sentence, "tied": _tied}
    return made


def part(name: str, **told: Any) -> str:
    """Return one part of the page, by the macro that the whole page is made of too."""
    macros = environment().get_template("parts.html.j2").module
    return str(getattr(macros, name)(**told)).strip()


def page(**told: Any) -> str:
    """Return the whole page."""
    return environment().get_template("page.html.j2").render(**told)
