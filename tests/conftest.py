"""What the tests share: repeatable random examples, and solving with the balance checked every time."""

from __future__ import annotations

import os

# Before numpy is loaded: as in the program (cli), its threads would only wait for each other, and for other workers'.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import sheets
from commands import Command, Done
from hypothesis import HealthCheck, settings
from tiers import examples

from flowsheet import cli
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution

# The same examples in every run: what fails on one machine fails on all. Times differ between them, so no deadline.
settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,
    max_examples=examples(100),
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
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


@pytest.fixture
def flowsheet(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Command:
    """Return a function that runs a command in this process, in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str | float | Path) -> Done:
        monkeypatch.setattr(sys, "argv", ["flowsheet", *map(str, arguments)])
        with pytest.raises(SystemExit) as done:
            cli.main()
        captured = capsys.readouterr()
        code = done.value.code or 0
        assert isinstance(code, int)
        return Done(code, captured.out, captured.err)

    return command


_TOLD: dict[tuple[str, ...], Done] = {}


@pytest.fixture
def told(flowsheet: Command) -> Command:
    """Return a function that tells what a command answers on a shipped sheet, run once a session: it must not write."""

    def command(*arguments: str | float | Path) -> Done:
        key = tuple(map(str, arguments))
        if key not in _TOLD:
            _TOLD[key] = flowsheet(*arguments)
        return _TOLD[key]

    return command
