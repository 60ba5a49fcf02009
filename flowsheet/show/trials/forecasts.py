"""Forecasts as tables, in words, on the terminal, and as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from flowsheet.show.run.by_weights import ends, worth_it
from flowsheet.show.text.figures import percent, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console
from flowsheet.spec.text.notes import texts
from flowsheet.spec.text.wording import listed
from flowsheet.study.common.units_out import grams
from flowsheet.study.estimate.bench_draws import ForecastRange
from flowsheet.study.trials.forecast import Forecast, Forecasts


def table(found: Forecasts) -> Grid:
    """Return what was kept and every trial, each with its interval."""
    columns = (
        *(Column(name) for name in found.moved),
        Column("Kept, g", _four),
        Column("5 to 95 %, g", str),
        Column("Kept, %", _percent),
        Column("5 to 95 %", str),
        Column("Gained, g", _signed),
        Column("5 to 95 %, g ", str),
    )
    rows = []
    for one in (found.base, *found.rows):
        settings = [one.settings.get(name, "as it was") for name in found.moved]
        rows.append((*settings, grams(one.kept.value), _range(one.kept, grams(1.0)), one.kept_share.value,
                     _range(one.kept_share, 100.0), grams(one.gain.value), _gains(one)))  # fmt: skip
    title = f"What {of_what(found)} would have kept (5 to 95 % of what the weights leave open)"
    return Grid("forecasts", title, columns, rows)


def of_what(found: Forecasts) -> str:
    """Say of how much the amounts are."""
    return "this sack" if found.tests == 1 else f"these {found.tests} sacks together"


def numbers(found: Forecasts) -> Grid:
    """Return the same as numbers alone, for CSV."""
    heads = [f"{what}{end}" for what in ("Kept, g", "Kept, share", "Gained, g") for end in ("", ", 5 %", ", 95 %")]
    rows = []
    for one in (found.base, *found.rows):
        settings = [one.settings.get(name, "as it was") for name in found.moved]
        ranges = ((one.kept, grams(1.0)), (one.kept_share, 1.0), (one.gain, grams(1.0)))
        ends = (scale * end for r, scale in ranges for end in (r.value, r.p5, r.p95))
        rows.append((*settings, *ends, one.better))
    columns = tuple(Column(head) for head in (*found.moved, *heads, "Better, share of draws"))
    return Grid("forecasts", "What this sack would have kept", columns, rows)


def _range(found: ForecastRange, scale: float) -> str:
    return f"{sig(scale * found.p5, 3)} to {sig(scale * found.p95, 3)}"


def _gains(one: Forecast) -> str:
    return "–" if not one.settings else f"{_signed(grams(one.gain.p5))} to {_signed(grams(one.gain.p95))}"


def _signed(value: float) -> str:
    return "0" if abs(value) < 1e-9 else f"{'+' if value > 0 else '−'}{sig(abs(value))}"


def _four(value: float) -> str:
    return sig(value, 4)


def _percent(share: float) -> str:
    return sig(100 * share, 3)


def best_forecast(found: Forecasts) -> Iterator[str]:
    """Say which trial keeps most, how sure that is, and whether it is worth the trouble."""
    best = max(found.rows, key=lambda one: one.gain.value)
    named = listed([f"{name} = {value}" for name, value in best.settings.items()])
    if best.gain.value <= 0:
        yield "None of these would have kept more: leave it as it is."
    else:
        yield (
            f"Most would have been kept with {named}: {ends(best.gain)} more, and more in "
            f"{percent(best.better)} of what the weights leave possible."
        )
        share = best.gain.value / max(found.base.kept.value / max(found.base.kept_share.value, 1e-300), 1e-300)
        yield worth_it(best.gain.of_one(found.tests), share, found.luck)
    yield (
        "What the steps did, and the luck of this sack, are taken as they were; the next sack has its own "
        "(flowsheet chance tells that)."
    )


def show_forecasts(found: Forecasts) -> None:
    """Print the trials with their intervals, and which of them keeps most."""
    out = console()
    grid = table(found)
    out.print(grid.title, style="bold")
    out.print(grid.rich())
    for line in best_forecast(found):
        out.print(line)
    for note in texts(found.notes):
        out.print(f"Note: {note}")


def as_dict(found: Forecasts) -> dict[str, Any]:
    """Return plain data for JSON."""
    return {
        "base": found.base.as_dict(),
        "trials": [one.as_dict() for one in found.rows],
        "luck_of_a_sack_g": grams(found.luck),
        "notes": texts(found.notes),
    }
