"""Numbers as a sheet writes them: ``14.2 kg ± 20 g``, ``0.7 to 0.9``, ``1/2 in``, ``#20``, ``80 %``.

Grammar (blanks are free):

* one value: ``14.2 kg``, ``1/2 in``, ``2 1/4 in``, ``#20`` or ``20 mesh`` (ASTM E11), ``E11 1/2 in``
  (the sieve of that name, 12.5 mm), ``80 %``
* one standard deviation of doubt: ``14.2 kg ± 20 g``, ``22 ± 8 g/t``, ``22 g/t ± 10 %`` (a part of the
  value; of a value in percent, points: ``2 % ± 0.1 %``); ``+/-`` and ``+-`` do as well; ``± 0`` makes it exact
* an even spread: ``0.7 to 0.9``, ``20 to 25 mm``
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

from flowsheet.spec.text import mesh
from flowsheet.spec.text.refusals import LONGEST, NumberMistake, like, no_number
from flowsheet.spec.text.units import (
    COUNT,
    FINENESS,
    GRADE,
    LENGTH,
    SHARE,
    UNIT_MISSING,
    Dimension,
    UnitMistake,
    as_grade,
    factor,
    is_share,
)

__all__ = ["AT_BOUND", "LONGEST", "Number", "NumberMistake", "as_written", "lend_unit", "parse", "value_as_written"]

_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)"
_ONE = re.compile(rf"(?P<sign>[+-]?)\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\d\s.,/+–—-].*)?")
_MESH = re.compile(r"(?:#|[Nn]o\.?)\s*(?P<a>\d+(?:\.5| 1/2)?)|(?P<b>\d+(?:\.5| 1/2)?)\s*mesh", re.IGNORECASE)
_E11 = re.compile(r"E11\s+(?P<name>\d+(?:\s+\d+/\d+)?|\d+/\d+|\d*\.\d+)\s*(?:in|inch|\")", re.IGNORECASE)
_DOUBT = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_RANGE = re.compile(r"\s+to\s+", re.IGNORECASE)
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_BLANKS = str.maketrans({"\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-", "\u2044": "/"})

MOST_DOUBT = 1e12
"""SI; no doubt of what is weighed, measured or paid at a bench is larger, and sums of its squares stay numbers."""

AT_BOUND = 1e-9
"""A number this close to a bound (relative) is meant to be on it: 10 um is not 1e-5 m to the last bit."""


@dataclass(frozen=True)
class Number:
    """A value in SI with its doubt: ``sd`` (normal) or ``low``/``high`` (even spread), and its own text."""

    value: float
    sd: float = 0.0
    low: float | None = None
    high: float | None = None
    text: str = ""
    #: What no draw of it may pass: the limits of its dimension.
    least: float = 0.0
    most: float = math.inf

    @property
    def doubtful(self) -> bool:
        """Whether the sheet gave this number a doubt."""
        return self.sd > 0

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        return self.text or f"{self.value:g}"


@lru_cache(maxsize=4096)
def parse(text: str, wanted: Dimension) -> Number:
    """Return the number that ``text`` says, in SI.

    Raises NumberMistake with the remedy where the text has no unit, the wrong one, or is no number.
    """
    if len(text) > LONGEST:
        raise no_number(text, wanted)
    clean = _tidy(text)
    if not clean:
        mesh_hint = '. Put a mesh number in quotes, "#20": a # behind a blank starts a comment'
        raise NumberMistake(
            "nothing is written here", like(wanted) + (mesh_hint if wanted is LENGTH else ""), code="nothing_written"
        )
    for mark, build in ((_DOUBT, _with_sd), (_RANGE, _with_range)):
        halves = mark.split(clean)
        if len(halves) == 2:
            return build(halves[0], halves[1], wanted, text)
        if len(halves) > 2:
            raise NumberMistake(
                "more than one doubt", f"Write one value and one doubt: {wanted.example} ± …", code="two_doubts"
            )
    value = _one(clean, wanted)
    return Number(value, text=text, **_limits(wanted))


def _limits(wanted: Dimension) -> dict[str, float]:
    return {"least": wanted.least, "most": wanted.most}


def _tidy(text: str) -> str:
    clean = re.sub(r"(?<=\d)-(?=[A-Za-zµμ])", " ", text.translate(_BLANKS).strip())  # 20-mesh, 1/2-inch
    for sign, plain in _VULGAR.items():
        clean = re.sub(rf"(?<=\d)\s*{sign}", f" {plain}", clean).replace(sign, plain)
    return clean


def _with_sd(first: str, second: str, wanted: Dimension, text: str) -> Number:
    if _is_share(second) and not (wanted is SHARE or _is_share(first)):
        value = _one(first, wanted)
        sd = abs(value) * _one(second, SHARE)
    else:
        if wanted is SHARE:
            _refuse_half_a_percent(first, second)
        first, second = lend_unit(first, second)
        value, sd = _one(first, wanted), _one(second, wanted, a_doubt=True)
    if sd < 0:
        raise NumberMistake(
            "the doubt after ± is negative", "Write how far off it may be, without a sign", code="doubt_negative"
        )
    if not sd <= min(wanted.most, MOST_DOUBT):
        message = f"the doubt after ± is larger than {wanted} can be"
        raise NumberMistake(message, f"Write something like {wanted.example} ± {wanted.doubt}", code="doubt_too_large")
    return Number(value, sd=sd, text=text, **_limits(wanted))


def _is_share(text: str) -> bool:
    """Whether one value is written in percent or per mille."""
    found = _ONE.fullmatch(text)
    return found is not None and bool(found["unit"]) and is_share(found["unit"])


def _refuse_half_a_percent(first: str, second: str) -> None:
    """``0.8 ± 5 %`` may mean 80 % or 0.8 %, and ``80 % ± 0.05`` 5 % or 0.05 %; ``80 ± 5 %`` can mean one thing only."""
    value, doubt = _ONE.fullmatch(first), _ONE.fullmatch(second)
    if not (value and doubt):
        return
    if value["unit"] and not doubt["unit"] and first.endswith("%") and 0 < (off := _fraction(doubt["number"])) < 1:
        raise NumberMistake(
            "the share is in %, the doubt is not",
            f'Write "{first} ± {100 * off:g} %" or "{first} ± {off:g} %", whichever you mean',
            code="half_a_percent",
        )
    if second.endswith("%") and not value["unit"] and 0 < (share := _fraction(value["number"])) <= 1:
        raise NumberMistake(
            "the doubt is in %, the share is not",
            f'Write "{100 * share:g} % ± {second}" or "{share:g} % ± {second}", whichever you mean',
            code="half_a_percent",
        )


def _with_range(first: str, second: str, wanted: Dimension, text: str) -> Number:
    first, second = lend_unit(first, second)
    low, high = _one(first, wanted), _one(second, wanted)
    if low > high:
        raise NumberMistake("the range runs backwards", "Write the smaller number first", code="range_backwards")
    if low == high:
        return Number(low, text=text, **_limits(wanted))
    middle = low + (high - low) / 2
    return Number(middle, sd=(high - low) / math.sqrt(12), low=low, high=high, text=text, **_limits(wanted))


def lend_unit(first: str, second: str) -> tuple[str, str]:
    """``22 ± 8 g/t`` and ``22 g/t ± 8`` mean the same: whoever has the unit lends it to the other."""
    one, two = _ONE.fullmatch(first), _ONE.fullmatch(second)
    if not (one and two):
        return first, second
    if one["unit"] and not two["unit"]:
        return first, f"{second} {one['unit']}"
    if two["unit"] and not one["unit"]:
        return f"{first} {two['unit']}", second
    return first, second


def value_as_written(text: str) -> tuple[float, str] | None:
    """Return (number, unit or "") of the value that a text tells, whatever doubt it tells besides; None if none."""
    clean = _tidy(text) if len(text) <= LONGEST else ""
    first, *second = _DOUBT.split(clean)
    found = _ONE.fullmatch(lend_unit(first, second[0])[0] if second else first)
    return (_fraction(found["number"]), (found["unit"] or "").strip()) if found is not None else None


def as_written(text: str) -> tuple[float, str, str] | None:
    """Return (number, its text, unit or "") of one value as a sheet writes it; None where it is none.

    A mesh number or a sieve's inch name stands for its opening in mm. Raises NumberMistake where no sieve has it.
    """
    clean = _tidy(text) if len(text) <= LONGEST else ""
    if (sieve := _sieve(clean)) is not None:
        return 1e3 * sieve, f"{1e3 * sieve:.9g}", "mm"
    found = _ONE.fullmatch(clean)
    if found is None:
        return None
    value = _fraction(found["number"])
    return (-value if found["sign"] == "-" else value), found["sign"] + found["number"], (found["unit"] or "").strip()


def _one(text: str, wanted: Dimension, a_doubt: bool = False) -> float:
    """Return one value in SI; a doubt need not be a whole number, nor a fineness that makes sense."""
    if wanted is LENGTH and (sieve := _sieve(text)) is not None:
        return sieve
    found = _ONE.fullmatch(text)
    if found is None:
        raise no_number(text, wanted)
    value = _fraction(found["number"]) * (-1 if found["sign"] == "-" else 1)
    unit = (found["unit"] or "").strip()
    if unit:
        if unit.casefold() == "mesh":
            if wanted is LENGTH:
                raise NumberMistake(
                    "a sign stands before a mesh number", f"Write {found['number']} mesh", code="no_number"
                )
            raise NumberMistake(f"a mesh number, where {wanted} is wanted", like(wanted), code="wrong_unit")
        if wanted is GRADE and (per := as_grade(unit)) is not None:
            raise NumberMistake(
                "a grade is so much gold in so much rock", f'Write "{found["number"]} {per}"', code="wrong_unit"
            )
        try:
            value *= factor(unit, wanted)
        except UnitMistake as wrong:
            raise NumberMistake(wrong.message, wrong.remedy, code=wrong.code) from None
    elif wanted is LENGTH and "/" in found["number"]:  # a fraction is hardly ever anything but inches
        either = f'Write "{found["number"]} in" (inches) or "{found["number"]} mm", whichever you mean'
        raise NumberMistake(f"{wanted} needs its unit", either, code=UNIT_MISSING)
    elif not wanted.bare_ok:
        example = f"{found['number']} {wanted.example.split(' ', 1)[1]}"
        raise NumberMistake(
            f"{wanted} needs its unit",
            f'Write "{example}" if that is what you mean. Units: {wanted.units}',
            code=UNIT_MISSING,
        )
    if not math.isfinite(value):
        raise NumberMistake(f"too large for {wanted}", like(wanted), code="too_large")
    if a_doubt:
        return value
    if wanted is COUNT and value != int(value):
        raise NumberMistake("a whole number is wanted", like(wanted), code="whole_number_wanted")
    if wanted is FINENESS and 0 < value <= 1 and not unit:
        raise NumberMistake(
            "fineness counts parts in a thousand", f"Did you mean {1000 * value:g}?", code="fineness_out_of_range"
        )
    return value


def _sieve(text: str) -> float | None:
    """Return the aperture in m that a mesh number or a sieve's inch name stands for; None if it is neither."""
    if found := _E11.fullmatch(text):
        name = " ".join(found["name"].split())
        if (aperture := mesh.inch_mm(name)) is None:
            raise NumberMistake(
                f"ASTM E11 has no {name} in sieve", "It has: " + ", ".join(mesh.E11_INCHES), code="no_such_sieve"
            )
        return aperture / 1000
    if found := _MESH.fullmatch(text):
        number = found["a"] or found["b"]
        aperture = mesh.aperture_mm(number)
        if aperture is None:
            low, high = mesh.nearest_numbers(_fraction(number))
            raise NumberMistake(
                f"ASTM E11 has no {number} mesh",
                f"Nearest are {low} mesh ({mesh.E11_NUMBERS[low]:g} mm) and {high} mesh "
                f"({mesh.E11_NUMBERS[high]:g} mm); or write the opening in mm",
                code="no_such_sieve",
            )
        return aperture / 1000
    return None


def _fraction(number: str) -> float:
    total = 0.0
    for part in number.split():
        top, _, bottom = part.partition("/")
        if bottom and float(bottom) == 0:
            raise NumberMistake(
                "divides by nothing", "Write the fraction with a number below the line", code="divides_by_nothing"
            )
        total += float(top) / float(bottom or 1)
    return total
