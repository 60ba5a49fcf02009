"""A run written out: tables as CSV, pictures as SVG and PNG."""

from __future__ import annotations

from pathlib import Path

from flowsheet.show.graphics.style import png
from flowsheet.show.run import drawing, run_tables, size_plots, told_tables
from flowsheet.show.text.tables import csv_files
from flowsheet.study.run.run import Run


def run_files(run: Run) -> dict[str, bytes]:
    """Return a run's tables and pictures, by the names of their files."""
    planned = (run_tables.balance(run), run_tables.losses(run), run_tables.sizes(run.streams))
    files = csv_files(planned)
    if run.this_test is not None:
        files = {f"planned_{name}": raw for name, raw in files.items()}
        files |= csv_files((told_tables.streams(run), told_tables.lost(run), run_tables.sizes(run.flows)))
    test = run.this_test
    coarse = run_tables.coarse(run) if test is None else told_tables.coarse(run, test)
    others = (coarse, run_tables.sieved(run), run_tables.finer(run), run_tables.weighed(run))
    files |= csv_files(grid for grid in others if grid.rows)
    for name in ("flow.svg", "flow.png"):
        files[name] = drawing.drawn(run, Path(name))
    if run.solution.model.grid.sized:
        files["sizes.png"] = png(size_plots.by_size_figure(run, default_streams(run)))
    return files


def default_streams(run: Run) -> list[str]:
    """Return the streams that a plot by size shows unless told: the ores, then the ends richest in gold."""
    ends = sorted(run.solution.model.sheet.ends, key=lambda name: -run.streams[name].gold)
    rock = [n for n in ends if run.streams[n].gold_share > 0.01 and any(r.light > 0 for r in run.streams[n].sizes)]
    return list(dict.fromkeys([*run.solution.model.sheet.ores, *rock]))[:4]
