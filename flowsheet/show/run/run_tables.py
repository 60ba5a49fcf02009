"""A run as tables: balance, coarse fraction, finer screens, losses, sizes, weights beside the sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping

from flowsheet.show.text.figures import count, short
from flowsheet.show.text.tables import (
    FATES,
    Column,
    Grid,
    mass_cell,
    percent_number,
    sig3,
    sig4,
    signed,
    signed_percent,
)
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, PICKED, Measurement
from flowsheet.study.common.streams import Stream
from flowsheet.study.common.units_out import g_per_t, grams, milligrams, millimetres
from flowsheet.study.estimate.predicted_weights import foretold, predict
from flowsheet.study.run.losses import REASONS
from flowsheet.study.run.run import Run

A_LITTLE = 0.1
"""Masses below this (kg) are told in grams."""


def balance(run: Run) -> Grid:
    """Return solids and gold of every stream."""
    columns = [
        Column("Stream"),
        Column("Mass, kg", mass_cell, shown="Mass"),
        Column("Gold, g", sig4),
        Column("Grade, g/t", sig3),
        Column("Mass, %", percent_number),
        Column("Gold, %", percent_number),
        Column("Free, %", percent_number),
        Column("Fate"),
    ]
    rows = [
        [n, s.mass, grams(s.gold), g_per_t(s.grade), s.mass_share, s.gold_share, s.free_share, FATES[s.fate]]
        for n, s in run.streams.items()
    ]
    title = "Balance as planned, by the sheet's own numbers" if run.solution.model.sheet.weighed else "Balance"
    return _known(run, Grid("balance", title, tuple(columns), rows), "Free, %")


def _known(run: Run, grid: Grid, *heads: str) -> Grid:
    """Leave out the columns that only a sheet with gold grains can fill."""
    if run.solution.model.grains_known:
        return grid
    kept = [i for i, column in enumerate(grid.columns) if column.head not in heads]
    return Grid(
        grid.name, grid.title, tuple(grid.columns[i] for i in kept), [[row[i] for i in kept] for row in grid.rows]
    )


def weighed(run: Run) -> Grid:
    """Return what was weighed, assayed, sieved and counted beside what the sheet makes of it."""
    measured = run.solution.model.sheet.weighed
    several = len({m.test for m in measured}) > 1
    columns = (
        Column("Stream"),
        Column("What"),
        Column("Weighed", sig4),
        Column("In the sheet", sig4),
        Column("Weighed is more by, %", signed_percent, shown="More by, %"),
        Column("Doubt, %", percent_number),
        Column("Doubt is"),
        *((Column("Test"),) if several else ()),
    )
    rows = []
    for m, ours in zip(measured, predict(run.solution, measured) if measured else (), strict=True):
        told = _foretold(run, m, float(ours))
        unit, scale = _unit(m)
        more = m.value / told - 1 if told else math.nan
        doubt = m.sd / m.value if m.value else math.nan
        source = "counted" if m.what == GRAINS else "assumed" if m.assumed else "given"
        test = (m.test or "sheet",) if several else ()
        rows.append((m.stream, f"{m.label}{unit}", scale * m.value, scale * told, more, doubt, source, *test))
    return Grid("weighed", "Weighed against the sheet", columns, rows)


def _foretold(run: Run, m: Measurement, ours: float) -> float:
    """Return what the sheet makes of a measurement, NaN where it knows too little for that."""
    return ours if foretold(run.solution.model, m) else math.nan


def _unit(m: Measurement) -> tuple[str, float]:
    """Return how a measurement's unit is written behind its name, and the factor from SI to it."""
    if m.what in (MASS, BEAD, PICKED, GOLD):
        large = m.what == MASS and not 0 < m.value < A_LITTLE
        return (", kg", 1.0) if large else (", g", grams(1.0))
    return {GRADE: (", g/t", g_per_t(1.0)), PASSING: (", %", 100.0), GRAINS: ("", 1.0)}[m.what]


def coarse(run: Run) -> Grid:
    """Return the coarse fraction of the feed at each opening."""
    columns = (
        Column("Coarser than, mm", short),
        Column("Mass, %", percent_number),
        Column("Gold, %", percent_number),
        Column("Grade, g/t", sig3),
        Column("Gold in sight, %", percent_number),
    )
    rows = [
        (millimetres(c.opening), c.mass_share, c.gold_share, g_per_t(c.grade), c.in_sight_share) for c in run.coarse
    ]
    title = "The feed above each opening (shares of all rock and of all gold)"
    return _known(run, Grid("coarse", title, columns, rows), "Gold in sight, %")


def sieved(run: Run) -> Grid:
    """Return the ores' own sieve tables, where any row was assayed: mass, grade and distribution by those sieves."""
    several = len(run.solution.model.sheet.ores) > 1
    columns = (
        *((Column("Ore"),) if several else ()),
        Column("Coarser than, mm", short),
        Column("Finer than, mm", _size),
        Column("Mass, kg", sig4),
        Column("Mass, %", percent_number),
        Column("Grade, g/t", sig3),
        Column("Gold, mg", sig4),
        Column("Gold, %", percent_number),
        Column("Grade is"),
    )
    rows = [
        (
            *((one.ore,) if several else ()),
            millimetres(one.lower),
            None if one.upper is None else millimetres(one.upper),
            one.mass,
            one.mass_share,
            g_per_t(one.grade),
            milligrams(one.gold),
            one.gold_share,
            "assayed" if one.assayed else "of the rest",
        )
        for one in run.sieved
    ]
    return Grid("sieved", "The ore by its own sieves (shares of that ore)", columns, rows)


def _size(mm: float | None) -> str:
    return "" if mm is None else short(mm)


def finer(run: Run) -> Grid:
    """Return what each finer screen would bring."""
    columns = (
        Column("Screen"),
        Column("Opening, mm", short),
        Column("Looked over, kg", sig3),
        Column("Rocks", count),
        Column("Gold picked, g", sig3),
        Column("Kept in all, g", sig4),
        Column("Gained, mg", signed),
    )
    rows = [
        (f.screen, millimetres(f.opening), f.looked_over, f.rocks, grams(f.picked), grams(f.kept), milligrams(f.gain))
        for f in run.finer
    ]
    return Grid("finer", "A finer screen before the looking over", columns, rows)


def losses(run: Run) -> Grid:
    """Return every loss and why, in percent of that loss; reasons that no loss has are left out."""
    ranked = (*REASONS[:-1], "unused", REASONS[-1])
    reasons = [reason for reason in ranked if any(loss.reasons[reason] > 0 for loss in run.losses)]
    columns = (
        Column("Lost with"),
        Column("Gold, g", sig3),
        Column("Of all, %", percent_number),
        *(Column(f"{reason.replace('_', ' ').capitalize()}, %", percent_number) for reason in reasons),
    )
    rows = [(loss.stream, grams(loss.gold), loss.share, *(loss.reasons[r] for r in reasons)) for loss in run.losses]
    return Grid("losses", "Where gold is lost, and why (shares of each loss)", columns, rows)


def sizes(streams: Mapping[str, Stream]) -> Grid:
    """Return streams by size class (for CSV: too long for a terminal)."""
    heads = ("Stream", "upper, mm", "lower, mm", "light, kg", "heavy, kg", "free gold, g", "locked gold, g")
    rows = [(name, *row.as_dict().values()) for name, stream in streams.items() for row in stream.sizes]
    return Grid("sizes", "Streams by size", tuple(Column(head) for head in heads), rows)
