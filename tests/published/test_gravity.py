"""Pan and sluice against published recoveries by size."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from flowsheet.solve.propagate import Solution

SHEET = """
ore: {{mass: 10 kg, grade: 5 g/t, sizes: {{top: 4 mm, p80: 2.5 mm}}, gold: {{d50: 0.3 mm, d95: 3 mm}}}}
sieves: [2.5 mm, 1 mm, 0.1 mm]
steps:
  wash: {{do: {kind}, takes: ore, gives: {{concentrate: con, tailings: tails}}}}
keep: [con]
"""


def recovery(solution: Solution, lower: float, upper: float) -> float:
    """Return the recovery of free gold from ``lower`` to ``upper`` (m), even in log size."""
    grid = solution.model.grid
    by_size = solution.streams["con"].free / solution.streams["ore"].free
    inside = (grid.lower >= lower * (1 - 1e-9)) & (grid.upper <= upper * (1 + 1e-9))
    width = np.log(grid.upper[inside] / grid.lower[inside])
    return float((by_size[inside] * width).sum() / width.sum())


def test_sluice_defaults_meet_the_survey_of_alluvial_sluices(solved: Callable[..., Solution]) -> None:
    # C. J. Mitchell, E. J. Evans & M. T. Styles, A Review of Gold Particle-Size and Recovery Methods, BGS Report
    # WC/97/14 (1997), in a second-hand statement: 2.5 to 1 mm 96 %; below 0.1 mm 80 % is lost; falling between.
    solution = solved(SHEET.format(kind="sluice"))
    assert recovery(solution, 1e-3, 2.5e-3) == pytest.approx(0.96, abs=0.01)
    assert recovery(solution, 0.045e-3, 0.1e-3) == pytest.approx(0.20, abs=0.03)
    by_size = solution.streams["con"].free / solution.streams["ore"].free
    assert np.all(np.diff(by_size) < 0)


def test_a_careful_pan_keeps_most_gold_coarser_than_a_tenth_of_a_millimetre(solved: Callable[..., Solution]) -> None:
    # Common practice, no source.
    solution = solved(SHEET.format(kind="pan"))
    grid = solution.model.grid
    by_size = solution.streams["con"].free / solution.streams["ore"].free
    assert np.all(by_size[grid.lower >= 0.1e-3 * (1 - 1e-9)] > 0.7)
    assert by_size[-1] < 0.2
