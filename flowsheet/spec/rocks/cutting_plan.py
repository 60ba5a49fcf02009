"""What a cutting plan is told on the command line: the rock, its band, how the cuts lie, slabs and kerfs."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import Mistake, SheetError, did_you_mean
from flowsheet.spec.text.number_with_doubt import NumberMistake
from flowsheet.spec.text.units import LENGTH
from flowsheet.spec.text.wording import argument

WAYS = {"along": 0.0, "across": 90.0}
MOST = 60
"""Combinations of slab and kerf in one call."""

_SIZES = re.compile(r"\s*[x×]\s*", re.IGNORECASE)
_ANGLE = re.compile(r"(\d+(?:\.\d+)?)\s*(?:°|deg(?:rees?)?)?", re.IGNORECASE)

T = TypeVar("T")


@dataclass(frozen=True)
class CuttingPlan:
    """What is to be cut; lengths in m, the angle between band and cutting plane in degrees."""

    sizes: tuple[float, float, float]
    band: float
    angle: float
    slabs: tuple[float, ...]
    kerfs: tuple[float, ...]


def read(rock: str, band: str, lie: str, slab: str, kerf: str) -> CuttingPlan:
    """Return what the options tell. Raises SheetError with every mistake."""
    mistakes: list[Mistake] = []

    def told(name: str, text: str, how: Callable[[str], T]) -> T | None:
        try:
            return how(text)
        except NumberMistake as wrong:
            mistakes.append(Mistake(wrong.message, wrong.remedy, read=text, file=argument(name), code=wrong.code))
            return None

    sizes, thick, angle = told("rock", rock, _sizes), told("band", band, _length), told("lie", lie, _angle)
    slabs, kerfs = told("slab", slab, _lengths), told("kerf", kerf, _lengths)
    if sizes and thick and thick >= sizes[2]:
        message = f"the band is as thick as the rock ({1e3 * sizes[2]:.3g} mm across the band)"
        remedy = f"Write less, as {argument('band', f'{250 * sizes[2]:.3g}mm')}"
        mistakes.append(Mistake(message, remedy, read=band, file=argument("band"), code="band_too_wide"))
    if slabs and kerfs and len(slabs) * len(kerfs) > MOST:
        message = f"{len(slabs) * len(kerfs)} combinations of slab and kerf"
        remedy = f"Ask for at most {MOST} at once"
        mistakes.append(Mistake(message, remedy, read=slab, file=argument("slab"), code="too_many"))
    if mistakes or not (sizes and thick and slabs and kerfs) or angle is None:
        raise SheetError(mistakes)
    return CuttingPlan(sizes, thick, angle, slabs, kerfs)


def _length(text: str, example: str = "6mm") -> float:
    found = number_with_doubt.parse(text.strip(), LENGTH)
    if found.doubtful:
        raise NumberMistake("one length is wanted, without a doubt", f"Write it as {example}", code="one_value_wanted")
    if found.value <= 0:
        raise NumberMistake("a length above zero is wanted", f"Write it as {example}", code="too_small")
    return found.value


def _lengths(text: str) -> tuple[float, ...]:
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not parts:
        raise NumberMistake(
            "nothing is written here", "Write one length or several, as 3mm,5mm,8mm", code="nothing_written"
        )
    return tuple(dict.fromkeys(_length(part, "3mm") for part in _with_units(parts)))


def _sizes(text: str) -> tuple[float, float, float]:
    found = [_length(part, '"120 x 90 x 70 mm"') for part in _with_units(_SIZES.split(text.strip()))]
    if len(found) == 1:
        return (found[0],) * 3
    if len(found) != 3:
        remedy = 'Write one size, as 120mm, or three, as "120 x 90 x 70 mm": the third is square to the band'
        raise NumberMistake(f"{len(found)} sizes are given", remedy, code="sizes_wanted")
    return found[0], found[1], found[2]


def _with_units(parts: Sequence[str]) -> list[str]:
    """Lend the last one's unit to those that have none: 120 x 90 x 70 mm."""
    unit = re.sub(r"^[\d\s./]+", "", parts[-1])
    return [f"{part} {unit}" if unit and re.fullmatch(r"[\d\s./]+", part) else part for part in parts]


def _angle(text: str) -> float:
    plain = text.strip().casefold()
    if plain in WAYS:
        return WAYS[plain]
    found = _ANGLE.fullmatch(plain)
    if found is None:
        remedy = did_you_mean(plain, WAYS, "ways")
        remedy += ("" if remedy.endswith("?") else ".") + " Or write the degrees between band and cut, as 30"
        raise NumberMistake("neither a way to cut nor an angle", remedy, code="no_way_to_cut")
    if not 0 <= float(found[1]) <= 90:
        message = "the angle between two planes lies between 0 and 90 degrees"
        raise NumberMistake(message, "Write 0 (along) to 90 (across)", code="no_way_to_cut")
    return float(found[1])
