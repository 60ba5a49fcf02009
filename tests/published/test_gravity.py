"""A pan against common practice."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from flowsheet.solve.propagate import Solution

SHEET = """
ore: {mass: 10 kg, grade: 5 g/t, sizes: {top: 4 mm, p80: 2.5 mm}, gold: {d50: 0.3 mm, d95: 3 mm}}
sieves: [2.5 mm, 1 mm, 0.1 mm]
steps:
  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}}
keep: [con]
"""


def test_a_careful_pan_keeps_most_gold_coarser_than_a_tenth_of_a_millimetre(solved: Callable[..., Solution]) -> None:
    # Common practice, no source.
    solution = solved(SHEET)
    grid = solution.model.grid
    by_size = solution.streams["con"].free / solution.streams["ore"].free
    assert np.all(by_size[grid.lower >= 0.1e-3 * (1 - 1e-9)] > 0.7)
    assert by_size[-1] < 0.2
