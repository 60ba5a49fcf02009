"""The intervals of the program hold the truth as often as they say: invented tests of every cell of the table."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cells import Cell, cells
from repeats import coverage, repeat, table
from scipy import stats

TESTS = int(os.environ.get("FLOWSHEET_COVERAGE_TESTS", "60"))
WANTED, BAND, MEAN_BAND, LEAST_WRONG = 0.90, 0.045, 0.015, 0.85
RARE = 1e-4
"""Chance that honest intervals fail an assertion, each."""
#: With 30 % nuggets that the sheet does not tell of, the ore has a warning in place of its interval.
NUGGETS = {"nuggets_told": 0.75}
ONLY = {"nuggets_untold": ("gold_held", "kept_share")}

RESULTS = Path(__file__).parent / "results"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not any(RESULTS.glob("*.jsonl")),
        reason="no results lie in tests/coverage/results yet: run python -m tests.coverage first",
    ),
]


def band(least: float, most: float, tests: int) -> tuple[float, float]:
    """Return how often truths may be held in so many tests if intervals hold between least and most of them."""
    low, high = stats.binom.ppf(RARE, tests, least), stats.binom.ppf(1 - RARE, tests, most)
    return low / tests, high / tests


@pytest.fixture(scope="module")
def found() -> list[dict[str, Any]]:
    """Return the tests of all cells, worked out where they are lacking, and print their table."""
    lines = repeat(cells(), TESTS)
    print("\n" + table(lines))
    return lines


def test_no_test_fails(found: list[dict[str, Any]]) -> None:
    assert [line for line in found if "failed" in line] == []


def test_every_answer_is_told_in_every_cell(found: list[dict[str, Any]]) -> None:
    """An answer that is never told covers nothing: intervals that are missing may not pass for honest ones."""
    told = {(row.cell, row.answer) for row in coverage(found)}
    answers = ("gold_held", "kept_share", "lost_tails", "lost_cupel_loss", "coarse_share", "ore_grade", "next_sack")
    wanted = {(cell.name, answer) for cell in cells() for answer in answers}
    # Without sizes there is no coarse share; of a bead of nought no kept share is told.
    wanted -= {(cell.name, "coarse_share") for cell in cells() if cell.case == "factors"}
    wanted -= {(cell.name, answer) for cell in cells(["*/bead_nought"]) for answer in ("kept_share", "coarse_share")}
    assert sorted(wanted - told) == []


@pytest.mark.parametrize("cell", cells(["*/right"]), ids=lambda cell: cell.name)
def test_ninety_of_a_hundred_where_the_sheet_is_right(cell: Cell, found: list[dict[str, Any]]) -> None:
    rows = [row for row in coverage(found) if row.cell == cell.name]
    assert rows
    for row in rows:
        least, most = band(WANTED - BAND, WANTED + BAND, row.tests)
        assert least <= row.share <= most, row


def test_the_mean_over_the_cells_of_each_answer(found: list[dict[str, Any]]) -> None:
    right = [row for row in coverage(found) if row.cell.endswith("/right")]
    assert right
    for answer in {row.answer for row in right}:
        rows = [row for row in right if row.answer == answer]
        tests = sum(row.tests for row in rows)
        least, most = band(WANTED - MEAN_BAND, WANTED + MEAN_BAND, tests)
        assert least <= np.average([row.share for row in rows], weights=[row.tests for row in rows]) <= most, answer


@pytest.mark.parametrize("cell", [cell for cell in cells() if cell.case != "right"], ids=lambda cell: cell.name)
def test_most_are_held_where_the_sheet_is_wrong(cell: Cell, found: list[dict[str, Any]]) -> None:
    rows = [row for row in coverage(found) if row.cell == cell.name]
    assert rows
    for row in rows:
        if row.answer in ONLY.get(cell.case, (row.answer,)):
            assert row.share >= band(NUGGETS.get(cell.case, LEAST_WRONG), 1.0, row.tests)[0], row
