"""One amount as somebody wrote it: its digits, its unit, and what the slips that are made most would have it mean."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from flowsheet.spec.text import units

OTHER_SCALES = ("lb", "oz av", "gr")
"""What scales show beside the metric units."""

#: Both ways of the slips that are made most: a thousand times, and an assay's per cent for g/t.
_DOWN = {"t": ("kg",), "kg": ("g",), "g": ("mg",), "%": ("g/t",)}
_UP = {"kg": ("t",), "g": ("kg",), "mg": ("g",), "g/t": ("%",)}


@dataclass(frozen=True)
class Amount:
    """One amount as it is written: "14.2 kg", "2 1/4 in", "80 %", "#20"."""

    #: "14.2", "2 1/4"; of a test sieve its whole name.
    digits: str
    #: As it is spelt; "" where there is none. A test sieve is told in mm.
    unit: str
    #: What the digits say, in that unit.
    number: float
    #: What one of the unit is, in SI.
    one: float = 1.0
    #: In SI.
    value: float = math.nan
    #: Whether a test sieve is named, by its mesh number or by ASTM E11's inches.
    sieve: bool = False

    @classmethod
    def of(cls, value: float, unit: str, one: float, decimals: int) -> Amount:
        """Return ``value`` (SI) written with so many decimals in a unit of which one is ``one`` in SI."""
        number = value / one
        return cls(f"{round(number, decimals):.{max(decimals, 0)}f}", unit, number, one, value)

    def __str__(self) -> str:
        return self.digits if self.sieve else f"{self.digits} {self.unit}".strip()

    @property
    def plain(self) -> bool:
        """Whether the digits are a plain decimal number: no fraction, no power of ten, no sieve's name."""
        return not self.sieve and self.digits.lstrip("-").replace(".", "", 1).isdecimal()

    @property
    def step(self) -> float:
        """What one step of the last digit is, SI: 0.1 kg of "14.2 kg"; of a fraction its own, 1/4 lb of "2 1/4 lb"."""
        if self.sieve:
            return 0.0
        if "/" in self.digits:
            return self.one / float(self.digits.rpartition("/")[2])
        exponent = Decimal(self.digits).as_tuple().exponent
        return self.one * 10.0 ** (exponent if isinstance(exponent, int) else 0)

    @property
    def thousandth(self) -> tuple[str, ...]:
        """The unit that is most often meant where the number is far too large."""
        return _DOWN.get(self.unit.casefold(), ())

    @property
    def thousandfold(self) -> tuple[str, ...]:
        """The unit that is most often meant where the number is far too small."""
        return _UP.get(self.unit.casefold(), ())

    @property
    def tenth(self) -> str:
        """The same with the point one place further left ("85.3 kg": "8.53 kg"); "" of a fraction."""
        return self.shifted(-1)

    def shifted(self, places: int) -> str:
        """Return the same with the point so many places further right ("8.53 kg", 1: "85.3 kg"); "" of a fraction."""
        try:
            return f"{Decimal(self.digits).scaleb(places):f} {self.unit}".strip()
        except InvalidOperation:
            return ""

    def ratio(self, unit: str, wanted: units.Dimension) -> float:
        """Return what the same digits in another unit are, over what they are in this one."""
        return units.factor(unit, wanted) / self.one


def decimals(value: float, digits: int) -> int:
    """Return with how many decimals a value has so many significant digits; 0 of nothing."""
    return digits - 1 - math.floor(math.log10(abs(value))) if value else 0
