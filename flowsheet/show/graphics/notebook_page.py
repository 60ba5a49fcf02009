"""What a notebook shows of a result: words, pictures and tables, before they are HTML."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from flowsheet.show.graphics.style import svg
from flowsheet.show.text.content import Picture
from flowsheet.show.text.tables import Grid

if TYPE_CHECKING:
    from matplotlib.figure import Figure

IN_TABLE = "The numbers stand in the tables."


@dataclass(frozen=True)
class Page:
    """What is shown of a result."""

    title: str
    answers: Iterable[tuple[str, str]] = ()
    lines: Iterable[str] = ()
    pictures: Iterable[Picture | None] = ()
    grids: Iterable[Grid | None] = ()
    notes: Iterable[str] = ()
    #: Text whose lines stand as they are.
    plain: str = ""
    #: Pages that follow it, of as many more results.
    more: tuple[Page, ...] = ()


def plot(name: str, figure: Figure, alt: str) -> Picture:
    """Return a figure as a picture whose numbers stand in the tables below it."""
    return Picture(name, svg(figure), f"{alt}. {IN_TABLE}")


Views: TypeAlias = Mapping[type, Callable[[Any], Page]]
"""Result class → what makes a page of it."""
