"""A run written out: tables as CSV, pictures as SVG and PNG."""

from __future__ import annotations

from pathlib import Path

from flowsheet.show import drawing, plots, tables
from flowsheet.study.run import Run
from flowsheet.study.trials import Trials


def write_run(run: Run, folder: Path) -> list[Path]:
    """Write a run's tables and pictures into ``folder`` and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [_csv(grid, folder) for grid in (tables.balance(run), tables.losses(run), tables.sizes(run))]
    for grid in (tables.coarse(run), tables.finer(run), tables.weighed(run)):
        if grid.rows:
            written.append(_csv(grid, folder))
    for name in ("flow.svg", "flow.png"):
        drawing.draw(run, folder / name)
        written.append(folder / name)
    if run.solution.model.grid.sized:
        plots.by_size(run, default_streams(run), folder / "sizes.png")
        written.append(folder / "sizes.png")
    return written


def default_streams(run: Run) -> list[str]:
    """Return the streams that a plot by size shows unless told: the ores, then the ends richest in gold."""
    ends = sorted(run.solution.model.sheet.ends, key=lambda name: -run.streams[name].gold_g)
    rock = [n for n in ends if run.streams[n].gold_share > 0.01 and any(r.light_kg > 0 for r in run.streams[n].sizes)]
    return list(dict.fromkeys([*run.solution.model.sheet.ores, *rock]))[:4]


def write_trials(found: Trials, folder: Path) -> list[Path]:
    """Write the trials as CSV, and as a plot where they can be plotted."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [_csv(tables.trials(found), folder)]
    if plots.why_no_plot(found) is None:
        plots.plot(found, folder / "trials.png")
        written.append(folder / "trials.png")
    return written


def _csv(grid: tables.Grid, folder: Path) -> Path:
    path = folder / f"{grid.name}.csv"
    grid.write_csv(path)
    return path
