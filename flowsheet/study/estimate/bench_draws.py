"""What would a changed sheet have kept of the tests? The draws of the one estimate, solved again with a change.

What the steps really did (slack), and which grains the sacks held and where they went (luck), stay with the bench: each
draw keeps what it kept, and gains what its solve gains with the change. So what a change gains is a difference within
each draw, in which the doubt that both share falls out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import drawn
from flowsheet.study.common.uncertain_inputs import told_numbers

if TYPE_CHECKING:
    from flowsheet.study.posterior.estimate import Posterior


@dataclass(frozen=True)
class ForecastRange:
    """The mean of the draws, and the interval that holds the truth nine times in ten."""

    value: float
    p5: float
    p95: float

    @classmethod
    def of(cls, values: Array) -> ForecastRange:
        """Read ``values`` (D,)."""
        one = Interval.of_draws(values)
        return cls(one.mean, one.p5, one.p95)

    def of_one(self, tests: int) -> ForecastRange:
        """Return the same of one test of so many."""
        return ForecastRange(self.value / tests, self.p5 / tests, self.p95 / tests)


@dataclass(frozen=True)
class BenchDraws:
    """What the tests of an estimate held and kept (kg, (D,)), and what a solve of its draws keeps and holds."""

    sheet: Sheet
    values: Mapping[str, Array]
    held: Array
    kept: Array
    solved_kept: Array
    solved_held: Array
    #: How many tests that is of.
    tests: int

    @classmethod
    def of(cls, found: Posterior, openings: Iterable[float], every: int = 1) -> BenchDraws:
        """Return the draws of an estimate, or one of ``every`` so many; ``openings`` (m) are class limits too."""
        tests = [test for test in found.tests if test.told] or list(found.tests)
        held, kept = (np.asarray(sum(getattr(test, what) for test in tests))[::every] for what in ("fed", "kept"))
        sheet = found.model.sheet
        values = {name: value[::every] if value.ndim else value for name, value in found.values.items()}
        return cls(sheet, values, held, kept, *_solved(sheet, values, openings, len(held)), len(tests))

    def with_change(self, sheet: Sheet, openings: Iterable[float], seed: int) -> Array:
        """Return what the tests would have kept by a changed sheet, (D,): never less than nothing, nor more than all.

        A number that the change sets is as it says: its own doubt, if it has one, is drawn.
        """
        before, rng = told_numbers(self.sheet), np.random.default_rng((seed, 2))
        values = dict(self.values)
        for name, number in told_numbers(sheet).items():
            if name in values and (name not in before or before[name].text != number.text):
                values[name] = draw(number, len(self.held), rng)
        kept, held = _solved(sheet, values, openings, len(self.held))
        # Where the change feeds more gold, the luck of the sack goes with it.
        luck = np.divide(self.held, self.solved_held, out=np.zeros_like(self.held), where=self.solved_held > 0)
        return np.clip(self.kept + luck * (kept - self.solved_kept), 0.0, luck * held)


def luck_of_a_sack(found: Posterior) -> float:
    """Return the luck (kg, one standard deviation) of the gold in one sack: a smaller gain hardly shows."""
    return math.sqrt(float(np.mean([np.median(test.luck) for test in found.tests])))


def _solved(sheet: Sheet, values: Mapping[str, Array], openings: Iterable[float], draws: int) -> tuple[Array, Array]:
    """Return the gold kept and fed (kg) in each draw, (D,)."""
    found = drawn(Model.of(sheet, openings), values, draws)
    return found.kept, found.fed
