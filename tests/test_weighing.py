"""What was weighed: read from the sheet or from weigh sheets, into measurements in SI with their doubts."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import run_of, sheet_of
from tiers import examples

from flowsheet.show.run import run_tables
from flowsheet.solve.model import rebuild
from flowsheet.spec.blocks.measurement import (
    ASSAY_MASS,
    ASSAY_SHARE,
    BEAD,
    GOLD,
    GRADE,
    GRAINS,
    MASS,
    MASS_SHARE,
    MOISTURE_SHARE,
    PASSING,
    PASSING_POINTS,
    Measurement,
    division,
    measurement,
    screen_assay,
)
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Subject
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.yaml import marked_document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.run.run import run

# Invented, as are all numbers here that name no source.
ORE = "ore: {mass: 14 kg ± 10 g, grade: 22 g/t, sizes: {top: 60 mm, p80: 40 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}\n"
STEPS = """steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  break: {do: jaw_crush, takes: [lumps, fines], gives: crushed, setting: 6 mm}
  wash: {do: pan, takes: crushed, gives: {concentrate: con, tailings: tails}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}}
keep: button
"""
SHEET = ORE + STEPS


def sack_with(weighed: str) -> Sheet:
    return sheet_of(f"{SHEET}weighed: {weighed}\n", "sack.yaml")


def measured(weighed: str) -> list[Measurement]:
    return list(sack_with(weighed).weighed)


def the_one(weighed: str) -> Measurement:
    (found,) = measured(weighed)
    return found


def told(weighed: str) -> list[str]:
    with pytest.raises(SheetError) as caught:
        sack_with(weighed)
    return [str(mistake) for mistake in caught.value.mistakes]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sack.yaml").write_text(f"{SHEET}weighed: {{file: sack.csv}}\n", encoding="utf-8")
    return tmp_path


def from_table(folder: Path, raw: str | bytes) -> list[Measurement]:
    (folder / "sack.csv").write_bytes(raw.encode() if isinstance(raw, str) else raw)
    return list(sheet_of(folder / "sack.yaml").weighed)


def refused(folder: Path, raw: str | bytes) -> list[Mistake]:
    with pytest.raises(SheetError) as caught:
        from_table(folder, raw)
    return list(caught.value.mistakes)


def same(found: list[Measurement]) -> list[Measurement]:
    """Leave out where measurements stand."""
    return [replace(m, file="", line=0, test="", number=None) for m in found]


# ── doubts ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("text", "step"), [
    ("14.2 kg", 0.1), ("14.20kg", 0.01), ("12 kg", 1.0), (".5 g", 1e-4), ("0.0 kg", 0.1), ("0 g", 1e-3),
    ("+6.1 kg", 0.1), ("1.0e-3 kg", 1e-4), ("2 1/4 lb", 0.45359237 / 4), ("1/2 lb", 0.45359237 / 2),
    ("14.2 kg ± 20 g", 0.1), ("2 to 3 g", 1e-3),
])  # fmt: skip
def test_a_scales_division_is_read_from_the_last_digit(text, step):
    assert division(number_with_doubt.parse(text, units.MASS)) == pytest.approx(step, rel=1e-12)
    assert division(Number(1.0)) == 0.0


def test_a_weight_without_a_doubt_is_known_within_a_division():
    found = the_one("{tails: {mass: 8.0 kg}}")
    assert (found.value, found.assumed) == (8.0, True)
    assert found.sd == pytest.approx(0.1 / math.sqrt(12), rel=1e-12)


def test_no_weight_is_known_better_than_a_thousandth():
    assert the_one("{tails: {mass: 8.0000 kg}}").sd == pytest.approx(MASS_SHARE * 8, rel=1e-12)


def test_a_mass_of_nothing_is_legal():
    found = the_one("{slag: {mass: 0 g}}")
    assert (found.value, found.sd) == (0.0, pytest.approx(1e-3 / math.sqrt(12), rel=1e-12))


def test_other_assumed_doubts():
    grade, passing, moisture = measured(
        '{tails: {grade: 3 g/t, passing: {"150 um": 80 %}, mass: 8.00 kg, moisture: 2 %}}'
    )
    assert (grade.sd, grade.assumed) == (pytest.approx(ASSAY_SHARE * 3e-6, rel=1e-12), True)
    assert (passing.sd, passing.assumed) == (PASSING_POINTS, True)
    assert moisture.sd == pytest.approx(math.hypot(0.98 * 0.008, 8 * MOISTURE_SHARE * 0.02), rel=1e-12)


def test_gold_without_a_doubt_has_that_of_an_assay_and_metal_that_of_a_scale():
    gold, bead = measured("{tails: {gold: 24 mg}, con: {bead: 0.268 g}}")
    assert (gold.sd, gold.assumed) == (pytest.approx(ASSAY_SHARE * 24e-6, rel=1e-12), True)
    assert bead.sd == pytest.approx(1e-6 / math.sqrt(12), rel=1e-12)
    assert the_one("{tails: {gold: 0 mg}}").sd == pytest.approx(1e-6 / math.sqrt(12), rel=1e-12)


def test_a_weight_is_larger_than_its_doubt_but_an_assay_may_be_all_doubt():
    (mistake,) = told("{tails: {mass: 9.1 kg ± 10}}")
    assert mistake.endswith("10 kg is more than the 9.1 kg itself. Did you mean 10 g?")
    (mistake,) = told("{tails: {mass: 9.1 kg ± 150 %}}")
    assert mistake.endswith("of what may be nothing, write 0 kg ± 150 %.")
    assert measured("{tails: {mass: 0 kg ± 10 g, grade: 0.1 g/t ± 0.3 g/t, gold: 0.2 mg ± 0.5 mg}}")
    assert told("{tails: {gold: 24 mg ± 8 g}}")[0].endswith("8 g is more than the 24 mg itself. Did you mean 8 mg?")


def test_a_given_doubt_is_taken_as_it_is():
    found = the_one("{tails: {mass: 8.0 kg ± 10 g}}")
    assert (found.sd, found.assumed) == (pytest.approx(0.01, rel=1e-12), False)
    assert the_one("{tails: {grade: 3 to 4 g/t}}").sd == pytest.approx(1e-6 / math.sqrt(12), rel=1e-12)


@pytest.mark.parametrize(("count", "sd"), [(9, 3.0), (1, 1.0), (0, 1.0)])
def test_a_count_carries_its_own_luck(count, sd):
    found = the_one(f"{{con: {{grains: {count}}}}}")
    assert (found.what, found.value, found.sd, found.assumed, found.size) == (GRAINS, count, sd, False, None)


# ── readings ────────────────────────────────────────────────────────────────────────────────────────────────


def test_all_that_a_block_may_say():
    found = measured('{con: {mass: 180 g, gold: 0.26 g ± 1 mg, bead: 0.27 g ± 1 mg, passing: {"#100": 80 %, "75 um": '
                     '0.45 ± 0.02}, grains: {all: 7, "+0.3 mm": 4}, when: 3 May, note: wet}}')  # fmt: skip
    assert [(m.what, m.value) for m in found] == [
        (MASS, 0.18), (GOLD, pytest.approx(2.6e-4)), (BEAD, pytest.approx(2.7e-4)), (PASSING, 0.8), (PASSING, 0.45),
        (GRAINS, 7), (GRAINS, 4),
    ]  # fmt: skip
    assert [m.size for m in found[3:]] == [pytest.approx(150e-6), pytest.approx(75e-6), None, pytest.approx(3e-4)]
    assert [m.name for m in found[4:]] == ["con, passing 0.075 mm", "con, grains", "con, grains +0.3 mm"]
    assert {(m.stream, m.when, m.note, m.file, m.test) for m in found} == {("con", "3 May", "wet", "sack.yaml", "")}
    assert {m.line for m in found} == {SHEET.count("\n") + 1}


def test_moist_mass_becomes_dry_with_the_doubt_of_both():
    found = the_one("{tails: {mass: 8.0 kg ± 10 g, moisture: 5 % ± 1 %}}")
    assert found.value == pytest.approx(7.6, rel=1e-12)
    assert found.sd == pytest.approx(math.hypot(0.95 * 0.01, 8 * 0.01), rel=1e-12)
    assert not found.assumed
    assert the_one("{tails: {mass: 8.0 kg ± 10 g, moisture: 5 %}}").assumed
    dry = the_one("{tails: {mass: 8.0 kg ± 10 g, moisture: 0 %}}")
    assert (dry.value, dry.sd, dry.assumed) == (8.0, pytest.approx(0.01), False)


def test_an_assay_took_thirty_grams_unless_the_sheet_says_otherwise(folder):
    told_of = {"tails: {grade: 3 g/t}": (ASSAY_MASS, True), "tails: {assay_mass: 50 g, grade: 3 g/t}": (0.05, False)}
    for weighed, expected in told_of.items():
        found = the_one(f"{{{weighed}}}")
        assert (found.assay_mass, found.assay_mass_assumed) == (pytest.approx(expected[0]), expected[1])
        assert found.sd == pytest.approx(ASSAY_SHARE * 3e-6)
    mass, grade = from_table(folder, "stream,what,value\ntails,assay mass,1 ozt\ntails,mass,3 kg\ntails,grade,3 g/t\n")
    assert (grade.assay_mass, grade.assay_mass_assumed) == (pytest.approx(0.0311034768), False)
    assert (mass.assay_mass, mass.assay_mass_assumed) == (None, False)
    screened = the_one("{tails: {metallics: {plus: 12 g, plus_gold: 3 mg, minus: 480 g, minus_grades: 3 g/t}}}")
    assert (screened.assay_mass, screened.assay_mass_assumed) == (pytest.approx(0.492), False)


def test_the_mass_of_an_assay_may_stand_beside_the_weigh_sheet_that_tells_the_grade(folder):
    (found,) = both(folder, "tails: {assay_mass: 50 g}", "tails,grade,3 g/t\n")
    assert (found.what, found.assay_mass) == (GRADE, pytest.approx(0.05))
    with pytest.raises(SheetError, match="measured twice, first in sack"):
        both(folder, "tails: {assay_mass: 50 g}", "tails,grade,3 g/t\ntails,assay mass,30 g\n")


@pytest.mark.parametrize(
    ("weighed", "code", "remedy"),
    [
        ("{assay_mass: 50 g}", "nothing_measured", "Add mass:"),
        ("{mass: 3 kg, assay_mass: 50 g}", "assay_without_grade", "Add grade: 3 g/t"),
        ("{mass: 30 g, grade: 3 g/t, assay_mass: 50 g}", "assay_above_its_rock", "Check both masses"),
        ("{mass: 3 kg, grade: 3 g/t, assay_mass: 50 kg}", "assay_above_its_rock", "Did you mean 50 g?"),
        ("{grade: 3 g/t, assay_mass: 0 g}", "too_small", "Write something like"),
        ("{grade: 3 g/t, assay mass: 30 g}", "field_unknown", 'Did you mean "assay_mass"?'),
        ("{assay_mass: 50 g, metallics: {plus: 12 g, plus_gold: 3 mg, minus: 480 g, minus_grades: 3 g/t}}",
         "two_assay_masses", "Leave it out"),
    ],
)  # fmt: skip
def test_the_mass_of_an_assay_that_cannot_be_is_refused(weighed, code, remedy):
    with pytest.raises(SheetError) as caught:
        sack_with(f"{{tails: {weighed}}}")
    assert [mistake.code for mistake in caught.value.mistakes if mistake.code == code] == [code]
    assert all(mistake.line for mistake in caught.value.mistakes)
    assert any(remedy in mistake.remedy for mistake in caught.value.mistakes)


def test_a_screen_assay_makes_one_grade():
    found = the_one("{tails: {metallics: {plus: 12.1 g ± 10 mg, plus_gold: 3.2 mg ± 0.1 mg, minus: 480 g ± 1 g, "
                    "minus_grades: [3.1 g/t, 2.9 g/t]}}}")  # fmt: skip
    assert (found.stream, found.what, found.assumed) == ("tails", GRADE, False)
    grade = (3.2e-6 + 0.48 * 3.0e-6) / 0.4921
    assert found.value == pytest.approx(grade, rel=1e-12)
    scatter = 0.1e-6  # of two that differ by 0.2: s = 0.1414, s/√2 = 0.1
    parts = (1e-7, 0.48 * scatter, 1e-5 * grade, 1e-3 * (3e-6 - grade))
    assert found.sd == pytest.approx(math.sqrt(sum(p**2 for p in parts)) / 0.4921, rel=1e-9)


def number(text: str, wanted: units.Dimension = units.MASS) -> Number:
    return number_with_doubt.parse(text, wanted)


def minus(*texts: str) -> float:
    """Return the doubt of a screen assay that has no other doubt than that of its minus grades."""
    grades = [number(text, units.GRADE) for text in texts]
    sharp = replace(number("480 g"), sd=1e-15)
    return screen_assay(replace(number("0 g"), sd=1e-15), replace(number("0 g"), sd=1e-15), sharp, grades)[1]


def test_the_doubt_of_the_replicates():
    assert minus("3.0 g/t") == pytest.approx(ASSAY_SHARE * 3e-6, rel=1e-6)
    assert minus("3.0 g/t ± 0.1 g/t") == pytest.approx(1e-7, rel=1e-6)
    assert minus("3.1 g/t", "2.9 g/t", "3.0 g/t") == pytest.approx(0.1e-6 / math.sqrt(3), rel=1e-6)
    # Alike to the last digit, they are still known no better than that digit, or than each says of itself.
    assert minus("3.0 g/t", "3.0 g/t") == pytest.approx(0.1e-6 / math.sqrt(12) / math.sqrt(2), rel=1e-6)
    assert minus("3.0 g/t ± 0.4 g/t", "3.0 g/t ± 0.4 g/t") == pytest.approx(0.4e-6 / math.sqrt(2), rel=1e-6)


def test_a_screen_assay_that_rests_on_an_assumption_says_so():
    plus, rest, two = number("12 g"), number("480 g"), [number("3 g/t", units.GRADE)] * 2
    assert not screen_assay(plus, number("3 mg ± 1 mg"), rest, two)[2]
    assert screen_assay(plus, number("3 mg"), rest, two)[2]
    assert screen_assay(plus, number("3 mg ± 1 mg"), rest, two[:1])[2]


def test_measurements_made_elsewhere_take_the_same_doubts():
    found = measurement("ore", MASS, number("14.2 kg"), file="sack.yaml")
    assert (found.file, found.assumed, found.line) == ("sack.yaml", True, 0)
    assert found.scaled(0.5) == replace(found, value=7.1, sd=found.sd / 2)


# ── weigh sheets ────────────────────────────────────────────────────────────────────────────────────────────

TABLE = """# Sack 4, invented.
stream,what,value,unit,sd,when,note

