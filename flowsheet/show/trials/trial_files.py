"""Trials and forecasts written out: tables as CSV, pictures as PNG."""

from __future__ import annotations

from flowsheet.show.graphics.style import png
from flowsheet.show.text.tables import csv_files
from flowsheet.show.trials import forecasts, trial_plots, trial_tables
from flowsheet.study.trials.forecast import Forecasts
from flowsheet.study.trials.trials import Trials


def trial_files(found: Trials) -> dict[str, bytes]:
    """Return the trials as a table, and as a picture where they can be drawn, by the names of their files."""
    files = csv_files([trial_tables.trials(found)])
    if trial_plots.why_no_plot(found) is None:
        files["trials.png"] = png(trial_plots.trials_figure(found))
    return files


def forecast_files(found: Forecasts) -> dict[str, bytes]:
    """Return forecasts as a table with full digits, and as a picture where they can be drawn, by their files' names."""
    files = {"forecasts.csv": forecasts.numbers(found).csv()}
    if trial_plots.why_no_plot(found) is None:
        files["forecasts.png"] = png(trial_plots.forecasts_figure(found))
    return files
