"""Units of the trade, at the edge of the tool: inside, everything is SI (kg, m, shares as fractions).

Only units that a sheet may name are known, so that "t", "ton" and "ppm" mean here what they mean in a mine.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache

from flowsheet.spec.text.mistakes import ALIKE, nearest

#: Unit → what it measures, and how much of SI (kg, m, parts of one) it is: exact, by definition. Source: NIST SP 811,
#: Guide for the Use of the International System of Units (2008), Appendix B.8: inch 25.4 mm, foot 12 in; grain
#: 64.79891 mg, pound 7000 gr, troy ounce 480 gr, pennyweight 24 gr, avoirdupois ounce 1/16 lb, short ton 2000 lb, long
#: ton 2240 lb.
_EXACT: dict[str, tuple[str, float]] = {
    "mm": ("length", 1e-3),
    "cm": ("length", 1e-2),
    "m": ("length", 1.0),
    "um": ("length", 1e-6),
    "in": ("length", 0.0254),
    "ft": ("length", 0.3048),
    "ug": ("mass", 1e-9),
    "mg": ("mass", 1e-6),
    "g": ("mass", 1e-3),
    "kg": ("mass", 1.0),
    "t": ("mass", 1e3),
    "kt": ("mass", 1e6),
    "gr": ("mass", 6.479891e-5),
    "dwt": ("mass", 1.55517384e-3),
    "ozav": ("mass", 0.028349523125),
    "ozt": ("mass", 0.0311034768),
    "lb": ("mass", 0.45359237),
    "ton": ("mass", 907.18474),
    "long_ton": ("mass", 1016.0469088),
    "ppm": ("parts", 1e-6),
    "ppb": ("parts", 1e-9),
    "%": ("share", 0.01),
    "‰": ("share", 0.001),
}

#: Unit → the ways a miner may write it (a plural s, capitals, dots and hyphens do not matter).
_SPELLINGS: dict[str, str] = {
    "mm": "mm, millimeter, millimetre",
    "cm": "cm, centimeter, centimetre",
    "m": "m, meter, metre",
    "um": "um, µm, micron, micrometer, micrometre",
    "in": "in, inch, inches, \", ″, ”, ''",
    "ft": "ft, foot, feet, ', ′, ’",
    "ug": "ug, µg, microgram",
    "mg": "mg, milligram, milligramme",
    "g": "g, gm, gram, gramme",
    "kg": "kg, kilo, kilogram, kilogramme",
    "t": "t, tonne, metric ton, metric tonne",
    "kt": "kt",
    "lb": "lb, pound",
    "gr": "gr, grain",
    "dwt": "dwt, pwt, pennyweight",
    "ozt": "ozt, oz t, oz tr, oz troy, t oz, toz, tr oz, troy oz, troy ounce, ounce troy",
    "ozav": "ozav, oz av, oz avdp, oz avoirdupois, av oz, avdp oz, avoirdupois oz, avoirdupois ounce",
    "oz": "oz, ounce",
    "ton": "ton, short ton",
    "long_ton": "long ton, imperial ton",
    "ppm": "ppm",
    "ppb": "ppb",
    "%": "%, percent, per cent, pct",
    "‰": "‰, per mille, permille, per mil",
}

#: Units of fineness only: elsewhere "kt" is a thousand tonnes.
_CARATS = ("ct", "carat", "karat", "kt", "k")

#: Grades that the trade abbreviates to one word.
_WORDS = {"gpt": "g/t", "opt": "ozt/ton"}

#: In a grade per ton, or per tonne written out, an ounce is troy.
_TROY = {"oz/ton": "ozt/ton", "oz/long_ton": "ozt/long_ton", "oz/t": "ozt/t"}

#: A mass alone, where a grade is wanted → what is meant.
_AS_GRADE = {"oz": "oz/ton", "ozt": "oz/ton", "dwt": "dwt/ton", "g": "g/t"}

#: Refused because two trades mean two things by them; the remedy says both.
_AMBIGUOUS = {
    "oz": 'An ounce may be troy or avoirdupois: write "ozt" (troy, 31.1 g) or "oz av" (28.3 g)',
    "oz/t": 'It may be per tonne or per short ton: write "oz/ton" (short) or "g/t"',
    "g/ton": 'It may be per tonne or per short ton: write "g/t" or "g/short ton"',
    "Mg": "Write mg (a thousandth of a gram) or t (a thousand kilograms)",
}

_LENGTHS = "mm, cm, m, um, in, ft, mesh"
_MASSES = "g, kg, mg, t, lb, gr, dwt, ozt, oz av, ton (short), long ton"
_GRADES = "g/t, oz/ton, dwt/ton, ppm, ppb, mg/kg, %"


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity that a field may ask for: an example, its limits, whether a bare number will do."""

    name: str
    example: str
    units: str = ""
    bare_ok: bool = False
    least: float = 0.0
    most: float = math.inf
    #: How a doubt of the example may be written.
    doubt: str = "10 %"

    def __str__(self) -> str:
        return f"a {self.name}"