lumps,mass,6.1,kg,0.01,3 May,"rinsed, then dried"
tails,grade,3.1,g/t,5 %,,
tails,passing 150 µm,80,%,2,,
tails,passing #200,45 %,,,,
con,grains +0.3 mm,4,,,,
con,grains,9,,,,
con,mass,180.0 ± 0.5,g,,,
con,moisture,2 %,,,,
"""


def test_a_weigh_sheet(folder):
    found = from_table(folder, TABLE)
    assert [(m.stream, m.what, m.value, m.sd) for m in found] == [
        ("lumps", MASS, 6.1, pytest.approx(0.01)),
        ("tails", GRADE, pytest.approx(3.1e-6), pytest.approx(0.155e-6)),
        ("tails", PASSING, 0.8, pytest.approx(0.02)),
        ("tails", PASSING, 0.45, PASSING_POINTS),
        ("con", GRAINS, 4, 2),
        ("con", GRAINS, 9, 3),
        ("con", MASS, pytest.approx(0.1764), pytest.approx(math.hypot(0.98 * 5e-4, 0.18 * 0.002))),
    ]
    assert [m.line for m in found] == [4, 5, 6, 7, 8, 9, 10]
    assert {(m.test, m.file) for m in found} == {("sack", str(folder / "sack.csv"))}
    assert (found[0].when, found[0].note) == ("3 May", "rinsed, then dried")
    assert {m.note for m in found[1:]} == {""}


def test_a_screen_assay_in_a_weigh_sheet(folder):
    lines = ["stream,what,value", "tails,minus grade,3.1 g/t", "tails,plus gold,3.2 mg ± 0.1 mg",
             "tails,plus mass,12.1 g ± 10 mg", "tails,minus grade,2.9 g/t", "tails,minus mass,480 g ± 1 g"]  # fmt: skip
    (found,) = from_table(folder, "\n".join(lines))
    in_the_sheet = the_one("{tails: {metallics: {plus: 12.1 g ± 10 mg, plus_gold: 3.2 mg ± 0.1 mg, minus: 480 g ± 1 g, "
                           "minus_grades: [3.1 g/t, 2.9 g/t]}}}")  # fmt: skip
    assert same([found]) == same([in_the_sheet])
    assert found.line == 2


def semicolons(text: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=";", lineterminator="\n").writerows(csv.reader(io.StringIO(text)))
    return out.getvalue()


WAYS = {
    "with_a_mark": b"\xef\xbb\xbf" + TABLE.encode(),
    "with_carriage_returns": TABLE.replace("\n", "\r\n"),
    "with_old_line_ends": TABLE.replace("\n", "\r"),
    "without_a_final_newline": TABLE.rstrip("\n"),
    "with_trailing_separators": "\n".join(f"{line},," for line in TABLE.splitlines()) + "\n,,,,,,,,\n\n",
    "with_semicolons": semicolons(TABLE),
    "with_tabs": semicolons(TABLE).replace(";", "\t"),
    "with_blanks": TABLE.replace("lumps,mass,6.1", " lumps ,\t mass, 6.1 "),
    "with_capitals": TABLE.replace("stream,what,value", "Stream, What ,VALUE").replace("tails,grade", "tails,Grade"),
    "with_quotes": TABLE.replace("tails,grade,3.1,g/t", '"tails","grade","3.1","g/t"'),
    "with_the_separator_on_top": "sep=;\n" + semicolons(TABLE),
    "with_units_twice": TABLE.replace("tails,grade,3.1,g/t", "tails,grade,3.1 g/t,g/t").replace(
        "passing 150 µm,80,%", "passing 150 µm,80%,%"
    ),
    "with_short_lines": TABLE.replace("5 %,,", "5 %").replace("con,moisture,2 %,,,,", "con,moisture,2 %"),
    "with_a_quoted_remark": TABLE.replace("# Sack 4, invented.", '"# Sack 4, invented.",,'),
    "with_a_remark_with_a_quote": TABLE.replace("# Sack 4, invented.", '# 1/2" sieve, "open'),
}


@pytest.mark.parametrize("way", sorted(WAYS))
def test_a_weigh_sheet_as_programs_save_it(folder, way):
    assert same(from_table(folder, WAYS[way])) == same(from_table(folder, TABLE))


def test_columns_stand_in_any_order(folder):
    rows = list(csv.reader(io.StringIO(TABLE)))
    turned = "\n".join(",".join(f'"{cell}"' for cell in reversed(row)) for row in rows[1:] if row)
    assert same(from_table(folder, turned)) == same(from_table(folder, TABLE))


def test_a_quoted_note_may_hold_line_ends_and_quotes(folder):
    text = 'stream,what,value,note\nlumps,mass,6.1 kg,"one\ntwo ""three"""\ntails,mass,8.0 kg,\ncon,mass,x,\n'
    assert from_table(folder, text.replace("con,mass,x,\n", ""))[0].note == 'one\ntwo "three"'
    assert [(m.line, m.column) for m in refused(folder, text)] == [(5, 10)]


