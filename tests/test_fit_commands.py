"""The fitted sheet, forecasts from it, and the commands fit and try --fitted."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from commands import Command
from sheets import sheet_of

from flowsheet.show.estimate import fit_words, fitted
from flowsheet.show.trials import forecasts
from flowsheet.solve.model import rebuild
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml.marked_document import parse
from flowsheet.study.common.uncertain_inputs import doubtful
from flowsheet.study.estimate.corrected_draws import MARK
from flowsheet.study.estimate.fit import Fitted, fit
from flowsheet.study.estimate.fitted_sheet import fitted_text
from flowsheet.study.trials import forecast
from flowsheet.study.trials.trials import parse_settings

PNG = b"\x89PNG\r\n\x1a\n"

SHEET = """\
# Invented, all of it.
title: An invented sack
ore:
  mass: 14.2 kg ± 20 g
  grade: "22 g/t ± 8 g/t"    # a guess
  sizes: {top: 60 mm, p80: 35 mm, slope: 0.7}
  heavies: 3 % to 8 %
  gold: {d50: 0.2 mm, d95: 0.8 mm, fineness: 870}
steps:
  powder: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm ± 30 %}
  wash:   {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}, d50: 60 um ± 20 um}   # by hand
keep: [con]
weighed:
  tails: {mass: 13.8 kg ± 20 g, grade: 3.0 g/t ± 0.3 g/t}
  con:   {mass: 420 g ± 1 g, gold: 0.26 g ± 3 mg}
  powder: {passing: {150 um: 62 % ± 1 %}}
