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
from flowsheet.spec.text.amounts import Amount, decimals
from flowsheet.spec.text.refusals import LONGEST, NumberMistake, comma, like, no_number
from flowsheet.spec.text.units import (
    COUNT,
    FINENESS,
    GRADE,
    LENGTH,
    PLAIN,
    SHARE,
    UNIT_MISSING,
    Dimension,
    UnitMistake,
    as_grade,
    factor,
    is_share,
)

__all__ = ["AT_BOUND", "EVEN", "EXACT", "LONGEST", "NONE", "NORMAL", "Number", "NumberMistake", "doubted",
           "lend_unit", "number_and_unit", "parse", "written"]  # fmt: skip

_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)"
_ONE = re.compile(rf"(?P<sign>[+-]?)\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\d\s.,/+–—-].*)?")
_DOUBT = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_RANGE = re.compile(r"\s+to\s+", re.IGNORECASE)
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_BLANKS = str.maketrans({"\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-", "\u2044": "/"})

MOST_DOUBT = 1e12
"""SI; no doubt of what is weighed, measured or paid at a bench is larger, and sums of its squares stay numbers."""

AT_BOUND = 1e-9
"""A number this close to a bound (relative) is meant to be on it: 10 um is not 1e-5 m to the last bit."""


NONE, EXACT, NORMAL, EVEN = "none", "exact", "normal", "even"
"""The law of a number's doubt: none told, told to be none (± 0), a standard deviation, anything between two ends."""

DIGITS = 3
"""Significant digits of a number that is set anew, at least; more where its doubt is finer."""


@dataclass(frozen=True)
class Number:
    """A value in SI with its doubt, and how it is written: nobody need read its text again."""

    value: float
    #: Standard deviation, SI; that of an even spread is its width over the root of twelve.
    sd: float = 0.0
    #: The ends of an even spread, SI.
    low: float | None = None
    high: float | None = None
    text: str = ""
    dimension: Dimension = PLAIN
    #: The value as it is written; of a range its lower end. None where nobody wrote it.
    amount: Amount | None = None
    #: What stands behind ± (a part of the value where ``relative``), or the upper end of a range.
    doubt: Amount | None = None
    relative: bool = False

    @property
    def law(self) -> str:
        """The law of its doubt: NONE, EXACT, NORMAL or EVEN."""
        if self.low is not None:
            return EVEN
        return NORMAL if self.sd > 0 else EXACT if self.doubt is not None else NONE

    @property
    def doubtful(self) -> bool:
        """Whether it has a doubt."""
        return self.sd > 0

    @property
    def told_doubt(self) -> bool:
        """Whether a doubt is written behind it, be it that there is none; else its ``sd`` is an assumption."""
        return self.doubt is not None

    @property
    def is_share(self) -> bool:
        """Whether it is a part of a whole."""
        return self.dimension is SHARE

    @property
    def least(self) -> float:
        """What no draw of it may pass: the least that its dimension can be, SI."""
        return self.dimension.least

    @property
    def most(self) -> float:
        """The most that its dimension can be, SI."""
        return self.dimension.most

    @property
    def unit(self) -> tuple[str, float]:
        """The unit that its value is written in, and what one of it is in SI; a test sieve's is mm."""
        return (self.amount.unit, self.amount.one) if self.amount is not None else ("", 1.0)

    @property
    def doubt_unit(self) -> tuple[str, float]:
        """The unit that its doubt is written in, and what one of it is in SI: the value's own unless ± has another."""
        if self.doubt is None or self.relative or self.low is not None or (self.amount and self.amount.sieve):
            return self.unit
        return self.doubt.unit, self.doubt.one

    def __float__(self) -> float:
        return self.value

    def __str__(self) -> str:
        return self.text or f"{self.value:g}"

    def told(self, value: float, sd: float) -> Amount:
        """Return ``value`` (SI) as this number is written, as finely as its ``sd`` is known."""
        unit, one = self.unit
        return Amount.of(value, unit, one, max(decimals(value / one, DIGITS), decimals(sd / one, 2)))

    def rewritten(self, value: float, sd: float) -> Number:
        """Return the number set to ``value`` ± ``sd`` (SI), written in the units that this one is written in."""
        unit, one = self.doubt_unit
        amount, doubt = self.told(value, sd), Amount.of(sd, unit, one, decimals(sd / one, 2))
        return Number(value, sd, text=f"{amount} ± {doubt}", dimension=self.dimension, amount=amount, doubt=doubt)


def written(value: float, unit: str, dimension: Dimension, digits: int = 6) -> Number:
    """Return a number that nobody wrote: ``value`` (SI) in a unit, to so many digits."""
    one = factor(unit, dimension) if unit else 1.0
    amount = Amount(f"{value / one:.{digits}g}", unit, value / one, one, value)
    return Number(value, text=str(amount), dimension=dimension, amount=amount)


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
    if parted := comma(clean):  # in all of it at once: a remedy for the value alone would drop the doubt
        raise parted
    for mark, build in ((_DOUBT, _with_sd), (_RANGE, _with_range)):
        halves = mark.split(clean)
        if len(halves) == 2:
            return build(halves[0], halves[1], wanted, text)
        if len(halves) > 2:
            raise NumberMistake(
                "more than one doubt", f"Write one value and one doubt: {wanted.example} ± …", code="two_doubts"
            )
    amount = _one(clean, wanted)
    return Number(amount.value, text=text, dimension=wanted, amount=amount)