LENGTH = Dimension("length", "20 mm", _LENGTHS)
MASS = Dimension("mass", "14.2 kg", _MASSES)
GRADE = Dimension("grade", "22 g/t", _GRADES, most=1.0)
SHARE = Dimension("share", "80 %", "%, ‰", bare_ok=True, most=1.0, doubt="5 %")
PLAIN = Dimension("plain number", "0.7", bare_ok=True)
#: A plain number that may be less than nothing.
SIGNED = Dimension("plain number", "0.3", bare_ok=True, least=-math.inf)
COUNT = Dimension("whole number", "2", bare_ok=True, doubt="1")
FINENESS = Dimension("fineness", "870", "ct, %, ‰", bare_ok=True, most=1000.0, doubt="20")

#: What each dimension takes, by the kinds that ``_resolve`` tells apart.
_TAKES = {
    LENGTH: {"length"},
    MASS: {"mass"},
    GRADE: {"grade", "parts", "share"},
    SHARE: {"share"},
    FINENESS: {"share", "fineness"},
}


UNIT_MISSING, UNIT_AMBIGUOUS = "unit_missing", "unit_ambiguous"
"""Codes of the mistakes that a number has no unit, or one of several meanings."""


class UnitMistake(ValueError):  # noqa: N818 (a mistake of the sheet, no error of ours)
    """The unit is unknown, ambiguous or of the wrong kind; ``remedy`` says what to write."""

    def __init__(self, message: str, remedy: str, code: str) -> None:
        super().__init__(message)
        self.message, self.remedy, self.code = message, remedy, code


@lru_cache(maxsize=1024)
def factor(unit: str, wanted: Dimension) -> float:
    """Return the factor that turns a number in ``unit`` into SI for ``wanted``.

    Raises UnitMistake where the unit is unknown, ambiguous, or of another dimension.
    """
    kind, value = _resolve(unit, wanted)
    if kind not in _TAKES.get(wanted, set()):
        article = {"parts": "a grade"}.get(kind, f"a {kind}")
        raise UnitMistake(
            f"{article}, where {wanted} is wanted", f"Write {wanted}, for example {wanted.example}", code="wrong_unit"
        )
    return value * 1000 if wanted is FINENESS else value


def is_share(unit: str) -> bool:
    """Whether a unit is percent or per mille, however it is spelt."""
    return _canonical(unit) in ("%", "‰")


def as_grade(unit: str) -> str | None:
    """Return the grade that a mass alone most likely stands for, None where the unit is no such mass."""
    return _AS_GRADE.get(_canonical(unit) or "")


def _resolve(unit: str, wanted: Dimension) -> tuple[str, float]:
    """Return (kind of quantity, factor to SI) of a unit."""
    if wanted is FINENESS and _plain(unit).removesuffix("s") in _CARATS:
        return "fineness", 1 / 24
    parts = [_canonical(part) for part in re.split(r"\s*/\s*|\s+per\s+(?!cent|mil)", unit.strip())]
    spelled = "/".join(part or "?" for part in parts)
    if "?" in spelled or len(parts) > 2:
        raise UnitMistake(f'"{unit}" is no unit known here', _suggest(unit, wanted), code="unit_unknown")
    if (doubtful := _ambiguity(unit, spelled)) is not None:
        raise UnitMistake(f'"{unit}" is ambiguous', _AMBIGUOUS[doubtful], code=UNIT_AMBIGUOUS)
    factors = [_EXACT[part] for part in _TROY.get(spelled, spelled).split("/")]
    if len(factors) == 1:
        return factors[0]
    if len(factors) > 2 or any(kind != "mass" for kind, _ in factors):
        raise UnitMistake(f'"{unit}" is no unit known here', _suggest(unit, wanted), code="unit_unknown")
    return "grade", factors[0][1] / factors[1][1]


def _ambiguity(unit: str, spelled: str) -> str | None:
    """Return the key of ``_AMBIGUOUS`` that a unit falls under, if any."""
    if unit.strip() == "Mg":
        return "Mg"
    if spelled in _AMBIGUOUS:
        # Who writes "short ton" or "tonne" out means it.
        clear = re.search(r"short|tonne|metric", unit, re.IGNORECASE)
        return None if "/" in spelled and clear else spelled
    return "oz" if "oz" in spelled.split("/") and spelled not in _TROY else None


@cache
def _by_spelling() -> dict[str, str]:
    """Return every spelling → the unit as ``_EXACT`` calls it."""
    return {_plain(way): unit for unit, ways in _SPELLINGS.items() for way in ways.split(", ")}


def _plain(text: str) -> str:
    """Return a spelling without capitals, dots, hyphens and needless blanks."""
    return " ".join(re.sub(r"[.\-_]", " ", text.casefold()).split())


def _canonical(part: str) -> str | None:
    """Return one unit (no fraction) as ``_EXACT`` calls it, or None."""
    plain = _plain(part)
    if part.strip() == "M":  # metre, mesh, million?
        return None
    known = _by_spelling()
    if plain in _WORDS:
        return _WORDS[plain]
    return known.get(plain) or (known.get(plain[:-1]) if len(plain) > 2 and plain.endswith("s") else None)


def _suggest(unit: str, wanted: Dimension) -> str:
    known = [re.sub(r" \(.*", "", name) for name in wanted.units.split(", ") if name]
    if not known:
        return f"Write {wanted} without a unit, for example {wanted.example}"
    if re.search(r"\d", unit):
        return f"Write one number with one unit, for example {wanted.example}"
    # One or two letters are like too much: only their capitals may be a slip.
    like = nearest(unit, known, ALIKE if len(unit) > 2 else 1.0)
    if like is not None:
        return f'Did you mean "{like}"?'
    return f"The units of {wanted} are: {wanted.units}"