"""


def fitted_of(text: str) -> Fitted:
    return fit(sheet_of(text))


# ── numbers as they were written ────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "dimension", "value", "sd", "written"),
    [
        ("22 g/t ± 8 g/t", units.GRADE, 19.4234e-6, 2.13e-6, "19.4 g/t ± 2.1 g/t"),
        ("22 ± 8 g/t", units.GRADE, 1e-5, 1e-6, "10.0 g/t ± 1.0 g/t"),
        ("14.2 kg ± 20 g", units.MASS, 14.19874, 0.0123, "14.199 kg ± 12 g"),
        ("0.65 oz/ton ± 30 %", units.GRADE, 19.4e-6, 2e-6, "0.566 oz/ton ± 0.058 oz/ton"),
        ("870 ± 20", units.FINENESS, 861.3, 19.2, "861 ± 19"),
        ("22 ct ± 1 ct", units.FINENESS, 900.0, 10.0, "21.60 ct ± 0.24 ct"),
        ("0.7 to 0.9", units.SHARE, 0.8123, 0.0345, "0.812 ± 0.035"),
        ("70 % to 85 %", units.SHARE, 0.8123, 0.0345, "81.2 % ± 3.5 %"),
        ("0 to 5 %", units.SHARE, 0.0123, 0.001, "1.23 % ± 0.10 %"),
        ("82 % ± 5 %", units.SHARE, 0.9991, 0.012, "99.9 % ± 1.2 %"),
        ("20 mm to 1 in", units.LENGTH, 0.0222, 0.0012, "22.2 mm ± 1.2 mm"),
        ("20 to 25 mm", units.LENGTH, 0.0222, 0.0012, "22.2 mm ± 1.2 mm"),
        ("1/2 in ± 0.1 in", units.LENGTH, 0.0131, 0.002, "0.516 in ± 0.079 in"),
        ("½ in ± 5 %", units.LENGTH, 0.0131, 0.0003, "0.516 in ± 0.012 in"),
        ("#20 ± 0.1 mm", units.LENGTH, 8.4e-4, 1e-5, "0.840 mm ± 0.010 mm"),
        ("20 mesh ± 10 %", units.LENGTH, 8.3e-4, 1e-5, "0.830 mm ± 0.010 mm"),
        ("1200 g +/- 100 g", units.MASS, 1.3, 0.09, "1300 g ± 90 g"),
        ("0.3 mm ± 0.05 mm", units.LENGTH, 3.00012e-4, 1.7e-7, "0.30001 mm ± 0.00017 mm"),
    ],
)
def test_a_number_is_written_as_it_was(text: str, dimension: Any, value: float, sd: float, written: str) -> None:
    new = number_with_doubt.parse(text, dimension).rewritten(value, sd)
    told = new.text
    assert told == written
    again = number_with_doubt.parse(told, dimension)
    assert again.value == pytest.approx(value, abs=0.06 * sd + 0.005 * value)
    assert again.sd == pytest.approx(sd, rel=0.06)
    # Rewritten, it holds what its text says.
    assert (new.value, new.sd, new.law) == (value, sd, number_with_doubt.NORMAL)
    assert (new.unit, new.doubt_unit) == (again.unit, again.doubt_unit)


def test_one_end_of_an_interval_is_told_as_finely_as_the_doubt() -> None:
    assert str(number_with_doubt.parse("14.2 kg ± 20 g", units.MASS).told(14.15501, 0.012)) == "14.155 kg"


# ── the fitted sheet ────────────────────────────────────────────────────────────────────────────────────────


def text_with(source: str, changes: dict[str, tuple[float, float]]) -> str:
    document = parse(source, "sheet.yaml")
    return fitted_text(document, source, rebuild(document), changes)


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_only_what_is_named_changes(end: str) -> None:
    source = SHEET.replace("\n", end)
    text = text_with(source, {"ore.grade": (2e-5, 1e-6), "ore.heavies": (0.05, 0.01), "wash.d50": (5e-5, 1e-5)})
    first, *lines = text.split(end)
    assert first.startswith(MARK)
    assert "sheet.yaml" in first
    old = source.split(end)
    assert [i for i, (a, b) in enumerate(zip(old, lines, strict=True)) if a != b] == [4, 6, 10]
    assert lines[4] == '  grade: "20.0 g/t ± 1.0 g/t"    # a guess'
    assert lines[10].endswith("d50: 50.0 um ± 10 um}   # by hand")


def test_an_anchor_keeps_its_name_and_an_alias_is_refused_where_it_would_lie() -> None:
    source = SHEET.replace("0.2 mm ± 30 %", "&size 0.2 mm ± 30 %").replace("d50: 60 um ± 20 um", "d50: *size")
    with pytest.raises(SheetError, match="alias"):
        text_with(source, {"powder.gap": (2.1e-4, 1e-5), "wash.d50": (6e-5, 1e-5)})
    alone = SHEET.replace("0.2 mm ± 30 %", "&size 0.2 mm ± 30 %")
    assert "gap: &size 0.210 mm ± 0.010 mm}" in text_with(alone, {"powder.gap": (2.1e-4, 1e-5)})


def test_signs_that_stand_for_others_are_refused() -> None:
    source = SHEET.replace('"22 g/t ± 8 g/t"', '"22 g/t \\u00b1 8 g/t"')
    with pytest.raises(SheetError, match="Write it plainly"):
        text_with(source, {"ore.grade": (2e-5, 1e-6)})


def test_a_number_over_two_lines_is_replaced_as_a_whole() -> None:
    source = SHEET.replace('"22 g/t ± 8 g/t"    # a guess', "22 g/t\n    ± 8 g/t")
    assert "  grade: 20.0 g/t ± 1.0 g/t\n  sizes:" in text_with(source, {"ore.grade": (2e-5, 1e-6)})


def test_letters_of_any_alphabet_before_a_number_do_not_shift_it() -> None:
    source = SHEET.replace("{do: pan,", '{note: "½ ü 金 🪙", do: pan,')
    assert '{note: "½ ü 金 🪙", do: pan, ' in text_with(source, {"wash.d50": (5e-5, 1e-5)})
    assert "d50: 50.0 um ± 10 um}   # by hand" in text_with(source, {"wash.d50": (5e-5, 1e-5)})


def test_factors_by_size_are_found_in_their_place() -> None:
    source = """\
