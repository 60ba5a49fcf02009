"""The balance: what every stream carries, in SI; as plain data, in the units that people weigh in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.feed import RICH
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.solve.balance import metal_streams
from flowsheet.solve.propagate import Solution
from flowsheet.spec.text.brief import brief, one_line
from flowsheet.spec.text.mistakes import did_you_mean
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units, millimetres

FED, INSIDE, KEPT, LOST = "fed", "inside", "kept", "lost"

STREAM: Names = {"mass": ("mass_kg", float), "gold": ("gold_g", grams), "grade": ("grade_g_per_t", g_per_t),
          "silver": ("silver_g", grams)}  # fmt: skip
"""Fields of a stream that plain data tells by another name, and the unit that it says."""
SIZE: Names = {"upper": ("upper_mm", millimetres), "lower": ("lower_mm", millimetres), "light": ("light_kg", float),
        "heavy": ("heavy_kg", float), "free": ("free_g", grams), "locked": ("locked_g", grams)}  # fmt: skip
"""The same of one of its size classes."""


@dataclass(frozen=True)
class SizeRow:
    """One size class of a stream: rock and free gold by their own size, locked gold by its host's; edges m, rest kg."""

    #: None where no sizes are known.
    upper: float | None
    lower: float
    light: float
    heavy: float
    free: float
    locked: float

    @property
    def rock(self) -> float:
        """Light and heavy rock together, kg."""
        return self.light + self.heavy

    @property
    def gold(self) -> float:
        """Free and locked gold together, kg."""
        return self.free + self.locked

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, SIZE)


@dataclass(frozen=True, repr=False)
class Stream:
    """One stream: ``mass``, ``gold`` and ``silver`` in kg, ``grade`` in kg/kg; shares are of all that is fed."""

    #: What a scale shows.
    mass: float
    gold: float
    grade: float
    mass_share: float
    gold_share: float
    free_share: float
    silver: float
    fate: str
    sizes: tuple[SizeRow, ...]

    def __repr__(self) -> str:
        told = f"{brief(self.mass)} kg, {brief(grams(self.gold))} g gold, {brief(g_per_t(self.grade))} g/t"
        return one_line("Stream", f"{told}, {self.fate}")

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        told = in_units(self, STREAM)
        return {**told, "sizes": [row.as_dict() for row in self.sizes]}


class ByName(dict[str, Stream]):
    """Streams by name; one that is not there is a KeyError that tells the nearest name."""

    def __missing__(self, name: object) -> Stream:
        raise KeyError(f'there is no stream "{name}". {did_you_mean(str(name), self, "streams")}')


def streams(solution: Solution) -> dict[str, Stream]:
    """Return every stream of a plain solve, ores first, in the order of the sheet."""
    sheet = solution.model.sheet
    metal, ends = metal_streams(sheet), set(sheet.ends)
    fed_mass, fed_gold = float(solution.fed_solids + solution.added_solids), float(solution.fed_gold)
    found = ByName()
    for name in (*sheet.ores, *sheet.makers):
        material = solution.streams[name]
        gold = float(material.gold)
        silver = float(solution.silver.streams[name])
        mass = float(weight(solution, name, metal))
        fate = FED if name in sheet.ores else KEPT if name in sheet.keep else LOST if name in ends else INSIDE
        found[name] = Stream(
            mass=mass,
            gold=gold,
            grade=_ratio(gold, mass),
            mass_share=_ratio(mass, fed_mass),
            gold_share=_ratio(gold, fed_gold),
            free_share=_ratio(float(material.free.sum()), gold),
            silver=silver,
            fate=fate,
            sizes=size_rows(solution.model.grid, material),
        )
    return found


def weight(solution: Solution, stream: str, metal: set[str]) -> Array:
    """Return what a scale shows of a stream, kg, (...); ``metal`` names the streams that are metal.

    Gold weighs nothing on the scale that weighs rock, but where a stream is metal, or rich, it does. What an ore weighs
    is said by the sheet: where one is rich, its metal is a part of that, so rock makes room for it in every stream.
    """
    sheet, material = solution.model.sheet, solution.streams[stream]
    if stream in sheet.ores:
        return material.solids
    if not solution.model.metal_counts:
        counts = (material.gold > RICH * material.solids) | (stream in metal)
        return np.asarray(material.solids + np.where(counts, solution.metal(stream), 0.0))
    fed = np.asarray(sum(solution.metal(ore) for ore in sheet.ores))
    room = np.maximum(1 - fed / solution.fed_solids, 0.0)
    return np.asarray(room * material.solids + solution.metal(stream))


def size_rows(grid: Grid, material: Material) -> tuple[SizeRow, ...]:
    """Return a material by size class, coarsest first; one row without sizes where none are known."""
    locked = material.locked_by_host
    return tuple(
        SizeRow(
            upper=float(grid.upper[i]) if grid.sized else None,
            lower=float(grid.lower[i]),
            light=float(material.light[i]),
            heavy=float(material.heavy[i]),
            free=float(material.free[i]),
            locked=float(locked[i]),
        )
        for i in range(len(grid))
    )


def _ratio(part: float, whole: float) -> float:
    return part / whole if np.abs(whole) > 0 else 0.0
