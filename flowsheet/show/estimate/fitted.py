"""A fit as tables, on the terminal, and as plain data."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from flowsheet.show.estimate.fit_words import after, answers, before, between, unit_of, verdict
from flowsheet.show.text.figures import sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import RULES, console
from flowsheet.spec.blocks.measurement import GRAINS
from flowsheet.spec.text.notes import texts
from flowsheet.study.estimate.fit import Checked, Fitted, Parameter


def parameters(found: Fitted) -> Grid:
    """Return every number in doubt: before, after, its interval, and whether the weights moved it."""
    columns = (
        Column("Number"),
        Column("Before", str),
        Column("After", str),
        Column("90 % interval", str),
        Column("The weights"),
    )
    rows = [(one.name, before(one), after(one), between(one), verdict(one)) for one in found.parameters]
    return Grid(
        "fitted", "Numbers of the sheet, before and after the weights (±: one standard deviation)", columns, rows
    )


def slacks(found: Fitted) -> Grid:
    """Return how far each step is off what the sheet says of it, before and after."""
    columns = (
        Column("Step"),
        Column("Of"),
        Column("To"),
        Column("Before", str),
        Column("After", str),
        Column("The weights"),
    )
    rows = [
        (one.step, one.side, one.outlet, _odds(one.before, one.before_sd), _odds(one.value, one.sd), verdict(one))
        for one in found.slacks
    ]
    title = "How far steps are off what the sheet says (log odds of an outlet; 0: as the sheet has it)"
    return Grid("slack", title, columns, rows)


def measurements(found: Fitted) -> Grid:
    """Return what was weighed beside what the estimate makes of it."""
    columns = (
        Column("Test"),
        Column("Stream"),
        Column("What"),
        Column("Weighed", _four),
        Column("±", _two),
        Column("± is"),
        Column("Estimate", _four),
        Column("± ", _two),
        Column("Off by, sd", _off),
    )
    rows = []
    for c in found.checked:
        m = c.measurement
        unit, scale = unit_of(m)
        what = f"{m.label}, {unit}" if unit else m.label
        source = "counted" if m.what == GRAINS else "assumed" if m.assumed else "given"
        rows.append(
            (
                m.test,
                m.stream,
                what,
                m.value / scale,
                m.sd / scale,
                source,
                c.fitted / scale,
                c.fitted_sd / scale,
                c.off,
            )
        )
    first = 0 if any(m.measurement.test for m in found.checked) else 1
    return Grid("misfit", "What was weighed, and what the estimate makes of it", columns[first:],
                [row[first:] for row in rows])  # fmt: skip


def grids(found: Fitted) -> list[Grid]:
    """Return all tables of a fit."""
    return [parameters(found), *([slacks(found)] if found.slacks else []), measurements(found)]


def _odds(value: float, sd: float) -> str:
    return f"{value:+.2f} ± {sd:.2f}".replace("-", "−")


def _two(value: float) -> str:
    return "–" if value == 0 else sig(value, 2)


def _four(value: float) -> str:
    return sig(value, 4)


def _off(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def show_fitted(found: Fitted, written: Path) -> None:
    """Print what the weights left of each number, the answers, and where the fitted sheet lies."""
    out = console()
    out.print(found.sheet.title, style="bold")
    for question, answer in answers(found):
        out.print(question, style="bold")
        out.print(f"{answer}\n")
    for grid in grids(found):
        out.print(grid.title, style="bold")
        out.print(grid.rich())
    for note in texts(found.notes):
        out.print(f"Note: {note}")
    out.print(f'The fitted sheet is {written}. Run it as any other: flowsheet run "{written}"')
    out.print(RULES)


def as_dict(found: Fitted) -> dict[str, Any]:
    """Return plain data for JSON, numbers in SI."""
    return {
        "parameters": {one.name: _parameter(one) for one in found.parameters},
        "slack": [asdict(one) for one in found.slacks],
        "measurements": [_checked(c) for c in found.checked],
        "not_told_apart": [{"names": list(t.names), "correlation": t.correlation} for t in found.tied],
        "would_tell": [
            {"names": list(a.names), "stream": a.stream or None, "what": a.what or None,
             "size_mm": None if a.size is None else 1e3 * a.size, "takes": a.takes}
            for a in found.advice
        ],
        "notes": texts(found.notes),
    }  # fmt: skip


def _parameter(one: Parameter) -> dict[str, Any]:
    return {
        "before": {"value": one.before, "sd": one.before_sd, "text": one.number.text},
        "after": {"value": one.value, "sd": one.sd, "p5": one.low, "p95": one.high, "text": after(one)},
        "told": one.told,
        "moved": one.moved,
        "weighed": one.weighed,
    }


def _checked(c: Checked) -> dict[str, Any]:
    m = c.measurement
    return {
        "test": m.test, "stream": m.stream, "what": m.what, "size_mm": None if m.size is None else 1e3 * m.size,
        "weighed": m.value, "sd": m.sd, "assumed": m.assumed,
        "fitted": c.fitted, "fitted_sd": c.fitted_sd, "off": c.off,
    }  # fmt: skip
