"""A figure made a picture of a page, with what it says in words for those who can't see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flowsheet.show.graphics.style import printable, svg
from flowsheet.show.text.content import Picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def picture(name: str, figure: Figure, alt: str) -> Picture:
    """Return a figure as a picture called ``name``; ``alt`` says in words what it shows."""
    return Picture(name, svg(figure), printable(alt))
