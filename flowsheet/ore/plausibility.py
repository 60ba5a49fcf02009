"""What an ore says of itself that can hardly be meant: a wrong unit, or two numbers that do not fit together."""

from __future__ import annotations

import math
from collections.abc import Iterator

from flowsheet.ore import grains
from flowsheet.ore.feed import top_size
from flowsheet.spec.blocks.schema import Ore
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.number_with_doubt import Number

CONCENTRATE = 0.01
"""A grade above this is hardly one of ore as it is broken."""
NUGGET = 1e-3
"""Grains from this size (m) on are nuggets to whoever washes for gold: typical, no source."""
LOW_FINENESS = 300.0
"""Grains of gold are hardly ever less fine (parts in a thousand): common practice, no source."""
CARATS = 24
NEARLY_ALL = 0.95
NUGGETS_NOT_TOLD = "nuggets_not_told"
"""Code of the note."""


def odd(name: str, ore: Ore) -> Iterator[Note]:
    """Say what to look at again; nothing is refused."""
    about = Subject(ore=name)
    if ore.grade is not None and ore.grade.value > CONCENTRATE:
        sentence = "{ore}: a grade of {grade} is more than 1 % of gold. Is this a concentrate? If not, check the unit."
        yield note("grade_of_a_concentrate", sentence, about, grade=ore.grade)
    if ore.gold is not None and (wrong := low_fineness(ore.gold.fineness)):
        yield note("fineness_too_low", "{ore}: {wrong}", about, fineness=ore.gold.fineness, wrong=wrong)
    if ore.sizes is None:
        return
    top = top_size(ore)
    grain = coarsest_grain(ore)
    if grain is not None and grain.value > top:
        sentence = (
            "{ore}: gold grains coarser than {grain} cannot lie in an ore whose largest piece is {top_mm:.3g} mm. "
            "Check the units of both."
        )
        yield note("grains_larger_than_rock", sentence, about, grain=grain, top_mm=1e3 * top)
    rock = math.pi / 6 * top**3 * grains.QUARTZ
    if ore.mass.value < rock:
        sentence = (
            "{ore}: {mass} is less than one rock of {top_mm:.3g} mm weighs (about {rock_kg:.2g} kg), and that is "
            "said to be its largest piece. Check the mass and the sizes."
        )
        yield note("lighter_than_its_largest_rock", sentence, about, mass=ore.mass, top_mm=1e3 * top, rock_kg=rock)


def low_fineness(told: Number) -> str:
    """Say what is odd about a fineness that hardly any gold has, and what may be meant; "" where nothing is."""
    value = told.value
    if value >= LOW_FINENESS:
        return ""
    message = f"a fineness of {value:.4g} is one of {value / 10:.3g} % gold, which is hardly gold"
    if value <= CARATS:
        return f"{message}. Did you mean {value:.4g} ct, or {10 * value:.4g}?"
    return f"{message}. Did you mean {10 * value:.4g}?" if value <= 100 else f"{message}. Check the number."


def coarsest_grain(ore: Ore) -> Number | None:
    """Return the coarsest size (m) than which some of an ore's gold is said to be coarser, None if none is told."""
    if ore.gold is None:
        return None
    if ore.gold.sizes is not None:
        return next((row.sieve for row in ore.gold.sizes if row.passing.value < 1), None)
    told = [ore.gold.d95] if ore.gold.d95 is not None else []
    if ore.gold.nuggets is not None and ore.gold.nuggets.share.value > 0:
        told.append(ore.gold.nuggets.d50)
    return max(told, key=lambda size: size.value, default=None)


def nuggets_not_told(name: str, ore: Ore) -> Note | None:
    """Say that nuggets, if there are any, lie outside what is told, and what a second sack would tell.

    None where the ore's grains are coarse as they are told, where nuggets are (be it that there are none: a share of
    0 %), or where nothing is known of grains.
    """
    gold = ore.gold
    if gold is None or gold.nuggets is not None:
        return None
    if gold.sizes is not None:
        d95 = next((row.sieve for row in reversed(gold.sizes) if row.passing.value >= NEARLY_ALL), None)
    else:
        d95 = gold.d95
    if d95 is None or d95.value >= NUGGET:
        return None
    sentence = (
        "{ore}: 95 % of the gold is said to lie in grains finer than {d95}. Nuggets, if there are any, lie outside "
        "what is told here, for one sack may hold none of them. A second sack would tell: if the grades of the two "
        "differ by more than the luck that is told, there are nuggets, or the sacks are unlike. Write what you find as "
        "nuggets: {like} under gold, or nuggets: {none} where there are none."
    )
    like, none = "{share: 20 %, d50: 4 mm}", "{share: 0 %, d50: 4 mm}"
    return note(NUGGETS_NOT_TOLD, sentence, Subject(ore=name), d95=d95, like=like, none=none)
