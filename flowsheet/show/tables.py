"""Results as tables: one description, for the terminal (rich) and for CSV."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flowsheet.show.figures import count, mass, percent, short, sig
from flowsheet.spec.weighing import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, Measurement
from flowsheet.study.losses import REASONS
from flowsheet.study.predict import predict
from flowsheet.study.run import Run
from flowsheet.study.streams import FED, INSIDE, KEPT, LOST
from flowsheet.study.trials import Trials

if TYPE_CHECKING:
    from rich.table import Table

WIDTH = 100
"""Columns of a terminal that every table fits."""

NARROWEST = 80
"""Tables are not squeezed into less: a number that is cut short misleads."""

FAINT = 1e-7
"""Amounts below this (kg, g or g/t) are told as less than it: no scale or assay of the trade sees them."""

A_LITTLE = 0.1
"""Masses below this (kg) are told in grams."""

FATES = {FED: "fed", INSIDE: "goes on", KEPT: "KEPT", LOST: "lost"}

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes text that begins with one of these for a formula, and runs it."""

Form = Callable[[Any], str]


@dataclass(frozen=True)
class Column:
    """One column: its head (with the unit), and how a cell is written; text stands left, numbers right."""

    head: str
    form: Form | None = None
    #: The head on the terminal, where each cell is written with a unit of its own.
    shown: str = ""

    def plain(self, cell: Any) -> Any:
        """Return a cell as a CSV holds it: with full digits, and in what the head says."""
        if isinstance(cell, str):
            return _as_text(cell)
        if not isinstance(cell, float):
            return cell
        return f"{100 * cell if self.form in (_percent_number, _more) else cell:.9g}"


@dataclass(frozen=True)
class Grid:
    """A table before it is shown."""

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Any]]

    def write_csv(self, path: Path) -> None:
        """Write the table with full digits, UTF-8, one row a line; text never as a spreadsheet's formula."""
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow([_as_text(column.head) for column in self.columns])
            writer.writerows(
                [column.plain(cell) for column, cell in zip(self.columns, row, strict=True)] for row in self.rows
            )

    def rich(self) -> Table:
        """Return the table for the terminal, without its title."""
        from rich import box
        from rich.table import Table

        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
        for column in self.columns:
            left = column.form is None
            # The unit stands below, so that numbers leave room for names; a setting's name breaks at its last dot.
            head = column.shown or column.head
            step, dot, name = head.rpartition(".")
            if ", " in head:
                head = head.replace(", ", ",\n")
            else:
                head = f"{step}.\n{name}" if dot and step and name else f"\n{head}"
            table.add_column(head, justify="left" if left else "right", overflow="fold", no_wrap=not left)
        for row in self.rows:
            style = "bold" if FATES[KEPT] in row else ""
            cells = [
                column.form(cell) if column.form else str(cell) for column, cell in zip(self.columns, row, strict=True)
            ]
            table.add_row(*cells, style=style)
        return table


def _as_text(text: str) -> str:
    """Return text with an apostrophe before what a spreadsheet would run; a number stays as it is."""
    if not text.startswith(FORMULA):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def balance(run: Run) -> Grid:
    """Return solids and gold of every stream."""
    columns = [
        Column("Stream"),
        Column("Mass, kg", _mass, shown="Mass"),
        Column("Gold, g", _sig4),
        Column("Grade, g/t", _sig3),
        Column("Mass, %", _percent_number),
        Column("Gold, %", _percent_number),
        Column("Free, %", _percent_number),
        Column("Fate"),
    ]
    rows = [
        [n, s.mass_kg, s.gold_g, s.grade_g_per_t, s.mass_share, s.gold_share, s.free_share, FATES[s.fate]]
        for n, s in run.streams.items()
    ]
    return _known(run, Grid("balance", "Balance", tuple(columns), rows), "Free, %")


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
        Column("Weighed", _sig4),
        Column("In the sheet", _sig4),
        Column("Weighed is more by, %", _more, shown="More by, %"),
        Column("Doubt, %", _percent_number),
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
    model = run.solution.model
    known = {PASSING: model.grid.sized, GRAINS: model.grains_known}.get(m.what, True)
    return ours if known else math.nan


def _unit(m: Measurement) -> tuple[str, float]:
    """Return how a measurement's unit is written behind its name, and the factor from SI to it."""
    if m.what in (MASS, BEAD, GOLD):
        large = m.what == MASS and not 0 < m.value < A_LITTLE
        return (", kg", 1.0) if large else (", g", 1e3)
    return {GRADE: (", g/t", 1e6), PASSING: (", %", 100.0), GRAINS: ("", 1.0)}[m.what]


def _more(share: float) -> str:
    return "–" if math.isnan(share) else f"{100 * share:+,.1f}".replace("-", "−")


