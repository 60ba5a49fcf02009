"""One of each command, through --json, on a sheet as small as it can be."""

from __future__ import annotations

from pathlib import Path

import pytest
from commands import Command

from flowsheet import cli

pytestmark = pytest.mark.smoke

#: All numbers are invented.
SHEET = """
title: a pinch of each
ore:
  mass: 10 kg ± 20 g
  grade: 20 g/t ± 8 g/t
  sizes: {top: 20 mm, p80: 10 mm}
  gold: {d50: 0.1 mm, d95: 0.3 mm}
steps:
  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, r_max: 92 % ± 3 %}
keep: [con]
pile: {sacks: 9, sack_mass: 10 kg}
weighed:
  con: {mass: 210 g, gold: 0.161 g ± 1 mg}
  tails: {mass: 9.79 kg ± 10 g, grade: 4.1 g/t ± 0.3 g/t}
prices: {gold: 100 USD/g}
sells: {metal: {kind: metal, takes: con}}
"""
FILE = "small.yaml"
PLAIN = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, recovery: {concentrate: 80 %}}}
keep: con
"""
REPORTED = "plain.yaml"
"""A sheet without grains, for the command that draws most."""

#: What is typed after each command, and one thing that its answer must hold.
ASKED: dict[str, tuple[tuple[str, ...], str]] = {
    "check": ((FILE,), "ends"),
    "run": ((FILE,), "streams"),
    "draw": ((FILE, "-o", "flow.svg"), "written"),
    "try": ((FILE, "--set", "wash.passes=2"), "trials"),
    "reconcile": ((FILE,), "streams"),
    "fit": ((FILE,), "parameters"),
    "chance": ((FILE, "--draws", "20"), "next_sack"),
    "plan": ((FILE, "--sacks", "3"), "plan"),
    "lot": ((FILE,), "grade_g_per_t"),
    "worth": ((FILE, "--draws", "20"), "ways"),
    "label": ((FILE, "-o", "label.txt"), "written"),
    "report": ((REPORTED, "-o", "report.html"), "written"),
    "specimen": (("--air", "96g", "--water", "74.5g"), "gold_g"),
    "cut": (("--rock", "120mm", "--band", "6mm", "--slab", "3mm", "--kerf", "1mm"), "cuts"),
    "new": (("mine.yaml",), "written"),
    "explain": (("pan",), "topics"),
    "schema": ((), "properties"),
}
SERVED = {"serve"}
"""Commands that answer a browser: the page has tests of its own."""


def test_no_command_is_forgotten() -> None:
    assert {one.name for one in cli.app.registered_commands if one.name} == set(ASKED) | SERVED


@pytest.mark.parametrize("command", ASKED)
def test_each_command_answers(flowsheet: Command, tmp_path: Path, command: str) -> None:
    (tmp_path / FILE).write_text(SHEET, encoding="utf-8")
    (tmp_path / REPORTED).write_text(PLAIN, encoding="utf-8")
    arguments, wanted = ASKED[command]
    done = flowsheet(command, *arguments, "--json")
    assert done.code == 0, done.err
    assert wanted in done.json
    assert "Traceback" not in done.err
    assert all((tmp_path / name).is_file() for name in done.json.get("written", []) if command in ("draw", "new"))


@pytest.mark.parametrize("command", sorted(set(ASKED) - {"specimen", "cut", "new", "explain", "schema"}))
def test_each_command_refuses_a_faulty_sheet(flowsheet: Command, tmp_path: Path, command: str) -> None:
    arguments, _ = ASKED[command]
    (tmp_path / arguments[0]).write_text(SHEET.replace("do: pan", "do: pann"), encoding="utf-8")
    done = flowsheet(command, *arguments)
    assert (done.code, done.out) == (2, "")
    assert f"{arguments[0]}:9:14: steps.wash.do" in done.err
    assert '"pan"' in done.err
    assert {path.name for path in tmp_path.iterdir()} == {arguments[0]}
