"""How many columns there are to write in, and where a line may not break."""

from __future__ import annotations

import re
import sys
import textwrap

WIDTH = 100
"""Columns of a terminal that every table fits."""

NARROWEST = 80
"""Tables are not squeezed into less: a number that is cut short misleads."""


_UNITS = (
    r"%|‰|g/t|g/cm3|kg/m3|mg/m3|g/kg|mg/kg|oz/ton|oz/t|kg/h|t/h|kWh/t|k?g|mg|t|[mckµu]?m|[cm]?m[23]|in|ft|mesh|ppm"
    r"|ppb|lb|dwt|ozt|oz|ct|fine|sd|°C|h|kWh"
    r"|[A-Z]{3}(?:/\w+)?"
)
_TIED = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))|(?<=±) (?=\d)")
"""The blank between a number and its unit, or before a doubt's number."""
_HARD = "\xa0"


def tied(text: str) -> str:
    """Return a text for a page, whose own lines break elsewhere: between number and unit stands a no-break space."""
    return _TIED.sub(_HARD, text)


def filled(text: str, wide: int, first: str = "", rest: str = "") -> list[str]:
    """Return a text as lines of at most ``wide`` columns that part no number from its unit.

    ``first`` and ``rest`` stand before the first line and before the others. A blank in the lines is a plain one.
    """
    lines = textwrap.wrap(tied(text), wide, initial_indent=first, subsequent_indent=rest, break_long_words=False,
                          break_on_hyphens=False)  # fmt: skip
    return [line.replace(_HARD, " ") for line in lines]


def width() -> int:
    """Return the columns to write in: 100, or those of the terminal where that is narrower (but 80 at least)."""
    import shutil

    wide = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    return max(NARROWEST, min(wide, WIDTH))
