"""The commands end to end: what they print and write, their JSON, their exit codes, and what they say of mistakes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from commands import PNG, Command, Done, files_in, in_a_process
from sheets import sheet_of

from flowsheet import starters
from flowsheet.solve.propagate import solve
from flowsheet.study.run import run as run_study

CONFIGS = sorted(starters.folder().glob("*.yaml"))
QUICK = starters.folder() / "quick.yaml"
LOOP = starters.folder() / "closed_circuit.yaml"
FACTORS = starters.folder() / "factors.yaml"


# ── check ───────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("sheet", CONFIGS, ids=lambda path: path.stem)
def test_check_of_every_shipped_sheet(flowsheet: Command, sheet: Path) -> None:
    done = flowsheet("check", sheet)
    assert (done.code, done.err) == (0, "")
    assert "right" in done.out
    found = flowsheet("check", sheet, "--json").json
    text = yaml.safe_load(sheet.read_text(encoding="utf-8"))
    assert found["ok"] is True
    assert found["mistakes"] == []
    assert found["steps"] == len(text["steps"])
    assert found["loops"] == ([["plates", "sieve"]] if sheet.stem == "closed_circuit" else [])


def test_check_tells_where_streams_end(flowsheet: Command) -> None:
    told = "Ends: bead, specimens (kept); tails, slag, cupel loss (not kept).\n"
    assert flowsheet("check", QUICK).out.endswith(told)
    ends = flowsheet("check", QUICK, "--json").json["ends"]
    assert ends == {"kept": ["bead", "specimens"], "not_kept": ["tails", "slag", "cupel loss"]}


def test_check_of_a_sheet_that_keeps_all(flowsheet: Command, tmp_path: Path) -> None:
    text = "ore: {mass: 1 kg, grade: 9 g/t}\nsteps: {hold: {do: factors, takes: ore, gives: pile}}\nkeep: pile\n"
    (tmp_path / "all.yaml").write_text(text, encoding="utf-8")
    assert flowsheet("check", "all.yaml").out.splitlines()[-1] == "Ends: pile (kept)."


def test_check_names_the_loop(flowsheet: Command) -> None:
    assert "plates → sieve → plates" in flowsheet("check", LOOP).out


def test_check_counts_the_streams(flowsheet: Command) -> None:
    assert flowsheet("check", QUICK, "--json").json["streams"] == 13


# ── run ─────────────────────────────────────────────────────────────────────────────────────────────────────

NUMBER = (int, float)
STREAM = {"mass_kg": NUMBER, "gold_g": NUMBER, "grade_g_per_t": NUMBER, "mass_share": NUMBER, "gold_share": NUMBER,
          "free_share": NUMBER, "sizes": list}  # fmt: skip
SIZE = {"lower_mm": NUMBER, "light_kg": NUMBER, "heavy_kg": NUMBER, "free_g": NUMBER, "locked_g": NUMBER}
LOSS = {"stream": str, "gold_g": NUMBER, "share": NUMBER, "why": dict}
WHY = {"too_fine", "locked", "not_seen", "soaked_up", "caught", "other"}
CAUGHT = {"loop": list, "gold_g": NUMBER, "solids_kg": NUMBER, "circulating_load": NUMBER}
COARSE = {"opening_mm": NUMBER, "mass_share": NUMBER, "gold_share": NUMBER, "grade_g_per_t": NUMBER,
          "in_sight_share": NUMBER}  # fmt: skip


def assert_holds(block: dict[str, Any], wanted: dict[str, Any]) -> None:
    for key, kind in wanted.items():
        assert isinstance(block[key], kind), (key, block[key])
        assert not isinstance(block[key], bool)


@pytest.mark.parametrize("sheet", CONFIGS, ids=lambda path: path.stem)
def test_the_json_of_a_run_has_every_key_that_was_promised(told: Command, sheet: Path) -> None:
    done = told("run", sheet, "--json")
    assert (done.code, done.err) == (0, "")
    found = done.json
    sized = sheet.stem != "factors"
    for stream in found["streams"].values():
        assert_holds(stream, STREAM)
        assert len(stream["sizes"]) > 20 if sized else len(stream["sizes"]) == 1
        for size in stream["sizes"]:
            assert_holds(size, SIZE)
            assert isinstance(size["upper_mm"], NUMBER) if sized else size["upper_mm"] is None
        rows = stream["sizes"]
        assert [row["lower_mm"] for row in rows[:-1]] == [row["upper_mm"] for row in rows[1:]]
        gold = sum(row["free_g"] + row["locked_g"] for row in rows)
        assert gold == pytest.approx(stream["gold_g"], rel=1e-12, abs=1e-15)
    assert set(found["closure"]) == {"solids", "gold"}
    assert 0 <= max(found["closure"].values()) <= 1e-12
    assert_holds(found["kept"], {"gold_g": NUMBER, "share": NUMBER})
    for loss in found["losses"]:
        assert_holds(loss, LOSS)
        assert set(loss["why"]) == WHY
    assert [loss["gold_g"] for loss in found["losses"]] == sorted((x["gold_g"] for x in found["losses"]), reverse=True)
    for caught in found["caught"]:
        assert_holds(caught, CAUGHT)
        assert all(isinstance(step, str) for step in caught["loop"])
    assert bool(found["caught"]) == (sheet.stem == "closed_circuit")
    assert bool(found["coarse"]) == sized
    for row in found["coarse"]:
        assert_holds(row, COARSE)
    # All that is fed is kept, lost or caught.
    fed = sum(found["streams"][name]["gold_g"] for name in ores_of(sheet))
    lost = sum(loss["gold_g"] for loss in found["losses"])
    assert found["kept"]["gold_g"] + lost == pytest.approx(fed, rel=1e-12)
    assert found["kept"]["share"] == pytest.approx(found["kept"]["gold_g"] / fed, rel=1e-12)


def ores_of(sheet: Path) -> list[str]:
    text = yaml.safe_load(sheet.read_text(encoding="utf-8"))
    return list(text.get("ores", ["ore"]))


def test_the_coarse_rows_hold_the_sheet_s_own_openings(told: Command) -> None:
    rows = told("run", starters.folder() / "finer_screen.yaml", "--json").json["coarse"]
    openings = [row["opening_mm"] for row in rows]
    assert {25.4, 6.35, 3.175} <= set(openings)
    assert openings == sorted(openings, reverse=True)
    assert len(openings) > 3


@pytest.mark.parametrize("sheet", CONFIGS, ids=lambda path: path.stem)
def test_a_run_prints_the_balance_the_answers_and_the_cautions(told: Command, sheet: Path) -> None:
    done = told("run", sheet)
    assert (done.code, done.err) == (0, "")
    found = told("run", sheet, "--json").json
    lines = done.out.splitlines()
    assert max(map(len, lines)) <= 100
    title = yaml.safe_load(sheet.read_text(encoding="utf-8"))["title"]
    order = [title, "How much gold does the coarse fraction hold?", "What would a finer screen bring?",
             "Where is gold lost?", "Balance", "Balance closes to",
             "Local codes and licensed practice come first."]  # fmt: skip
    at = [next(i for i, line in enumerate(lines) if text in line) for text in order]
    assert at == sorted(at)
    for name in found["streams"]:
        assert any(line.strip().startswith(name) for line in lines)
    unwrapped = " ".join(done.out.split())
    for caution in found["cautions"]:
        assert caution in unwrapped
    for note in [*found["notes"], *found["warnings"]]:
        assert note in unwrapped


def test_the_answers_tell_the_numbers_of_the_json(told: Command) -> None:
    text = " ".join(told("run", QUICK).out.split())
    found = told("run", QUICK, "--json").json
    row = next(row for row in found["coarse"] if row["opening_mm"] == 20)
    assert f"{100 * row['mass_share']:.1f} % of the mass" in text
    ends = next(row for row in found["this_test"]["coarse"] if row["opening_mm"] == 20)["gold_share"]
    between = f"({100 * ends['low']:.0f} to {100 * ends['high']:.0f})"
    assert f"{100 * row['gold_share']:.1f} % {between} of the gold" in text
    tails = next(loss for loss in found["losses"] if loss["stream"] == "tails")
    assert f"{1e3 * tails['gold_g']:.1f} mg ({100 * tails['share']:.1f} %)" in text
    best = found["advice"][0]
    assert f"{best['setting']} " in text
    assert f"from {best['now']} to {best['then']}" in text
    finest = max(found["finer"], key=lambda row: row["gain_g"])
    assert f"at {finest['opening_mm']:g} mm in place of 20 mm" in text


@pytest.mark.slow
def test_out_writes_tables_and_pictures(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("run", QUICK, "--out", "deep/results", "--json")
    assert done.code == 0
    assert set(done.json) >= {"streams", "closure"}  # what was written is told on stderr
    folder = tmp_path / "deep" / "results"
    names = files_in(folder)
    assert {"balance.csv", "losses.csv", "sizes.csv", "coarse.csv", "finer.csv", "flow.svg", "flow.png",
            "sizes.png"} <= names  # fmt: skip
    assert all(name in done.err for name in names)
    assert (folder / "flow.png").read_bytes().startswith(PNG)
    assert files_in(tmp_path) == {f"deep/results/{name}" for name in names}


def test_a_run_without_out_writes_nothing(flowsheet: Command, tmp_path: Path) -> None:
    for arguments in (("run", FACTORS), ("run", FACTORS, "--json"), ("check", QUICK), ("schema",),
                      ("try", QUICK, "--set", "wash.passes=2")):  # fmt: skip
        assert flowsheet(*arguments).code == 0
    assert files_in(tmp_path) == set()


def test_runs_repeat_to_the_last_digit(told: Command, flowsheet: Command) -> None:
    assert flowsheet("run", LOOP, "--json").out == told("run", LOOP, "--json").out


# ── draw ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_draw_takes_the_format_from_the_ending(flowsheet: Command, tmp_path: Path) -> None:
    for name in ("a.svg", "b.png", "c.dot"):
        assert flowsheet("draw", QUICK, "-o", name).code == 0
    assert "<svg" in (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert (tmp_path / "b.png").read_bytes().startswith(PNG)
    assert (tmp_path / "c.dot").read_text(encoding="utf-8").startswith("digraph")


def test_draw_without_a_name_writes_an_svg_beside_you(flowsheet: Command, tmp_path: Path) -> None:
    assert flowsheet("draw", QUICK).code == 0
    assert flowsheet("draw", QUICK, "--sizes", "ore,tails").code == 0
    assert files_in(tmp_path) == {"quick.svg", "quick-sizes.png"}


def test_draw_json_names_what_was_written(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("draw", QUICK, "-o", "flow.svg", "--json")
    assert done.json["written"] == ["flow.svg"]
    done = flowsheet("draw", QUICK, "--sizes", " ore , tails,ore", "-o", "sizes.svg", "--json")
    assert done.json["written"] == ["sizes.svg"]
    assert files_in(tmp_path) == {"flow.svg", "sizes.svg"}


def test_a_pdf_needs_dot(flowsheet: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if shutil.which("dot"):
        assert flowsheet("draw", QUICK, "-o", "flow.pdf").code == 0
        assert (tmp_path / "flow.pdf").read_bytes().startswith(b"%PDF")
    monkeypatch.setenv("PATH", "")
    done = flowsheet("draw", QUICK, "-o", "other.pdf")
    assert (done.code, done.out) == (2, "")
    assert "other.pdf" in done.err
    assert ".svg" in done.err
    assert not (tmp_path / "other.pdf").exists()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("-o", "flow.jpg"), [".jpg", ".svg"]),
        (("-o", "flow"), [".svg"]),
        (("-o", "nowhere/flow.svg"), ["nowhere"]),
        (("-o", "."), ["directory"]),
        (("--sizes", "ore,tials"), ["tials", '"tails"']),
        (("--sizes", ","), ["ore,tails"]),
        (("--sizes", "ore,lumps,fines,crushed,powder,con,tails"), ["7", "6"]),
        (("--sizes", "ore", "-o", "sizes.doc"), [".doc", ".png"]),
    ],
)
def test_draw_says_what_is_wrong(flowsheet: Command, tmp_path: Path, arguments: tuple[str, ...],
                                 told: list[str]) -> None:  # fmt: skip
    done = flowsheet("draw", QUICK, *arguments)
    assert (done.code, done.out) == (2, "")
    assert all(text in done.err for text in told), done.err
    assert "Traceback" not in done.err
    assert files_in(tmp_path) == set()


def test_sizes_of_a_sheet_without_sizes(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("draw", FACTORS, "--sizes", "ore")
    assert (done.code, done.out) == (2, "")
    assert "sizes" in done.err
    assert files_in(tmp_path) == set()


def test_what_the_system_refuses_to_write_is_no_bug(flowsheet: Command, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    # A folder below a file, and a name longer than file systems take, cannot be made by root either.
    for arguments in (
        ("run", FACTORS, "--out", "file"),
        ("run", FACTORS, "--out", "file/folder"),
        ("try", QUICK, "--set", "wash.passes=2", "--out", "file/folder"),
        ("draw", QUICK, "-o", f"{'x' * 300}.svg"),
        ("draw", QUICK, "--sizes", "ore", "-o", f"{'x' * 300}.png"),
        ("new", f"{'x' * 300}.yaml"),
    ):
        done = flowsheet(*arguments)
        assert (done.code, done.out) == (2, ""), arguments
        assert "Traceback" not in done.err
        assert len(done.err.splitlines()) == 1
    assert files_in(tmp_path) == {"file"}
    assert (tmp_path / "file").read_text(encoding="utf-8") == "mine"


# ── try ─────────────────────────────────────────────────────────────────────────────────────────────────────


def trials(done: Done) -> list[dict[str, Any]]:
    assert (done.code, done.err) == (0, "")
    return list(done.json["trials"])


def kept_with(tmp_path: Path, **changed: dict[str, str]) -> float:
    """Solve the quick sheet with other numbers written into its file, g of gold kept."""
    sheet = yaml.safe_load(QUICK.read_text(encoding="utf-8"))
    for step, fields in changed.items():
        sheet["steps"][step].update(fields)
    path = tmp_path / "changed.yaml"
    path.write_text(yaml.safe_dump(sheet, allow_unicode=True), encoding="utf-8")
    from flowsheet.solve.model import Model

    kept = 1e3 * float(solve(Model.of(sheet_of(path), [0.02, 0.012, 0.006])).kept_gold)
    path.unlink()
    return kept


def test_try_solves_the_sheet_at_each_value(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("try", QUICK, "--set", "scalp.opening=20mm,12mm,6mm", "--json")
    rows = trials(done)
    assert [row["settings"] for row in rows] == [{"scalp.opening": x} for x in ("20mm", "12mm", "6mm")]
    for row, opening in zip(rows, ("20 mm", "12 mm", "6 mm"), strict=True):
        assert row["kept_g"] == pytest.approx(kept_with(tmp_path, scalp={"opening": opening}), rel=1e-12)
        assert row["gain_g"] == pytest.approx(row["kept_g"] - done.json["base"]["kept_g"], abs=1e-15)
    assert rows[0]["gain_g"] == pytest.approx(0, abs=1e-15)
    assert rows[2]["gain_g"] > rows[1]["gain_g"] > 0
    assert done.json["base"]["settings"] == {}


def test_try_takes_every_combination(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("try", QUICK, "--set", "scalp.opening=12mm,6mm", "--set", "wash.passes=1,2,3", "--json")
    rows = trials(done)
    assert [tuple(row["settings"].values()) for row in rows] == [
        (opening, passes) for opening in ("12mm", "6mm") for passes in ("1", "2", "3")
    ]
    last = kept_with(tmp_path, scalp={"opening": "6 mm"}, wash={"passes": "3"})
    assert rows[-1]["kept_g"] == pytest.approx(last, rel=1e-12)


@pytest.mark.parametrize(
    ("setting", "values"),
    [
        ("scalp.opening=5 mm to 20 mm in 3", ["5 mm", "10 mm", "20 mm"]),  # lengths: even in ratio
        ("scalp.opening=5 to 20 mm in 3", ["5 mm", "10 mm", "20 mm"]),
        ("look.care=50 % to 90 % in 3", ["50 %", "70 %", "90 %"]),
        ("wash.passes=1 to 4 in 4", ["1", "2", "3", "4"]),
        ("ore.mass=1000 kg to 3000 kg in 3", ["1000 kg", "2000 kg", "3000 kg"]),
        ("ore.mass=1234.5 kg to 1235.5 kg in 2", ["1234.5 kg", "1235.5 kg"]),
        ("ore.grade=10.1 g/t to 10.5 g/t in 3", ["10.1 g/t", "10.3 g/t", "10.5 g/t"]),
        ("ore.mass=1234.5 kg to 1235.5 kg in 3", ["1234.5 kg", "1235 kg", "1235.5 kg"]),
        ("look.care=0.9 to 0.5 in 3", ["0.9", "0.7", "0.5"]),
        ("powder.gap=0.1 mm to 0.8 mm in 4, 1 mm", ["0.1 mm", "0.2 mm", "0.4 mm", "0.8 mm", "1 mm"]),
        ("wash.d50=60 um, 90 um", ["60 um", "90 um"]),
        ("look.sees=20 mesh, 1/4 in", ["20 mesh", "1/4 in"]),
        ("ore.gold.d50=0.2 mm,0.4 mm", ["0.2 mm", "0.4 mm"]),
        ("steps.look.care=0.5", ["0.5"]),
    ],
)  # fmt: skip
def test_try_reads_lists_and_ranges(flowsheet: Command, setting: str, values: list[str]) -> None:
    name = setting.partition("=")[0]
    rows = trials(flowsheet("try", QUICK, "--set", setting, "--json"))
    assert [row["settings"] for row in rows] == [{name: value} for value in values]


def test_try_of_factors(flowsheet: Command) -> None:
    rows = trials(flowsheet("try", FACTORS, "--set", "look.recovery.picked=0 %,30 %", "--json"))
    # 0.75 g, of which 35 % is on the lumps.
    picked = [0.0, 0.3 * 0.35 * 0.75]
    for row, gold in zip(rows, picked, strict=True):
        assert row["kept_g"] == pytest.approx(gold + (0.75 - gold) * 0.775 * 0.99, rel=1e-12)


def test_try_prints_a_table_and_the_best(flowsheet: Command) -> None:
    done = flowsheet("try", QUICK, "--set", "wash.passes=1,2,3")
    assert (done.code, done.err) == (0, "")
    lines = done.out.splitlines()
    assert max(map(len, lines)) <= 100
    assert any(line.strip().startswith("as it is") for line in lines)
    assert "wash.passes = 3" in " ".join(done.out.split())


def test_try_says_why_it_draws_no_picture(flowsheet: Command, tmp_path: Path) -> None:
    several = [part for s in ("wash.passes=1,2", "look.care=0.5,0.9", "wash.light=1 %,2 %") for part in ("--set", s)]
    for settings, told in (
        (several, "3 settings move"), (["--set", "wash.passes=2"], "only one setting was tried"),
        (several[:4], None), (several[:2], None),
    ):  # fmt: skip
        done = flowsheet("try", QUICK, *settings, "--out", "trials")
        assert (tmp_path / "trials" / "trials.png").is_file() == (told is None)
        told_lines = [line for line in done.err.splitlines() if line.startswith("no picture: ")]
        assert len(told_lines) == (told is not None)
        assert told is None or told in told_lines[0]
        shutil.rmtree(tmp_path / "trials")


def test_help_says_how_ranges_are_spread(flowsheet: Command) -> None:
    text = " ".join(flowsheet("try", "--help").out.replace("│", " ").split())
    assert "lengths by ratio, others evenly" in text


def test_try_out_writes_a_table_and_a_plot(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("try", QUICK, "--set", "wash.passes=1,2", "--out", "trials", "--json")
    assert done.code == 0
    assert len(done.json["trials"]) == 2
    assert files_in(tmp_path) == {"trials/trials.csv", "trials/trials.png"}


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        (["sclap.opening=20mm"], ["sclap", '"scalp"']),
        (["scalp.openin=20mm"], ["openin", '"opening"']),
        (["melt.split.buton=0.5"], ["buton", '"button"']),
        (["scalp.opening=20"], ["20", "unit"]),
        (["scalp.opening=20 kg"], ["20 kg", "length"]),
        (["scalp.opening="], ["scalp.opening=20mm,12mm"]),
        (["scalp.opening"], ["scalp.opening=20mm,12mm"]),
        (["=20mm"], ["scalp.opening=20mm,12mm"]),
        ([""], ["scalp.opening=20mm,12mm"]),
        (["scalp.opening=20mm,,12mm"], ["scalp.opening"]),
        (["scalp=20mm"], ["scalp"]),
        (["scalp.opening=20mm", "scalp.opening=12mm"], ["commas"]),
        (["scalp.opening=5 mm to 20 kg in 3"], ["unit"]),
        (["scalp.opening=5 mm to 20 mm"], ["how many", "5 mm to 20 mm in 4"]),
        (["scalp.opening=20 mm to 5 mm"], ["how many", "20 mm to 5 mm in 4"]),
        (["look.care=0.5, 0.7 to 0.9"], ["how many", "0.7 to 0.9 in 4"]),
        (["scalp.opening=#20 to #10"], ["how many", "#20 to #10 in 4"]),
        (["scalp.opening=5 mm to 20 mm in 1"], ["range"]),
        (["scalp.opening=5 mm to 5 mm in 3"], ["same"]),
        (["scalp.opening=a to b in 3"], ["range"]),
        (["wash.passes=1 to 9999 in 9999", "look.care=0.1 to 0.9 in 9"], ["10000"]),
        (["look.care=120 %"], ["look.care", "100 %"]),
        (["wash.light=-1 %"], ["wash.light"]),
        (["wash.passes=1.5"], ["wash.passes"]),
        (["ore.grade=many"], ["ore.grade", "g/t"]),
        (["ore.sizes.0.sieve=20mm"], ["ore.sizes"]),
        (["keep=tails"], ["keep"]),
        (["scalp.do=scren"], ["scren", '"screen"']),
    ],
)
def test_try_says_what_is_wrong_with_a_setting(
    flowsheet: Command, tmp_path: Path, settings: list[str], told: list[str]
) -> None:
    done = flowsheet("try", QUICK, *(part for setting in settings for part in ("--set", setting)), "--out", "trials")
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("--set")
    assert all(text in done.err for text in told), done.err
    assert "Traceback" not in done.err
    assert files_in(tmp_path) == set()


def test_try_without_a_setting(flowsheet: Command) -> None:
    done = flowsheet("try", QUICK)
    assert (done.code, done.out) == (2, "")
    assert "--set" in done.err


# ── new, schema, help ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", starters.starters())
def test_new_writes_each_shipped_sheet_and_it_is_right(flowsheet: Command, tmp_path: Path, name: str) -> None:
    done = flowsheet("new", "mine.yaml", "--like", name)
    assert done.code == 0
    assert "mine.yaml" in done.out
    shipped = starters.folder() / f"{name}.yaml"
    assert (tmp_path / "mine.yaml").read_bytes() == shipped.read_bytes()
    assert flowsheet("check", "mine.yaml").code == 0


def test_new_begins_with_the_quick_test(flowsheet: Command, tmp_path: Path) -> None:
    assert flowsheet("new", "mine.yaml", "--json").json["written"] == ["mine.yaml"]
    assert (tmp_path / "mine.yaml").read_bytes() == QUICK.read_bytes()
    assert "#" in (tmp_path / "mine.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("there.yaml",), ["there.yaml", "already"]),
        (("mine.yaml", "--like", "quik"), ["quik", '"quick"']),
        (("mine.yaml", "--like", "../configs/quick"), ["quick"]),
        (("nowhere/mine.yaml",), ["nowhere"]),
        (("folder",), ["directory"]),
    ],
)
def test_new_refuses(flowsheet: Command, tmp_path: Path, arguments: tuple[str, ...], told: list[str]) -> None:
    (tmp_path / "there.yaml").write_text("mine", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    done = flowsheet("new", *arguments)
    assert (done.code, done.out) == (2, "")
    assert all(text in done.err for text in told), done.err
    assert files_in(tmp_path) == {"there.yaml"}
    assert (tmp_path / "there.yaml").read_text(encoding="utf-8") == "mine"


def test_schema_takes_the_shipped_sheets_and_refuses_a_wrong_one(flowsheet: Command) -> None:
    done = flowsheet("schema", "--json")
    assert done.code == 0
    assert done.out == flowsheet("schema").out
    validator = jsonschema.validators.validator_for(done.json)(done.json)
    for sheet in CONFIGS:
        validator.validate(yaml.safe_load(sheet.read_text(encoding="utf-8")))
    wrong = yaml.safe_load(QUICK.read_text(encoding="utf-8"))
    wrong["steps"]["scalp"]["opning"] = wrong["steps"]["scalp"].pop("opening")
    assert list(validator.iter_errors(wrong))


@pytest.mark.parametrize("command", ["check", "run", "draw", "try", "new", "schema"])
def test_each_command_has_help_and_json(flowsheet: Command, command: str) -> None:
    done = flowsheet(command, "--help")
    assert done.code == 0
    assert "--json" in done.out
    assert command in flowsheet("--help").out


@pytest.mark.parametrize("arguments", [("runn", QUICK), ("run",), ("run", QUICK, "--jsno"), ("run", QUICK, QUICK)])
def test_a_wrong_command_line_exits_with_2(flowsheet: Command, arguments: tuple[str, ...], tmp_path: Path) -> None:
    done = flowsheet(*arguments)
    assert (done.code, done.out) == (2, "")
    assert done.err
    assert files_in(tmp_path) == set()


# ── faulty sheets ───────────────────────────────────────────────────────────────────────────────────────────

#: What is changed in the quick sheet, what the mistake is called, and what the remedy names.
FAULTS: dict[str, tuple[str, str, str, str]] = {
    "misspelt stream": ("takes: lumps,", "takes: lups,", "steps.look.takes", '"lumps"'),
    "misspelt kind": ("do: screen, ", "do: scren, ", "steps.scalp.do", '"screen"'),
    "misspelt field": ("opening: 20 mm", "openin: 20 mm", "steps.scalp.openin", '"opening"'),
    "misspelt outlet": ("{oversize: lumps", "{oversise: lumps", "steps.scalp.gives.oversise", '"oversize"'),
    "no unit": ("opening: 20 mm", "opening: 20", "steps.scalp.opening", "20 mm"),
    "wrong unit": ("opening: 20 mm", "opening: 20 kg", "steps.scalp.opening", "20 mm"),
    "ambiguous unit": ("grade: 22 g/t ± 8 g/t", "grade: 0.6 oz/t", "ore.grade", "oz/ton"),
    "decimal comma": ("setting: 6 mm", "setting: '6,5 mm'", "steps.break.setting", "6.5"),
    "negative": ("opening: 20 mm", "opening: -20 mm", "steps.scalp.opening", "without"),
    "share over one": ("heavies: 4 %", "heavies: 104 %", "ore.heavies", "100 %"),
    "kept stream is none": ("keep: [bead, specimens]", "keep: [bed, specimens]", "keep.0", '"bead"'),
    "kept stream goes on": ("keep: [bead, specimens]", "keep: [bead, lumps]", "keep.1", "no step takes"),
    "no ore": ("ore:\n", "oar:\n", "", "ore"),
    "given twice": ("undersize: fines}", "undersize: lumps}", "steps.scalp.gives.undersize", "lumps 2"),
    "tab": ("  mass: 14.2 kg", "\tmass: 14.2 kg", "", "blanks"),
    "open bracket": ("keep: [bead, specimens]", "keep: [bead, specimens", "", "]"),
    "number that is none": ("slope: 0.7", "slope: nan", "ore.sizes.slope", "0.7"),
}


def faulty(folder: Path, fault: str) -> Path:
    old, new, _, _ = FAULTS[fault]
    text = QUICK.read_text(encoding="utf-8")
    assert text.count(old) == 1, fault
    path = folder / "faulty.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_sheet_is_told_and_nothing_is_written(flowsheet: Command, tmp_path: Path, fault: str) -> None:
    sheet = faulty(tmp_path, fault)
    _, new, field, remedy = FAULTS[fault]
    line = next(i for i, text in enumerate(sheet.read_text(encoding="utf-8").splitlines(), 1)
                if new.splitlines()[0] in text)  # fmt: skip
    for arguments in (
        ("check", sheet),
        ("run", sheet, "--out", "results"),
        ("run", sheet, "--json"),
        ("draw", sheet, "-o", "flow.svg"),
        ("draw", sheet, "--sizes", "tails", "-o", "sizes.png"),
        ("try", sheet, "--set", "wash.passes=1,2", "--out", "trials"),
        ("try", sheet, "--set", "wash.passes=1,2", "--json"),
    ):
        done = flowsheet(*arguments)
        assert done.code == 2
        if "--json" in arguments:
            told = [text for text in done.err.splitlines() if text.startswith(f"{sheet}:")]
            assert (done.json["ok"], len(done.json["mistakes"])) == (False, len(told))
        else:
            assert done.out == "", arguments
        first = done.err.splitlines()[0]
        place = re.match(rf"{re.escape(str(sheet))}:(\d+):(\d+):", first)
        assert place is not None, first
        mentioned = [text for text in done.err.splitlines() if field in text and remedy in text]
        assert mentioned, done.err
        if field:
            assert f":{line}:" in mentioned[0]
        assert "Traceback" not in done.err
    assert files_in(tmp_path) == {"faulty.yaml"}


@pytest.mark.parametrize("fault", FAULTS)
def test_check_json_lists_the_mistakes(flowsheet: Command, tmp_path: Path, fault: str) -> None:
    done = flowsheet("check", faulty(tmp_path, fault), "--json")
    assert done.code == 2
    assert done.json["ok"] is False
    mistakes = done.json["mistakes"]
    assert mistakes
    assert all(mistake["remedy"] in done.err for mistake in mistakes)
    _, _, field, remedy = FAULTS[fault]
    assert any(m["field"] == field and remedy in m["remedy"] for m in mistakes) or not field
    for mistake in mistakes:
        assert_holds(mistake, {"message": str, "remedy": str, "field": str, "file": str, "line": int, "column": int,
                               "code": str})  # fmt: skip
        assert mistake["message"]
        assert mistake["remedy"]


def test_all_mistakes_are_told_at_once(flowsheet: Command, tmp_path: Path) -> None:
    text = QUICK.read_text(encoding="utf-8")
    for old, new in (("opening: 20 mm", "opening: 20"), ("do: sort,  ", "do: srot,  "), ("gap: 0.2 mm", "gap: 2 kg"),
                     ("keep: [bead,", "keep: [bed,")):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "faulty.yaml").write_text(text, encoding="utf-8")
    found = flowsheet("check", "faulty.yaml", "--json").json["mistakes"]
    assert {"steps.scalp.opening", "steps.look.do", "steps.powder.gap", "keep.0"} <= {m["field"] for m in found}
    lines = [mistake["line"] for mistake in found]
    assert lines == sorted(lines)
    done = flowsheet("run", "faulty.yaml")
    assert len(done.err.splitlines()) == len(found) + 2  # how many there are, and what to read
    assert f"{len(found)} mistakes" in done.err


@pytest.mark.parametrize("name", ["missing.yaml", "folder", "folder/"])
def test_a_file_that_is_no_sheet(flowsheet: Command, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    for command in ("check", "run", "draw"):
        done = flowsheet(command, name)
        assert (done.code, done.out) == (2, "")
        assert name.rstrip("/") in done.err
        assert "Traceback" not in done.err


def test_a_loop_that_nothing_leaves_names_itself(flowsheet: Command, tmp_path: Path) -> None:
    sheet = LOOP.read_text(encoding="utf-8").replace(
        "opening: 0.5 mm}", "opening: 0.5 mm, split: {oversize: 100 %}, recovery: {oversize: 100 %}}"
    )
    (tmp_path / "stuck.yaml").write_text(sheet, encoding="utf-8")
    line = next(n for n, row in enumerate(sheet.splitlines(), 1) if row.strip().startswith("plates:"))
    for command in ("check", "run", "draw"):
        done = flowsheet(command, "stuck.yaml")
        assert (done.code, done.out) == (2, "")
        assert done.err.startswith(f"stuck.yaml:{line}:3: steps.plates: nothing ever leaves the loop")
        assert "plates → sieve → plates" in done.err
        assert "Traceback" not in done.err
    assert files_in(tmp_path) == {"stuck.yaml"}


def test_check_refuses_what_run_refuses(flowsheet: Command, tmp_path: Path) -> None:
    (tmp_path / "round.yaml").write_text("""
