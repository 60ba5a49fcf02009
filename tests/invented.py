"""Invented data for fits: a truth drawn from the sheet's own doubt, and what would be weighed of it.

Gold comes grain by grain: of each class a Poisson number of grains ends in each end stream.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with, limits

WASHED = """
ore:
  mass: 12 kg ± 30 g
  grade: 20 g/t ± 6 g/t
  sizes: {top: 4 mm, p80: 2 mm, slope: 0.8}
  heavies: 5 %
  gold: {d50: 0.12 mm ± 0 mm, d95: 0.4 mm ± 0 mm, fineness: 900, cluster: 1}
  tilt: 0 ± 0
steps:
  mill: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm ± 0.03 mm, slack: 0}
  wash:
    do: pan
    takes: powder
    gives: {concentrate: con, tailings: tails}
    d50: 80 um ± 20 um
    r_max: 92 % to 100 %
    light: 2 % ± 0.5 %
    slack: 0
keep: con
"""

SIEVES = (0.18e-3, 0.09e-3)


def measured(stream: str, what: str, value: float, sd: float = 0.0, size: float | None = None, test: str = "",
             ) -> Measurement:  # fmt: skip
    return Measurement(stream, what, value, sd, False, size, test=test)


def truth_of(sheet: Sheet, rng: np.random.Generator) -> dict[str, float]:
    """Draw every doubtful number from its prior, within its bounds."""
    bounds = limits(sheet)
    found = {}
    for name, number in doubtful(sheet).items():
        value = np.inf
        while not bounds[name][0] <= value <= bounds[name][1]:
            value = rng.uniform(*bounds[name]) if number.low is not None else rng.normal(number.value, number.sd)
        found[name] = value
    return found


def solved_at(sheet: Sheet, truth: dict[str, float], sizes: tuple[float, ...] = ()) -> Any:
    """Solve a sheet with its doubtful numbers at ``truth``, else as stated; one draw."""
    model = Model.of(sheet, sizes)
    stated = {name: number.value for name, number in doubtful(sheet).items()}
    values = {name: np.array([value]) for name, value in {**stated, **truth}.items()}
    return solve(model, inputs_with(model, values, 1))


def first(array: Any) -> float:
    """Return the first draw of an array that may have none."""
    return float(np.ravel(array)[0])


def grains_in(solution: Any, streams: tuple[str, ...], rng: np.random.Generator) -> tuple[dict[str, Any], Any]:
    """Return how many grains of each class came to lie in each of the (end) streams, and what one weighs."""
    fineness = float(np.max(solution.inputs.site.fineness))
    each = grains.grain_mass(solution.model.grid.size, np.array(fineness))
    gold = {name: np.atleast_2d(solution.streams[name].gold_by_grain)[0] for name in streams}
    expected = {name: np.maximum(amount, 0.0) / each for name, amount in gold.items()}
    return {name: rng.poisson(number) for name, number in expected.items()}, each


def washed_data(sheet: Sheet, truth: dict[str, float], rng: np.random.Generator) -> list[Measurement]:
    """Weigh, assay, sieve and count what WASHED gives."""
    solution = solved_at(sheet, truth, SIEVES)
    counts, each = grains_in(solution, ("con", "tails"), rng)
    mass = {name: first(solution.streams[name].solids) for name in counts}
    gold = {name: float(number @ each) for name, number in counts.items()}
    powder, grid = np.atleast_2d(solution.streams["powder"].rock_by_size)[0], solution.model.grid

    def noisy(stream: str, what: str, value: float, sd: float, size: float | None = None) -> Measurement:
        return measured(stream, what, float(rng.normal(value, sd)), sd, size)

    return [
        noisy("con", "mass", mass["con"], 1e-3),
        noisy("tails", "mass", mass["tails"], 5e-3),
        noisy("con", "gold", gold["con"], 1e-6),
        noisy("tails", "grade", gold["tails"] / mass["tails"], 1.5e-7),
        *(noisy("powder", "passing", powder[grid.coarser(s) :].sum() / powder.sum(), 0.01, s) for s in SIEVES),
        measured("tails", "grains", float(counts["tails"][: grid.coarser(SIEVES[0])].sum()), size=SIEVES[0]),
    ]