ore: {mass: 1 kg, grade: 1 g/t, sizes: {top: 4 mm, p80: 2 mm}}
steps:
  s:
    {do: factors, takes: ore, gives: {x: x, y: y}, split: {x: {"+1 mm": 20 % ± 1 %, "-1 mm": 30 % ± 2 %}},
     recovery: {x: 10 %}}
keep: x
"""
    text = text_with(source, {"s.split.x.1": (0.25, 0.01)})
    assert '"+1 mm": 20 % ± 1 %, "-1 mm": 25.0 % ± 1.0 %' in text


# ── forecasts ───────────────────────────────────────────────────────────────────────────────────────────────


def forecasts_of(text: str, *settings: str, seed: int = 1) -> forecast.Forecasts:
    return forecast.run_forecasts(parse(text, "sheet.yaml"), parse_settings(settings), seed)


def test_gains_are_of_the_same_draws() -> None:
    found = forecasts_of(SHEET, "wash.passes=1,2")
    same, twice = found.rows
    # What changes nothing gains nothing, in every draw: the doubt that both share falls out.
    assert (same.gain.value, same.gain.p5, same.gain.p95, same.better) == (0, 0, 0, 0)
    assert same.kept == found.base.kept
    assert found.base.kept.p5 < found.base.kept.value < found.base.kept.p95
    assert twice.gain.p5 > 0
    assert twice.better == 1
    # Nothing gains more than there was to gain.
    lost = found.base.kept.value / found.base.kept_share.value - found.base.kept.value
    assert twice.gain.value < lost


def test_forecasts_repeat_by_their_seed() -> None:
    first, again, other = (forecasts_of(SHEET, "wash.passes=2", seed=seed).rows[0] for seed in (3, 3, 4))
    assert first == again
    assert first.kept.p5 != other.kept.p5
    assert first.kept.p5 == pytest.approx(other.kept.p5, rel=0.02)


def test_what_was_kept_is_what_was_weighed() -> None:
    """Gold in the concentrate was weighed: what lies on the bench does not hang on any pan of a book."""
    found = forecasts_of(SHEET, "wash.passes=2").base.kept
    assert found.value == pytest.approx(0.26e-3, rel=0.01)
    assert 0.7 < (found.p95 - found.p5) / (2 * 1.645 * 3e-6) < 1.1


def test_a_trial_may_set_what_is_in_doubt() -> None:
    found = forecasts_of(SHEET, "wash.d50=60um,60 um ± 20 um,30um")
    sharp, wide, fine = found.rows
    assert fine.kept.value > sharp.kept.value
    # As it stands in the sheet it is taken as the estimate has it.
    assert wide.kept == found.base.kept


def test_a_gain_that_may_be_none_is_hardly_worth_it() -> None:
    now = next(p for p in fitted_of(SHEET).parameters if p.name == "wash.d50")
    found = forecasts_of(SHEET, f"wash.d50={0.9e6 * now.value:.4g}um")
    assert found.rows[0].gain.p5 < 0 < found.rows[0].gain.value
    assert "Hardly worth it: it may as well gain nothing." in list(forecasts.best_forecast(found))
    assert "That is worth trying" in " ".join(forecasts.best_forecast(forecasts_of(SHEET, "wash.d50=5um")))
    none = " ".join(forecasts.best_forecast(forecasts_of(SHEET, "wash.d50=200um")))
    assert none.startswith("None of these would have kept more")


def test_more_gold_fed_takes_the_luck_of_the_sack_along() -> None:
    found = forecasts_of(SHEET, "ore.mass=28.4kg")
    (twice,) = found.rows
    assert twice.kept.value == pytest.approx(2 * found.base.kept.value, rel=0.02)


# ── words ───────────────────────────────────────────────────────────────────────────────────────────────────


def test_every_parameter_is_told_of_by_name() -> None:
    found = fitted_of(SHEET)
    text = " ".join(answer for _, answer in fit_words.answers(found))
    for p in found.parameters:
        assert p.name in text
    told = {row[0]: row[4] for row in fitted.parameters(found).rows}
    assert set(told) > set(doubtful(found.sheet))
    assert told["ore.grade"] == "moved it"
    assert told["ore.gold.d95"] in ("moved it", "are silent")


def test_a_doubt_that_nobody_wrote_is_told_as_assumed() -> None:
    rows = {row[0]: row for row in fitted.parameters(fitted_of(SHEET)).rows}
    assert rows["ore.grade"][1] == "22 g/t ± 8 g/t"
    assert re.fullmatch(r"0\.2 mm \(± 0\.\d+ mm\)", rows["ore.gold.d50"][1])


# ── commands ────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def flowsheet(flowsheet: Command, tmp_path: Path) -> Command:
    """Run a command in this process, beside the sheet."""
    (tmp_path / "sheet.yaml").write_text(SHEET, encoding="utf-8")
    return flowsheet


def test_fit_writes_a_sheet_that_runs_and_gives_the_estimate_back(flowsheet: Command) -> None:
    done = flowsheet("fit", "sheet.yaml", "--json")
    assert done.code == 0
    assert done.json["written"] == "sheet.fitted.yaml"
    text = Path("sheet.fitted.yaml").read_text(encoding="utf-8")
    for one in done.json["parameters"].values():
        assert one["after"]["text"] in text or not one["moved"]
        assert one["after"]["p5"] < one["after"]["value"] < one["after"]["p95"]
    before, after = (flowsheet("run", name, "--json").json for name in ("sheet.yaml", "sheet.fitted.yaml"))
    for told in (before, after):
        assert told["fitted"]
        assert told["weighed"]
    one, other = after["this_test"]["gold_g"], before["this_test"]["gold_g"]
    assert one["from"] == other["from"] == "weights"
    assert one["value"] == pytest.approx(other["value"], rel=1e-6)
    for one in done.json["measurements"]:
        if one["what"] == "gold":
            gold = after["streams"][one["stream"]]["gold_g"]
            assert gold == pytest.approx(1e3 * one["fitted"], rel=1e-6)
    assert set(done.json) == {"version", "sheet_sha256", "seed", "parameters", "slack", "measurements",
                              "not_told_apart", "would_tell", "notes", "written"}  # fmt: skip


def test_fit_never_writes_over_what_no_fit_has_written(flowsheet: Command) -> None:
    assert flowsheet("fit", "sheet.yaml").code == 0
    assert flowsheet("fit", "sheet.yaml").code == 0  # over its own
    Path("mine.yaml").write_text("# mine\n", encoding="utf-8")
    for target in ("mine.yaml", "sheet.yaml"):
        before = Path(target).read_text(encoding="utf-8")
        done = flowsheet("fit", "sheet.yaml", "-o", target)
        assert done.code == 2
        assert "-o" in done.err
        assert Path(target).read_text(encoding="utf-8") == before
    assert flowsheet("fit", "sheet.yaml", "-o", "new.yaml").code == 0
    assert Path("new.yaml").is_file()
    assert flowsheet("fit", "sheet.yaml", "-o", "no/such.yaml").code == 2


def test_a_fitted_sheet_is_not_fitted_again(flowsheet: Command) -> None:
    assert flowsheet("fit", "sheet.yaml").code == 0
    done = flowsheet("fit", "sheet.fitted.yaml")
    assert done.code == 2
    assert "count twice" in done.err
    # Its estimate may be asked what a change would have done.
    assert flowsheet("try", "sheet.fitted.yaml", "--fitted", "--set", "wash.passes=2").code == 0


def test_weigh_sheets_are_several_tests_and_their_folder_is_kept(flowsheet: Command) -> None:
    text = SHEET[: SHEET.index("weighed:")] + "weighed:\n  file: [a.csv, b.csv]\n"
    Path("two.yaml").write_text(text, encoding="utf-8")
    for name, mass in (("a", 14.2), ("b", 7.1)):
        rows = [("ore", "mass", f"{mass} kg", ""), ("con", "gold", f"{mass * 0.018:.4f} g", "0.002 g"),
                ("tails", "grade", "3 g/t", "0.3 g/t")]  # fmt: skip
        table = "".join(f"{stream},{what},{value},{sd}\n" for stream, what, value, sd in rows)
        Path(f"{name}.csv").write_text("stream,what,value,sd\n" + table, encoding="utf-8")
    done = flowsheet("fit", "two.yaml", "--json")
    assert done.code == 0
    assert done.json["parameters"]["ore.grade"]["moved"]
    assert {one["test"] for one in done.json["measurements"]} == {"a", "b"}
    Path("other").mkdir()
    refused = flowsheet("fit", "two.yaml", "-o", "other/two.yaml")
    assert refused.code == 2
    assert not Path("other/two.yaml").exists()


FACTORS = """\
ore: {mass: 10 kg, grade: 20 g/t ± 6 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 70 % to 95 %}}
keep: con
weighed:
  con: {gold: 0.17 g ± 2 mg}
  tails: {grade: 4 g/t ± 0.6 g/t}
