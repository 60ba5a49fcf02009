"""What would another setting do, given what the weights left in doubt? Trials on draws of the fitted sheet.

Every trial is solved for the same draws, and so is the sheet as fitted: what a change gains is a difference within
each draw, in which the doubt that both share falls out.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw, rebuild
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.common.frames import Tabled, Tables, row
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with
from flowsheet.study.common.units_out import Names, grams, in_units
from flowsheet.study.estimate.fit import Fitted, fit

DRAWS = 300
TAILS = (5.0, 95.0)
"""Percentiles that an interval runs between."""


@dataclass(frozen=True)
class ForecastRange:
    """A value at the best estimate, and the interval that holds it with 90 %."""

    value: float
    p5: float
    p95: float

    @classmethod
    def of(cls, values: Array) -> ForecastRange:
        """Read ``values`` (1 + draws,), the first at the best estimate."""
        low, high = np.percentile(values[1:], TAILS)
        return cls(float(values[0]), float(low), float(high))


FORECAST: Names = {"kept": ("kept_g", grams), "gain": ("gain_g", grams)}
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Forecast:
    """One combination of settings: gold in kg; shares are of all gold fed, the gain is against the sheet as fitted."""

    settings: dict[str, str]
    kept: ForecastRange
    kept_share: ForecastRange
    gain: ForecastRange
    #: Share of the draws in which it keeps more than the sheet as fitted.
    better: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, FORECAST)


@dataclass(frozen=True, repr=False)
class Forecasts(Tabled):
    """The sheet as fitted, and all that was tried on it.

    >>> import flowsheet as fs
    >>> fs.forecast("sack3.yaml", {"wash.passes": "2"})
    <Forecasts: 1 of wash.passes: 87.3 % kept as fitted, 93.9 % at best>
    """

    fitted: Fitted
    base: Forecast
    rows: list[Forecast]
    moved: dict[str, list[str]]

    def _tables(self) -> Tables:
        return {
            "forecasts": lambda: ({**one.settings, **row(one, FORECAST)} for one in self.rows),
        }

    def _headline(self) -> tuple[str, str]:
        now, *tried = (100 * row.kept_share.value for row in (self.base, *self.rows))
        told = f"{brief(now)} % kept as fitted, {brief(max(tried))} % at best"
        return "Forecasts", f"{len(self.rows)} of {', '.join(self.moved)}: {told}"


def run_forecasts(
    document: Document,
    moved: dict[str, list[str]],
    seed: int = 1,
    progress: Callable[[Iterable[int]], Iterable[int]] = iter,
    draws: int = DRAWS,
) -> Forecasts:
    """Fit a sheet, then solve it as it stands and for every combination of ``moved``, for the same draws.

    Raises SheetError for a setting that is wrong, and where there is nothing to fit.
    """
    combinations = [dict(zip(moved, values, strict=True)) for values in itertools.product(*moved.values())]
    sheet = rebuild(document)
    sheets = [rebuild(with_settings(document, settings)) for settings in combinations]
    named = sorted(set().union(sheet.openings, *(one.openings for one in sheets)))
    fitted = fit(sheet, sheet.weighed, seed, named)
    drawn = fitted_draws(fitted, draws, seed)
    kept, share = _kept(sheet, sheet, drawn, named, seed)
    rows = []
    for i in progress(range(len(sheets))):
        rows.append(_forecast(combinations[i], *_kept(sheets[i], sheet, drawn, named, seed), kept))
    return Forecasts(fitted, _forecast({}, kept, share, kept), rows, moved)


def fitted_draws(fitted: Fitted, draws: int, seed: int) -> dict[str, Array]:
    """Return each doubtful number of the sheet as an array (1 + draws,): the best estimate, then draws."""
    sets = np.concatenate([fitted.posterior.mode[None], fitted.posterior.draws(draws, seed)])
    found = {u.name: sets[:, i] for i, u in enumerate(fitted.evidence.unknowns) if u.test is None}
    rng = np.random.default_rng((seed, 1))
    stayed = {u.name: u.number for u in fitted.evidence.jumping}
    return found | {name: np.append(number.value, draw(number, draws, rng)) for name, number in stayed.items()}


def _kept(
    sheet: Sheet, base: Sheet, drawn: Mapping[str, Array], named: Iterable[float], seed: int
) -> tuple[Array, Array]:
    """Return gold kept (kg) and its share for each draw, (1 + draws,).

    A number that a trial sets is as the trial says: its own doubt, if it has one, is drawn.
    """
    before, values = doubtful(base), {}
    stated = _texts(sheet, drawn)
    for name, array in drawn.items():
        if stated.get(name) == before[name].text:
            values[name] = array
    rng = np.random.default_rng((seed, 2))
    count = len(next(iter(drawn.values())))
    for name, number in doubtful(sheet).items():
        if name not in values:
            values[name] = np.append(number.value, draw(number, count - 1, rng))
    model = Model.of(sheet, named)
    solution = solve(model, inputs_with(model, values, count))
    kept, fed = np.broadcast_to(solution.kept_gold, count), np.broadcast_to(solution.fed_gold, count)
    return kept, kept / np.where(fed > 0, fed, 1.0)


def _texts(sheet: Sheet, names: Iterable[str]) -> dict[str, str]:
    """Return how the sheet writes each of the numbers that are still given with doubt."""
    wanted = set(names)
    return {name: number.text for name, number in doubtful(sheet).items() if name in wanted}


def _forecast(settings: dict[str, str], kept: Array, share: Array, base: Array) -> Forecast:
    gain = kept - base
    return Forecast(
        settings, ForecastRange.of(kept), ForecastRange.of(share), ForecastRange.of(gain), float((gain[1:] > 0).mean())
    )