def test_behind_a_quoted_line_end_columns_count_from_the_new_line(folder):
    (mistake,) = refused(folder, 'stream,note,what,value\nlumps,"one\ntwo",mass,6.1 kgg\n')
    assert (mistake.line, mistake.column) == (3, 11)


def test_an_inch_mark_begins_no_quote(folder):
    (found,) = from_table(folder, 'stream,what,value\ntails,passing 1/4",80 %\n')
    assert found.size == pytest.approx(6.35e-3)


@pytest.mark.parametrize(("raw", "place", "message"), [
    (TABLE.encode("utf-16"), (1, 1), "looks like UTF-16"),
    (TABLE.encode("cp1252"), (6, 19), 'may be a "µ" in an older encoding'),
    (b"stream,what,value\ntails,ma\x00ss,8 kg\n" + 300 * b"#", (2, 9), "no text stands here"),
    (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), (1, 1), "not UTF-8 text"),
    (b"stream,what,value\n# " + 1_000_000 * b"x", (47, 17), "longer than 1 MB"),
])  # fmt: skip
def test_a_file_that_is_no_weigh_sheet(folder, raw, place, message):
    (mistake,) = refused(folder, raw)
    assert message in mistake.message
    assert mistake.remedy
    if "longer" in message:  # told where the sheet names it
        place = (SHEET.count("\n") + 1, 17)
        assert mistake.file == str(folder / "sack.yaml")
    else:
        assert mistake.file == str(folder / "sack.csv")
    assert (mistake.line, mistake.column) == place


