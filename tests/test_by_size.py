"""Rock and gold by size class of what the tests held: the estimate's, class by class, and no more than its streams."""

from __future__ import annotations

from pathlib import Path

import pytest
from sheets import ROOT, run_of, sheet_of

from flowsheet.show.report import grids
from flowsheet.show.run import files
from flowsheet.study.run.run import Run, run

SACK = ROOT / "examples" / "sack_test" / "sack3.yaml"
PILE = ROOT / "examples" / "pile" / "pile.yaml"


@pytest.fixture(scope="module", params=[SACK, pytest.param(PILE, marks=pytest.mark.slow)], ids=["a sack", "six tests"])
def weighed(request: pytest.FixtureRequest) -> Run:
    return run_of(Path(request.param))


def test_the_classes_of_a_stream_make_its_rock_and_its_gold(weighed: Run) -> None:
    test = weighed.this_test
    assert test is not None
    for name, one in test.streams.items():
        rows = test.sizes[name]
        assert len(rows) == len(weighed.solution.model.grid)
        assert sum(row.rock for row in rows) == pytest.approx(one.rock.mean, rel=1e-12)
        assert sum(row.gold for row in rows) == pytest.approx(one.gold.mean, rel=1e-12)
        assert min(min(row.light, row.heavy, row.free, row.locked) for row in rows) >= 0


def test_gold_of_the_ore_lies_above_an_opening_as_it_is_told(weighed: Run) -> None:
    test = weighed.this_test
    assert test is not None
    (ore,) = weighed.solution.model.sheet.ores
    for opening, (share, _) in test.coarse.items():
        above = sum(row.gold for row in test.sizes[ore] if row.lower >= opening * (1 - 1e-9))
        assert above / test.held.mean == pytest.approx(share.mean, abs=0.03)


def test_screens_part_rock_at_their_openings_in_the_estimate_too(weighed: Run) -> None:
    test, steps = weighed.this_test, weighed.solution.model.sheet.steps
    assert test is not None
    for step in steps.values():
        if step.parts_at_size and step.set_size is not None:
            over, size = test.sizes[step.stream(0)], step.set_size.value
            finer = sum(row.rock for row in over if row.upper is not None and row.upper <= size * (1 + 1e-9))
            assert finer < 0.2 * sum(row.rock for row in over)


def test_tables_and_files_have_it_beside_what_was_planned() -> None:
    found = run_of(SACK)
    rows = [row for row in found.to_rows("sizes") if row["stream"] == "tails"]
    planned = [row for row in found.to_rows("planned_sizes") if row["stream"] == "tails"]
    test = found.this_test
    assert test is not None
    gold = sum(row["free_g"] + row["locked_g"] for row in rows)
    assert gold == pytest.approx(1e3 * test.streams["tails"].gold.mean)
    assert sum(row["free_g"] + row["locked_g"] for row in planned) == pytest.approx(1e3 * found.streams["tails"].gold)
    assert found.flows["tails"].as_dict()["sizes"] == [row.as_dict() for row in test.sizes["tails"]]
    assert {"sizes.csv", "planned_sizes.csv"} <= files.run_files(found).keys()
    table = grids.by_size(found, ["tails"])
    unit = {"tails: gold, g": 1e3, "tails: gold, mg": 1e6}[table.columns[2].head]
    assert sum(row[2] for row in table.rows) == pytest.approx(unit * test.streams["tails"].gold.mean, rel=0.01)


def test_plain_data_has_classes_that_make_each_stream() -> None:
    for name, stream in run_of(SACK).as_dict()["streams"].items():
        rows = stream["sizes"]
        assert sum(row["free_g"] + row["locked_g"] for row in rows) == pytest.approx(stream["gold_g"], rel=1e-9)
        rock = sum(row["light_kg"] + row["heavy_kg"] for row in rows)
        if name not in ("in the mill", "button", "bead", "cupel loss"):  # which are metal alone
            assert rock == pytest.approx(stream["mass_kg"], rel=1e-9)


def test_without_weights_they_are_the_plan() -> None:
    text = SACK.read_text(encoding="utf-8").partition("weighed:")[0]
    found = run(sheet_of(text), certain=False)
    assert found.flows is found.streams


def test_a_sheet_without_sizes_has_one_class() -> None:
    found = run_of("""
ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 5 %}, recovery: {a: 80 %}}}
keep: [con]
weighed: {con: {gold: 0.1 g ± 5 mg}, tails: {gold: 30 mg ± 5 mg}}
""")
    test = found.this_test
    assert test is not None
    (row,) = test.sizes["con"]
    assert row.upper is None
    assert row.gold == pytest.approx(test.streams["con"].gold.mean)
