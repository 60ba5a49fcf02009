"""Test sieves by designation: mesh numbers and inch names to nominal apertures.

Source: ASTM E11, Standard Specification for Woven Wire Test Sieve Cloth and Test Sieves, Table 1 (the
coarse half and the inch names as printed in E11-01; the fine half from memory). Cross-checked in
tests/published against the sieve tables of the fluids library.
"""

from __future__ import annotations

import re

from flowsheet.spec.text.refusals import NumberMistake

_MESH = re.compile(r"(?:#|[Nn]o\.?)\s*(?P<a>\d+(?:\.5| 1/2)?)|(?P<b>\d+(?:\.5| 1/2)?)\s*mesh", re.IGNORECASE)
_E11 = re.compile(r"E11\s+(?P<name>\d+(?:\s+\d+/\d+)?|\d+/\d+|\d*\.\d+)\s*(?:in|inch|\")", re.IGNORECASE)
#: Mesh number → nominal aperture in mm.
E11_NUMBERS: dict[str, float] = {
    "3.5": 5.6, "4": 4.75, "5": 4.0, "6": 3.35, "7": 2.8, "8": 2.36, "10": 2.0, "12": 1.7, "14": 1.4,
    "16": 1.18, "18": 1.0, "20": 0.85, "25": 0.71, "30": 0.6, "35": 0.5, "40": 0.425, "45": 0.355,
    "50": 0.3, "60": 0.25, "70": 0.212, "80": 0.18, "100": 0.15, "120": 0.125, "140": 0.106, "170": 0.09,
    "200": 0.075, "230": 0.063, "270": 0.053, "325": 0.045, "400": 0.038, "450": 0.032, "500": 0.025,
    "635": 0.02,
}  # fmt: skip

#: Inch name of a test sieve → nominal aperture in mm. A name is not a length: "1 in" is 25.0 mm, not 25.4.
E11_INCHES: dict[str, float] = {
    "5": 125.0, "4.24": 106.0, "4": 100.0, "3 1/2": 90.0, "3": 75.0, "2 1/2": 63.0, "2.12": 53.0, "2": 50.0,
    "1 3/4": 45.0, "1 1/2": 37.5, "1 1/4": 31.5, "1.06": 26.5, "1": 25.0, "7/8": 22.4, "3/4": 19.0, "5/8": 16.0,
    ".530": 13.2, "1/2": 12.5, "7/16": 11.2, "3/8": 9.5, "5/16": 8.0, ".265": 6.7, "1/4": 6.3,
}  # fmt: skip

#: The names that are decimals, by their value: ".53" and "0.530" are the same sieve.
_DECIMAL = {float(name): mm for name, mm in E11_INCHES.items() if "." in name}


def inch_mm(name: str) -> float | None:
    """Return the aperture in mm of the sieve of an inch ``name`` ("1/2", ".530"), or None if ASTM E11 has none."""
    return _DECIMAL.get(float(name)) if "." in name else E11_INCHES.get(name)


def aperture_mm(number: str) -> float | None:
    """Return the aperture in mm of mesh ``number`` ("20", "3 1/2"), or None if ASTM E11 has none."""
    return E11_NUMBERS.get({"3 1/2": "3.5"}.get(number, number))


def sieve(text: str) -> float | None:
    """Return the aperture in m that a mesh number or a sieve's inch name stands for; None if it is neither.

    Raises NumberMistake where ASTM E11 has no such sieve.
    """
    if found := _E11.fullmatch(text):
        name = " ".join(found["name"].split())
        if (aperture := inch_mm(name)) is None:
            raise NumberMistake(
                f"ASTM E11 has no {name} in sieve", "It has: " + ", ".join(E11_INCHES), code="no_such_sieve"
            )
        return aperture / 1000
    if found := _MESH.fullmatch(text):
        number = found["a"] or found["b"]
        if (aperture := aperture_mm(number)) is None:
            low, high = nearest_numbers(float(number.replace(" 1/2", ".5")))
            raise NumberMistake(
                f"ASTM E11 has no {number} mesh",
                f"Nearest are {low} mesh ({E11_NUMBERS[low]:g} mm) and {high} mesh "
                f"({E11_NUMBERS[high]:g} mm); or write the opening in mm",
                code="no_such_sieve",
            )
        return aperture / 1000
    return None


def nearest_numbers(number: float) -> tuple[str, str]:
    """Return the two mesh numbers of ASTM E11 that lie nearest to ``number``."""
    by_distance = sorted(E11_NUMBERS, key=lambda n: abs(float(n) - number))
    low, high = sorted(by_distance[:2], key=float)
    return low, high