"""


def test_fit_on_the_terminal_and_its_files(flowsheet: Command) -> None:
    Path("factors.yaml").write_text(FACTORS, encoding="utf-8")
    done = flowsheet("fit", "factors.yaml", "--out", "found")
    assert done.code == 0
    assert max(len(line) for line in done.out.splitlines()) <= 100
    for wanted in ("ore.grade", "20 g/t ± 6 g/t", "What did the weights teach?", "con", "factors.fitted.yaml",
                   "are silent", "not a resource statement"):  # fmt: skip
        assert wanted in done.out
    written = {path.name for path in Path("found").iterdir()}
    assert written == {".flowsheet-written.json", "fitted.csv", "slack.csv", "misfit.csv", "fitted.png"}
    assert Path("found/fitted.png").read_bytes().startswith(PNG)


def test_try_fitted_tells_intervals(flowsheet: Command) -> None:
    done = flowsheet("try", "sheet.yaml", "--fitted", "--set", "wash.passes=1,2", "--out", "found")
    assert done.code == 0
    assert "as it was" in done.out
    assert "Most would have been kept with wash.passes = 2" in done.out
    assert Path("found/forecasts.csv").is_file()
    assert not Path("sheet.fitted.yaml").exists()
    found = flowsheet("try", "sheet.yaml", "--fitted", "--set", "wash.passes=1,2", "--seed", "2", "--json").json
    assert set(found) == {"version", "sheet_sha256", "seed", "base", "trials", "luck_of_a_sack_g", "notes"}
    for one in (found["base"], *found["trials"]):
        for key in ("kept_g", "kept_share", "gain_g"):
            assert set(one[key]) == {"value", "p5", "p95"}


NOTHING = "weighed: {ore: {mass: 14.2 kg}}\n"


@pytest.mark.parametrize("weighed", ["", NOTHING], ids=["nothing weighed", "the feed alone"])
def test_what_cannot_be_fitted_is_refused(flowsheet: Command, weighed: str) -> None:
    Path("faulty.yaml").write_text(SHEET[: SHEET.index("weighed:")] + weighed, encoding="utf-8")
    for arguments in (("fit", "faulty.yaml"), ("try", "faulty.yaml", "--fitted", "--set", "wash.passes=2")):
        done = flowsheet(*arguments)
        assert done.code == 2
        assert "Add weighed:" in done.err
    assert not Path("faulty.fitted.yaml").exists()
