"""Slips of the unit: what was written, and what the same digits would be in another unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from flowsheet.spec.text import numbers, units

OTHER_SCALES = ("lb", "oz av", "gr")
"""What scales show beside the metric units."""

#: Both ways of the slips that are made most: a thousand times, and an assay's per cent for g/t.
_DOWN = {"t": ("kg",), "kg": ("g",), "g": ("mg",), "%": ("g/t",)}
_UP = {"kg": ("t",), "g": ("kg",), "mg": ("g",), "g/t": ("%",)}


@dataclass(frozen=True)
class Written:
    """The digits and the unit of a number, without its doubt."""

    digits: str
    unit: str

    @classmethod
    def of(cls, text: str) -> Written | None:
        """Return what a text says, None where it is a range or has no unit."""
        found = re.match(r"\s*([\d./ ]*\d(?:[eE][+-]?\d+)?)\s*([A-Za-z%][A-Za-z/% ]*?)\s*(?:$|±|\+)", text)
        return cls(found[1], found[2]) if found is not None else None

    def __str__(self) -> str:
        return f"{self.digits} {self.unit}"

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
        try:
            return f"{Decimal(self.digits).scaleb(-1):f} {self.unit}"
        except InvalidOperation:
            return ""

    def ratio(self, unit: str, wanted: units.Dimension) -> float:
        """Return what the same digits in another unit are, over what they are in this one."""
        return numbers.parse(f"1 {unit}", wanted).value / numbers.parse(f"1 {self.unit}", wanted).value
