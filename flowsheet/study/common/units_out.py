"""The units that results are told in. A study works in kg, m, kg/kg and s: ``as_dict`` and what is shown convert here.

No other module of the room multiplies by a thousand or a million; ``tests/test_contract.py`` holds everybody to it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any, TypeVar

from flowsheet.ore.arrays import Array

Amount = TypeVar("Amount", float, Array)
Unit = Callable[[Any], Any]
Names = Mapping[str, tuple[str, Unit]]
"""Fields that plain data tells by another name: the name, which says the unit, and that unit."""

FINEST = 12
"""Decimals (of a metre) to which sizes are told apart: 1/2 in and 12.7 mm are one, though not to the last bit."""


def grams(kg: Amount) -> Amount:
    """Return a mass (kg) in g."""
    return 1e3 * kg


def milligrams(kg: Amount) -> Amount:
    """Return a mass (kg) in mg."""
    return 1e6 * kg


def g_per_t(grade: Amount) -> Amount:
    """Return a grade (kg/kg) in g/t."""
    return 1e6 * grade


def percent(share: Amount) -> Amount:
    """Return a share in %."""
    return 100 * share


TOLD: Mapping[str, Unit] = {"kg": float, "g": grams, "g/t": g_per_t, "%": percent, "": float}
"""How an amount of SI is told in a unit; a share or a count has none."""


def g_per_cm3(density: Amount) -> Amount:
    """Return a density (kg/m3) in g/cm3."""
    return density / 1000


def millimetres(size: float) -> float:
    """Return a size (m) in mm, without the digits that are but rounding."""
    return round(1e3 * size, FINEST - 3)


def told_apart(size: float) -> float:
    """Return a size (m) as a key: those that differ by rounding alone are one."""
    return round(float(size), FINEST)


def square_centimetres(area: float) -> float:
    """Return an area (m2) in cm2."""
    return 1e4 * area


def each(data: Any, unit: Unit) -> Any:
    """Return plain data with every number in it in a ``unit``; None stays None."""
    if isinstance(data, Mapping):
        return {key: each(value, unit) for key, value in data.items()}
    if isinstance(data, (list, tuple)):
        return [each(value, unit) for value in data]
    return None if data is None else unit(data)


def in_units(result: Any, names: Names) -> dict[str, Any]:
    """Return a dataclass as plain data, its fields by ``names``; those that are not named there stay as they are."""
    told = {}
    for field, value in asdict(result).items():
        name, unit = names.get(field, (field, None))
        told[name] = value if unit is None else each(value, unit)
    return told