ore: {mass: 10 kg, grade: 50 g/t}
steps:
  s: {do: factors, takes: [ore, o], gives: {a: o, b: u}, split: {a: 100 %}}
keep: [u]
""", encoding="utf-8")  # fmt: skip
    for command in ("check", "run"):
        done = flowsheet(command, "round.yaml")
        assert (done.code, done.out) == (2, "")
        assert done.err.startswith("round.yaml:4:3: steps.s: nothing ever leaves the loop s → s.")
    done = flowsheet("check", "round.yaml", "--json")
    assert (done.json["ok"], done.json["mistakes"][0]["line"]) == (False, 4)
    # A setting that makes it so is not in the file.
    done = flowsheet("try", "round.yaml", "--set", "s.split.a=50 %")
    assert done.code == 2
    (tmp_path / "open.yaml").write_text((tmp_path / "round.yaml").read_text().replace("100 %", "50 %"))
    done = flowsheet("try", "open.yaml", "--set", "s.split.a=100 %")
    assert done.code == 2
    assert "open.yaml: steps.s: nothing ever leaves" in done.err


# ── as a program ────────────────────────────────────────────────────────────────────────────────────────────


def test_as_a_program(tmp_path: Path) -> None:
    done = in_a_process("run", FACTORS, cwd=tmp_path)
    assert (done.code, done.err) == (0, "")
    assert "Where is gold lost?" in done.out
    sheet = faulty(tmp_path, "misspelt stream")
    done = in_a_process("run", sheet, cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert re.match(rf"{re.escape(str(sheet))}:\d+:\d+: steps\.look\.takes:", done.err)


HELD_BACK = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
"""An environment in which a short answer is written at the very end, as it is by default."""


def one_of_many(*cases: tuple[str, ...]) -> list[Any]:
    """Return cases of which each is a process of its own: the first always, the others in the slow stage."""
    return [cases[0], *(pytest.param(case, marks=pytest.mark.slow) for case in cases[1:])]


TRIED = ("try", "--set", "look.recovery.picked=0 %,30 %")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device here is always full")
@pytest.mark.parametrize(
    "arguments", [("check",), *one_of_many(("run",), ("run", "--json"), ("check", "--json"), TRIED)]
)
def test_a_full_disk_is_told(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    command, *options = arguments
    with Path("/dev/full").open("w") as full:
        done = subprocess.run([sys.executable, "-m", "flowsheet", command, str(FACTORS), *options], cwd=tmp_path,
                              stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False,
                              env=HELD_BACK)  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("The answer cannot be written (")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.skipif(os.name == "nt", reason="pipes end otherwise there")
@pytest.mark.parametrize(
    "arguments", [("schema",), *one_of_many(("run",), ("run", "--json"), ("check",), ("draw", "--json"))]
)
def test_a_reader_that_leaves_ends_it_quietly(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    command, *options = arguments
    reader, writer = os.pipe()
    os.close(reader)
    sheet = [] if command == "schema" else [str(FACTORS)]
    try:
        done = subprocess.run([sys.executable, "-m", "flowsheet", command, *sheet, *options], cwd=tmp_path,
                              stdout=writer, stderr=subprocess.PIPE, encoding="utf-8", check=False,
                              env=HELD_BACK)  # fmt: skip
    finally:
        os.close(writer)
    assert done.returncode == 141
    assert "rror" not in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="no shell here can close its output")
def test_a_closed_output_is_no_bug(tmp_path: Path) -> None:
    script = f'"{sys.executable}" -m flowsheet check "{QUICK}" >&-'
    done = subprocess.run(["sh", "-c", script], cwd=tmp_path, stderr=subprocess.PIPE, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, "")


ROUND = """
ore: {mass: 10 kg, grade: 50 g/t}
steps:
  plates: {do: factors, takes: [ore, coarse], gives: {a: ground}}
  sieve: {do: factors, takes: ground, gives: {a: coarse, b: fine}, split: {a: 30 %}}