def test_several_tests_of_one_ore(folder):
    (folder / "sack.yaml").write_text(f"{SHEET}weighed: {{file: [sack.csv, more/sack 4.csv]}}\n", encoding="utf-8")
    (folder / "more").mkdir()
    (folder / "more" / "sack 4.csv").write_text("stream,what,value\ntails,mass,9 kg\n", encoding="utf-8")
    found = from_table(folder, "stream,what,value\ntails,mass,8 kg\n")
    assert [(m.test, m.stream, m.value) for m in found] == [
        ("sack", "tails", 8.0), ("sack 4", "tails", 9.0)]  # fmt: skip


def both(folder: Path, own: str, table: str) -> list[Measurement]:
    """Return what a sheet's own weights and its one weigh sheet tell."""
    (folder / "sack.yaml").write_text(f"{SHEET}weighed: {{{own}, file: [sack.csv]}}\n", encoding="utf-8")
    return from_table(folder, f"stream,what,value\n{table}")


def both_refused(folder: Path, own: str, table: str) -> list[Mistake]:
    with pytest.raises(SheetError) as caught:
        both(folder, own, table)
    return list(caught.value.mistakes)


def test_one_weigh_sheet_and_the_sheets_own_weights_are_one_test(folder):
    found = both(folder, "tails: {mass: 12 kg}, con: {moisture: 10 %}", "tails,grade,3 g/t\ncon,mass,200 g\n")
    assert [(m.test, m.stream, m.what, m.value) for m in found] == [
        ("sack", "tails", MASS, 12.0), ("sack", "tails", GRADE, pytest.approx(3e-6)),
        ("sack", "con", MASS, pytest.approx(0.18))]  # fmt: skip
    # It is a test like any other: what one half weighed holds for the other.
    assert both(folder, "ore: {mass: 21 kg}", "tails,mass,20.5 kg\n")
    (heavy,) = both_refused(folder, "ore: {mass: 20.0 kg}", "tails,mass,20.5 kg\n")
    assert "heavier than all that was fed (20 kg)" in heavy.message


