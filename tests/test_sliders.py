"""Knobs: what moves an answer is one, what moves none is not, and every end of every range can be turned to."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowsheet.solve.model import rebuild
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.marked_document import Document, parse
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.starters import folder
from flowsheet.study.run.sliders import EVEN, LOG, WHOLE, Knob, idle, knobs
from flowsheet.study.trials.trials import pair, run_trials

ROOT = Path(__file__).parent.parent
SHEETS = [*sorted(folder().glob("*.yaml")), *sorted((ROOT / "examples").glob("*/*.yaml")),
          Path(__file__).parent / "twelve_steps.yaml"]  # fmt: skip


def found_in(document: Document) -> dict[str, Knob]:
    return {knob.setting: knob for knob in knobs(document, rebuild(document))}


MANY = ("finer_screen", "pile", "twelve_steps")
"""Sheets of so many knobs that turning each takes seconds."""


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=pytest.mark.slow) if path.stem in MANY else path for path in SHEETS],
    ids=lambda path: path.stem,
)
def test_every_knob_of_every_shipped_sheet_turns_to_both_its_ends(path: Path) -> None:
    document = yaml_document.read(path)
    sheet = rebuild(document)
    found = knobs(document, sheet)
    assert found
    for knob in found:
        assert knob.low < knob.high
        for end in (knob.low, knob.high):
            text = knob.text(end)
            both = pair(sheet, rebuild(with_settings(document, {knob.setting: text})), {knob.setting: text})
            assert both.trial.kept >= 0
        if knob.value is not None:
            assert knob.scale in (LOG, EVEN, WHOLE)
            # A value at a bound of its field lies on an end of its range.
            assert knob.low <= knob.value * (1 + 1e-9)
            assert knob.high >= knob.value * (1 - 1e-9)


@pytest.mark.parametrize("name", ["quick", "blend", "slabs", "closed_circuit", "factors"])
def test_a_knob_moves_an_answer_and_what_is_no_knob_does_not(name: str) -> None:
    """By the slow way: solve the sheet again for each number, one by one."""
    document = yaml_document.read(folder() / f"{name}.yaml")
    sheet = rebuild(document)
    found = knobs(document, sheet)
    for block, fields in idle(document, sheet, found).items():
        for field, written in fields:
            setting = f"{block}.{field}"
            assert setting not in {knob.setting for knob in found}
            number = getattr(sheet.steps[block], field, None) if block in sheet.steps else None
            if number is None or "±" in written:
                continue
            other = f"{1.6 * number.value * 1e3:.6g} mm" if "mm" in written else None
            if other is not None:
                trial = run_trials(document, {setting: [other]}).rows[0]
                assert trial.gain == pytest.approx(0, abs=1e-9 * trial.kept)
    by_name = {knob.setting: knob for knob in found}
    for setting in ("wash.passes", "wash.d50", "look.care", "ore.grade"):
        if setting in by_name:
            knob = by_name[setting]
            trial = run_trials(document, {setting: [knob.text(knob.low), knob.text(knob.high)]})
            kept = [row.kept for row in trial.rows] + [row.worst for row in trial.rows]
            assert max(kept) > min(kept)


def test_given_shares_take_the_place_of_a_model_and_of_its_numbers() -> None:
    text = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 20 mm, p80: 9 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  mill: {do: pulverize, takes: ore, gives: powder, gap: 0.3 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}, SHARES}
keep: con
"""
    by_model = found_in(parse(text.replace(", SHARES", ""), "model.yaml"))
    shares = "split: {concentrate: 5 %}, recovery: {concentrate: 80 %}"
    by_shares = found_in(parse(text.replace("SHARES", shares), "shares.yaml"))
    assert {"wash.d50", "wash.r_max", "wash.passes", "mill.gap"} <= set(by_model)
    assert not {"wash.d50", "wash.r_max", "wash.passes"} & set(by_shares)
    assert "wash.recovery.concentrate" in by_shares
    assert by_shares["wash.recovery.concentrate"].first