keep: [fine]
"""


def test_on_a_terminal_without_arrows(tmp_path: Path) -> None:
    (tmp_path / "round.yaml").write_text(ROUND, encoding="utf-8")
    done = in_a_process("run", "round.yaml", cwd=tmp_path, PYTHONIOENCODING="ascii")
    assert (done.code, done.err) == (0, "")
    assert "plates ? sieve" in done.out
    sheet = tmp_path / "odd.yaml"
    sheet.write_text(FACTORS.read_text(encoding="utf-8").replace("tails", "Rückstände →"), encoding="utf-8")
    found = in_a_process("run", sheet, "--json", cwd=tmp_path, PYTHONIOENCODING="ascii")
    assert found.code == 0
    assert "Rückstände →" in found.json["streams"]


SORT_IN_A_LOOP = """
ore: {mass: 10 kg, grade: 9 g/t ± 2 g/t, sizes: {top: 60 mm, p80: 35 mm}, gold: {d50: 0.2 mm, d95: 0.8 mm}}
steps:
  jaws: {do: jaw_crush, takes: [ore, back], gives: broken, setting: 15 mm}
  sieve: {do: screen, takes: broken, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  look: {do: sort, takes: lumps, gives: {picked: specimens, left: back}}
keep: [specimens, fines]
"""


def test_what_takes_long_is_told_before_it_begins(flowsheet: Command, tmp_path: Path) -> None:
    (sheet := tmp_path / "loop.yaml").write_text(SORT_IN_A_LOOP, encoding="utf-8")
    done = flowsheet("chance", sheet, "--draws", "10", "--json")
    assert done.err.startswith("look: in a loop")
    assert "split" in done.err
    assert done.code == 0
    assert flowsheet("chance", LOOP, "--draws", "10", "--json").err == ""
    given = SORT_IN_A_LOOP.replace("left: back}", "left: back}, split: {picked: 5 %}, recovery: {picked: 30 %}")
    sheet.write_text(given, encoding="utf-8")
    assert flowsheet("chance", sheet, "--draws", "10", "--json").err == ""


def test_a_bug_exits_with_1_and_a_traceback(tmp_path: Path) -> None:
    script = f"""
        import sys
        from flowsheet.study.run import run
        def broken(sheet, certain):
            raise ZeroDivisionError("a bug")
        run.run = broken
        sys.argv = ["flowsheet", "run", {str(QUICK)!r}, "--out", "results"]
        from flowsheet.cli import main
        main()
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], cwd=tmp_path, capture_output=True,
                          encoding="utf-8", check=False, timeout=60)  # fmt: skip
    assert done.returncode == 1
    assert done.stdout == ""
    assert "Traceback" in done.stderr
    assert "ZeroDivisionError: a bug" in done.stderr
    assert files_in(tmp_path) == set()


def test_a_bug_is_not_mistaken_for_a_mistake(flowsheet: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(sheet: object, certain: object) -> None:
        raise ValueError("a bug")

    monkeypatch.setattr(run_study, "run", broken)
    with pytest.raises(ValueError, match="a bug"):
        flowsheet("run", QUICK)