def test_a_number_of_the_sheet_and_its_weigh_sheet_is_measured_twice(folder):
    line = SHEET.count("\n") + 1
    (twice,) = both_refused(folder, "tails: {mass: 12 kg}", "con,mass,200 g\ntails,mass,12 kg\n")
    assert (Path(twice.file).name, twice.line, twice.column, twice.read) == ("sack.csv", 3, 7, "mass")
    assert twice.message == f"measured twice, first in sack.yaml, line {line}"
    counts = 'con: {grains: {all: 9, "+0.3 mm": 4}}'
    assert len(both_refused(folder, counts, "con,grains,9\ncon,grains +300 um,4\n")) == 2
    own = "con: {metallics: {plus: 2 g, plus_gold: 1 mg, minus: 98 g, minus_grades: 900 g/t}}"
    assert "measured twice" in both_refused(folder, own, "con,grade,900 g/t\n")[0].message
    assert both(folder, "con: {passing: {150 um: 80 %}}", "con,passing 75 um,40 %\n")
    (rises,) = both_refused(folder, "con: {passing: {150 um: 80 %}}", "con,passing 75 um,90 %\n")
    assert "more passes here than through the coarser sieve 150 um" in rises.message


def test_beside_several_weigh_sheets_the_sheet_weighs_nothing_itself(folder):
    (folder / "b.csv").write_text("stream,what,value\ntails,mass,9 kg\n", encoding="utf-8")
    (folder / "sack.yaml").write_text(
        f"{SHEET}weighed: {{file: [sack.csv, b.csv], button: {{mass: 0.2 g}}, con: {{mass: 9 g}}}}\n", encoding="utf-8"
    )
    (mistake,) = refused(folder, "stream,what,value\ntails,mass,8 kg\n")
    assert mistake.field == "weighed.button"
    assert mistake.remedy == (
        "Put what stands under weighed: beside file: into one of the files, a line for each weight, as "
        "button,mass,8.0 kg"
    )


def test_a_test_may_weigh_its_own_sack(folder):
    heavy = "stream,what,value\nore,mass,21.30 kg\ntails,mass,20.50 kg\n"
    assert [m.value for m in from_table(folder, heavy)] == [21.3, 20.5]
    (mistake,) = refused(folder, heavy.replace("21.30", "20.10"))
    assert "heavier than all that was fed (20.1 kg)" in mistake.message


def test_mistakes_of_a_sheet_and_its_weigh_sheets_are_told_at_once(folder):
    (folder / "sack.yaml").write_text(
        f"{SHEET.replace('6 mm', '6 mmm')}weighed: {{file: [b.csv, sack.csv, gone.csv], lump: {{mass: 8 kg}}}}\n",
        encoding="utf-8",
    )
    (folder / "b.csv").write_text("stream,what,value\ntail,mass,8 kg\n", encoding="utf-8")
    found = refused(folder, "stream,what,value\nlumps,mass,8\n")
    assert [(Path(m.file).name, m.field) for m in found] == [
        ("sack.yaml", "steps.break.setting"), ("sack.yaml", "weighed.file.2"),
        ("sack.yaml", "weighed.lump"), ("sack.yaml", "weighed.lump"),
        ("b.csv", "tail"), ("sack.csv", "lumps, mass"),
    ]  # fmt: skip


# ── what outweighs what ─────────────────────────────────────────────────────────────────────────────────────


def test_a_stream_as_heavy_as_its_feed_is_no_mistake():
    assert measured("{tails: {mass: 14.00 kg}}")
    assert measured("{crushed: {mass: 10.00 kg}, tails: {mass: 10.02 kg}}")
    # 15 kg on a scale that shows whole kilograms may be 14 and a bit.
    assert measured("{tails: {mass: 15 kg ± 0.5 kg}}")
    assert told("{tails: {mass: 15.00 kg}}")


def test_a_furnace_adds_flux_so_its_slag_is_not_held_against_the_concentrate():
    assert measured("{con: {mass: 100 g}, slag: {mass: 300 g}, button: {mass: 120 g}}")
    melted = (
        "ore: {mass: 0.20 kg, grade: 900 g/t}\nsteps: {melt: {do: smelt, takes: ore, gives: {button: b, slag: s}}}\n"
        "keep: b\nweighed: {s: {mass: 0.50 kg}}"
    )
    assert sheet_of(melted).weighed
    with pytest.raises(SheetError):
        sheet_of(melted.replace("{s:", "{b:"))


def test_what_comes_out_of_a_mill_is_held_against_what_went_in():
    (mistake,) = told("{crushed: {mass: 14.9 kg ± 10 g}}")
    assert "heavier than all that was fed" in mistake
    text = SHEET.replace("takes: [lumps, fines]", "takes: lumps").replace(
        "keep: button", "keep: [button, fines]")  # fmt: skip
    with pytest.raises(SheetError) as caught:
        rebuild(
            marked_document.parse(
                f"{text}weighed: {{lumps: {{mass: 9.1 kg ± 10 g}}, crushed: {{mass: 9.3 kg ± 10 g}}}}\n"
            )
        )
    assert 'heavier than "lumps", which it is made of (9.1 kg)' in str(caught.value)


LOOP = (
    ORE
    + """steps:
  grind: {do: jaw_crush, takes: [ore, back], gives: ground, setting: 6 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: back, undersize: powder}, opening: 5 mm}
keep: powder
weighed: {ground: {mass: 25 kg}, back: {mass: 11 kg}, powder: {mass: 13.9 kg}}
"""
)


