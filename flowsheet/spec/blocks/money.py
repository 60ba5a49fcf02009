"""Money and what it is paid for: ``100 USD/g ± 5 %``, ``20 USD/h``, ``6 USD``; and what a cost needs besides (pace).

A price is a currency of three letters (ISO 4217) for so much of something. Inside: per kg, per second, per joule.
All prices are the user's; the tool knows none.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any

from pydantic import GetJsonSchemaHandler

from flowsheet.spec.blocks.fields import Quantity, complaint
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake
from flowsheet.spec.text.refusals import comma
from flowsheet.spec.text.units import MASS, UNIT_AMBIGUOUS, Dimension, UnitMistake

PRICE = r"\s*[0-9.].*[A-Z]{3}\s*/\s*\S.*"
"""What a price looks like to an editor: a number, a currency of three letters, a slash and what it is for."""

LIKE_PRICE = "Write a number, a currency of three letters and what it is for, as 100 USD/g"

PRICE_PER_MASS = Dimension("price", "100 USD/g")
WAGE = Dimension("wage", "20 USD/h")
AMOUNT = Dimension("sum of money", "6 USD")
POWER_PRICE = Dimension("price of power", "0.3 USD/kWh")
PACE = Dimension("pace", "8 kg/h")
TIME = Dimension("time", "1.5 h")
WORK_INDEX = Dimension("work index", "14.8 kWh/t")

HOUR, KWH = 3600.0, 3.6e6
_TIMES = {"s": 1.0, "sec": 1.0, "second": 1.0, "min": 60.0, "minute": 60.0, "h": HOUR, "hr": HOUR, "hour": HOUR,
          "day": 24 * HOUR}  # fmt: skip
_ENERGIES = {"kwh": KWH, "wh": 1e-3 * KWH, "mj": 1e6, "kj": 1e3}
_UNIT = re.compile(r"(?P<currency>[A-Z]{3})\b\s*(?:/\s*(?P<per>[^\d±+/]+?))?\s*(?=$|±|\+|\bto\b)")
_PER = re.compile(r"(?P<before>[A-Za-z]+)\s*(?:/\s*(?P<per>[^\d±+/]+?))?\s*(?=$|±|\+|\bto\b)")


@dataclass(frozen=True)
class Money(Number):
    """An amount of money, or a price for so much of something, in SI."""

    currency: str = ""
    #: What it is for, as written ("g", "h"); "" for an amount alone.
    per: str = ""


def price(name: str, text: str) -> Money:
    """Return a price of the sheet's ``prices``. Raises NumberMistake.

    What is not sold by mass (haulage by the mile) is kept as written, and nothing can be sold at it.
    """
    _refuse_commas(text)
    if not re.fullmatch(PRICE, text) or len(text) > number_with_doubt.LONGEST:
        raise NumberMistake("this is no price", LIKE_PRICE, code="no_price")
    plain, currency, per = _parted(text, "this is no price", LIKE_PRICE)
    if not per:
        raise NumberMistake("this is no price", LIKE_PRICE, code="no_price")
    try:
        found = number_with_doubt.parse(plain, units.PLAIN)
    except NumberMistake:
        raise NumberMistake("this is no price", LIKE_PRICE, code="no_price") from None
    if (found.value if found.low is None else found.low) <= 0:
        negative = found.value < 0
        message = "this is no price" if negative else "a price of nothing"
        raise NumberMistake(message, LIKE_PRICE if negative else "Write what it is, or leave it out", code="no_price")
    try:
        scale = 1 / units.factor(per, MASS)
    except UnitMistake as wrong:
        if name in ("gold", "silver") or wrong.code == UNIT_AMBIGUOUS:
            remedy = wrong.remedy if wrong.code == UNIT_AMBIGUOUS else LIKE_PRICE
            raise NumberMistake(f"{name} is sold by mass: {wrong.message}", remedy, code=wrong.code) from None
        return _money(found, 1.0, text, currency, per)
    return _money(found, scale, text, currency, per)


def _refuse_commas(text: str) -> None:
    if len(text) <= number_with_doubt.LONGEST and (parted := comma(text)):
        raise parted


def by_mass(found: Money) -> bool:
    """Whether a price is for so much mass."""
    try:
        units.factor(found.per, MASS)
    except UnitMistake:
        return False
    return True


@lru_cache(maxsize=1024)
def parse(text: str, wanted: Dimension) -> Number:
    """Return the number of one of this module's dimensions that ``text`` says, in SI. Raises NumberMistake."""
    like = f"Write something like {wanted.example}"
    no = f"this is no {wanted.name}"
    if not text.strip():
        raise NumberMistake("nothing is written here", like, code="nothing_written")
    if len(text) > number_with_doubt.LONGEST:
        raise NumberMistake(no, like, code="no_number")
    _refuse_commas(text)
    if wanted in (PACE, TIME, WORK_INDEX):
        return _not_money(text, wanted, no, like)
    plain, currency, per = _parted(text, no, like)
    found = number_with_doubt.parse(plain, units.PLAIN)
    return _money(found, 1 / _scale(per, wanted, no, like), text, currency, per)


