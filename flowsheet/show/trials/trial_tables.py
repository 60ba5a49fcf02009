"""Trials as a table."""

from __future__ import annotations

from flowsheet.show.text.tables import Column, Grid, money_cell, more_money, percent_number, sig3, sig4, signed
from flowsheet.study.common.units_out import grams
from flowsheet.study.trials.trials import Trials


def trials(found: Trials) -> Grid:
    """Return the sheet as it stands and every trial."""
    columns = (
        *(Column(name) for name in found.moved),
        Column("Kept, g", sig4),
        Column("Kept, %", percent_number),
        Column("Gained, g", signed),
        *([Column(f"Left, {found.currency}", money_cell)] if found.currency else []),
        *([Column(f"More, {found.currency}", more_money)] if found.currency else []),
        Column("Most lost with"),
        Column("that is, g", sig3),
        Column("and, %", percent_number),
    )
    rows = []
    for trial in (found.base, *found.rows):
        settings = [trial.settings.get(name, "as it is") for name in found.moved]
        worth = (trial.value, trial.value_gain) if found.currency else ()
        rows.append((*settings, grams(trial.kept), trial.kept_share, grams(trial.gain), *worth, trial.worst_stream,
                     grams(trial.worst), trial.worst_share))  # fmt: skip
    return Grid("trials", "Trials", columns, rows)
