"""How many columns there are to write in."""

from __future__ import annotations

import re
import sys
import textwrap

WIDTH = 100
"""Columns of a terminal that every table fits."""

NARROWEST = 80
"""Tables are not squeezed into less: a number that is cut short misleads."""


_UNITS = (
    r"%|‰|g/t|g/cm3|g/kg|mg/kg|k?g|mg|t|[mckµu]?m|in|ft|mesh|ppm|ppb|lb|dwt|ozt|oz|ct|fine|sd|°C|cm3|h|kWh"
    r"|[A-Z]{3}(?:/\w+)?"
)
_TIED = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))|(?<=±) (?=\d)")
"""The blank between a number and its unit, or before a doubt's number."""
_HARD = "\xa0"


def filled(text: str, wide: int, first: str = "", rest: str = "") -> list[str]:
    """Return a text as lines of at most ``wide`` columns that part no number from its unit.

    ``first`` and ``rest`` stand before the first line and before the others. A blank in the lines is a plain one.
    """
    hard = _TIED.sub(_HARD, text)
    lines = textwrap.wrap(hard, wide, initial_indent=first, subsequent_indent=rest, break_long_words=False,
                          break_on_hyphens=False)  # fmt: skip
    return [line.replace(_HARD, " ") for line in lines]


def width() -> int:
    """Return the columns to write in: 100, or those of the terminal where that is narrower (but 80 at least)."""
    import shutil

    wide = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    return max(NARROWEST, min(wide, WIDTH))
