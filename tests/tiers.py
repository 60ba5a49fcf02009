"""How many random examples a test takes: a few while one works, all of them in the slow stage."""

from __future__ import annotations

import os

ALL = "FLOWSHEET_EXAMPLES"
"""Set this variable to "all", as .ci/run does, and every test takes all its examples."""


def examples(number: int) -> int:
    """Return ``number``, or a fourth of it where not all are asked for (examples repeat, so it is always the same)."""
    return number if os.environ.get(ALL) == "all" else max(number // 4, 5)
