"""This test, its ore and the next sack as plain data, by the same names wherever they are told.

Each amount stands as {value, low, high, from}: mean, the ends between which it lies nine times in ten, and what it is
from. Without weights "this test" is a sack as the sheet has it, foretold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.interval import Interval, together
from flowsheet.study.common.units_out import g_per_t, grams, millimetres, told_apart
from flowsheet.study.estimate.confidence import Confidence, openings_told
from flowsheet.study.estimate.corrected_draws import CorrectedDraws
from flowsheet.study.estimate.this_test import SHEET, WEIGHTS, ThisTest, this_test

if TYPE_CHECKING:
    from flowsheet.study.estimate.ore_from_weights import KnownOre
    from flowsheet.study.posterior.estimate import TestDraws

Ranged = dict[str, Any]


def ranged(one: Interval, source: str, unit: Callable[[float], float] = float) -> Ranged:
    """Return an interval as {value, low, high, from}, in the ``unit`` that it is told in."""
    return {"value": unit(one.mean), "low": unit(one.p5), "high": unit(one.p95), "from": source}


def answers(sure: Confidence) -> dict[str, Any]:
    """Return {this_test, tests, ores, ore, next_sack}; ``tests`` only of several, ``ore`` only of a lone one."""
    found: dict[str, Any] = {"this_test": None}
    known = sure.weighed
    if known is None:
        found["this_test"] = _forecast(sure)
    else:
        each = tests_of(sure)
        told = {name: _held(one, replace(known, tests=(test,)), sure.gathered) for name, (one, test) in each.items()}
        found["this_test"] = list(told.values())[-1]
        if len(told) > 1:
            found["tests"] = told
            found["all_tests"] = _held(sure.this_test, known, sure.gathered) if sure.this_test is not None else None
    found["ores"] = {name: {"grade_g_per_t": one} for name, one in _ores(sure).items()}
    if len(found["ores"]) == 1:
        found["ore"] = next(iter(found["ores"].values()))
    found["next_sack"] = sure.another.as_dict()
    return found


def tests_of(sure: Confidence) -> dict[str, tuple[ThisTest, TestDraws]]:
    """Return what each test held by its name, and the draws of it; the last one is "this test"."""
    known, solution = sure.weighed, sure.gathered.solution
    if known is None:
        return {}
    cuts = [one.stream for one in solution.caught]
    return {
        test.name: (this_test(solution.model.sheet, replace(known, tests=(test,)), cuts), test) for test in known.tests
    }


def _held(test: ThisTest, known: KnownOre, gathered: CorrectedDraws) -> dict[str, Any]:
    """Return what one test, or all of ``known`` together, held, kept and lost."""
    sheet = gathered.solution.model.sheet
    rock = sum(one.rock[ore] for one in known.tests for ore in sheet.ores)
    grade = Interval.of_draws(np.asarray(sum(one.fed for one in known.tests)) / rock)
    held = _from(test.streams[ore].gold_from for ore in sheet.ores)
    kept = _from(test.streams[name].gold_from for name in sheet.keep)
    coarse = []
    for size, (share, source) in test.coarse.items():
        mass = _apart(sheet, size, known) if source == WEIGHTS else None
        coarse.append(
            {
                "opening_mm": millimetres(size),
                "mass_share": ranged(mass, WEIGHTS) if mass is not None else _mass_share(size, gathered),
                "gold_share": ranged(share, source),
            }
        )
    return {
        "gold_g": ranged(test.held, held, grams),
        "grade_g_per_t": ranged(grade.below() if known.next_to_none else grade, held, g_per_t),
        "kept_g": ranged(test.kept, kept, grams),
        "kept_share": ranged(test.kept_share, _from((held, kept))) if test.kept_share is not None else None,
        "lost": [
            {"stream": name, "gold_g": ranged(test.streams[name].gold, test.streams[name].gold_from, grams)}
            for name in test.lost
        ],
        "coarse": coarse,
        "effective_grains": test.effective_grains,
    }


def _from(sources: Any) -> str:
    """Return what an amount is from that hangs on several: the weights only if all of these are."""
    return WEIGHTS if all(one == WEIGHTS for one in sources) else SHEET


def _apart(sheet: Sheet, size: float, known: KnownOre) -> Interval | None:
    """Return the share of the rock that lay on the screen of an opening that took all of the ore; None without one."""
    for step in sheet.steps.values():
        at = step.set_size if step.parts_at_size and set(step.takes) == set(sheet.ores) else None
        if at is not None and told_apart(at.value) == told_apart(size):
            above = _sum(test.rock[step.stream(0)] for test in known.tests)
            return Interval.of_shares(above, _sum(test.rock[ore] for test in known.tests for ore in sheet.ores))
    return None


def _sum(parts: Any) -> Array:
    return np.asarray(sum(parts))


def _mass_share(size: float, gathered: CorrectedDraws) -> Ranged | None:
    """Return the share of the rock above an opening (m) by the sheet."""
    told = {told_apart(one): share for one, share in gathered.found.coarser.items()}
    share = told.get(told_apart(size))
    return ranged(Interval.of_draws(share), SHEET) if share is not None else None


def stream_gold(gathered: CorrectedDraws, name: str) -> Interval:
    """Return the gold of one stream in the next sack, kg."""
    found, moments = gathered.found, gathered.found.moments[name]
    return gathered.told(Interval.of_law(found.mass, found.by_grain[name], moments.mean, moments.variance))


def _forecast(sure: Confidence) -> dict[str, Any]:
    """Return what a sack as the sheet has it is foretold to hold, give and lose."""
    gathered = sure.gathered
    found, sheet = gathered.found, gathered.solution.model.sheet
    fed = gathered.by_grain(list(sheet.ores))
    own = {told_apart(size) for size in openings_told(gathered.solution.model)} if sure.coarse else set()
    lost = {name: stream_gold(gathered, name) for name in sheet.ends if name not in (*sheet.keep, *sheet.ores)}
    return {
        "gold_g": ranged(together(found.mass, fed, found.fed), SHEET, grams),
        "grade_g_per_t": ranged(together(found.mass, fed, found.fed, 1 / float(found.rock.mean())), SHEET, g_per_t),
        "kept_g": ranged(sure.kept, SHEET, grams),
        "kept_share": ranged(sure.kept_share, SHEET),
        "lost": [
            {"stream": name, "gold_g": ranged(one, SHEET, grams)}
            for name, one in sorted(lost.items(), key=lambda item: -item[1].mean)
        ],
        "coarse": [
            {
                "opening_mm": millimetres(size),
                "mass_share": _mass_share(size, gathered),
                "gold_share": ranged(share, SHEET),
            }
            for size, share in sure.coarse.items()
            if size in own
        ],
    }


def _ores(sure: Confidence) -> dict[str, Ranged]:
    """Return the grade of each ore, without what one sack differs."""
    gathered, known = sure.gathered, sure.weighed
    ores = gathered.found.ores
    if len(ores) == 1:
        return {name: ranged(sure.head_grade, WEIGHTS if known is not None else SHEET, g_per_t) for name in ores}
    told: dict[str, Ranged] = {}
    for name, (rock, gold) in ores.items():
        grade = Interval.of_draws(gold / np.maximum(rock, 1e-300) / gathered.richer)
        weighed = known is not None and all(name in known.gold_told.get(test.name, ()) for test in known.tests)
        told[name] = ranged(gathered.told(grade), WEIGHTS if weighed else SHEET, g_per_t)
    return told
