"""The ores' own sieve tables shown back: mass, grade and distribution by exactly the sieves that were assayed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from flowsheet.ore.feed import assayed
from flowsheet.ore.grid import SAME
from flowsheet.solve.propagate import Solution
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units, millimetres

SIEVED: Names = {"upper": ("upper_mm", millimetres), "lower": ("lower_mm", millimetres), "mass": ("mass_kg", float),
                 "gold": ("gold_g", grams), "grade": ("grade_g_per_t", g_per_t)}  # fmt: skip
"""Fields of ``SieveAssay`` that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class SieveAssay:
    """What lies between two sieves (m) of an ore's own table: ``mass`` and ``gold`` in kg, ``grade`` in kg/kg.

    Shares are of that ore. Nothing is interpolated: every sieve of the table is the limit of a class.
    """

    ore: str
    #: None above the coarsest sieve.
    upper: float | None
    #: 0 below the finest.
    lower: float
    mass: float
    mass_share: float
    grade: float
    gold: float
    gold_share: float
    #: Whether its grade is the table's; else the rest of the ore's gold is shared out to it.
    assayed: bool

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, SIEVED)


def sieve_assays(solution: Solution) -> list[SieveAssay]:
    """Return the rows of every ore's sieve table that has a grade in it, coarsest first."""
    return [row for name in solution.model.sheet.ores for row in _of(solution, name)]


def _of(solution: Solution, name: str) -> Iterator[SieveAssay]:
    model, material = solution.model, solution.streams[name]
    ore, grid = model.sheet.ores[name], model.grid
    if not isinstance(ore.sizes, list) or not assayed(ore):
        return
    rock, gold = material.rock_by_size, material.free + material.locked_by_host
    all_rock, all_gold = float(rock.sum()), float(gold.sum())
    sieves = [(row.sieve.value if isinstance(row.sieve, Number) else 0.0, row.grade is not None) for row in ore.sizes]
    if sieves[-1][0] > 0:  # what passes the finest sieve
        sieves.append((0.0, False))
    above = math.inf
    for lower, known in sieves:
        inside = (grid.lower >= lower * (1 - SAME)) & (grid.upper <= above * (1 + SAME))
        mass, held = float(rock[inside].sum()), float(gold[inside].sum())
        if mass > 0 or known:
            yield SieveAssay(
                ore=name,
                upper=above if math.isfinite(above) else None,
                lower=lower,
                mass=mass,
                mass_share=mass / all_rock,
                grade=held / mass if mass else 0.0,
                gold=held,
                gold_share=held / all_gold if all_gold else 0.0,
                assayed=known,
            )
        above = lower
