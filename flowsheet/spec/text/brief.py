"""What a thing says of itself on one line, where a prompt or a traceback shows it."""

from __future__ import annotations

import math
from typing import Any

LONGEST_LINE = 119
"""Characters of a line that no window of a terminal breaks more than once."""


def one_line(what: str, told: str = "") -> str:
    """Return ``<what: told>``, cut where it is too long to be read at a glance; breaks and controls are blanks."""
    text = f"{what}: {told}" if told else what
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return f"<{plain}>" if len(plain) <= LONGEST_LINE - 2 else f"<{plain[: LONGEST_LINE - 3]}…>"


def counted(count: int, noun: str) -> str:
    """Return a count with its noun: "1 rock", "2 rocks"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def brief(value: Any) -> str:
    """Return a number (of draws: their mean) to three digits without an exponent; "?" where it is not known."""
    number = float(value.mean()) if getattr(value, "ndim", 0) else float(value)
    if not math.isfinite(number):
        return "?"
    if number == 0:
        return "0"
    decimals = 2 - math.floor(math.log10(abs(number)))
    return f"{round(number, decimals):.{max(decimals, 0)}f}"
