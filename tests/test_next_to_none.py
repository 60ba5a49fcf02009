"""A bead of nought, or of so little that no scale can tell it from none: no lower end, and no kept share."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from commands import Command
from sheets import sheet_of

from flowsheet.show.text import spans
from flowsheet.study.common.interval import Interval
from flowsheet.study.run.run import run

BENCH = """\
ore:
  mass: 14 kg ± 20 g
  grade: 20 g/t ± 8 g/t
  heavies: 4 %
  sizes: {top: 100 mm, p80: 60 mm}
  gold: {d50: 0.35 mm, d95: 1.6 mm, fineness: 870 ± 10}
steps:
  break:  {do: jaw_crush, takes: ore, gives: crushed, setting: 6 mm}
  powder: {do: pulverize, takes: crushed, gives: powder, gap: 0.2 mm}
  wash:   {do: pan,       takes: powder, gives: {concentrate: con, tailings: tails}}
  fire:   {do: cupel,     takes: con, gives: {bead: bead, absorbed: cupel loss}}
keep: [bead]
weighed:
  bead: {bead: BEAD}
"""
#: All gold of an ore without any luck goes to the bead.
PLAIN = """\
ore: {mass: 10 kg ± 0, grade: 20 g/t, gold: {fineness: 1000, d50: 0.5 um, d95: 1 um}, sizes: {top: 1 mm, p80: 0.5 mm}}
steps:
  wash: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 50 %}, recovery: {a: 100 %}, slack: 0}
keep: [con]
weighed: {con: {gold: GOLD}}
"""


def with_bead(text: str) -> str:
    return BENCH.replace("BEAD", text)


@pytest.mark.parametrize("found", ["0 mg ± 2 mg", "3 mg ± 2 mg"])
def test_next_to_no_gold_has_no_lower_end_and_no_share(found: str) -> None:
    sure = run(sheet_of(with_bead(found))).sure
    assert sure is not None
    assert sure.this_test is not None
    test = sure.this_test
    assert test.kept_share is None
    assert test.as_dict()["kept"]["share"] is None
    for one in (sure.head_grade, sure.kept, test.held, test.kept, test.streams["tails"].gold):
        assert one.p5 == 0 < one.p95
    assert spans.gold(test.held) == f"less than {1e6 * test.held.p95:#.3g} mg"


def test_a_bead_that_is_seen_has_both_ends() -> None:
    sure = run(sheet_of(with_bead("7 mg ± 2 mg"))).sure
    assert sure is not None
    assert sure.this_test is not None
    assert sure.this_test.held.p5 > 0
    assert sure.this_test.kept_share is not None


def test_a_bead_that_is_missing_says_nothing() -> None:
    sure = run(sheet_of(with_bead("0 mg ± 2 mg").partition("weighed:")[0])).sure
    assert sure is not None
    assert sure.this_test is None
    assert sure.head_grade.p5 > 5e-6


def test_a_finer_scale_tells_of_less() -> None:
    ends = []
    for scale in ("0 mg ± 5 mg", "0 mg ± 1 mg"):
        sure = run(sheet_of(with_bead(scale))).sure
        assert sure is not None
        ends.append(sure.head_grade.p95)
    assert ends[1] < ends[0]


def test_only_the_bead_is_nought_where_tailings_show_gold() -> None:
    text = with_bead("0 mg ± 2 mg") + "  tails: {mass: 13.5 kg, gold: 40 mg}\n"
    sure = run(sheet_of(text)).sure
    assert sure is not None
    assert sure.this_test is not None
    test = sure.this_test
    assert test.kept.p5 == test.streams["bead"].gold.p5 == 0
    assert test.held.p5 > 0
    assert test.kept_share is not None
    assert test.kept_share.p95 < 0.5


@pytest.mark.parametrize(("read", "sd"), [(0.0, 2.0), (3.0, 2.0)])
def test_the_upper_end_is_what_the_error_of_the_scale_leaves(read: float, sd: float) -> None:
    """Without luck the grade is its prior, √g times Student's t in log g, times the normal law of the reading."""
    sure = run(sheet_of(PLAIN.replace("GOLD", f"{read:g} mg ± {sd:g} mg"))).sure
    assert sure is not None
    log = np.linspace(math.log(1e-6), math.log(1e3), 200_000)  # g/t
    u, mg = (log - math.log(20)) / 1.2, 10 * np.exp(log)
    chance = np.exp(0.5 * log - 2 * np.log1p(u**2 / 3) - 0.5 * ((mg - read) / sd) ** 2)
    middle, high = np.exp(np.interp((0.5, 0.95), np.cumsum(chance) / chance.sum(), log))
    assert 1e6 * sure.head_grade.p95 == pytest.approx(high, rel=0.1)
    assert 1e6 * sure.head_grade.p50 == pytest.approx(middle, rel=0.15)


def test_an_interval_without_a_lower_end_says_so_at_the_beginning_and_within() -> None:
    one = Interval(0.4e-6, 0.4e-6, 0.02e-6, 0.3e-6, 1.3e-6)
    assert spans.about(one, spans.grade) == "About 0.400 g/t (0.0200 to 1.30)"
    assert spans.about(one.below(), spans.grade) == "Less than 1.30 g/t"
    assert spans.grade(Interval(0.0, 0.0, 0.0, 0.0, 0.0).below()) == "next to 0 g/t"


@pytest.mark.slow
def test_every_command_tells_it(flowsheet: Command, tmp_path: Path) -> None:
    path = tmp_path / "poor.yaml"
    rest = "  tails: {mass: 13 kg, grade: 0.05 g/t ± 0.05 g/t}\n  cupel loss: {gold: 0 mg ± 0.1 mg}\n"
    path.write_text(with_bead("0 mg ± 2 mg") + rest, encoding="utf-8")
    told = flowsheet("run", path, "--json").json
    chances = flowsheet("chance", path, "--json").json
    label = flowsheet("label", path, "--json", "-o", tmp_path / "poor.txt").json
    assert told["ore"]["grade_g_per_t"]["low"] == chances["head_grade_g_per_t"]["p5"] == label["grade"]["p5"] == 0
    assert told["next_sack"]["gold_g"]["p5"] == chances["next_sack"]["gold_g"]["p5"] == label["next_low_g"] == 0
    assert flowsheet("lot", path, "--json").json["grade_g_per_t"]["p5"] == 0
    fitted = flowsheet("fit", path, "--json", "-o", tmp_path / "fitted.yaml").json
    assert fitted["parameters"]["ore.grade"]["after"]["p5"] == 0
    # What fit wrote tells it too.
    again = flowsheet("run", tmp_path / "fitted.yaml", "--json").json
    assert again["this_test"]["kept_share"] is None
    assert again["kept"]["share"] is None
    assert again["ore"]["grade_g_per_t"]["low"] == 0
    for command in ("run", "chance", "lot", "fit"):
        to = ("-o", tmp_path / "again.yaml") if command == "fit" else ()
        assert "ess than" in flowsheet(command, path, *to).out
    assert "Less than" in (tmp_path / "poor.txt").read_text(encoding="utf-8")