def test_what_goes_round_may_outweigh_the_feed():
    assert len(sheet_of(LOOP).weighed) == 3
    with pytest.raises(SheetError) as caught:
        sheet_of(LOOP.replace("13.9", "15.9"))
    assert [m.field for m in caught.value.mistakes] == ["weighed.powder.mass"]


def test_a_trial_with_a_lighter_feed_is_not_held_against_the_weights():
    found = marked_document.parse(f"{SHEET}weighed: {{tails: {{mass: 13 kg}}}}\n")
    assert rebuild(with_settings(found, {"ore.mass": "5 kg"})).weighed[0].value == 13


@pytest.mark.parametrize(("text", "remedy"), [
    ("20.5 kg", "Did you mean 20.5 g? If you weighed in lb, write 20.5 lb, or in oz av, write 20.5 oz av."),
    ("200 kg", "Did you mean 200 g? If you weighed in oz av, write 200 oz av, or in gr, write 200 gr."),
    ("1.2 t", "Did you mean 1.2 kg? If you weighed in lb, write 1.2 lb, or in oz av, write 1.2 oz av."),
    ("21000 g ± 10 g", "Did you mean 21000 mg? If you weighed in gr, write 21000 gr."),
    ("40 lb", "If you weighed in oz av, write 40 oz av, or in gr, write 40 gr."),
    ("20 to 21 kg", "Check the number and its unit, and what was fed."),
])  # fmt: skip
def test_the_units_that_would_fit_are_named(text, remedy):
    (mistake,) = told(f"{{tails: {{mass: {text}}}}}")
    assert mistake.endswith(f"heavier than all that was fed (14 kg). {remedy}")


def test_far_more_gold_than_was_fed_is_noted_and_no_mistake():
    sheet = sack_with("{tails: {mass: 13.0 kg, grade: 3100 g/t}}")
    (note,) = sheet.notes
    line = SHEET.count("\n") + 1
    assert note.code == "far_more_gold_than_fed"
    assert note.subject == Subject(stream="tails", file="sack.yaml", line=line)
    assert note.text == (
        f"sack.yaml, line {line}: tails, grade reads 3100 g/t: that is 40.3 g of gold, 131 times "
        "the gold that the sheet says was fed (0.308 g). Check the number and its unit: else the grade that the sheet "
        "gives is far off."
    )
    assert note in run(sheet).notes
    # Five times the guess: 1.54 g.
    assert sack_with("{tails: {mass: 13.0 kg, grade: 118 g/t}}").notes == ()
    assert sack_with("{tails: {mass: 13.0 kg, grade: 119 g/t}}").notes
    # A guess that is wide open is no measure; nor is one for a sack of another mass.
    assert sheet_of(f"{ORE}{STEPS}weighed: {{tails: {{gold: 2 g}}}}\n").notes
    wide = ORE.replace("22 g/t", "22 g/t ± 60 g/t")
    assert sheet_of(f"{wide}{STEPS}weighed: {{tails: {{gold: 2 g}}}}\n").notes == ()
    assert sack_with("{ore: {mass: 28 kg}, tails: {gold: 2 g}}").notes == ()
    assert sack_with("{ore: {grade: 200 g/t}}").notes
    # A trial with another ore says nothing against the weights.
    poor = with_settings(marked_document.parse(f"{SHEET}weighed: {{tails: {{gold: 1 g}}}}\n"), {"ore.grade": "1 g/t"})
    assert rebuild(poor).notes == ()


SACK_TEST = Path(__file__).parent.parent / "examples" / "sack_test"


@pytest.mark.parametrize(("right", "slip", "meant"), [
    ("specimens,gold,24,mg,8", "specimens,gold,24,g,8", "24 mg"),
    ("bead,mass,0.268,g,0.002", "bead,mass,268,g,2", "268 mg"),
    ("bead,mass,0.268,g,0.002", "bead,mass,0.268,mg,0.002", "0.268 g"),
    ("slag,gold,2.5,mg,1.5", "slag,gold,2.5,g,1.5", "2.5 mg"),
    ("tails,grade,3.1,g/t,0.4", "tails,grade,3.1,%,", "3.1 g/t"),
])  # fmt: skip
def test_a_slip_of_the_unit_in_gold_is_noted_with_the_reading_that_fits(tmp_path, right, slip, meant):
    table = (SACK_TEST / "sack3.csv").read_text(encoding="utf-8")
    sack = tmp_path / "sack3.yaml"
    sack.write_bytes((SACK_TEST / "sack3.yaml").read_bytes())
    (tmp_path / "sack3.csv").write_text(table, encoding="utf-8")
    assert sheet_of(sack).notes == ()
    assert right in table
    wrong = table.replace(right, slip)
    (tmp_path / "sack3.csv").write_text(wrong, encoding="utf-8")
    sheet = sheet_of(sack)
    (note,) = sheet.notes
    line = [row.startswith(slip) for row in wrong.splitlines()].index(True) + 1
    stream, what, value, unit, _ = slip.split(",")
    assert note.text.startswith(f"{tmp_path / 'sack3.csv'}, line {line}: {stream}, {what} reads {value} {unit}")
    assert f"Did you mean {meant}?" in note.text
    assert note in reconcile_sheet(sheet, look_further=False)["sack3"].notes


