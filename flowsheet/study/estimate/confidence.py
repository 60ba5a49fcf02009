"""How sure a run's answers are: intervals from the sheet's doubts, its weights, and the luck of grains."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.common.coarse_fraction import openings
from flowsheet.study.common.interval import Interval, share, together
from flowsheet.study.common.uncertain_inputs import doubtful
from flowsheet.study.common.units_out import each, g_per_t, grams, millimetres, told_apart
from flowsheet.study.estimate.corrected_draws import gather

if TYPE_CHECKING:
    from flowsheet.study.estimate.ore_from_weights import KnownOre

DRAWS = 400
"""Fewer than ``chance`` takes: a run is to answer at once."""
SEED = 1


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

    def intervals(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "head_grade_g_per_t": each(asdict(self.head_grade), g_per_t),
            "kept": {"gold_g": each(asdict(self.kept), grams), "share": asdict(self.kept_share)},
            "coarse": [
                {"opening_mm": millimetres(size), "gold_share": asdict(one), "weighed": size in self.coarse_weighed}
                for size, one in self.coarse.items()
            ],
            "weighed": self.weighed is not None,
            "fitted": self.fitted,
            "notes": texts(self.notes),
        }


def _told(model: Model) -> list[float]:
    """Return the openings (m) that the sheet names itself, or else all that are told of: each takes its time."""
    named = model.sheet.openings | set(model.sheet.sieves)
    told = openings(model)
    own = [size for size in told if any(math.isclose(size, one) for one in named)]
    return own or told


def sure(solution: Solution) -> Confidence | None:
    """Return how sure a solved sheet's answers are; None where it gives neither doubts nor weights, or no gold."""
    model = solution.model
    if not (doubtful(model.sheet) or model.sheet.weighed) or float(solution.fed_gold) <= 0:
        return None
    gathered = gather(solution, DRAWS, SEED, _told(model) if model.grains_known else ())
    found, mass, rng = gathered.found, gathered.found.mass, gathered.rng
    head = Interval.of_draws(found.fed / found.rock)
    if not model.grains_known:
        kept, part = Interval.of_draws(found.kept), Interval.of_shares(found.kept, found.fed)
        return Confidence(head, kept, part, {}, (), gathered.weighed, gathered.fitted, gathered.notes)
    fed, mine = gathered.by_grain(list(model.sheet.ores)), gathered.by_grain(model.sheet.keep)
    coarse = {told_apart(size): share(mass, above, fed, rng) for size, above in found.above.items()}
    told = gathered.weighed.coarse if gathered.weighed is not None else {}
    coarse.update({size: Interval.of_draws(known.draws(rng, DRAWS)) for size, known in told.items()})
    return Confidence(
        head,
        together(mass, mine, found.kept),
        share(mass, mine, fed, rng),
        coarse,
        tuple(told),
        gathered.weighed,
        gathered.fitted,
        gathered.notes,
    )
