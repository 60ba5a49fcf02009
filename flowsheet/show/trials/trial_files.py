"""Trials and forecasts written out: tables as CSV, pictures as PNG."""

from __future__ import annotations

from pathlib import Path

from flowsheet.show.run.files import write_csv
from flowsheet.show.trials import forecasts, trial_plots, trial_tables
from flowsheet.study.trials.forecast import Forecasts
from flowsheet.study.trials.trials import Trials


def write_trials(found: Trials, folder: Path) -> list[Path]:
    """Write the trials as CSV, and as a plot where they can be plotted."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [write_csv(trial_tables.trials(found), folder)]
    if trial_plots.why_no_plot(found) is None:
        trial_plots.plot(found, folder / "trials.png")
        written.append(folder / "trials.png")
    return written


def write_forecasts(found: Forecasts, folder: Path) -> list[Path]:
    """Write forecasts as CSV with full digits, and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "forecasts.csv"
    forecasts.numbers(found).write_csv(path)
    return [path]
