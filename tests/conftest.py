"""What the tests share: repeatable random examples, and solving with the balance checked every time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from checker import check
from hypothesis import HealthCheck, settings
from sheets import sheet_of

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve

# The same examples in every run: what fails on one machine fails on all. Times differ between them, so no deadline.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def model_of() -> Callable[..., Model]:
    """Return a function from a file, or the text of a sheet, to its model."""
    return lambda source, openings=(): Model.of(sheet_of(source), openings)


@pytest.fixture(scope="session")
def solved() -> Callable[..., Solution]:
    """Return a function that solves a file or the text of a sheet (with draws, if asked), and checks its balance."""

    def run(source: str | Path, draws: int | None = None, seed: int = 1, **kwargs: Any) -> Solution:
        model = Model.of(sheet_of(source), **kwargs)
        solution = solve(model) if draws is None else solve(model, model.drawn(draws, seed))
        check(solution)
        assert solution.closure.solids <= 1e-12
        assert solution.closure.gold <= 1e-12
        return solution

    return run
