"""How many columns there are to write in."""

from __future__ import annotations

import sys

WIDTH = 100
"""Columns of a terminal that every table fits."""

NARROWEST = 80
"""Tables are not squeezed into less: a number that is cut short misleads."""


def width() -> int:
    """Return the columns to write in: 100, or those of the terminal where that is narrower (but 80 at least)."""
    import shutil

    wide = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    return max(NARROWEST, min(wide, WIDTH))