def _not_money(text: str, wanted: Dimension, no: str, like: str) -> Number:
    plain, unit, per = _parted(text, no, like, _PER)
    found = number_with_doubt.parse(plain, units.PLAIN)
    if wanted is TIME:
        scale = _TIMES.get(_singular(unit), 0.0) if not per else 0.0
    elif wanted is PACE:
        scale = _mass(unit, no, like) / _TIMES.get(_singular(per), math.inf)
    else:
        scale = _ENERGIES.get(unit.casefold(), 0.0) / _mass(per, no, like)
    if scale <= 0:
        raise NumberMistake(no, like, code="no_number")
    return _scaled(found, scale, text)


def _parted(text: str, no: str, like: str, unit: re.Pattern[str] = _UNIT) -> tuple[str, str, str]:
    """Return the text without its units, the currency (or first unit) and what it is for: they must agree."""
    text = text.replace("+/-", "±").replace("+-", "±")
    found = [(one[1], (one["per"] or "").strip()) for one in unit.finditer(text) if one[1] != "to"]
    plain = unit.sub(lambda one: one[0] if one[1] == "to" else " ", text).strip()
    if not found or ("/" in plain and not re.search(r"\d/\d", plain)):
        raise NumberMistake(no, like, code="no_number")
    if len(set(found)) > 1:
        raise NumberMistake(
            "the value and its doubt have different units", "Use one unit for both", code="units_differ"
        )
    return re.sub(r"\s+", " ", plain), *found[0]


def _scale(per: str, wanted: Dimension, no: str, like: str) -> float:
    """Return how much (SI) one of the units is that money is paid for."""
    if wanted is AMOUNT:
        scale = 0.0 if per else 1.0
    elif wanted is WAGE:
        scale = _TIMES.get(_singular(per), 0.0)
    elif wanted is POWER_PRICE:
        scale = _ENERGIES.get(per.casefold(), 0.0)
    else:
        scale = _mass(per, no, like)
    if scale <= 0:
        raise NumberMistake(no, like, code="no_number")
    return scale


def _mass(unit: str, no: str, like: str) -> float:
    try:
        return units.factor(unit, MASS)
    except UnitMistake as wrong:
        raise NumberMistake(no, wrong.remedy if wrong.code == UNIT_AMBIGUOUS else like, code=wrong.code) from None


def _singular(unit: str) -> str:
    name = unit.strip().casefold()
    return name[:-1] if len(name) > 1 and name.endswith("s") else name


def _scaled(found: Number, scale: float, text: str) -> Number:
    low, high = (None if end is None else end * scale for end in (found.low, found.high))
    return replace(found, value=found.value * scale, sd=found.sd * scale, low=low, high=high, text=text)


def _money(found: Number, scale: float, text: str, currency: str, per: str) -> Money:
    scaled = _scaled(found, scale, text)
    return Money(**{one.name: getattr(scaled, one.name) for one in fields(Number)}, currency=currency, per=per)


class MoneyField(Quantity):
    """Makes pydantic read a field as one of this module's dimensions."""

    def _read(self, value: object) -> Number | str:
        if isinstance(value, Number):
            return value
        if isinstance(value, (dict, list)):
            return super()._read(value)
        try:
            return parse("" if value is None else str(value), self.dimension)
        except NumberMistake as wrong:
            raise complaint(wrong.message, wrong.remedy, code=wrong.code) from None

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "quantity": self.dimension.name, "examples": [self.dimension.example]}


def currencies(found: Mapping[Any, Money]) -> list[str]:
    """Return the currencies used, in their order."""
    return list(dict.fromkeys(one.currency for one in found.values()))
