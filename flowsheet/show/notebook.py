"""Results in a notebook: title, answers, pictures and tables, in colours that stay inside.

Each sub-room of ``show`` has a module ``notebook`` with ``VIEWS``: result class → what makes a ``Page`` of it. A result
of ``study/NAME`` is looked for in ``show/NAME``, which is imported when the first such result is shown; a sheet, which
is of ``spec``, where it is run.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

from flowsheet.show.graphics.notebook_page import Page
from flowsheet.show.text.content import Picture
from flowsheet.show.text.markup import as_written, table, text, theme

SHEETS = ("flowsheet", "study", "run")
"""Sheets are shown with the results of this sub-room."""
SCOPE = ".flowsheet"
OWN = ".flowsheet{padding:.75rem}.flowsheet pre{white-space:pre-wrap;font-size:.8rem}.flowsheet .plot{max-width:44rem}"
"""What a page brings along, and a notebook does not."""


def html(result: object) -> str | None:
    """Return a result as HTML that styles nothing but itself; None where no sub-room has a view of it."""
    room = view_of(type(result))
    make = room.VIEWS.get(type(result)) if room is not None else None
    return None if make is None else _html(make(result))


def svg(result: object) -> str | None:
    """Return the picture that says a result best; None where words do."""
    draw = getattr(view_of(type(result)), "svg", None)
    return None if draw is None else draw(result)


def view_of(kind: type) -> ModuleType | None:
    """Return the module that shows results of the sub-room of ``study`` where ``kind`` is defined; None without one."""
    parts = kind.__module__.split(".")
    if parts[:2] == ["flowsheet", "spec"]:
        parts = [*SHEETS, ""]
    if parts[:2] != ["flowsheet", "study"] or len(parts) < 4:
        return None
    name = f"flowsheet.show.{parts[2]}"
    if find_spec(name) is None or find_spec(f"{name}.notebook") is None:
        return None
    return import_module(f"{name}.notebook")


def _html(page: Page) -> str:
    inside = "".join(_parts(page)) + "".join(part for more in page.more for part in _parts(more))
    return framed(inside)


def framed(inside: str) -> str:
    """Return HTML with a stylesheet that reaches nothing else."""
    return f'<div class="{SCOPE[1:]}"><style>{scoped(theme())}{OWN}</style>{inside}</div>'


def _parts(page: Page) -> Iterator[str]:
    yield f"<h2>{text(page.title)}</h2>"
    yield from (f"<h3>{text(question)}</h3><p>{text(answer)}</p>" for question, answer in page.answers)
    yield from (f"<p>{text(line)}</p>" for line in page.lines)
    yield from (_figure(one) for one in page.pictures if one is not None)
    yield from (table(grid) for grid in page.grids if grid is not None and grid.rows)
    if page.plain:
        yield f"<pre>{text_lines(page.plain)}</pre>"
    notes = "".join(f"<li>{text(note)}</li>" for note in page.notes)
    if notes:
        yield f"<ul>{notes}</ul>"


def text_lines(lines: str) -> str:
    """Return lines as HTML text, one below the other."""
    return "\n".join(as_written(line) for line in lines.splitlines())


def _figure(one: Picture) -> str:
    return f'<figure role="img" aria-label="{as_written(one.alt)}">{one.svg}</figure>'


# ── a stylesheet that reaches nothing else ──────────────────────────────────────────────────────────────────

_OWN = re.compile(r"^(:root|html|body)\b")
_COMMA = re.compile(r",(?![^(]*\))")


@cache
def scoped(css: str) -> str:
    """Return a stylesheet whose rules hold inside the class ``flowsheet`` only; rules of a whole page are left out."""
    return "".join(_scoped(re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)))


def _scoped(css: str) -> Iterator[str]:
    for head, body in _blocks(css):
        if head.startswith(("@media", "@supports")):
            yield f"{head}{{{''.join(_scoped(body))}}}"
        elif not head.startswith("@"):
            yield f"{','.join(_selector(one.strip()) for one in _COMMA.split(head))}{{{' '.join(body.split())}}}"


def _selector(one: str) -> str:
    return _OWN.sub(SCOPE, one) if _OWN.match(one) else f"{SCOPE} {one}"


def _blocks(css: str) -> Iterator[tuple[str, str]]:
    """Go through the rules of a stylesheet: what stands before the braces, and what between them."""
    depth, begin, head = 0, 0, ""
    for at, char in enumerate(css):
        if char == "{":
            if depth == 0:
                head, begin = " ".join(css[begin:at].split()), at + 1
            depth += 1
        elif char == "}":
            depth -= 1
            if depth == 0:
                yield head.rpartition(";")[2].strip(), css[begin:at]
                begin = at + 1
