"""What would another setting have kept of this sack? The draws of the one estimate, solved again with a change."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, rebuild
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.common.frames import Tabled, Tables, row
from flowsheet.study.common.units_out import Names, grams, in_units
from flowsheet.study.estimate.bench_draws import BenchDraws, ForecastRange, luck_of_a_sack
from flowsheet.study.estimate.corrected_draws import estimate_of, written_before
from flowsheet.study.estimate.fit import refuse_nothing
from flowsheet.study.estimate.fitted_sheet import refuse_twice
from flowsheet.study.estimate.ore_from_weights import thin

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
    <Forecasts: 1 of wash.passes: 79.7 % kept, 90.1 % at best>
    """

    base: Forecast
    rows: list[Forecast]
    moved: dict[str, list[str]]
    #: Luck (kg, one standard deviation) of the gold in one sack: a smaller gain hardly shows.
    luck: float
    #: How many tests the amounts are of, together.
    tests: int
    notes: tuple[Note, ...]

    def _tables(self) -> Tables:
        return {
            "forecasts": lambda: ({**one.settings, **row(one, FORECAST)} for one in self.rows),
        }

    def _headline(self) -> tuple[str, str]:
        now, *tried = (100 * row.kept_share.value for row in (self.base, *self.rows))
        told = f"{brief(now)} % kept, {brief(max(tried))} % at best"
        return "Forecasts", f"{len(self.rows)} of {', '.join(self.moved)}: {told}"


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
    bench = BenchDraws.of(found, named)
    rows = []
    for i in progress(range(len(sheets))):
        rows.append(_forecast(combinations[i], bench, bench.with_change(sheets[i], named, seed)))
    notes = [*sheet.notes, *notes, *thin(found), *written_before(sheet)]
    return Forecasts(_forecast({}, bench, bench.kept), rows, moved, luck_of_a_sack(found), bench.tests, tuple(notes))


def _forecast(settings: dict[str, str], bench: BenchDraws, kept: Array) -> Forecast:
    held, gain = np.where(bench.held > 0, bench.held, 1.0), kept - bench.kept
    ranges = (ForecastRange.of(kept), ForecastRange.of(kept / held), ForecastRange.of(gain))
    return Forecast(settings, *ranges, float((gain > 0).mean()))
