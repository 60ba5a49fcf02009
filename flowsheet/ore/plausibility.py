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


def odd(name: str, ore: Ore) -> Iterator[Note]:
    """Say what to look at again; nothing is refused."""
    about = Subject(ore=name)
    if ore.grade is not None and ore.grade.value > CONCENTRATE:
        sentence = "{ore}: a grade of {grade} is more than 1 % of gold. Is this a concentrate? If not, check the unit."
        yield note("grade_of_a_concentrate", sentence, about, grade=ore.grade)
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


def coarsest_grain(ore: Ore) -> Number | None:
    """Return the coarsest size (m) than which some of an ore's gold is said to be coarser, None if none is told."""
    if ore.gold is None:
        return None
    if ore.gold.sizes is not None:
        return next((row.sieve for row in ore.gold.sizes if row.passing.value < 1), None)
    return ore.gold.d95