def test_of_several_tests_each_tells_its_own_slips(folder):
    (folder / "sack.yaml").write_text(f"{SHEET}weighed: {{file: [sack.csv, b.csv]}}\n", encoding="utf-8")
    (folder / "b.csv").write_text("stream,what,value\ncon,gold,270 g\ntails,mass,13 kg\n", encoding="utf-8")
    (folder / "sack.csv").write_text("stream,what,value\nbutton,mass,0.3 mg\ntails,mass,13 kg\n", encoding="utf-8")
    sheet = sheet_of(folder / "sack.yaml")
    first, second = sheet.notes
    assert first.text.startswith(f"{folder / 'sack.csv'}, line 2: button, mass reads 0.3 mg: that is ")
    assert "Did you mean 0.3 g?" in first.text
    assert "Did you mean 270 mg?" in second.text
    told = reconcile_sheet(sheet, look_further=False)
    assert [first in told["sack"].notes, second in told["sack"].notes] == [True, False]
    assert [first in told["b"].notes, second in told["b"].notes] == [False, True]


def test_every_command_that_weighs_tells_a_slip(capsys):
    from flowsheet.show.balance.terminal import show_reconciled
    from flowsheet.show.estimate import fitted
    from flowsheet.show.estimate.chances import show_chance
    from flowsheet.study.estimate.chance import chance
    from flowsheet.study.estimate.fit import fit

    doubtful = SHEET.replace("opening: 20 mm", "opening: 20 mm ± 2 mm")
    text = f"{doubtful}weighed: {{lumps: {{mass: 7 kg}}, tails: {{mass: 13 kg, gold: 20 g}}}}\n"
    sheet = sheet_of(text)
    (note,) = sheet.notes
    assert "Did you mean 20 mg?" in note.text
    found = fit(sheet)
    assert note.text in fitted.as_dict(found)["notes"]
    shows: list[Callable[[], None]] = [
        lambda: fitted.show_fitted(found, Path("sack.fitted.yaml")),
        lambda: show_chance(sheet.title, chance(sheet, 20), 14.0),
        lambda: show_reconciled(sheet.title, reconcile_sheet(sheet)),
    ]
    for show in shows:
        capsys.readouterr()
        show()
        assert f"Note: {note.text}" in " ".join(capsys.readouterr().out.split())


def test_little_metal_of_a_small_sample_is_no_slip():
    assert sack_with("{tails: {bead: 0.1 mg}}").notes == ()
    assert sack_with("{con: {bead: 0.1 mg}}").notes
    # The larger bead tells.
    assert sack_with("{con: {bead: 0.1 mg}, button: {mass: 0.3 g}}").notes == ()


# ── a table and a block say the same ────────────────────────────────────────────────────────────────────────

DOUBTS = st.sampled_from(["", "0.3", "4 %"])
STREAMS = ("lumps", "fines", "con", "tails")


@st.composite
def blocks(draw: st.DrawFn) -> list[tuple[str, str, str, str, str]]:
    """Return lines (stream, what, value, unit, sd) that fit together."""
    lines = []
    for stream in draw(st.lists(st.sampled_from(STREAMS), min_size=1, unique=True)):
        tell = draw(st.sets(st.sampled_from(["mass", "grade", "passing", "grains", "bead", "metallics"]), min_size=1))
        if "mass" in tell:
            lines.append((stream, "mass", f"{draw(st.integers(1, 300)) / 100}", "kg", draw(DOUBTS)))
            if draw(st.booleans()):
                lines.append(
                    (stream, "moisture", f"{draw(st.integers(0, 20))}", "%", draw(st.sampled_from(["", "0.5"])))
                )
        if "grade" in tell and "metallics" not in tell:
            lines.append((stream, "grade", f"{draw(st.integers(1, 900)) / 10}", "g/t", draw(DOUBTS)))
            if draw(st.booleans()):
                lines.append((stream, "assay mass", f"{draw(st.integers(5, 60))}", "g", draw(DOUBTS)))
        if "passing" in tell:
            shares = sorted(draw(st.lists(st.integers(1, 100), min_size=2, max_size=2)), reverse=True)
            for sieve, share in zip(("1 mm", "#100"), shares, strict=True):
                lines.append((stream, f"passing {sieve}", f"{share}", "%", draw(st.sampled_from(["", "1"]))))
        if "grains" in tell:
            lines.append((stream, "grains +0.3 mm", f"{draw(st.integers(0, 40))}", "", ""))
        if "bead" in tell:
            lines.append((stream, "bead", f"{draw(st.integers(1, 9))}", "mg", draw(DOUBTS)))
        if "metallics" in tell:
            for what, unit in (("plus mass", "g"), ("plus gold", "mg"), ("minus mass", "g")):
                lines.append((stream, what, f"{draw(st.integers(1, 400)) / 10}", unit, draw(DOUBTS)))
            for _ in range(draw(st.integers(1, 3))):
                lines.append((stream, "minus grade", f"{draw(st.integers(1, 90)) / 10}", "g/t", draw(DOUBTS)))
    return lines


