"""What a change would have won on the sacks that were tested: by the draws of the estimate, solved again with it.

Changes are ranked by the sheet's own numbers, each solved once; only the best is solved for draws, and for a part of
them, since that is what takes time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flowsheet.ore.arrays import Array
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import Note, note
from flowsheet.spec.text.number_with_doubt import written
from flowsheet.spec.text.units import LENGTH
from flowsheet.study.common import what_if
from flowsheet.study.common.units_out import grams
from flowsheet.study.common.what_if import Variant
from flowsheet.study.estimate.bench_draws import BenchDraws, ForecastRange, luck_of_a_sack
from flowsheet.study.estimate.confidence import SEED, Confidence
from flowsheet.study.posterior.estimate import Posterior
from flowsheet.study.run.screen_options import Finer
from flowsheet.study.run.sensitivity import Improvement, panned_first

DRAWS = 100
"""So many draws are solved again: enough for a gain and its ends to two digits."""


@dataclass(frozen=True)
class Gain:
    """Gold (kg) that a change would have won of one sack, and its part of what a sack held; ``luck`` is that of one."""

    gain: ForecastRange
    share: float
    #: Part of the draws in which it wins anything.
    better: float
    luck: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "gain_g": {"value": grams(self.gain.value), "low": grams(self.gain.p5), "high": grams(self.gain.p95)},
            "gain_share": self.share,
            "better": self.better,
            "luck_of_a_sack_g": grams(self.luck),
        }


@dataclass(frozen=True)
class Gains:
    """What the best change would have won, and the best opening of each screen that is looked over."""

    #: None where nothing wins gold, or what does has no model.
    advice: Gain | None
    #: Screen → its opening (m) that wins most by the sheet's own numbers, and what that would have won.
    finer: Mapping[str, tuple[float, Gain]]
    draws: int

    @property
    def note(self) -> Note:
        """What was done, in a sentence."""
        sentence = (
            "what a change would have won is told by {draws} draws of the estimate, solved again with it: what the "
            "steps did, and the luck of the sack, stay as they were. Changes are ranked by the sheet's own numbers."
        )
        return note("gains_by_draws", sentence, draws=self.draws)

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "advice": self.advice.as_dict() if self.advice is not None else None,
            "finer": {screen: gain.as_dict() for screen, (_, gain) in self.finer.items()},
            "draws": self.draws,
        }


def gains(
    solution: Solution, finer: Sequence[Finer], advice: Sequence[Improvement], sure: Confidence | None
) -> Gains | None:
    """Return what the best changes would have won; None where no weight speaks of gold, or nothing wins any."""
    if sure is None or sure.weighed is None or sure.this_test is None or sure.this_test.held.mean <= 0:
        return None
    found, sheet = sure.weighed.found, solution.model.sheet
    changed: dict[str, tuple[float, Sheet]] = {}
    for screen in dict.fromkeys(row.screen for row in finer):
        rest = [row for row in finer if row.screen == screen][1:]
        best = max(rest, key=lambda row: row.gain, default=None)
        if best is not None and best.gain > 0:
            changed[screen] = best.opening, _opened(sheet, best)
    winner = _advised(solution, advice[0]) if advice else None
    sheets = [*(one for _, one in changed.values()), *([winner] if winner is not None else [])]
    if not sheets:
        return None
    openings = sorted(set().union(sheet.openings, *(one.openings for one in sheets)))
    try:
        bench = BenchDraws.of(found, openings, every_so_many(found))
        luck = luck_of_a_sack(found)
        told = {n: (size, gain_of(bench, one, openings, luck)) for n, (size, one) in changed.items()}
        best_change = gain_of(bench, winner, openings, luck) if winner is not None else None
    except SheetError:  # some draw of it lets nothing out of a loop
        return None
    return Gains(best_change, told, len(bench.held))


def every_so_many(found: Posterior) -> int:
    """Return of how many draws one is solved again."""
    return max(len(found.grade) // DRAWS, 1)


def gain_of(bench: BenchDraws, sheet: Sheet, openings: Sequence[float], luck: float) -> Gain:
    """Return what a changed sheet would have won; ``luck`` (kg) is that of one sack."""
    more: Array = (bench.with_change(sheet, openings, SEED) - bench.kept) / bench.tests
    held = float(bench.held.mean()) / bench.tests
    share = float(more.mean()) / held if held > 0 else 0.0
    return Gain(ForecastRange.of(more), share, float((more > 0).mean()), luck)


def _opened(sheet: Sheet, row: Finer) -> Sheet:
    """Return the sheet with a screen at the opening of a row."""
    step = sheet.steps[row.screen]
    if step.set_size is None:
        raise ValueError(row.screen)
    return Variant(row.screen, (step.set_by,), "", step.set_size, written(row.opening, "mm", LENGTH)).of(sheet)


def _advised(solution: Solution, best: Improvement) -> Sheet | None:
    """Return the sheet with the change that is advised; None where what it wins has no model."""
    for variant in what_if.improvements(solution.model.sheet):
        if variant.name == best.setting and str(variant.new) == best.then:
            return variant.of(solution.model.sheet)
    return panned_first(solution, best)
