"""Pictures of long names and titles, and of two settings that move at once."""

from __future__ import annotations

import textwrap
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from sheets import run_of, sheet_of

import flowsheet as fs
from flowsheet.ore.grains import grain_mass
from flowsheet.show.graphics.style import png
from flowsheet.show.run import drawing, size_plots
from flowsheet.show.trials import trial_files, trial_plots
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.yaml import marked_document
from flowsheet.study.posterior.grain_luck import RARE
from flowsheet.study.trials.trials import Trials, parse_settings, run_trials

LONG = "what the second screen lets through after the first wash in the morning"
SHEET = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 40 mm, p80: 25 mm}, heavies: 3 %, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  grind: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: TAILS}}
keep: con
"""


def trials_of(*settings: str) -> Trials:
    return run_trials(marked_document.parse(SHEET, "sheet.yaml"), parse_settings(settings))


def drawn(figure: Figure) -> Figure:
    """Return a figure as it is laid out once it has been drawn."""
    assert png(figure)
    return figure


# ── titles ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("length", [10, 66, 200])
def test_a_long_title_is_wrapped_and_whole(length: int) -> None:
    title = ("Quillfeather dump, sacks of the east end " * 6)[:length].strip()
    source = drawing.graph(run_of(f"title: {title}\n{SHEET}")).source
    label = next(line for line in source.splitlines() if "line width" in line)
    lines = textwrap.wrap(title, drawing.TITLE_WIDTH)
    assert "\\n".join([*lines, "(line width"]) in label
    assert all(len(line) <= drawing.TITLE_WIDTH for line in lines)


def test_a_word_longer_than_a_line_is_broken() -> None:
    title = "W" * 200
    text = drawing.drawn(run_of(f"title: {title}\n{SHEET}"), Path("flow.svg")).decode()
    assert text.count("W" * drawing.TITLE_WIDTH) == 200 // drawing.TITLE_WIDTH


# ── names beside bars ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("names", [["ore", LONG], ["ore", LONG, "powder", "con"], ["ore"]])
def test_names_cover_no_bar(names: list[str]) -> None:
    figure = drawn(size_plots.by_size_figure(run_of(SHEET.replace("TAILS", LONG)), names))
    (legend,) = figure.legends
    box = legend.get_window_extent()
    assert [" ".join(text.get_text().split()) for text in legend.get_texts()] == names
    assert box.x0 >= 0
    assert box.x1 <= figure.bbox.x1
    for axes in figure.axes:
        assert axes.get_legend() is None
        assert not box.overlaps(axes.get_window_extent())
        assert axes.get_window_extent().height > 0.4 * figure.bbox.height


# ── two settings ────────────────────────────────────────────────────────────────────────────────────────────


def test_two_settings_make_a_line_for_each_value_of_the_second() -> None:
    found = trials_of("grind.gap=0.1 mm,0.2 mm,0.4 mm", "wash.passes=1,2")
    (axes,) = drawn(trial_plots.trials_figure(found)).axes
    one, two, base = axes.lines
    kept = {tuple(row.settings.values()): 1e3 * row.kept for row in found.rows}
    for line, passes in ((one, "1"), (two, "2")):
        assert list(line.get_xdata()) == pytest.approx([0.1, 0.2, 0.4])
        assert list(line.get_ydata()) == [kept[gap, passes] for gap in ("0.1 mm", "0.2 mm", "0.4 mm")]
    assert set(base.get_ydata()) == {1e3 * found.base.kept}
    assert [text.get_text() for text in axes.texts] == ["wash.passes = 1", "wash.passes = 2", "as the sheet is"]
    assert axes.get_xlabel() == "grind.gap"


def test_names_of_lines_do_not_cover_each_other() -> None:
    found = trials_of("wash.passes=1,2", "wash.heavies=10 %,11 %,12 %,13 %,14 %,15 %,16 %")
    figure = drawn(trial_plots.trials_figure(found))
    (axes,) = figure.axes
    boxes = sorted((text.get_window_extent() for text in axes.texts), key=lambda box: box.y0)
    assert len(boxes) == 8
    assert all(lower.y1 <= upper.y0 for lower, upper in pairwise(boxes))
    assert all(box.x1 <= figure.bbox.x1 and box.x0 >= axes.get_window_extent().x1 for box in boxes)


def test_the_setting_with_fewer_values_makes_the_lines() -> None:
    (axes,) = drawn(trial_plots.trials_figure(trials_of("wash.passes=1,2", "wash.light=1 % to 9 % in 9"))).axes
    assert len(axes.lines) == 3
    assert axes.get_xlabel() == "wash.light, %"


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        (["wash.passes=2"], "only one setting was tried"),
        (["wash.passes=1,2", "wash.m=1,2", "grind.gap=0.1 mm,0.2 mm"], "3 settings move, and a picture shows two at"),
        (["wash.light=1 % to 9 % in 9", "wash.m=1 to 3 in 9"], "a picture shows 8 lines at most"),
        (["wash.passes=1,2"], None),
        (["wash.passes=1,2", "wash.m=2"], None),
    ],
)
def test_what_cannot_be_plotted_says_why(settings: list[str], told: str | None) -> None:
    found = trials_of(*settings)
    why = trial_plots.why_no_plot(found)
    assert (why is None) == (told is None)
    assert told is None or (why is not None and told in why)
    assert set(trial_files.trial_files(found)) == ({"trials.csv", "trials.png"} if told is None else {"trials.csv"})


# ── against luck ────────────────────────────────────────────────────────────────────────────────────────────


def test_what_is_kept_stands_on_nought_against_the_luck_of_one_sack() -> None:
    found = trials_of("wash.passes=1,2")
    assert found.luck is not None
    figure = drawn(trial_plots.trials_figure(found))
    kept, lost = figure.axes
    assert kept.get_ylim()[0] == lost.get_ylim()[0] == 0
    (band,) = (one for one in kept.patches if one.get_label() == trial_plots.LUCK)
    low, high = band.get_window_extent().get_points()[:, 1]
    base, luck = 1e3 * found.base.kept, 1e3 * found.luck
    assert kept.transData.inverted().transform([(0, low), (0, high)])[:, 1] == pytest.approx([base - luck, base + luck])
    (legend,) = figure.legends
    assert [text.get_text() for text in legend.get_texts()] == [trial_plots.LUCK]


def test_the_luck_of_a_sack_is_that_of_its_grains() -> None:
    found = trials_of("wash.passes=1,2")
    solution = solve(Model.of(sheet_of(SHEET)))
    grid, fine = solution.model.grid, float(solution.inputs.site.fineness)
    kept = sum(solution.streams[name].gold_by_grain for name in solution.model.sheet.keep)
    one = grain_mass(grid.size, np.asarray(fine))
    rate = kept / one
    rng = np.random.default_rng(1)
    sums = (rng.poisson(np.where(np.cumsum(rate) < RARE, 0.0, rate), (20_000, len(one))) * one).sum(axis=1)
    assert found.luck == pytest.approx(float(sums.std()), rel=0.05)


@pytest.mark.slow
def test_forecasts_are_drawn_with_their_ends_against_luck() -> None:
    sack = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"
    found = fs.forecast(sack, {"wash.passes": "1,2,3"})
    (axes,) = drawn(trial_plots.forecasts_figure(found)).axes
    gained, base = (line for line in axes.lines if line.get_linestyle() in ("-", "--"))
    assert list(gained.get_ydata()) == pytest.approx([1e3 * row.gain.value for row in found.rows])
    assert set(base.get_ydata()) == {0.0}
    (bars,) = (one for one in axes.collections if isinstance(one, LineCollection))
    ends = [(segment[0][1], segment[1][1]) for segment in bars.get_segments()]
    assert ends == [pytest.approx((1e3 * row.gain.p5, 1e3 * row.gain.p95)) for row in found.rows]
    assert set(trial_files.forecast_files(found)) == {"forecasts.csv", "forecasts.png"}
    assert trial_files.forecast_files(found)["forecasts.png"].startswith(b"\x89PNG")
    one = fs.forecast(sack, {"wash.passes": "2"})
    assert set(trial_files.forecast_files(one)) == {"forecasts.csv"}