def as_block(lines: list[tuple[str, str, str, str, str]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for stream, what, value, unit, sd in lines:
        text = f"{value} {unit}" + (f" ± {sd}" if sd else "")
        block = found.setdefault(stream, {})
        first, _, rest = what.partition(" ")
        if first in ("passing", "grains"):
            block.setdefault(first, {})[rest] = text
        elif what == "minus grade":
            block.setdefault("metallics", {}).setdefault("minus_grades", []).append(text)
        elif first in ("plus", "minus"):
            block.setdefault("metallics", {})[{"plus mass": "plus", "plus gold": "plus_gold"}.get(what, "minus")] = text
        else:
            block[what.replace(" ", "_")] = text
    return found


def verdict(read: Callable[[], list[Measurement]]) -> list[Any]:
    """Return the measurements without their places, or what is wrong with them."""
    try:
        return same(read())
    except SheetError as wrong:
        return [(m.message, m.remedy) for m in wrong.mistakes]


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("weighing")


@settings(max_examples=examples(100))
@given(lines=blocks(), separator=st.sampled_from(",;\t"))
def test_a_table_and_a_block_make_equal_measurements(scratch, lines, separator):
    (scratch / "sack.yaml").write_text(f"{SHEET}weighed: {{file: sack.csv}}\n", encoding="utf-8")
    table = "\n".join(separator.join(line) for line in [("stream", "what", "value", "unit", "sd"), *lines])
    block = yaml.safe_dump(as_block(lines), sort_keys=False, default_flow_style=True, width=10_000, allow_unicode=True)
    expected = verdict(lambda: measured(block.strip()))
    # What is wrong, as a bead that outweighs its rock, is told in both.
    assert verdict(lambda: from_table(scratch, table)) == expected


PIECES = [
    "stream", "what", "value", "unit", "sd", "note", ",", ";", "\t", "\n", '"', "#", "tails", "con", "mass", "8.0 kg",
    "8.0", "kg", "passing 150 um", "passing", "grains +0.3 mm", "minus grade", "plus mass", "80 %", "-1", "±", "\r",
    "stream,what,value\n", "tails,mass,8.0 kg\n", "é", "moisture", "1e999 kg", "nan",
]  # fmt: skip


@settings(max_examples=examples(300))
@given(pieces=st.lists(st.sampled_from(PIECES), max_size=30), headed=st.booleans())
def test_any_text_is_read_or_refused(pieces, headed):
    text = ("stream,what,value,unit,sd\n" if headed else "") + "".join(pieces)
    found = weigh_sheet.parse(text, "sack.csv")
    rows = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for mistake in found.mistakes:
        assert mistake.message
        assert mistake.remedy
        assert 1 <= mistake.line <= len(rows)
        assert 1 <= mistake.column <= len(rows[mistake.line - 1]) + 2
    assert found.mistakes or found.data


@settings(max_examples=examples(200))
@given(pieces=st.lists(st.sampled_from(PIECES), max_size=30))
def test_any_weigh_sheet_is_read_or_refused_with_its_sheet(scratch, pieces):
    (scratch / "sack.yaml").write_text(f"{SHEET}weighed: {{file: sack.csv}}\n", encoding="utf-8")
    (scratch / "sack.csv").write_text("stream,what,value,unit,sd\n" + "".join(pieces), encoding="utf-8", newline="")
    for found in verdict(lambda: list(sheet_of(scratch / "sack.yaml").weighed)):
        if isinstance(found, Measurement):
            assert found.sd > 0
            assert math.isfinite(found.value)
        else:
            assert all(found)


# ── beside what the sheet makes of it ───────────────────────────────────────────────────────────────────────


def test_the_table_shows_every_kind_beside_the_sheets():
    con = '{mass: 2.0 kg, passing: {"300 um": 45 %}, grains: {"+0.3 mm": 4}, bead: 0.3 g ± 1 mg}'
    found = run(sack_with(f"{{con: {con}, tails: {{grade: 3 g/t}}}}"))
    grid = run_tables.weighed(found)
    rows = {row[1]: row for row in grid.rows}
    assert list(rows) == ["mass, kg", "passing 0.3 mm, %", "grains +0.3 mm", "bead, g", "grade, g/t"]
    assert [rows[what][6] for what in rows] == ["assumed", "assumed", "counted", "given", "assumed"]
    con = found.streams["con"]
    finer = sum(r.light + r.heavy for r in con.sizes if r.upper is not None and r.upper <= 0.3e-3)
    rock = sum(r.light + r.heavy for r in con.sizes)
    assert rows["passing 0.3 mm, %"][2:4] == (45.0, pytest.approx(100 * finer / rock, rel=1e-9))
    assert rows["bead, g"][3] == pytest.approx(1e3 * (con.gold + con.silver), rel=1e-9)
    assert rows["grade, g/t"][3] == pytest.approx(1e6 * found.streams["tails"].grade, rel=1e-9)
    assert rows["grains +0.3 mm"][5] == 0.5
    assert "Test" not in [column.head for column in grid.columns]


def test_what_a_sheet_of_factors_cannot_know_is_left_open():
    text = """ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 10 %}, recovery: {a: 80 %}}}
keep: con
weighed: {con: {passing: {1 mm: 80 %}, grains: 4, mass: 0 g}}
"""
    rows = run_tables.weighed(run(sheet_of(text))).rows
    assert [math.isnan(row[3]) for row in rows] == [True, True, False]
    assert math.isnan(rows[2][5])


def test_the_table_names_the_tests_and_fits_a_terminal(folder, capsys):
    from flowsheet.show.run.terminal import show_run

    (folder / "sack.yaml").write_text(f"{SHEET}weighed: {{file: [sack.csv, other.csv]}}\n", encoding="utf-8")
    (folder / "other.csv").write_text("stream,what,value\nbutton,mass,0.2 g\n", encoding="utf-8")
    from_table(folder, TABLE)
    found = run_of(folder / "sack.yaml")
    assert [row[-1] for row in run_tables.weighed(found).rows] == [*["sack"] * 7, "other"]
    show_run(found)
    shown = capsys.readouterr().out
    assert "Weighed against the sheet" in shown
    assert max(map(len, shown.splitlines())) <= 100


@pytest.mark.slow
def test_its_numbers_stay_whole_in_eighty_columns(folder):
    from rich.console import Console

    (folder / "sack.yaml").write_text(
        f"{SHEET}weighed: {{file: sack.csv, tails: {{mass: 12.345 kg}}}}\n", encoding="utf-8"
    )
    from_table(folder, TABLE)
    grid = run_tables.weighed(run_of(folder / "sack.yaml"))
    page = io.StringIO()
    Console(file=page, width=80, markup=False).print(grid.rich())
    text = page.getvalue()
    for row in grid.rows:
        for column, cell in zip(grid.columns, row, strict=True):
            assert column.form is None or column.form(cell) in text  # names may be folded
