"""How large each picture of a report is: on a wide screen, on a phone, on paper."""

from __future__ import annotations

from flowsheet.show.graphics import svg
from flowsheet.show.text.content import Picture

FLOW = "flow"
"""Name of the drawn flowsheet among the pictures."""
DRAWN = 0.65
"""The drawing's own size is for paper at 110 dots an inch: this part of it has text as large as the page's."""
SHRUNK = 0.7
"""A narrow page shrinks the drawing to this part of that; what is still too wide is pushed sideways."""

#: Paper → what its margins leave, in points: width, and height for a picture with its head and caption.
PAPERS = {"a4": (493.0, 640.0), "us-letter": (510.0, 595.0)}
SHARED = 0.66
"""The drawing takes no more of that height (0.6 of the page), so that it shares its page,"""
READABLE = 4.5
"""unless its smallest letters would then be smaller than this (points): typical, read at arm's length."""
PLOTTED = 335.0
"""Points across a plot, whose letters are then as large as those of the tables."""


def wide(one: Picture) -> float:
    """Return how wide (CSS pixels) the drawing is to be seen where there is room."""
    return svg.box(svg.bare(one.svg))[0] * DRAWN


def narrowest(one: Picture) -> float:
    """Return the width (CSS pixels) below which a narrow page shows the drawing in part."""
    return SHRUNK * wide(one)


def placed(one: Picture, paper: str) -> tuple[float, float]:
    """Return the width and height (points) of a picture on paper: as large as can be read, and never beyond a page."""
    room, most = PAPERS[paper]
    drawn = svg.bare(one.svg)
    across, high = svg.box(drawn)
    if one.name == FLOW:
        letters = svg.least_letters(drawn)
        readable = READABLE / letters * high if letters else 0.0
        most, room = min(most, max(SHARED * most, readable)), min(room, wide(one) / svg.PIXELS)
    else:
        room = PLOTTED
    width = min(room, most * across / high)
    return width, width * high / across
