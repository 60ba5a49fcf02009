"""How sure a run's answers are: intervals from the sheet's doubts, its weights, and the luck of grains."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.common.coarse_fraction import openings
from flowsheet.study.common.interval import Interval, share, together
from flowsheet.study.common.monte_carlo import DRAWS
from flowsheet.study.common.units_out import each, g_per_t, grams, millimetres, told_apart
from flowsheet.study.estimate.corrected_draws import CorrectedDraws, as_written, gather
from flowsheet.study.estimate.next_sack import NextSack, next_sack

if TYPE_CHECKING:
    from flowsheet.study.balance.believed_weights import Doubted
    from flowsheet.study.estimate.another_sack import PileTold
    from flowsheet.study.estimate.ore_from_weights import KnownOre
    from flowsheet.study.estimate.this_test import ThisTest

SEED = 1
KEPT, COARSE = 1, 2
"""Which answer chance plays in."""


@dataclass(frozen=True)
class AsWritten:
    """What would be told with every weight as it is written, those that contradict others too; kg, kg/kg, a share."""

    #: Of each test that has any, the weights of which one is wrong.
    doubted: tuple[Doubted, ...]
    #: None of a pile, whose grade several tests tell by the weights that are believed.
    head_grade: Interval | None
    held: Interval
    kept_share: Interval | None

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "suspects": [asdict(one) for one in self.doubted],
            "head_grade_g_per_t": each(asdict(self.head_grade), g_per_t) if self.head_grade is not None else None,
            "gold_g": each(asdict(self.held), grams),
            "kept_share": asdict(self.kept_share) if self.kept_share is not None else None,
        }


@dataclass(frozen=True)
class Confidence:
    """Intervals that hold the truth nine times in ten: kg, kg/kg, shares of all gold fed.

    A run has these alone; ``chance`` tells more of the same draws, so that its result is one of these too.
    """

    head_grade: Interval
    kept: Interval
    kept_share: Interval
    #: Opening (m) → share of the gold in rock above it.
    coarse: dict[float, Interval]
    #: The openings whose share the weights tell, of the ore; the others are for a sack like this one.
    coarse_weighed: tuple[float, ...]
    #: What the weights told of the grade, None where they did not; and whether the other numbers were fitted to them.
    weighed: KnownOre | None
    fitted: bool
    notes: list[Note]
    #: What the tests held, kept and lost; None where no weight speaks of gold.
    this_test: ThisTest | None
    #: The same with the weights that are doubted as they are written; None where none is.
    with_suspects: AsWritten | None
    #: What several tests tell of their pile together, None for fewer; and how far its sacks differ, relative.
    lot: PileTold | None
    spread: Interval | float | None
    #: The draws that all of this is read from.
    gathered: CorrectedDraws = field(repr=False, compare=False)

    @cached_property
    def another(self) -> NextSack:
        """The law of the next sack."""
        return next_sack(self.gathered, self.kept)

    def intervals(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "head_grade_g_per_t": each(asdict(self.head_grade), g_per_t),
            "kept": {"gold_g": each(asdict(self.kept), grams), "share": asdict(self.kept_share)},
            "coarse": [
                {"opening_mm": millimetres(size), "gold_share": asdict(one), "weighed": size in self.coarse_weighed}
                for size, one in self.coarse.items()
            ],
            **self.rests_on(),
            "notes": texts(self.notes),
        }

    def rests_on(self) -> dict[str, Any]:
        """Return what the answers rest on as plain data: weights or not, what contradicts, how far sacks differ."""
        return {
            "weighed": self.weighed is not None,
            "fitted": self.fitted,
            "with_suspects": self.with_suspects.as_dict() if self.with_suspects is not None else None,
            "spread": asdict(self.spread) if isinstance(self.spread, Interval) else self.spread,
        }


def openings_told(model: Model) -> list[float]:
    """Return the openings (m) that the sheet names itself, or else all that are told of: each takes its time."""
    named = model.sheet.openings | set(model.sheet.sieves)
    told = openings(model)
    own = [size for size in told if any(math.isclose(size, one) for one in named)]
    return own or told


def sure(solution: Solution) -> Confidence | None:
    """Return how sure a solved sheet's answers are; None where it holds no gold."""
    model = solution.model
    if float(solution.fed_gold) <= 0:
        return None
    gathered = gather(solution, DRAWS, SEED, openings_told(model) if model.grid.sized else ())
    found, mass = gathered.found, gathered.found.mass
    fed, mine = gathered.by_grain(list(model.sheet.ores)), gathered.by_grain(model.sheet.keep)
    kept = gathered.told(together(mass, mine, found.kept))
    part = share(mass, mine, fed, gathered.rng_for(KEPT))
    coarse = coarse_shares(gathered, fed)
    told = gathered.weighed.coarse if gathered.weighed is not None else {}
    return Confidence(
        gathered.head_grade,
        kept,
        part,
        coarse,
        tuple(told),
        gathered.weighed,
        gathered.fitted,
        gathered.notes,
        held(gathered),
        with_suspects(gathered),
        gathered.lot,
        gathered.spread,
        gathered,
    )


def coarse_shares(gathered: CorrectedDraws, fed: Array) -> dict[float, Interval]:
    """Return the share of the gold above each opening: of the next sack, or of the ore where weights tell it.

    ``fed`` (E, J): the gold of the ores by grain class.
    """
    grid = gathered.solution.model.grid
    found = {
        told_apart(size): share(gathered.found.mass, above, fed, gathered.rng_for(COARSE, grid.coarser(size)))
        for size, above in gathered.found.above.items()
    }
    told = gathered.weighed.coarse if gathered.weighed is not None else {}
    return {**found, **{told_apart(size): Interval.of_draws(known) for size, known in told.items()}}


def held(gathered: CorrectedDraws) -> ThisTest | None:
    """Return what the tests held; None where no weight speaks of gold."""
    if gathered.weighed is None:
        return None
    from flowsheet.study.estimate.this_test import this_test

    return this_test(gathered.solution.model.sheet, gathered.weighed, cuts(gathered))


def cuts(gathered: CorrectedDraws) -> list[str]:
    """Return the streams at which loops may hold gold for ever."""
    return [caught.stream for caught in gathered.solution.caught]


def with_suspects(gathered: CorrectedDraws) -> AsWritten | None:
    """Return what would be told if weights that contradict others counted as they are written; None where none do."""
    known = as_written(gathered)
    if known is None:
        return None
    from flowsheet.study.estimate.this_test import this_test

    test = this_test(gathered.solution.model.sheet, known, cuts(gathered))
    grade = Interval.of_draws(known.grade) if gathered.lot is None else None
    grade = grade.below() if grade is not None and known.next_to_none else grade
    return AsWritten(gathered.doubted, grade, test.held, test.kept_share)
