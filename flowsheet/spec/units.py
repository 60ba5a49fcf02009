"""Units of the trade, at the edge of the tool: inside, everything is SI (kg, m, shares as fractions).

The registry is pint's, filled with only the units that a sheet may name, so that it is made in
milliseconds and so that "t", "ton" and "ppm" mean here what they mean in a mine. Factors: NIST SP 811,
Appendix B (checked in tests/published).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from flowsheet.spec.mistakes import nearest

if TYPE_CHECKING:
    from pint import UnitRegistry

_DEFINITIONS = """
kilo- = 1e3 = k-
centi- = 1e-2 = c-
milli- = 1e-3 = m-
micro- = 1e-6 = µ- = μ- = u-
meter = [length] = m = metre
inch = 0.0254 meter = in = inches
foot = 12 inch = ft = feet
micron = 1e-6 meter = _ = microns
gram = [mass] = g
tonne = 1e6 gram = t
grain = 64.79891e-3 gram = gr
pound = 7000 grain = lb = lbs
avoirdupois_ounce = 437.5 grain = ozav
troy_ounce = 480 grain = ozt = toz = troyoz
pennyweight = 24 grain = dwt
short_ton = 2000 pound = ton
long_ton = 2240 pound
ppm = 1e-6
ppb = 1e-9
percent = 0.01 = %
per_mille = 1e-3 = ‰
carat_fine = 0.0416666666666666666667 = ct = karat
""".strip()

#: Spellings with blanks or dots, put right before pint reads them.
_SPELLINGS: tuple[tuple[str, str], ...] = (
    (r"troy\s*oz|troy\s*ounces?|oz\s*t(?:roy)?\b|tr\.?\s*oz|ozt", "ozt"),
    (r"oz\s*av(?:dp|oirdupois)?\b\.?|av(?:dp)?\.?\s*oz|avoirdupois\s*ounces?", "ozav"),
    (r"short\s*tons?", "short_ton"),
    (r"long\s*tons?", "long_ton"),
    (r"metric\s*tons?|tonnes?\b", "t"),
    (r"\btons\b", "ton"),
    (r"per\s*cent|percent", "%"),
    (r"per\s*mille", "‰"),
    (r"\bgpt\b", "g/t"),
    (r"\bopt\b", "ozt/ton"),
    (r"\s+per\s+", "/"),
    (r"^oz\s*/\s*(short_ton|ton|long_ton)$", r"ozt/\1"),
    ('["″]', "in"),
)

#: Refused because two trades mean two things by them; the remedy says both.
_AMBIGUOUS = {
    "oz": 'an ounce may be troy or avoirdupois: write "ozt" (troy, 31.1 g) or "oz av" (28.3 g)',
    "oz/t": '"oz/t" may be per tonne or per short ton: write "oz/ton" (short) or "g/t"',
    "ounce": 'an ounce may be troy or avoirdupois: write "ozt" (troy, 31.1 g) or "oz av" (28.3 g)',
}

_KNOWN = (
    "mm", "um", "µm", "cm", "m", "in", "ft", "micron", "mg", "g", "kg", "t", "lb", "gr", "dwt", "ozt", "oz av",
    "short ton", "long ton", "ton", "g/t", "mg/kg", "g/kg", "ppm", "ppb", "oz/ton", "dwt/ton", "%",
)  # fmt: skip

_SHAPE = re.compile(r"[A-Za-zµμ_%‰]{1,20}(?:\s*/\s*[A-Za-zµμ_]{1,20})?")


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity that a field may ask for: an example, its limits, whether a bare number will do."""

    name: str
    example: str
    bare_ok: bool = False
    least: float = 0.0
    most: float = math.inf

    def __str__(self) -> str:
        return f"a {self.name}"


LENGTH = Dimension("length", "20 mm")
MASS = Dimension("mass", "14.2 kg")
GRADE = Dimension("grade", "22 g/t", most=1.0)
SHARE = Dimension("share", "80 %", bare_ok=True, most=1.0)
PLAIN = Dimension("plain number", "0.7", bare_ok=True)
COUNT = Dimension("whole number", "2", bare_ok=True)
FINENESS = Dimension("fineness", "870", bare_ok=True, most=1000.0)


class UnitMistake(ValueError):
    """The unit is unknown, ambiguous or of the wrong kind; ``remedy`` says what to write."""

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message, self.remedy = message, remedy


@cache
def registry() -> UnitRegistry:
    """Return the tool's own pint registry (made once a process)."""
    from pint import UnitRegistry

    return UnitRegistry(_DEFINITIONS.splitlines(), autoconvert_to_preferred=False)


@lru_cache(maxsize=1024)
def factor(unit: str, wanted: Dimension) -> float:
    """Return the factor that turns a number in ``unit`` into SI for ``wanted``.

    Raises UnitMistake where the unit is unknown, ambiguous, or of another dimension.
    """
    spelled = _respell(unit)
    if spelled in _AMBIGUOUS:
        raise UnitMistake(f'"{unit}" is ambiguous', _capital(_AMBIGUOUS[spelled]))
    kind, value = _resolve(unit, spelled)
    allowed = {
        "length": {"length"},
        "mass": {"mass"},
        "grade": {"grade", "share", "parts"},
        "share": {"share"},
        "fineness": {"share", "carat"},
    }.get(wanted.name, set())
    if kind not in allowed:
        article = {"parts": "a grade", "carat": "a fineness"}.get(kind, f"a {kind}")
        raise UnitMistake(f"{article}, where {wanted} is wanted", f"Write it as {wanted.example}")
    return value * 1000 if wanted is FINENESS else value


def _respell(unit: str) -> str:
    text = unit.strip().rstrip(".")
    for pattern, to in _SPELLINGS:
        text = re.sub(pattern, to, text, flags=re.IGNORECASE if len(pattern) > 5 else 0)
    return re.sub(r"\s*/\s*", "/", text)


def _resolve(unit: str, spelled: str) -> tuple[str, float]:
    """Return (kind of quantity, factor to SI) of a unit."""
    unknown = UnitMistake(f'"{unit}" is no unit known here', _suggest(unit))
    if not _SHAPE.fullmatch(spelled):
        raise unknown
    if spelled in ("%", "‰"):
        return "share", {"%": 0.01, "‰": 0.001}[spelled]
    import pint

    try:
        parsed = registry().parse_units(spelled)
    except (pint.errors.PintError, ValueError, TypeError, AssertionError):
        raise unknown from None
    si = registry().Quantity(1.0, parsed).to_base_units()
    dims = dict(parsed.dimensionality)
    if dims == {"[length]": 1}:
        return "length", float(si.magnitude)
    if dims == {"[mass]": 1}:
        return "mass", float(si.magnitude) / 1000
    if not dims and "/" in spelled:
        return "grade", float(si.magnitude)
    if not dims:
        return ("carat" if "ct" in spelled or "carat" in spelled else "parts"), float(si.magnitude)
    raise unknown


def _suggest(unit: str) -> str:
    like = nearest(unit, _KNOWN)
    if like is not None:
        return f'Did you mean "{like}"'
    return "Known units: " + ", ".join(_KNOWN)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
