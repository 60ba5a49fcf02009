"""What a run prints with --json of this test, its ore and the next sack, with weights and without."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sheets import run_of

from flowsheet import starters

EXAMPLES = Path(__file__).parent.parent / "examples"
SACK, PILE = EXAMPLES / "sack_test" / "sack3.yaml", EXAMPLES / "pile" / "pile.yaml"
QUICK, FACTORS, BLEND = (starters.folder() / f"{name}.yaml" for name in ("quick", "factors", "blend"))
#: Of rock alone.
ROCK = QUICK.read_text(encoding="utf-8") + "\nweighed: {lumps: {mass: 9.1 kg ± 10 g}, fines: {mass: 5.1 kg ± 10 g}}\n"


def is_ranged(one: dict[str, Any], source: str | None = None) -> bool:
    assert set(one) == {"value", "low", "high", "from"}
    assert one["low"] <= one["value"] * (1 + 1e-9)
    assert one["low"] <= one["high"]
    assert one["from"] in (("weights", "sheet") if source is None else (source,))
    return True


def is_test(test: dict[str, Any], source: str | None = None) -> None:
    assert set(test) >= {"gold_g", "grade_g_per_t", "kept_g", "kept_share", "lost", "coarse"}
    for name in ("gold_g", "grade_g_per_t", "kept_g", "kept_share"):
        assert is_ranged(test[name], source)
    golds = [one["gold_g"]["value"] for one in test["lost"]]
    assert golds == sorted(golds, reverse=True)
    for one in test["coarse"]:
        assert set(one) == {"opening_mm", "mass_share", "gold_share"}
        assert is_ranged(one["mass_share"])
        assert is_ranged(one["gold_share"])


def is_next_sack(told: dict[str, Any]) -> None:
    assert set(told) == {"gold_g", "kept_g", "less_than_half", "more_than_double"}
    for name in ("gold_g", "kept_g"):
        assert set(told[name]) >= {"mean", "p5", "p50", "p95"}
        assert told[name]["p5"] < told[name]["p50"] < told[name]["p95"]
    assert told["kept_g"]["mean"] < told["gold_g"]["mean"]


def adds_up(told: dict[str, Any], rel: float) -> None:
    """Check that what is kept, lost and caught is what was held, in means of one set of draws."""
    test = told["this_test"]
    out = test["kept_g"]["value"] + sum(one["gold_g"]["value"] for one in test["lost"])
    out += sum(row["gold_g"] for row in told["caught"])
    assert out == pytest.approx(test["gold_g"]["value"], rel=rel)


@pytest.mark.parametrize("path", [QUICK, FACTORS, BLEND], ids=lambda path: path.stem)
def test_without_weights_the_plan_stands_and_this_test_is_a_forecast(path: Path) -> None:
    run = run_of(path)
    told = run.as_dict()
    assert "sure" not in told
    assert "as_planned" not in told
    assert told["kept"] == {"gold_g": pytest.approx(1e3 * run.kept), "share": run.kept_share}
    is_test(told["this_test"], "sheet")
    is_next_sack(told["next_sack"])
    adds_up(told, rel=1e-9)
    assert set(told["ores"]) == set(run.solution.model.sheet.ores)
    assert ("ore" in told) == (len(told["ores"]) == 1)
    for one in told["ores"].values():
        assert is_ranged(one["grade_g_per_t"], "sheet")
    for name, one in told["streams"].items():
        assert one["from"] == {"mass": "sheet", "gold": "sheet"}
        assert one["gold_g"] == pytest.approx(1e3 * run.streams[name].gold)
        assert 0 <= one["gold_g_90"][0] < one["gold_g_90"][1]
        assert one["mass_kg_90"][0] <= one["mass_kg_90"][1]
    if path != FACTORS:
        assert [row["opening_mm"] for row in told["this_test"]["coarse"]]
    grade = told["this_test"]["grade_g_per_t"]
    rock = sum(ore.mass.value for ore in run.solution.model.sheet.ores.values())
    assert grade["value"] == pytest.approx(told["this_test"]["gold_g"]["value"] / rock * 1e3, rel=1e-3)


def test_with_weights_all_is_the_estimates_and_the_plan_stands_beside() -> None:
    run = run_of(SACK)
    told, test = run.as_dict(), run.this_test
    assert test is not None
    is_test(told["this_test"])
    is_next_sack(told["next_sack"])
    adds_up(told, rel=1e-6)
    assert told["this_test"]["kept_share"]["value"] == told["kept"]["share"] == test.kept_share.mean  # type: ignore[union-attr]
    assert told["as_planned"]["kept"]["share"] == run.kept_share != told["kept"]["share"]
    assert set(told["as_planned"]) == {"streams", "kept", "losses", "caught", "coarse"}
    assert told["streams"]["lumps"]["from"]["mass"] == "weights"
    assert told["streams"]["lumps"]["mass_kg"] == pytest.approx(test.streams["lumps"].rock.mean, rel=1e-3)
    assert told["losses"][0]["stream"] == told["this_test"]["lost"][0]["stream"]
    for loss in told["losses"]:
        assert sum(loss["why"].values()) == pytest.approx(1)
    (row,) = (row for row in told["coarse"] if row["opening_mm"] == 20)
    (own,) = (row for row in told["this_test"]["coarse"] if row["opening_mm"] == 20)
    assert row["gold_share"] == own["gold_share"]["value"]
    held = told["this_test"]["gold_g"]["value"]
    ore = told["streams"]["ore"]["mass_kg"]
    assert row["grade_g_per_t"] * row["mass_share"] * ore == pytest.approx(1e3 * row["gold_share"] * held, rel=1e-3)


@pytest.mark.slow
def test_each_of_several_tests_is_told_and_this_one_is_the_last() -> None:
    told = run_of(PILE).as_dict()
    assert list(told["tests"]) == [f"sack{i}" for i in range(1, 7)]
    assert told["tests"]["sack6"] == told["this_test"]
    for test in told["tests"].values():
        is_test(test)
    each = sum(test["gold_g"]["value"] for test in told["tests"].values())
    assert told["all_tests"]["gold_g"]["value"] == pytest.approx(each, rel=1e-9)
    adds_up(told, rel=1e-6)


def test_weights_of_rock_alone_tell_of_rock_what_they_know() -> None:
    told = run_of(ROCK).as_dict()
    lumps = told["streams"]["lumps"]
    assert lumps["from"] == {"mass": "weights", "gold": "sheet"}
    assert lumps["mass_kg"] == pytest.approx(9.1, rel=2e-3)
    assert lumps["mass_kg_90"][1] < 9.15
    assert told["as_planned"]["streams"]["lumps"]["mass_kg"] > 9.16
    is_test(told["this_test"], None)
    assert told["this_test"]["gold_g"]["from"] == "sheet"


def test_a_share_of_rock_that_was_weighed_apart_is_the_weights() -> None:
    weights = "\nweighed: {lumps: {mass: 9.1 kg ± 10 g, gold: 0.15 g}, fines: {mass: 5.1 kg ± 10 g, gold: 0.2 g}}\n"
    told = run_of(QUICK.read_text(encoding="utf-8") + weights).as_dict()
    (row,) = (row for row in told["this_test"]["coarse"] if row["opening_mm"] == 20)
    assert row["mass_share"]["from"] == row["gold_share"]["from"] == "weights"
    assert row["mass_share"]["value"] == pytest.approx(9.1 / 14.2, rel=2e-3)
    assert told["this_test"]["gold_g"]["from"] == "weights"
    assert told["ore"]["grade_g_per_t"]["from"] == "weights"


def test_an_ore_without_gold_has_none_of_it() -> None:
    told = run_of(FACTORS.read_text(encoding="utf-8").replace("grade: 15 g/t", "grade: 0 g/t")).as_dict()
    assert told["this_test"] is None
