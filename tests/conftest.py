"""What the tests share: repeatable random examples, and solving with the balance checked every time."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import sheets
from hypothesis import HealthCheck, settings

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution

# The same examples in every run: what fails on one machine fails on all. Times differ between them, so no deadline.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def model_of() -> Callable[..., Model]:
    """Return a function from a file, or the text of a sheet, to its model."""
    return lambda source, openings=(): Model.of(sheets.sheet_of(source), openings)


@pytest.fixture(scope="session")
def solved() -> Callable[..., Solution]:
    """Return ``sheets.solved``."""
    return sheets.solved
