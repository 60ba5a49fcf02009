"""What is wished of a sampling plan, read from what was asked: how far off, how sure, how much rock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.units import MASS, SHARE, Dimension
from flowsheet.spec.text.wording import argument

WANT = 0.2
CONFIDENCE = 0.9
LEAST_CHANCE, MOST_CHANCE = 0.5, 0.999
LEAST_WANT, MOST_WANT = 0.001, 2.0


@dataclass(frozen=True)
class Wish:
    """What is asked for: a half width, or the plan for the work of running a mass (kg); with the chance it holds."""

    want: float | None = None
    mass: float | None = None
    confidence: float = CONFIDENCE
    sacks: int | None = None


def wish_of(
    want: str | float | None, mass: str | float | None, confidence: str | float = "90 %", sacks: int | None = None
) -> Wish:
    """Return the wish: ``want`` (how far off the grade may be) or ``mass`` (what can be run), as text or number (SI).

    Raises SheetError, which names each as whoever asks does.
    """
    if want is not None and mass is not None:
        remedy = f"Give {argument('want')} for the least work, or {argument('mass')} for the surest"
        _fail("want", "both a doubt and a mass are given", remedy)
    chance = _number("confidence", confidence, SHARE)
    if not LEAST_CHANCE <= chance <= MOST_CHANCE:
        remedy = f"Write {argument('confidence', '90%')}"
        _fail("confidence", f'read "{confidence}": this lies outside 50 to 99.9 %', remedy)
    wanted = None if mass is not None else WANT if want is None else _number("want", want, SHARE)
    if wanted is not None and not LEAST_WANT <= wanted <= MOST_WANT:
        _fail("want", f'read "{want}": this lies outside 0.1 to 200 %', f"Write {argument('want', '20 %')}")
    return Wish(wanted, None if mass is None else _number("mass", mass, MASS), chance, sacks)


def _number(name: str, given: str | float, wanted: Dimension) -> float:
    if not isinstance(given, str):
        return float(given)
    try:
        return number_with_doubt.parse(given, wanted).value
    except number_with_doubt.NumberMistake as wrong:
        _fail(name, f'read "{given}": {wrong.message}', wrong.remedy, wrong.code)


def _fail(name: str, message: str, remedy: str, code: str = "option_refused") -> NoReturn:
    raise SheetError([Mistake(message, remedy, file=argument(name), code=code)])