def doubted(number: Number, doubt: str) -> Number:
    """Return a number that was read without a doubt, with one that is written beside it. Raises NumberMistake."""
    if number.doubtful or len(doubt) > LONGEST:
        raise NumberMistake("more than one doubt", "Keep one of the two", code="two_doubts")
    return _with_sd(str(number.amount), _tidy(doubt), number.dimension, f"{number.text} ± {doubt}", number.amount)


def _tidy(text: str) -> str:
    clean = re.sub(r"(?<=\d)-(?=[A-Za-zµμ])", " ", text.translate(_BLANKS).strip())  # 20-mesh, 1/2-inch
    for sign, plain in _VULGAR.items():
        clean = re.sub(rf"(?<=\d)\s*{sign}", f" {plain}", clean).replace(sign, plain)
    return clean


def _with_sd(first: str, second: str, wanted: Dimension, text: str, known: Amount | None = None) -> Number:
    """Return a value and its doubt; ``known`` is what ``first`` says, where that was read already."""
    relative = _is_share(second) and not (wanted is SHARE or _is_share(first))
    if relative:
        amount, doubt = known or _one(first, wanted), _one(second, SHARE)
        sd = abs(amount.value) * doubt.value
    else:
        if wanted is SHARE:
            _refuse_half_a_percent(first, second)
        lent, second = lend_unit(first, second)
        amount, doubt = known if known and lent == first else _one(lent, wanted), _one(second, wanted, a_doubt=True)
        sd = doubt.value
    if sd < 0:
        raise NumberMistake(
            "the doubt after ± is negative", "Write how far off it may be, without a sign", code="doubt_negative"
        )
    if not sd <= min(wanted.most, MOST_DOUBT):
        message = f"the doubt after ± is larger than {wanted} can be"
        raise NumberMistake(message, f"Write something like {wanted.example} ± {wanted.doubt}", code="doubt_too_large")
    return Number(amount.value, sd, text=text, dimension=wanted, amount=amount, doubt=doubt, relative=relative)


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
    lower, upper = _one(first, wanted), _one(second, wanted)
    low, high = lower.value, upper.value
    if low > high:
        raise NumberMistake("the range runs backwards", "Write the smaller number first", code="range_backwards")
    if low == high:
        return Number(low, text=text, dimension=wanted, amount=lower, doubt=upper)
    middle, sd = low + (high - low) / 2, (high - low) / math.sqrt(12)
    return Number(middle, sd, low, high, text=text, dimension=wanted, amount=lower, doubt=upper)


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


def number_and_unit(text: str) -> tuple[float, str, str] | None:
    """Return (number, its text, unit or "") of one end of a setting's range, of which no dimension is known yet.

    None where it is none. A mesh number or a sieve's inch name stands for its opening in mm. Raises NumberMistake
    where no sieve has it.
    """
    clean = _tidy(text) if len(text) <= LONGEST else ""
    if (sieve := mesh.sieve(clean)) is not None:
        return 1e3 * sieve, f"{1e3 * sieve:.9g}", "mm"
    found = _ONE.fullmatch(clean)
    if found is None:
        return None
    value = _fraction(found["number"])
    return (-value if found["sign"] == "-" else value), found["sign"] + found["number"], (found["unit"] or "").strip()


def _one(text: str, wanted: Dimension, a_doubt: bool = False) -> Amount:
    """Return one amount; a doubt need not be a whole number, nor a fineness that makes sense."""
    if wanted is LENGTH and (sieve := mesh.sieve(text)) is not None:
        return Amount(text, "mm", 1e3 * sieve, 1e-3, sieve, sieve=True)
    found = _ONE.fullmatch(text)
    if found is None:
        raise no_number(text, wanted)
    number = _fraction(found["number"]) * (-1 if found["sign"] == "-" else 1)
    unit = (found["unit"] or "").strip()
    one = 1.0
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
            one = factor(unit, wanted)
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
    value = number * one
    if not math.isfinite(value):
        raise NumberMistake(f"too large for {wanted}", like(wanted), code="too_large")
    if value == 0 and re.search("[1-9]", re.split("[eE/]", found["number"])[0]):  # lost below the smallest float
        raise NumberMistake(f"too small for {wanted}", like(wanted), code="too_small")
    if not a_doubt:
        _refuse_odd(value, unit, wanted)
    return Amount(found["sign"].replace("+", "") + found["number"], unit, number, one, value)


def _refuse_odd(value: float, unit: str, wanted: Dimension) -> None:
    """Refuse half a piece, and a fineness that is told as a share."""
    if wanted is COUNT and value != int(value):
        raise NumberMistake("a whole number is wanted", like(wanted), code="whole_number_wanted")
    if wanted is FINENESS and 0 < value <= 1 and not unit:
        raise NumberMistake(
            "fineness counts parts in a thousand", f"Did you mean {1000 * value:g}?", code="fineness_out_of_range"
        )


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
