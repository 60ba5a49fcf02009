"""How much gold does the coarse fraction hold, and how much of it is in sight?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.feed import assayed_sieves
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.steps import kind_that
from flowsheet.steps.base import Step, Values, evaluate
from flowsheet.study.common.units_out import Names, g_per_t, in_units, millimetres, told_apart

STANDARD = (0.045, 0.0224, 0.0112, 0.0056, 0.0028)
"""Openings (m) of ISO 565 R20/3 that are told besides the sheet's own, unless sieves of the ore were assayed."""


COARSE: Names = {"opening": ("opening_mm", millimetres), "grade": ("grade_g_per_t", g_per_t)}
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Coarse:
    """The feed above one ``opening`` (m), parted without error; shares are of the whole feed, ``grade`` is kg/kg."""

    opening: float
    mass_share: float
    gold_share: float
    grade: float
    #: Gold on rocks that looking over all of this fraction would pick, of all the gold fed.
    in_sight_share: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, COARSE)


def coarse(solution: Solution) -> list[Coarse]:
    """Return the coarse fraction at every opening of the sheet and a few standard ones, coarsest first."""
    model = solution.model
    if not model.grid.sized:
        return []
    feed = Material.total(solution.streams[name] for name in model.sheet.ores)
    rock = feed.rock_by_size
    gold = feed.free + feed.locked_by_host
    if model.metal_counts:  # rock makes room for the metal, as in ``streams.weight``
        metal = gold / solution.inputs.site.fineness
        rock = rock * max(1 - float(metal.sum() / rock.sum()), 0.0) + metal
    seen = in_sight(feed, solution)
    return [_row(model, opening, rock, gold, seen) for opening in openings(model)]


def openings(model: Model) -> list[float]:
    """Return the openings (m) to tell of, coarsest first: all that the sheet names, those of given shares too."""
    top = model.grid.upper[0]
    named = model.sheet.openings | set(model.sheet.sieves)
    # Where sieves were assayed, what they say is told, and nothing between them.
    own = assayed_sieves(model.sheet.ores.values())
    named |= {size for size in own or STANDARD if size < top}
    return sorted({told_apart(size): size for size in sorted(named)}.values(), reverse=True)


def _row(model: Model, opening: float, rock: Array, gold: Array, seen: Array) -> Coarse:
    above = model.grid.coarser(opening)
    mass, held = float(rock[:above].sum()), float(gold[:above].sum())
    all_rock, all_gold = float(rock.sum()), float(gold.sum())
    return Coarse(
        opening=told_apart(opening),
        mass_share=mass / all_rock,
        gold_share=held / all_gold if all_gold else 0.0,
        grade=held / mass if mass else 0.0,
        in_sight_share=float(seen[:above].sum()) / all_gold if all_gold else 0.0,
    )


def in_sight(feed: Material, solution: Solution) -> Array:
    """Return the gold (kg) that looking over each class of ``feed`` would pick, (S,); none if grains are unknown."""
    if not solution.model.grains_known:
        return np.zeros(len(solution.model.grid))
    step, values = _looker(solution)
    picked = feed * step.model(feed, values, solution.inputs.site).shares[step.ports[0].name]
    return np.asarray(picked.free + picked.locked_by_host)


def _looker(solution: Solution) -> tuple[Step, Values]:
    """Return the sheet's own step that looks rocks over, or one as it would be by default."""
    for name in solution.model.sheet.steps:
        step = solution.model.step(name)
        if step.looks_over:
            return step, solution.inputs.values[name]
    kind = kind_that("looks_over")
    gives = {port.name: port.name for port in kind.ports}
    plain = kind.model_validate({"do": kind.kind, "takes": "ore", "gives": gives})
    return plain, evaluate(plain, lambda number: np.asarray(number.value))
