"""From the sacks that were tested to the pile and to another sack of it: the grade by all tests, and how sacks differ.

There is one law of the next sack: doubt of the grade, spread between sacks, and luck of grains. Here are the first two.
"""

from __future__ import annotations

import math
from collections.abc import Sized
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.spec.blocks.pile import SPREAD_DOUBT, TYPICAL_SPREAD
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import Note, note
from flowsheet.study.common.interval import Interval

if TYPE_CHECKING:
    from flowsheet.study.lot.combine_tests import Lot

LEAST = 1e-6
"""The lower end of an interval is taken to be no less than this share of its middle."""
MOST_SPREAD = 3.0
"""As the sheet's own field has it: sacks do not differ by more."""
SPREAD_ASSUMED = "spread_assumed"
ANOTHER, SPREAD = 7, 11
"""What chance plays in."""


class PileTold(Protocol):
    """What several tests together tell of their pile: its grade (kg/kg), and how far its sacks differ."""

    @property
    def grade(self) -> Interval:
        """The grade of all its sacks together, as it is told."""

    @property
    def law(self) -> Interval:
        """The same with a lower end, even where none is told."""

    @property
    def spread(self) -> Interval:
        """How far one sack is off another, relative."""

    @property
    def told(self) -> Sized:
        """The tests that tell of it."""


@dataclass(frozen=True)
class WrittenPile:
    """The same, as ``fit`` wrote it into a sheet."""

    grade: Interval
    spread: Interval
    told: tuple[str, ...]

    @property
    def law(self) -> Interval:
        """The grade of all its sacks together."""
        return self.grade


def tests_of(sheet: Sheet) -> int:
    """Return how many tests a sheet has the weights of."""
    return len({m.test for m in sheet.weighed})


def joined(sheet: Sheet) -> tuple[Lot | None, list[Note]]:
    """Return what several tests together say of their pile, as ``lot`` tells it; None for fewer than two, with notes.

    None too, and a note of why, where they cannot be joined.
    """
    if tests_of(sheet) < 2:
        return None, []
    from flowsheet.study.lot.combine_tests import lot
    from flowsheet.study.lot.ledger import read_ledger

    try:
        found = lot(read_ledger(sheet))
    except SheetError as wrong:
        sentence = "the tests could not be joined ({why}), so the grade is that of their sum."
        return None, [note("tests_not_joined", sentence, why=wrong.mistakes[0].message)]
    return found, [grade_of_the_pile()]


def grade_of_the_pile() -> Note:
    """Return the note that several tests tell the grade together."""
    sentence = "the grade is that of the pile by all tests together (flowsheet lot), with the spread between its sacks."
    return note("grade_of_the_pile", sentence)


def as_the_pile(grade: Array, pile: Interval) -> Array:
    """Return draws of a grade (D,) moved to the law of the ``pile``, each at its rank: what goes with it still does.

    The law is lognormal on each side of the middle, through the 5, 50 and 95 % points.
    """
    from scipy.special import ndtri

    rank = np.empty(len(grade))
    rank[np.argsort(grade, kind="stable")] = np.arange(len(grade))
    return _two_sided(pile, ndtri((rank + 0.5) / len(grade)))


def spread_of(sheet: Sheet, tests: int, lot: PileTold | None) -> Interval | float | None:
    """Return how far sacks differ, relative: as joined tests tell, or as it is taken to be; None: not at all.

    A grade that nobody weighed is the pile's; a sheet that tells of no pile then means the very ore of its sacks.
    """
    if lot is not None:
        return lot.spread
    if sheet.pile is None:
        return typical_spread() if tests else None
    return sheet.pile.spread.value if "spread" in sheet.pile.model_fields_set else typical_spread()


def typical_spread() -> Interval:
    """Return how far sacks differ where nothing tells: lognormal."""
    sd = SPREAD_DOUBT
    off = math.exp(NORMAL_95 * sd)
    mean = TYPICAL_SPREAD * math.exp(sd**2 / 2)
    return Interval(
        mean, mean * math.sqrt(math.expm1(sd**2)), TYPICAL_SPREAD / off, TYPICAL_SPREAD, TYPICAL_SPREAD * off
    )


def another_sack(differ: Interval | float | None, tests: int, draws: int, seed: int) -> Array:
    """Return by how much the gold expected of another sack is off what the tests say, for sacks differ: (draws,).

    Lognormal, with mean one. ``differ``: how far (``spread_of``); an interval is drawn as far as it is known.
    ``tests``: how many tell the grade. A lone sack is itself as far off the pile as another is: the two are apart by
    spread √2.
    """
    apart = 2 if tests == 1 else 1
    if isinstance(differ, Interval):
        z = np.random.default_rng((seed, SPREAD)).standard_normal(draws)
        return unlike(apart * np.minimum(_two_sided(differ, z), MOST_SPREAD) ** 2, draws, seed)
    if not differ:
        return np.broadcast_to(np.ones(()), draws)
    return unlike(apart * differ**2, draws, seed)


def assumed_spread(sheet: Sheet) -> list[Note]:
    """Say that the spread between sacks is assumed, where the sheet does not tell it."""
    if sheet.pile is not None and "spread" in sheet.pile.model_fields_set:
        return []
    sentence = (
        "sacks are taken to differ by {spread:.0f} % ({low:.0f} to {high:.0f}) besides the luck of their grains "
        "(typical, set your own: pile: {{spread: …}}); a second test would tell."
    )
    told = typical_spread()
    return [note(SPREAD_ASSUMED, sentence, spread=100 * told.p50, low=100 * told.p5, high=100 * told.p95)]


def unlike(variance: Array | float, draws: int, seed: int) -> Array:
    """Return factors of relative ``variance``, lognormal, by which sacks differ: (draws,); their own mean is one."""
    sigma = np.sqrt(np.log1p(variance))
    rng = np.random.default_rng((seed, ANOTHER))
    found = np.exp(sigma * rng.standard_normal(draws) - sigma**2 / 2)
    return np.asarray(found / found.mean())


def _two_sided(one: Interval, z: Array) -> Array:
    """Return the values of a law at ``z`` standard deviations: lognormal on each side of its middle, (D,)."""
    up, down = math.log(one.p95 / one.p50) / NORMAL_95, math.log(one.p50 / max(one.p5, LEAST * one.p50)) / NORMAL_95
    return np.asarray(one.p50 * np.exp(np.where(z > 0, up, down) * z))
