"""A fit as tables, on the terminal, and as plain data."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from flowsheet.show.estimate.fit_words import Profiles, answers, between, told, unit_of
from flowsheet.show.text.figures import sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import RULES, console
from flowsheet.spec.blocks.measurement import GRAINS
from flowsheet.spec.text.notes import texts
from flowsheet.study.estimate.fit import Checked, Fitted, Parameter


def parameters(found: Fitted) -> Grid:
    """Return every number that was fitted: before, after, its interval, and how much the weights told."""
    columns = (
        Column("Number"),
        Column("Before", str),
        Column("Fitted", str),
        Column("90 % interval", str),
        Column("Weights told", str),
    )
    rows = []
    for one in found.own:
        number = one.unknown.number
        fitted = number.rewritten(one.value, one.sd).text
        rows.append((one.name, number.text, fitted, between(one, one.low, one.high), told(one)))
    title = "Numbers of the sheet (±: one standard deviation; told: share of the doubt's variance that went)"
    return Grid("fitted", title, columns, rows)


def intervals(found: Fitted, profiles: Profiles) -> Grid:
    """Return every interval by the normal law, and by fitting all other numbers again."""
    columns = (
        Column("Number"),
        Column("90 % interval", str),
        Column("By profile", str),
        Column("Which ends at"),
    )
    rows = []
    for one in (one for one in found.own if one.name in profiles):
        mine = profiles[one.name]
        stops = [end for end, at in (("lower", mine.low_at_bound), ("upper", mine.high_at_bound)) if at]
        bounds = f"its {' and '.join(stops)} bound" if stops else ""
        rows.append((one.name, between(one, one.low, one.high), between(one, mine.low, mine.high), bounds))
    return Grid("intervals", "Intervals, with all other numbers fitted again at each value", columns, rows)


def measurements(found: Fitted) -> Grid:
    """Return what was weighed beside what the fitted sheet makes of it."""
    columns = (
        Column("Test"),
        Column("Stream"),
        Column("What"),
        Column("Weighed", _four),
        Column("Fitted", _four),
        Column("Doubt", _two),
        Column("Doubt is"),
        Column("Luck of grains", _two),
        Column("Off by, sd", _off),
    )
    rows = []
    for c in found.checked:
        m = c.measurement
        unit, scale = unit_of(m)
        what = f"{m.label}, {unit}" if unit else m.label
        source = "counted" if m.what == GRAINS else "assumed" if m.assumed else "given"
        rows.append((m.test, m.stream, what, m.value / scale, c.fitted / scale, c.sd / scale, source,
                     c.luck_sd / scale, c.normalised))  # fmt: skip
    first = 0 if any(m.measurement.test for m in found.checked) else 1
    return Grid("misfit", "What was weighed, and what the fitted sheet makes of it", columns[first:],
                [row[first:] for row in rows])  # fmt: skip


def grids(found: Fitted, profiles: Profiles | None) -> list[Grid]:
    """Return all tables of a fit."""
    return [parameters(found), *([intervals(found, profiles)] if profiles else []), measurements(found)]


def _two(value: float) -> str:
    return "–" if value == 0 else sig(value, 2)


def _four(value: float) -> str:
    return sig(value, 4)


def _off(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def show_fitted(title: str, found: Fitted, profiles: Profiles | None, written: Path) -> None:
    """Print what was fitted, the misfit, the answers, and where the fitted sheet lies."""
    out = console()
    out.print(title, style="bold")
    for grid in grids(found, profiles):
        out.print(grid.title, style="bold")
        out.print(grid.rich())
    for question, answer in answers(found, profiles):
        out.print(question, style="bold")
        out.print(f"{answer}\n")
    for note in texts(found.sheet.notes):
        out.print(f"Note: {note}")
    out.print(f'The fitted sheet is {written}. Run it as any other: flowsheet run "{written}"')
    out.print(RULES)


def as_dict(found: Fitted, profiles: Profiles | None) -> dict[str, Any]:
    """Return plain data for JSON, numbers in SI."""
    feeds = [one for one in found.parameters if one.unknown.test is not None]
    return {
        "parameters": {one.name: _parameter(one, profiles) for one in found.own},
        "feeds": {one.unknown.label: {"mass_kg": one.value, "sd_kg": one.sd} for one in feeds},
        "measurements": [_checked(c) for c in found.checked],
        "chi2": {"value": found.chi2, "dof": found.dof, "p": found.p},
        "not_told_apart": [
            {"names": list(t.names), "signs": list(t.signs), "correlation": t.correlation} for t in found.tangles
        ],
        "would_tell": [
            {"names": list(a.names), "stream": a.stream or None, "what": a.what or None,
             "size_mm": None if a.size is None else 1e3 * a.size, "takes": a.takes}
            for a in found.advice
        ],
        "settled": found.settled,
        "notes": texts(found.sheet.notes),
    }  # fmt: skip


def _parameter(one: Parameter, profiles: Profiles | None) -> dict[str, Any]:
    number = one.unknown.number
    found = {
        "before": {"value": number.value, "sd": number.sd, "even": one.unknown.even, "text": number.text},
        "after": {"value": one.value, "sd": one.sd, "p5": one.low, "p95": one.high,
                  "text": number.rewritten(one.value, one.sd).text},
        "told": one.told,
        "stated": one.unknown.stated or None,
        "informed": one.informed,
        "at_bound": one.bound or None,
        "jumps": one.jumps,
    }  # fmt: skip
    if profiles and one.name in profiles:
        mine = profiles[one.name]
        found["profile"] = {"low": mine.low, "high": mine.high, "low_at_bound": mine.low_at_bound,
                            "high_at_bound": mine.high_at_bound}  # fmt: skip
    return found


def _checked(c: Checked) -> dict[str, Any]:
    m = c.measurement
    return {
        "test": m.test, "stream": m.stream, "what": m.what, "size_mm": None if m.size is None else 1e3 * m.size,
        "weighed": m.value, "sd": c.sd, "assumed": m.assumed, "luck_sd": c.luck_sd, "fitted": c.fitted,
        "normalised": c.normalised, "suspicion": _number(c.suspicion), "without": _number(c.without),
    }  # fmt: skip


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