def coarse(run: Run) -> Grid:
    """Return the coarse fraction of the feed at each opening."""
    columns = (
        Column("Coarser than, mm", short),
        Column("Mass, %", _percent_number),
        Column("Gold, %", _percent_number),
        Column("Grade, g/t", _sig3),
        Column("Gold in sight, %", _percent_number),
    )
    rows = [(c.opening_mm, c.mass_share, c.gold_share, c.grade_g_per_t, c.in_sight_share) for c in run.coarse]
    title = "The feed above each opening (shares of all rock and of all gold)"
    return _known(run, Grid("coarse", title, columns, rows), "Gold in sight, %")


def finer(run: Run) -> Grid:
    """Return what each finer screen would bring."""
    columns = (
        Column("Screen"),
        Column("Opening, mm", short),
        Column("Looked over, kg", _sig3),
        Column("Rocks", count),
        Column("Gold picked, g", _sig3),
        Column("Kept in all, g", _sig4),
        Column("Gained, mg", signed),
    )
    rows = [
        (f.screen, f.opening_mm, f.looked_over_kg, f.rocks, f.picked_g, f.kept_g, 1e3 * f.gain_g) for f in run.finer
    ]
    return Grid("finer", "A finer screen before the looking over", columns, rows)


def losses(run: Run) -> Grid:
    """Return every loss and why, in percent of that loss; reasons that no loss has are left out."""
    ranked = (*REASONS[:-1], "unused", REASONS[-1])
    reasons = [reason for reason in ranked if any(loss.reasons[reason] > 0 for loss in run.losses)]
    columns = (
        Column("Lost with"),
        Column("Gold, g", _sig3),
        Column("Of all, %", _percent_number),
        *(Column(f"{reason.replace('_', ' ').capitalize()}, %", _percent_number) for reason in reasons),
    )
    rows = [(loss.stream, loss.gold_g, loss.share, *(loss.reasons[r] for r in reasons)) for loss in run.losses]
    return Grid("losses", "Where gold is lost, and why (shares of each loss)", columns, rows)


def sizes(run: Run) -> Grid:
    """Return every stream by size class (for CSV: too long for a terminal)."""
    heads = ("Stream", "upper, mm", "lower, mm", "light, kg", "heavy, kg", "free gold, g", "locked gold, g")
    rows = [
        (name, row.upper_mm, row.lower_mm, row.light_kg, row.heavy_kg, row.free_g, row.locked_g)
        for name, stream in run.streams.items()
        for row in stream.sizes
    ]
    return Grid("sizes", "Streams by size", tuple(Column(head) for head in heads), rows)


def trials(found: Trials) -> Grid:
    """Return the sheet as it stands and every trial."""
    columns = (
        *(Column(name) for name in found.moved),
        Column("Kept, g", _sig4),
        Column("Kept, %", _percent_number),
        Column("Gained, g", signed),
        *([Column(f"Left, {found.currency}", _money)] if found.currency else []),
        *([Column(f"More, {found.currency}", _more_money)] if found.currency else []),
        Column("Most lost with"),
        Column("that is, g", _sig3),
        Column("and, %", _percent_number),
    )
    rows = []
    for trial in (found.base, *found.rows):
        settings = [trial.settings.get(name, "as it is") for name in found.moved]
        worth = (trial.value, trial.value_gain) if found.currency else ()
        rows.append((*settings, trial.kept_g, trial.kept_share, trial.gain_g, *worth, trial.worst_stream,
                     trial.worst_g, trial.worst_share))  # fmt: skip
    return Grid("trials", "Trials", columns, rows)


def signed(value: float) -> str:
    """Return a difference with its sign."""
    if abs(value) < 1e-9:
        return "0"
    return f"{'+' if value > 0 else '−'}{sig(abs(value))}"


def _sig3(value: float) -> str:
    return _cell(value, 3)


def _sig4(value: float) -> str:
    return _cell(value, 4)


def _money(value: float) -> str:
    """Write an amount of money in the smallest coin, large ones whole."""
    text = f"{value:,.2f}" if abs(value) < 1000 else f"{value:,.0f}"
    return text.replace("-0.00", "0.00").replace("-", "−")


def _more_money(value: float) -> str:
    text = _money(value)
    return text if text.startswith("−") or text == "0.00" else f"+{text}"


def _mass(kg: float) -> str:
    """Write a mass to four digits in the unit that suits it, as far down as it can be weighed."""
    return f"<{1e6 * FAINT:g} mg" if 0 < abs(kg) < FAINT else mass(kg, 4)


def _cell(value: float, digits: int) -> str:
    """Write a number so that it fits its column, however small it is."""
    return f"<{FAINT:.7f}" if 0 < abs(value) < FAINT else sig(value, digits)


def _percent_number(share: float) -> str:
    return percent(share).removesuffix(" %").replace("under ", "<")
