"""A run written out: tables as CSV, pictures as SVG and PNG."""

from __future__ import annotations

from pathlib import Path

from flowsheet.show.run import drawing, run_tables, size_plots
from flowsheet.show.text import tables
from flowsheet.study.run.run import Run


def write_run(run: Run, folder: Path) -> list[Path]:
    """Write a run's tables and pictures into ``folder`` and return what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [
        write_csv(grid, folder) for grid in (run_tables.balance(run), run_tables.losses(run), run_tables.sizes(run))
    ]
    for grid in (run_tables.coarse(run), run_tables.finer(run), run_tables.weighed(run)):
        if grid.rows:
            written.append(write_csv(grid, folder))
    for name in ("flow.svg", "flow.png"):
        drawing.draw(run, folder / name)
        written.append(folder / name)
    if run.solution.model.grid.sized:
        size_plots.by_size(run, default_streams(run), folder / "sizes.png")
        written.append(folder / "sizes.png")
    return written


def default_streams(run: Run) -> list[str]:
    """Return the streams that a plot by size shows unless told: the ores, then the ends richest in gold."""
    ends = sorted(run.solution.model.sheet.ends, key=lambda name: -run.streams[name].gold)
    rock = [n for n in ends if run.streams[n].gold_share > 0.01 and any(r.light > 0 for r in run.streams[n].sizes)]
    return list(dict.fromkeys([*run.solution.model.sheet.ores, *rock]))[:4]


def write_csv(grid: tables.Grid, folder: Path) -> Path:
    """Write a table as CSV into a folder, and return where."""
    path = folder / f"{grid.name}.csv"
    grid.write_csv(path)
    return path
