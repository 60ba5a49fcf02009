"""Trials on the terminal."""

from __future__ import annotations

from flowsheet.show.text.terminal import console, print_table
from flowsheet.show.trials import trial_sentences, trial_tables
from flowsheet.spec.text.notes import texts
from flowsheet.study.trials.trials import Trials


def show_trials(found: Trials) -> None:
    """Print the trials and which of them keeps most."""
    out = console()
    print_table(out, trial_tables.trials(found))
    out.print(trial_sentences.best_trial(found))
    if found.currency:
        out.print(trial_sentences.best_value(found))
    for note in texts(found.notes):
        out.print(f"Note: {note}")
