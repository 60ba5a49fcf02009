"""Host rock by its density, or by the minerals that it is made of: ``2.65 ± 0.05``, ``quartz + 3 % ± 1 % pyrite``.

Densities are in g/cm3, shares are by mass of the rock without its gold.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import did_you_mean, nearest
from flowsheet.spec.text.number_with_doubt import NONE, Number, NumberMistake
from flowsheet.spec.text.units import PLAIN, SHARE, UNIT_MISSING

#: Density of minerals and rocks, g/cm3. Quartz and galena: textbooks on sampling and on weighing gold in water;
#: all others: handbooks of mineralogy and of rocks, from memory, in the middle of what they give.
MINERALS: dict[str, float] = {
    "quartz": 2.65,
    "feldspar": 2.6,
    "calcite": 2.71,
    "muscovite": 2.8,
    "chlorite": 2.8,
    "dolomite": 2.85,
    "ankerite": 3.0,
    "tourmaline": 3.1,
    "limonite": 3.6,
    "siderite": 3.9,
    "sphalerite": 4.0,
    "chalcopyrite": 4.2,
    "goethite": 4.3,
    "barite": 4.5,
    "stibnite": 4.6,
    "pyrrhotite": 4.6,
    "marcasite": 4.9,
    "tetrahedrite": 4.9,
    "pyrite": 5.0,
    "bornite": 5.1,
    "magnetite": 5.2,
    "hematite": 5.2,
    "scheelite": 6.0,
    "arsenopyrite": 6.1,
    "galena": 7.5,
    "granite": 2.65,
    "slate": 2.75,
    "greenstone": 2.9,
}

HOST = "2.65 ± 0.05"
"""Quartz, with the doubt of a few percent of something denser or of small cavities: typical, set your own."""
HOST_SD = 0.05
"""Doubt (g/cm3) of a density that is given without one: typical, set your own."""
MINERAL_SD = 0.02
"""Doubt (g/cm3) of a named mineral that is the main part of its rock: typical, set your own."""
ROCKS = ("granite", "slate", "greenstone")
"""Names that stand for rocks of many minerals: their density is in doubt no less than that of a host not told."""
SHARE_SD = 1 / 3
"""Doubt of a mineral's share that is given without one, as a part of it: typical of a judgement by eye."""
LIGHTEST, DENSEST = 1.5, 8.0
"""A host's density lies between these (g/cm3): from porous, weathered rock to massive galena."""
LARGEST_SD = 0.2
"""A larger doubt, as a part of the density, is a slip."""

_UNIT = re.compile(r"\s*(?:g\s*/\s*(?:cm3|cm³|cc|ml)|kg\s*/\s*l)\b\.?", re.IGNORECASE)
_KILOGRAMS = re.compile(r"kg\s*/\s*(?:m3|m³)", re.IGNORECASE)
_PART = re.compile(r"(?P<share>[\d.].*?%(?:\s*(?:±|to)\s*[\d.]+\s*%)?)\s*(?:of\s+)?(?P<name>[a-z].*)", re.IGNORECASE)


@dataclass(frozen=True)
class Added:
    """A mineral in the host: its share by mass (a fraction) and its density, g/cm3."""

    name: str
    share: Number
    density: float