def test_shares_that_make_a_whole_together_are_no_knobs_one_by_one() -> None:
    text = """
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  part:
    do: factors
    takes: ore
    gives: {a: left, b: right, c: rest}
    split: {a: 30 %, b: 50 %}
    recovery: {a: 60 %, b: 30 %, c: 10 %}
keep: left
"""
    found = found_in(parse(text, "shares.yaml"))
    assert "part.recovery.a" not in found
    # The range leaves the others their shares.
    assert found.get("part.split.a") is None or found["part.split.a"].high <= 50


def test_a_knob_says_its_unit_its_doubt_and_where_its_default_comes_from() -> None:
    found = found_in(yaml_document.read(ROOT / "examples" / "sack_test" / "sack3.yaml"))
    care, opening, cut = found["look.care"], found["scalp.opening"], found["wash.d50"]
    assert (care.written, care.value, care.unit, care.doubt, care.scale) == ("0.8 ± 0.1", 0.8, "", " ± 0.1", EVEN)
    assert care.text(0.7) == "0.7 ± 0.1"
    assert (opening.written, opening.unit, opening.scale, opening.first, opening.given) == (
        "20 mm",
        "mm",
        LOG,
        True,
        True,
    )
    assert opening.text(12.5) == "12.5 mm"
    assert (cut.given, cut.written) == (False, "60 um")
    assert cut.source
    assert found["wash.passes"].scale == WHOLE
    assert found["wash.passes"].low == 1
    # The plates make good what the jaws leave, so nothing is won by it; but the stream between the two moves.
    assert "break.setting" in found


@pytest.mark.parametrize(
    ("written", "unit", "value"),
    [("20 mesh", "mm", 0.85), ("1/2 in", "in", 0.5), ("6 mm to 8 mm", "mm", 7.0), ('"E11 1/2 in"', "mm", 12.5)],
)
def test_a_length_is_turned_in_its_own_unit_or_in_mm(written: str, unit: str, value: float) -> None:
    text = f"""
ore: {{mass: 10 kg, grade: 20 g/t, sizes: {{top: 60 mm, p80: 30 mm}}, gold: {{d50: 0.3 mm, d95: 1 mm}}}}
steps: {{scalp: {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: {written}}}}}
keep: lumps
"""
    knob = found_in(parse(text, "opening.yaml"))["scalp.opening"]
    assert (knob.unit, knob.value) == (unit, pytest.approx(value))
    assert knob.low < value < knob.high


@pytest.mark.parametrize(("written", "doubt", "text"), [
    ("22 ± 8 g/t", " ± 8 g/t", "19.4 g/t ± 8 g/t"), ("22 g/t +/- 10 %", " ± 10 %", "19.4 g/t ± 10 %"),
    ("22 g/t ± 0", " ± 0 g/t", "19.4 g/t ± 0 g/t"), ("20 to 24 g/t", "", "19.4 g/t"), ("22 g/t", "", "19.4 g/t"),
])  # fmt: skip
def test_a_turned_number_keeps_its_doubt(written: str, doubt: str, text: str) -> None:
    steps = "steps: {s: {do: split, takes: ore, gives: {a: a, b: b}}}"
    sheet = f"ore: {{mass: 10 kg, grade: {written}}}\n{steps}\nkeep: a\n"
    knob = found_in(parse(sheet, "grade.yaml"))["ore.grade"]
    assert (knob.doubt, knob.text(19.4)) == (doubt, text)


def test_an_open_number_that_would_move_an_answer_can_be_set() -> None:
    found = found_in(yaml_document.read(folder() / "quick.yaml"))
    opened = [knob for knob in found.values() if knob.value is None]
    assert any(knob.field == "pull" for knob in opened)
    assert all(knob.written == "" and not knob.given for knob in opened)


def test_an_odd_name_of_a_step_makes_no_setting_that_cannot_be_said() -> None:
    text = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 20 mm, p80: 9 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  "a.b": {do: pulverize, takes: ore, gives: powder, gap: 0.3 mm}
  ore: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
keep: con
"""
    document = parse(text, "odd.yaml")
    sheet = rebuild(document)
    found = knobs(document, sheet)
    assert {knob.block for knob in found} == {"ore"}
    assert "ore.d50" in {knob.setting for knob in found}  # the step of that name, not the feed
    for knob in found:
        rebuild(with_settings(document, {knob.setting: knob.text(knob.low)}))
