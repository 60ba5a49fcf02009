"""The head grade of the pile from all of its tests together, and how far another sack of it is off."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import note
from flowsheet.study.common.interval import Interval
from flowsheet.study.estimate.corrected_draws import GRADE_OF_WEIGHTS, CorrectedDraws
from flowsheet.study.estimate.ore_from_weights import TESTS_DIFFER
from flowsheet.study.lot.combine_tests import Lot, lot
from flowsheet.study.lot.ledger import read_ledger

LEAST = 1e-6
"""The lower end of an interval is taken to be no less than this share of its middle."""


def with_pile(sheet: Sheet, gathered: CorrectedDraws, draws: int, seed: int) -> tuple[CorrectedDraws, float | None]:
    """Return the draws with the gold that several tests tell of the pile, and how far its sacks differ (relative sd).

    As they were, and None, where the sheet does not say how many sacks there are, or has fewer than two tests of them.
    """
    if sheet.pile is None or sheet.pile.sacks is None:
        return gathered, None
    joined, found = join_tests(sheet, gathered, draws, seed)
    return joined, found.spread.p50 if found is not None else None


def join_tests(sheet: Sheet, gathered: CorrectedDraws, draws: int, seed: int) -> tuple[CorrectedDraws, Lot | None]:
    """Return the draws with the gold that several tests tell of the pile, and what ``lot`` tells of it.

    As they were, and None, where the sheet tells of no pile or has fewer than two tests of it.
    """
    tests = {m.test for m in sheet.weighed}
    if sheet.pile is None or len(tests) < 2 or gathered.weighed is None:
        return gathered, None
    try:
        found = lot(read_ledger(sheet))
    except SheetError as wrong:
        sentence = "the tests could not be joined ({why}), so the grade is that of their sum."
        apart = note("tests_not_joined", sentence, why=wrong.mistakes[0].message)
        return replace(gathered, notes=[*gathered.notes, apart]), None
    grade = _like(found.grade, draws, seed)
    fed = replace(gathered.found, fed=grade * gathered.found.rock)
    sentence = "the grade is that of the pile by all tests together (flowsheet lot), with the spread between its sacks."
    # What was noted of the tests' sum is not what counts here.
    others = [one for one in gathered.notes if one.code not in (GRADE_OF_WEIGHTS, TESTS_DIFFER)]
    return replace(gathered, found=fed, notes=[*others, note("grade_of_the_pile", sentence)]), found


def another_sack(sheet: Sheet, tests: int, differ: Interval | None, draws: int, seed: int) -> Array:
    """Return by how much the gold expected of another sack is off what the tests say, for sacks differ: (draws,).

    Lognormal, with mean one. ``differ``: the spread where the grade is that of the pile, drawn as far as it is known;
    else it is that of the sheet, and of the mean of ``tests`` sacks another is off by spread √(1 + 1/tests), as in
    ``worth``. One where the sheet tells of no pile.
    """
    given = sheet.pile.spread.value if sheet.pile is not None else 0.0
    off = np.full(draws, given * math.sqrt(1 + 1 / tests) if tests else given)
    if differ is not None:
        off = _like(differ, draws, seed, 11)
    return unlike(off**2, draws, seed)


def unlike(variance: Array | float, draws: int, seed: int) -> Array:
    """Return factors of relative ``variance``, lognormal with mean one, by which sacks differ: (draws,)."""
    sigma = np.sqrt(np.log1p(variance))
    rng = np.random.default_rng((seed, 7))
    return np.asarray(np.exp(sigma * rng.standard_normal(draws) - sigma**2 / 2))


def _like(one: Interval, draws: int, seed: int, stream: int = 9) -> Array:
    """Return draws whose 5, 50 and 95 % points are those of an interval: lognormal on each side of the middle, (D,)."""
    z = np.random.default_rng((seed, stream)).standard_normal(draws)
    up, down = math.log(one.p95 / one.p50) / NORMAL_95, math.log(one.p50 / max(one.p5, LEAST * one.p50)) / NORMAL_95
    return np.asarray(one.p50 * np.exp(np.where(z > 0, up, down) * z))