@dataclass(frozen=True)
class Host:
    """A host rock: its main part, and the minerals added to it."""

    text: str
    #: Density of the main part, g/cm3, with its doubt.
    base: Number
    added: tuple[Added, ...] = ()
    #: Whether a doubt of it is assumed.
    assumed: bool = False
    #: Whether somebody told it; otherwise it is the usual one.
    given: bool = True

    def volume(self, base: NDArray[np.float64], shares: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
        """Return cm3 per g of rock, for densities of the main part and shares of what is added to it."""
        rest = 1 - sum(shares, np.zeros(()))
        return np.asarray(rest / base + sum((s / a.density for s, a in zip(shares, self.added, strict=True)), 0.0))

    @property
    def density(self) -> float:
        """Return the rock's density as stated, g/cm3."""
        return 1 / float(self.volume(np.asarray(self.base.value), [np.asarray(a.share.value) for a in self.added]))

    @property
    def sd(self) -> float:
        """Return the standard deviation of the rock's density, g/cm3, by first order."""
        rest = 1 - sum(a.share.value for a in self.added)
        parts = [rest / self.base.value**2 * self.base.sd]
        parts += [(1 / a.density - 1 / self.base.value) * a.share.sd for a in self.added]
        return self.density**2 * math.hypot(*parts)


def density(text: str, example: str = HOST) -> Number:
    """Return a density in g/cm3. Raises NumberMistake."""
    if _KILOGRAMS.search(text):
        raise NumberMistake(
            "a density is told in g/cm3 here",
            f"Divide by 1000 and write it as {example}",
            code="density_in_another_unit",
        )
    try:
        found = number_with_doubt.parse(_UNIT.sub("", text), PLAIN)
    except NumberMistake as wrong:
        raise NumberMistake(wrong.message, f"Write a density in g/cm3, as {example}", code=wrong.code) from None
    return replace(found, text=" ".join(text.split()))


def host(text: str) -> Host:
    """Return the host rock that a text tells of. Raises NumberMistake."""
    clean = re.sub(r"\+/-|\+-", "±", " ".join(text.split()))
    if not clean:
        raise NumberMistake(
            "nothing is written here", f'Write a density, as "{HOST}", or "quartz + 3 % pyrite"', code="nothing_written"
        )
    bases: list[tuple[str, Number, bool]] = []
    added: list[Added] = []
    assumed = False
    for part in (part.strip() for part in clean.split("+")):
        if found := _PART.fullmatch(part):
            share, guessed = _share(found["share"])
            added.append(Added(found["name"].casefold(), share, _mineral(found["name"])))
            assumed |= guessed
        else:
            bases.append(_base(part, alone="+" not in clean))
    if len(bases) > 1:
        raise NumberMistake(
            "two parts have no share",
            f'Write how much of one there is: "{bases[0][0]} + 3 % pyrite"',
            code="shares_do_not_sum",
        )
    if sum(one.share.value for one in added) >= 1:
        raise NumberMistake(
            "the shares make 100 % or more",
            "Write the shares of what is in the rock, by mass",
            code="shares_do_not_sum",
        )
    name, base, guessed = bases[0] if bases else _base("quartz", alone=False)
    told = Host(clean if bases else f"{name} + {clean}", base, tuple(added), assumed or guessed)
    _check(told)
    return told


def usual() -> Host:
    """Return the host rock where none is given: its density and its doubt are both assumed."""
    return replace(host(HOST), assumed=True, given=False)


def _base(text: str, alone: bool) -> tuple[str, Number, bool]:
    """Return the main part of a rock: its name, its density, and whether the doubt of it is assumed."""
    if re.match(r"[A-Za-z]", text):
        value = _mineral(text)
        sd = HOST_SD if text.strip().casefold() in ROCKS else MINERAL_SD
        return text, Number(value, sd=sd, text=f"{value:g}"), True
    if (found := re.fullmatch(r"[\d.±\s]+([A-Za-z].*)", text)) and nearest(found[1], MINERALS):
        raise NumberMistake(
            "the share of a mineral needs its %", 'Write it as "quartz + 3 % pyrite"', code=UNIT_MISSING
        )
    number = density(text, HOST if alone else "2.65")
    if number.law != NONE:
        return text, number, False
    return text, replace(number, sd=HOST_SD), True


def _share(text: str) -> tuple[Number, bool]:
    share = number_with_doubt.parse(text, SHARE)
    if not 0 < share.value < 1:
        raise NumberMistake(
            "the share of a mineral lies between 0 and 100 %",
            'Write it as "quartz + 3 % pyrite"',
            code="share_out_of_range",
        )
    if share.law != NONE:
        return share, False
    return replace(share, sd=SHARE_SD * share.value), True


def _mineral(name: str) -> float:
    plain = name.strip().casefold()
    if plain not in MINERALS:
        remedy = did_you_mean(plain, MINERALS, "minerals")
        raise NumberMistake(
            f'no mineral "{name.strip()}" is known here',
            f'{remedy}{" Or" if remedy.endswith("?") else "; or"} write a density, as "{HOST}"',
            code="mineral_unknown",
        )
    return MINERALS[plain]


def _check(told: Host) -> None:
    if not LIGHTEST <= told.density <= DENSEST:
        message = f"no host rock weighs {told.density:.3g} g/cm3"
        raise NumberMistake(
            message,
            f'Write a density between {LIGHTEST:g} and {DENSEST:g} g/cm3, as "{HOST}"',
            code="density_out_of_range",
        )
    if told.base.sd > LARGEST_SD * told.base.value:
        raise NumberMistake(
            "the doubt of the density is too large", f'Write it in g/cm3, as "{HOST}"', code="doubt_too_large"
        )
