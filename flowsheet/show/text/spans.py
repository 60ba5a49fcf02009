"""A value with the ends between which it lies nine times in ten, in one unit: "0.31 g (0.14 to 0.51)".

Of an amount that has no lower end the upper one alone is told: "less than 7.5 mg".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from flowsheet.show.text.figures import sig
from flowsheet.study.common.interval import LessThan
from flowsheet.study.common.units_out import g_per_t, grams, milligrams

SAME = 0.05
"""Ends closer than this (in percent) are one."""


class Ends(Protocol):
    """Anything with a middle and two ends."""

    @property
    def mean(self) -> float:
        """Mean."""

    @property
    def p5(self) -> float:
        """Amount that is passed with 95 %."""

    @property
    def p95(self) -> float:
        """Amount that is passed with 5 %."""


def gold(found: Ends) -> str:
    """Return an amount (kg) with its ends, in the unit that suits the upper one."""
    if found.p95 >= 1:
        return _span(found, 1.0, "kg")
    return _span(found, grams(1.0), "g") if found.p95 >= 1e-4 or found.p95 == 0 else _span(found, milligrams(1.0), "mg")


def grade(found: Ends) -> str:
    """Return a grade (kg/kg) with its ends, in g/t."""
    return _span(found, g_per_t(1.0), "g/t")


def about(found: Ends, told: Callable[[Ends], str]) -> str:
    """Return the beginning of a sentence: "About 22 g/t (15 to 31)", or "Less than 1.3 g/t"."""
    text = told(found)
    return text[:1].upper() + text[1:] if isinstance(found, LessThan) else f"About {text}"


def percent(found: Ends) -> str:
    """Return a share as a percentage with its ends, without digits that the ends make idle."""
    low, high = 100 * found.p5, 100 * found.p95
    if isinstance(found, LessThan):
        return f"less than {sig(high, 2)} %"
    if high - low < SAME:
        return f"{100 * found.mean:.1f} %"
    digits = 0 if high - low >= 2 else 1
    return f"{100 * found.mean:.{digits}f} % ({low:.{digits}f} to {high:.{digits}f})"


def _span(found: Ends, scale: float, unit: str) -> str:
    if isinstance(found, LessThan):
        if found.p95 <= 0:
            return f"next to 0 {unit}"
        return f"less than {sig(scale * found.p95)} {unit}"
    return f"{sig(scale * found.mean)} {unit} ({sig(scale * found.p5)} to {sig(scale * found.p95)})"
