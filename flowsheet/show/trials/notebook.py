"""Trials and forecasts in a notebook."""

from __future__ import annotations

from flowsheet.show.graphics.notebook_page import Page, Views, plot
from flowsheet.show.trials import forecasts, trial_plots, trial_sentences, trial_tables
from flowsheet.spec.text.notes import texts
from flowsheet.study.trials.forecast import Forecasts
from flowsheet.study.trials.trials import Trials


def _trials(found: Trials) -> Page:
    drawn = None
    if trial_plots.why_no_plot(found) is None:
        drawn = plot("trials", trial_plots.trials_figure(found, narrow=True), "What is kept as settings move")
    told = (trial_sentences.best_trial(found), *([trial_sentences.best_value(found)] if found.currency else []))
    return Page("Trials", lines=told, pictures=(drawn,), grids=(trial_tables.trials(found),), notes=texts(found.notes))


def _forecasts(found: Forecasts) -> Page:
    grids, lines = (forecasts.table(found),), forecasts.best_forecast(found)
    drawn = None
    if trial_plots.why_no_plot(found) is None:
        drawn = plot("forecasts", trial_plots.forecasts_figure(found), "What settings would have gained, with its ends")
    title = f"What {forecasts.of_what(found)} would have kept"
    return Page(title, lines=lines, pictures=(drawn,), grids=grids, notes=texts(found.notes))


VIEWS: Views = {
    Trials: _trials,
    Forecasts: _forecasts,
}
