"""What would another setting have kept of this sack? The draws of the one estimate, solved again with a change.

What the steps really did (slack), and which grains the sack held and where they went (luck), stay with the bench: each
draw keeps what it kept, and gains what its solve gains with the change. So what a change gains is a difference within
each draw, in which the doubt that both share falls out.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw, rebuild
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.common.frames import Tabled, Tables, row
from flowsheet.study.common.monte_carlo import drawn
from flowsheet.study.common.uncertain_inputs import told_numbers
from flowsheet.study.common.units_out import Names, grams, in_units
from flowsheet.study.estimate.corrected_draws import estimate_of, written_before
from flowsheet.study.estimate.fit import refuse_nothing
from flowsheet.study.estimate.fitted_sheet import refuse_twice
from flowsheet.study.estimate.ore_from_weights import thin
from flowsheet.study.posterior.estimate import Posterior

TAILS = (5.0, 95.0)
"""Percentiles that an interval runs between."""


@dataclass(frozen=True)
class ForecastRange:
    """The mean of the draws, and the interval that holds the truth nine times in ten."""

    value: float
    p5: float
    p95: float

    @classmethod
    def of(cls, values: Array) -> ForecastRange:
        """Read ``values`` (D,)."""
        low, high = np.percentile(values, TAILS)
        return cls(float(np.mean(values)), float(low), float(high))


FORECAST: Names = {"kept": ("kept_g", grams), "gain": ("gain_g", grams)}
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Forecast:
    """One combination of settings: gold in kg; shares are of what the tests held, gains over what they kept."""

    settings: dict[str, str]
    kept: ForecastRange
    kept_share: ForecastRange
    gain: ForecastRange
    #: Share of the draws in which it keeps more than was kept.
    better: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, FORECAST)


@dataclass(frozen=True, repr=False)
class Forecasts(Tabled):
    """What the tests kept, and what they would have kept with all that was tried.

    >>> import flowsheet as fs
    >>> fs.forecast("sack3.yaml", {"wash.passes": "2"})
    <Forecasts: 1 of wash.passes: 82.1 % kept, 91.5 % at best>
    """

    base: Forecast
    rows: list[Forecast]
    moved: dict[str, list[str]]
    #: Luck (kg, one standard deviation) of the gold in one sack: a smaller gain hardly shows.
    luck: float
    notes: tuple[Note, ...]

    def _tables(self) -> Tables:
        return {
            "forecasts": lambda: ({**one.settings, **row(one, FORECAST)} for one in self.rows),
        }

    def _headline(self) -> tuple[str, str]:
        now, *tried = (100 * row.kept_share.value for row in (self.base, *self.rows))
        told = f"{brief(now)} % kept, {brief(max(tried))} % at best"
        return "Forecasts", f"{len(self.rows)} of {', '.join(self.moved)}: {told}"


@dataclass(frozen=True)
class _Bench:
    """What the tests of an estimate held and kept (kg, (D,)), and what a solve of its draws keeps and holds."""

    found: Posterior
    held: Array
    kept: Array
    solved_kept: Array
    solved_held: Array

    @classmethod
    def of(cls, found: Posterior, openings: Iterable[float]) -> _Bench:
        tests = [test for test in found.tests if test.told] or list(found.tests)
        held, kept = (np.asarray(sum(getattr(test, what) for test in tests)) for what in ("fed", "kept"))
        return cls(found, held, kept, *_solved(found.model.sheet, found.values, openings, len(held)))

    def with_change(self, sheet: Sheet, openings: Iterable[float], seed: int) -> Array:
        """Return what the tests would have kept by a changed sheet, (D,): never less than nothing, nor more than all.

        A number that the change sets is as it says: its own doubt, if it has one, is drawn.
        """
        before, rng = told_numbers(self.found.model.sheet), np.random.default_rng((seed, 2))
        values = dict(self.found.values)
        for name, number in told_numbers(sheet).items():
            if name in values and (name not in before or before[name].text != number.text):
                values[name] = draw(number, len(self.held), rng)
        kept, held = _solved(sheet, values, openings, len(self.held))
        # Where the change feeds more gold, the luck of the sack goes with it.
        luck = np.divide(self.held, self.solved_held, out=np.zeros_like(self.held), where=self.solved_held > 0)
        return np.clip(self.kept + luck * (kept - self.solved_kept), 0.0, luck * held)


def _solved(sheet: Sheet, values: Mapping[str, Array], openings: Iterable[float], draws: int) -> tuple[Array, Array]:
    """Return the gold kept and fed (kg) in each draw, (D,)."""
    found = drawn(Model.of(sheet, openings), values, draws)
    return found.kept, found.fed


def run_forecasts(
    document: Document,
    moved: dict[str, list[str]],
    seed: int = 1,
    progress: Callable[[Iterable[int]], Iterable[int]] = iter,
) -> Forecasts:
    """Estimate what the tests held, then solve the draws again for every combination of ``moved``.

    Raises SheetError for a setting that is wrong, and where nothing was weighed.
    """
    combinations = [dict(zip(moved, values, strict=True)) for values in itertools.product(*moved.values())]
    sheet = rebuild(document)
    if sheet.fitted is None:
        refuse_twice(document)
        refuse_nothing(sheet)
    sheets = [rebuild(with_settings(document, settings)) for settings in combinations]
    named = sorted(set().union(sheet.openings, *(one.openings for one in sheets)))
    trusted, _, notes = believed(sheet, balanced(sheet))
    found = estimate_of(Model.of(trusted), seed)
    bench = _Bench.of(found, named)
    rows = []
    for i in progress(range(len(sheets))):
        rows.append(_forecast(combinations[i], bench, bench.with_change(sheets[i], named, seed)))
    luck = math.sqrt(float(np.mean([np.median(test.luck) for test in found.tests])))
    notes = [*sheet.notes, *notes, *thin(found), *written_before(sheet)]
    return Forecasts(_forecast({}, bench, bench.kept), rows, moved, luck, tuple(notes))


def _forecast(settings: dict[str, str], bench: _Bench, kept: Array) -> Forecast:
    held, gain = np.where(bench.held > 0, bench.held, 1.0), kept - bench.kept
    ranges = (ForecastRange.of(kept), ForecastRange.of(kept / held), ForecastRange.of(gain))
    return Forecast(settings, *ranges, float((gain > 0).mean()))
