"""Numbers as people read them: three digits that mean something, and a unit."""

from __future__ import annotations

import math

from flowsheet.study.common.units_out import Unit, g_per_t, grams, milligrams, millimetres

A_GRAM_OR_SO, A_TENTH_OF_A_MILLIGRAM = 1e-4, 1e-7
"""From so much on (kg) gold is told in g, from so much in mg: no scale of the trade sees less."""
FROM_HERE_METAL = 0.1
"""A grade (kg/kg) from so much on is told as a fineness."""


def sig(value: float, digits: int = 3) -> str:
    """Return ``value`` to ``digits`` significant digits, without exponents, with commas at thousands."""
    if not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    # Rounding may carry to the next power of ten: 9.996 to three digits is 10.0, not 10.00.
    if math.floor(math.log10(abs(round(value, decimals)) or 1)) > math.floor(math.log10(abs(value))):
        decimals = max(decimals - 1, 0)
    whole = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, min(whole, 0)) if whole < 0 else value:,.{decimals}f}"


def percent(share: float) -> str:
    """Return a share as a percentage: two digits, more where it is close to all or nothing."""
    value = 100 * share
    if value == 0:
        return "0 %"
    if abs(value) < 0.01:
        return "under 0.01 %"
    if 99 < value < 99.995:
        return f"{value:.2f} %".replace(".00 ", " ")
    return f"{sig(value, 2 if value < 10 else 3)} %"


ROUNDING = 1e-9
"""A balance that misses by no more (of what is fed) misses by the computer's rounding: nobody weighs so well."""


def closes(miss: float) -> str:
    """Say how well a balance closes; ``miss`` is what is lacking, as a share of what is fed."""
    if miss == 0:
        return "to the last digit"
    return "to within rounding" if abs(miss) <= ROUNDING else f"to within {percent(abs(miss))}"


def mass(kg: float, digits: int = 3) -> str:
    """Return a mass in the unit that suits it."""
    if abs(kg) >= 1000:
        return f"{sig(kg / 1000, digits)} t"
    if abs(kg) >= 1 or kg == 0:
        return f"{sig(kg, digits)} kg"
    return gold(kg, digits)


def gold(kg: float, digits: int = 3) -> str:
    """Return a small mass (kg), of gold say, in the unit that suits it."""
    if abs(kg) >= 1:
        return f"{sig(kg, digits)} kg"
    if abs(kg) >= A_GRAM_OR_SO or kg == 0:
        return f"{sig(grams(kg), digits)} g"
    if abs(kg) >= A_TENTH_OF_A_MILLIGRAM:
        return f"{sig(milligrams(kg), digits)} mg"
    return "under 0.1 mg"


def small_unit(kg: float) -> tuple[str, Unit]:
    """Return g or mg, whichever suits a small mass, and how a mass (kg) is told in it."""
    return ("g", grams) if kg >= A_GRAM_OR_SO else ("mg", milligrams)


def grade(share: float) -> str:
    """Return a grade (kg/kg); metal is told by its fineness."""
    return f"{1000 * share:.0f} fine" if share >= FROM_HERE_METAL else f"{sig(g_per_t(share))} g/t"


def length(size: float) -> str:
    """Return a size (m) in mm, or in µm where it is small."""
    mm = millimetres(size)
    return f"{short(mm)} mm" if mm >= 1 else f"{short(1000 * mm)} µm"


def short(value: float) -> str:
    """Return ``value`` to three digits without idle zeros behind the point, as sizes are written."""
    text = sig(value)
    return text.rstrip("0").rstrip(".") if "." in text else text


def count(number: float) -> str:
    """Return a count that is only an estimate: two digits."""
    return sig(number, 2) if number >= 10 else f"{number:.0f}"
