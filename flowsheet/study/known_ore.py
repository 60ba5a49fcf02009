"""What the weights say of the ore that the tests came from: its grade, and how much of its gold is coarse.

The balance tells what the tests held, within the doubt of the weights; the luck of grains, read backwards (``pile``),
tells what ores would give that. Where the weights tell, the sheet's guess of the grade is not used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.solve.propagate import Solution
from flowsheet.steps.screen import Screen
from flowsheet.study.pile import Known, from_test, share_of
from flowsheet.study.reconciled import Balanced, Reconciled


@dataclass(frozen=True)
class KnownOre:
    """Confidence distributions of the head grade (kg/kg), and of the coarse fraction's share of the gold."""

    grade: Known
    #: Rock that was tested, kg, and the gold (kg) that the balance finds in it, with the doubt of the weights.
    rock: float
    gold: float
    gold_sd: float
    #: Opening (mm) of a screen that the ore goes over → share of the gold that stays on it.
    coarse: Mapping[float, Known]


PARTS = 3
"""Grain sizes that stand for a class: with one, the law of a few large grains comes in lumps that no ore has."""


def of_stream(grid: Grid, fineness: Array, cluster: float, by_grain: Array, found: float, sd: float) -> Known:
    """Return what ``found`` ± ``sd`` kg of gold say of the amount to be expected of a stream.

    ``by_grain`` (S,): the gold in each grain class as the sheet has it, of which only the proportions count.
    """
    mass = cluster * grains.masses_within(grid, fineness, PARTS)
    return from_test(mass, np.repeat(by_grain, PARTS), found, sd)


def known_ore(solution: Solution, tests: Mapping[str, Reconciled], cluster: float = 1.0) -> KnownOre | None:
    """Return what reconciled tests tell of the ore; None where the balance does not determine what they held.

    ``solution``: the sheet's own solve, for the sizes of the grains; ``cluster``: how many of them lie together.
    """
    ores = solution.model.sheet.ores
    held = [_gold(test, list(ores)) for test in tests.values()]
    told = [one for one in held if one is not None]
    if not told or len(told) < len(held):
        return None
    gold, sd = sum(one[0] for one in told), math.hypot(*(one[1] for one in told))
    rock = sum(sum(test.streams[name].mass_kg for name in ores) for test in tests.values())
    shape = np.sum([solution.streams[name].gold_by_grain for name in ores], axis=0)
    if rock <= 0 or shape.sum() <= 0:
        return None
    amount = _read(solution, cluster, shape, gold, sd)
    return KnownOre(Known(amount.amounts / rock, amount.below), rock, gold, sd, _coarse(solution, tests, cluster))


def _coarse(solution: Solution, tests: Mapping[str, Reconciled], cluster: float) -> dict[float, Known]:
    """Return the coarse share for every screen that takes all of the ore, where both of its streams are determined."""
    sheet, found = solution.model.sheet, {}
    for step in sheet.steps.values():
        if not isinstance(step, Screen) or step.opening is None or set(step.takes) != set(sheet.ores):
            continue
        parts = []
        for outlet in ("oversize", "undersize"):
            stream = step.outlets[outlet]
            held = [_gold(test, [stream]) for test in tests.values()]
            told = [one for one in held if one is not None]
            shape = solution.streams[stream].gold_by_grain
            if len(told) == len(held) and shape.sum() > 0:
                gold, sd = sum(h[0] for h in told), math.hypot(*(h[1] for h in told))
                parts.append(_read(solution, cluster, shape, gold, sd))
        if len(parts) == 2:
            found[round(1e3 * step.opening.value, 9)] = share_of(parts[0], parts[1])
    return found


def _read(solution: Solution, cluster: float, shape: Array, gold: float, sd: float) -> Known:
    model = solution.model
    fineness = np.asarray(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    return of_stream(model.grid, fineness, cluster, shape, gold, sd)


def _gold(test: Reconciled, streams: list[str]) -> tuple[float, float] | None:
    """Return gold and standard deviation (kg) of streams together; None where the balance does not determine them."""
    told: list[Balanced] = [test.streams[name] for name in streams]
    if not all(one.gold_determined for one in told):
        return None
    return 1e-3 * sum(one.gold_g for one in told), 1e-3 * math.hypot(*(one.gold_sd_g for one in told))
