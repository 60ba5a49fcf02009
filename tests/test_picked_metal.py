"""Metal picked out of a stream by hand: kept, no more in what goes on, and evidence of what came to the stream."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from commands import Command
from sheets import run_of, sheet_of

from flowsheet.show.run import drawing, told_tables
from flowsheet.show.run.by_weights import held
from flowsheet.solve.model import Model
from flowsheet.study.balance.closure import closing
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.posterior.estimate import Posterior, posterior

SHEET = """\
title: coarse gold
ore:
  mass: 14 kg ± 20 g
  grade: 20 g/t ± 8 g/t
  heavies: 4 %
  sizes: {top: 20 mm, p80: 10 mm}
  gold: {d50: 0.35 mm, d95: 1.6 mm, fineness: 870 ± 10}
steps:
  powder: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm}
  wash:   {do: pan,       takes: powder, gives: {concentrate: con, tailings: tails}}
  fire:   {do: cupel,     takes: con, gives: {bead: bead, absorbed: cupel loss}}
keep: [bead]
"""
REST = """\
  tails: {mass: 13.6 kg ± 20 g, grade: 2.5 g/t ± 0.3 g/t}
  cupel loss: {gold: 0.4 mg ± 0.2 mg}
"""
WEIGHED = f"weighed:\n  bead: {{mass: 60 mg ± 2 mg}}\n  con: {{picked_metal: 0.14 g ± 1 mg}}\n{REST}"
#: The same metal, all of it in the bead.
TOGETHER = f"weighed:\n  bead: {{mass: 0.2 g ± 2.2 mg}}\n{REST}"
FINE = 0.87


def estimate(text: str) -> Posterior:
    return posterior(Model.of(sheet_of(text)), (), 400)


def test_what_was_picked_is_kept_and_the_rest_goes_on() -> None:
    found = estimate(SHEET + WEIGHED)
    (test,) = found.tests
    picked = test.picked["con"]
    assert picked.mean() == pytest.approx(FINE * 0.14e-3, rel=0.01)
    # Downstream holds only what is left, and each draw closes.
    assert np.allclose(test.gold["con"], test.gold["bead"] + test.gold["cupel loss"], rtol=1e-12)
    assert np.allclose(test.gold["powder"], test.gold["con"] + picked + test.gold["tails"], rtol=1e-12)
    assert np.allclose(test.fed, test.gold["ore"], rtol=1e-12)
    assert np.allclose(test.kept, test.gold["bead"] + picked, rtol=1e-12)
    assert test.gold["bead"].mean() == pytest.approx(FINE * 60e-6, rel=0.02)


def test_a_test_holds_as_much_as_if_nothing_had_been_picked() -> None:
    (picked,), (together,) = (estimate(SHEET + weighed).tests for weighed in (WEIGHED, TOGETHER))
    assert picked.fed.mean() == pytest.approx(together.fed.mean(), rel=0.03)
    assert picked.kept.mean() == pytest.approx(together.kept.mean(), rel=0.02)
    assert picked.fed.std() == pytest.approx(together.fed.std(), rel=0.4)


def test_the_balance_has_it_as_a_product_of_its_own() -> None:
    sheet = sheet_of(SHEET + WEIGHED)
    found = reconcile_sheet(sheet)[""]
    picked = found.streams["picked from con"]
    assert picked.metal
    assert picked.mass == pytest.approx(0.14e-3)
    assert picked.gold == pytest.approx(FINE * 0.14e-3)
    assert found.streams["con"].gold == pytest.approx(FINE * 60e-6 + 0.4e-6, rel=1e-6)
    whole = FINE * 0.2e-3 + 0.4e-6 + 13.6 * 2.5e-6
    assert found.streams["ore"].gold == pytest.approx(whole, rel=1e-6)
    # Bead over feed as it is done on paper counts all metal that was kept.
    assert found.naive == pytest.approx(FINE * 0.2e-3 / 14)
    assert {part.stream for part in found.parts} == {"bead", "cupel loss", "tails", "picked from con"}


def test_two_ways_of_weighing_the_same_agree_or_name_what_is_wrong() -> None:
    tested = WEIGHED.replace("0.14 g ± 1 mg}", "0.14 g ± 1 mg, gold: 52.6 mg ± 1 mg}")
    found = reconcile_sheet(sheet_of(SHEET + tested))[""]
    assert found.suspect is None
    assert found.dof == 1
    wrong = reconcile_sheet(sheet_of(SHEET + tested.replace("52.6 mg", "190 mg")))[""]
    assert wrong.suspect is not None


def test_does_it_close_counts_it() -> None:
    sheet = sheet_of(SHEET + WEIGHED.replace("  tails", "  powder: {gold: 0.21 g}\n  tails"))
    wash = next(one for one in closing(sheet) if one.what == "gold" and "wash" in one.steps and not one.whole)
    assert "picked from con" in [one.stream for one in wash.out]
    assert not wash.missing


def test_metal_picked_out_of_the_ore_was_fed() -> None:
    text = SHEET + WEIGHED.replace("con: {picked", "ore: {picked")
    (test,) = estimate(text).tests
    assert np.allclose(test.gold["ore"], test.gold["powder"] + test.picked["ore"], rtol=1e-12)
    assert np.allclose(test.fed, test.gold["ore"], rtol=1e-12)
    found = reconcile_sheet(sheet_of(text))[""]
    assert found.streams["ore"].gold == pytest.approx(found.streams["powder"].gold + FINE * 0.14e-3)
    assert found.head.value == pytest.approx(found.streams["ore"].gold / 14)


def test_metal_picked_out_of_an_end_is_not_lost_with_it() -> None:
    text = SHEET + "weighed:\n  bead: {mass: 0.2 g ± 2 mg}\n  tails: {picked_metal: 40 mg ± 1 mg, gold: 20 mg ± 2 mg}\n"
    (test,) = estimate(text).tests
    assert test.gold["tails"].mean() == pytest.approx(20e-6, rel=0.1)
    assert np.allclose(test.gold["powder"], test.gold["con"] + test.gold["tails"] + test.picked["tails"], rtol=1e-12)


def test_picked_twice_in_a_row() -> None:
    text = SHEET + WEIGHED.replace("  tails", "  powder: {picked_metal: 50 mg ± 1 mg}\n  tails")
    (test,) = estimate(text).tests
    assert np.allclose(test.gold["ore"], test.gold["powder"] + test.picked["powder"], rtol=1e-12)
    assert np.allclose(test.gold["powder"], test.gold["con"] + test.picked["con"] + test.gold["tails"], rtol=1e-12)
    assert test.picked["powder"].mean() == pytest.approx(FINE * 50e-6, rel=0.02)


def test_one_of_two_tests_picked(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(
        "stream,what,value,unit,sd\nbead,mass,60,mg,2\ncon,picked metal,0.14,g,0.001\ntails,mass,13.6,kg,0.02\n"
        "tails,grade,2.5,g/t,0.3\n", encoding="utf-8")  # fmt: skip
    (tmp_path / "b.csv").write_text(
        "stream,what,value,unit,sd\nbead,mass,210,mg,2\ntails,mass,13.6,kg,0.02\ntails,grade,2.5,g/t,0.3\n",
        encoding="utf-8")  # fmt: skip
    path = tmp_path / "sheet.yaml"
    path.write_text(f"{SHEET}weighed: {{file: [a.csv, b.csv]}}\n", encoding="utf-8")
    first, second = posterior(Model.of(sheet_of(path)), (), 300).tests
    assert first.picked["con"].mean() == pytest.approx(FINE * 0.14e-3, rel=0.01)
    assert not second.picked
    assert first.kept.mean() == pytest.approx(FINE * 0.2e-3, rel=0.02)
    assert second.kept.mean() == pytest.approx(FINE * 0.21e-3, rel=0.02)


@pytest.mark.parametrize("gold", ["", "  gold: {fineness: 870 ± 10}\n"])
def test_a_sheet_that_knows_no_grains_takes_it(gold: str) -> None:
    text = (SHEET + WEIGHED).replace("  gold: {d50: 0.35 mm, d95: 1.6 mm, fineness: 870 ± 10}\n", gold)
    text = text.replace(
        "tailings: tails}", "tailings: tails}, split: {concentrate: 2 %}, recovery: {concentrate: 80 %}"
    )
    (test,) = estimate(text).tests
    assert test.kept.mean() == pytest.approx((0.9 if not gold else FINE) * 0.2e-3, rel=0.02)


def test_it_is_told_in_words_tables_and_the_drawing() -> None:
    run = run_of(SHEET + WEIGHED)
    test = run.this_test
    assert test is not None
    assert "picked from con 0.122 g" in held(run, test)
    rows = {row[0]: row for row in told_tables.gold(run, test).rows}
    assert rows["picked from con"][-1] == "KEPT"
    assert run.told_streams["picked from con"].mass.mean == pytest.approx(0.14e-3, rel=0.02)
    assert "KEPT: picked from con" in drawing.graph(run).source
    assert test.as_dict()["picked"]["con"]["gold_g"]["mean"] == pytest.approx(0.1218, rel=0.01)


@pytest.mark.slow
def test_every_command_takes_it(flowsheet: Command, tmp_path: Path) -> None:
    path = tmp_path / "coarse.yaml"
    path.write_text(SHEET + WEIGHED, encoding="utf-8")
    told = flowsheet("run", path, "--json").json["this_test"]
    fitted = flowsheet("fit", path, "--json", "-o", tmp_path / "fitted.yaml").json
    assert any(one["what"] == "picked_metal" and abs(one["off"]) < 1 for one in fitted["measurements"])
    again = flowsheet("run", tmp_path / "fitted.yaml", "--json").json["this_test"]
    for what in ("value", "low", "high"):
        assert told["kept_g"][what] == pytest.approx(again["kept_g"][what], rel=1e-4)
    lot = flowsheet("lot", path, "--json").json["tests"][0]
    assert lot["gold_g"] == pytest.approx(0.2084, rel=0.01)
    label = flowsheet("label", path, "--json", "-o", tmp_path / "coarse.txt").json
    assert {"picked from con", "bead"} == {one["stream"] for one in label["kept"]}
    assert flowsheet("reconcile", path).out.count("picked from con") >= 1
    assert flowsheet("report", path, "-o", tmp_path / "coarse.html").code == 0
    assert "picked from con" in (tmp_path / "coarse.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    for command in ("chance", "check", "worth"):
        assert flowsheet(command, path).code in (0, 2)
