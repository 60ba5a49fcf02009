"""Command lines that are wrong in themselves: each is refused with what to type instead."""

from __future__ import annotations

from pathlib import Path

import pytest
from commands import Command

from flowsheet.starters import starter


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """Return a sheet in the folder that the command runs in."""
    sheet = tmp_path / "own.yaml"
    sheet.write_text(starter("quick"), encoding="utf-8")
    return sheet


@pytest.mark.usefixtures("own")
@pytest.mark.parametrize(
    ("typed", "cure"),
    [
        ("draw own.yaml --sizes -o s2.png", "--sizes wants streams: --sizes lumps,tails"),
        ("draw own.yaml --sizes", "Write: --sizes lumps,tails"),
        ("try own.yaml --set scalp.opening=20 mm", '--set "scalp.opening=20 mm"'),
        ("try own.yaml", 'Write: flowsheet try "own.yaml" --set scalp.opening=20mm,12mm'),
        ("specimen --air 96 g --water 74.5 g", 'Put what has blanks in it in quotes, as "20 mm"'),
        ("run own", 'Did you mean "own.yaml"?'),
        ("run own.csv", 'Did you mean "own.yaml"?'),
        ("run", "Name a sheet, as: flowsheet run my.yaml"),
        ("run own.yaml other.yaml", "Name one sheet at a time"),
        ("run own.yaml -o x", "Say --out DIR"),
        ("draw own.yaml --out x", "Say -o FILE"),
        ("help", "Write: flowsheet --help, or flowsheet explain"),
        ("help draw", "Write: flowsheet draw --help"),
        ("own.yaml", 'Say what to do with it, as: flowsheet run "own.yaml"'),
        ("recncile own.yaml", 'Did you mean "reconcile"?'),
    ],
)
def test_a_wrong_command_line_is_told_with_its_cure(flowsheet: Command, typed: str, cure: str) -> None:
    done = flowsheet(*typed.split(" "))
    assert done.code == 2
    assert done.out == ""
    assert cure in done.err
    assert "?." not in done.err


def test_without_a_command_the_help_is_told_and_nothing_else(flowsheet: Command) -> None:
    done = flowsheet()
    told = done.out + done.err
    assert "Usage:" in told
    assert "in quotes" not in told


def test_with_json_the_cure_stands_in_the_field_for_it(flowsheet: Command) -> None:
    (mistake,) = flowsheet("recncile", "own.yaml", "--json").json["mistakes"]
    assert (mistake["message"], mistake["remedy"]) == ("There is no command 'recncile'", 'Did you mean "reconcile"?')


@pytest.mark.parametrize(
    ("name", "text"), [("mine.html", "<html>\n<p>a: b: c</p>\n  <x>"), ("notes.md", "# A\n\nb c\nd: e")]
)
def test_a_file_that_is_no_sheet_is_told_as_such(flowsheet: Command, tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    told = flowsheet("run", name).err
    assert f"{name}:1:1: this is no sheet" in told
    assert "colon" not in told


def test_keep_is_asked_for_with_the_sheet_s_own_streams(flowsheet: Command, own: Path) -> None:
    text = own.read_text(encoding="utf-8").replace("bead: bead", "bead: my bead")
    own.write_text("".join(line for line in text.splitlines(True) if not line.startswith("keep:")), encoding="utf-8")
    assert "Add keep: [specimens, my bead]." in flowsheet("check", own).err


def test_a_weight_alone_is_put_behind_its_field(flowsheet: Command, own: Path) -> None:
    own.write_text(f"{own.read_text(encoding='utf-8')}\nweighed:\n  tails: 9.6 kg\n  bead: 250 mg\n", encoding="utf-8")
    told = flowsheet("check", own).err
    assert "Write tails: {mass: 9.6 kg}." in told
    assert "Write bead: {mass: 250 mg}." in told


@pytest.mark.parametrize(
    ("old", "new", "cure"),
    [
        ("setting: 6 mm", "gap: 6 mm", 'Here it is called "setting".'),
        ("opening: 20 mm", "aperture: 20 mm", 'Here it is called "opening".'),
        ("keep:", "weighed: {tails: {weight: 9.6 kg}, bead: {wieght: 250 mg}}\nkeep:", 'Here it is called "mass".'),
    ],
)
def test_a_field_is_called_otherwise_here(flowsheet: Command, own: Path, old: str, new: str, cure: str) -> None:
    text = own.read_text(encoding="utf-8")
    assert old in text
    own.write_text(text.replace(old, new), encoding="utf-8")
    faults = [line for line in flowsheet("check", own).err.splitlines() if "no such field here" in line]
    assert faults
    assert all(line.endswith(cure) for line in faults)


def test_a_misspelt_weight_in_a_weigh_sheet_is_known(flowsheet: Command, own: Path) -> None:
    own.write_text(f"{own.read_text(encoding='utf-8')}\nweighed: {{file: own.csv}}\n", encoding="utf-8")
    own.with_suffix(".csv").write_text("stream,what,value,unit\ntails,wieght,9.6,kg\n", encoding="utf-8")
    assert 'read "wieght": nothing known here is measured under this name. Did you mean "mass"?' in (
        flowsheet("check", own).err
    )


def test_metal_is_offered_for_sale_as_metal(flowsheet: Command, own: Path) -> None:
    assert "sells: {metal: {kind: metal, takes: bead}}" in flowsheet("worth", own).err
    text = own.read_text(encoding="utf-8")
    kept = next(line for line in text.splitlines() if line.startswith("keep:"))
    own.write_text(text.replace(kept, "keep: specimens"), encoding="utf-8")
    assert "sells: {stones: {kind: specimen, takes: specimens}}" in flowsheet("worth", own).err


def test_what_was_written_is_told_alike(flowsheet: Command) -> None:
    assert flowsheet("new", "my.yaml").out.startswith("Wrote my.yaml.")
    assert flowsheet("draw", "my.yaml", "-o", "my.dot").err == "Wrote my.dot\n"


def test_a_new_sheet_without_an_ending_is_told_of(flowsheet: Command) -> None:
    told = "Note: the name does not end in .yaml"
    assert told in flowsheet("new", "noext").out
    assert told not in flowsheet("new", "with.yaml").out
