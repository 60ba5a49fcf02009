"""The recipe for a kind in DEVELOPERS.md, followed: one file beside the others, and every command works with it."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from new_kinds import kind_added, printed
from sheets import sheet_of

import flowsheet
from flowsheet.solve.model import Model
from flowsheet.steps import kinds

PACKAGE = Path(flowsheet.__file__).parent
ROOT = PACKAGE.parent
RECIPE = re.search(
    r"## Add a kind of equipment\n.*?```python\n(.*?)```", (ROOT / "DEVELOPERS.md").read_text("utf-8"), re.DOTALL
)
TABLE = RECIPE[1] if RECIPE is not None else ""

SHEET = """
title: Table test
ore: {mass: 10 kg ± 50 g, grade: 20 g/t ± 4 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.1 mm, d95: 0.4 mm}}
steps:
  powder: {do: pulverize, takes: ore, gives: powder, gap: 0.5 mm}
  table: {do: shaking_table, takes: powder, gives: {concentrate: con, middlings: mids, tailings: tails},
          r_max: 100 %, middle: 20 % ± 5 %}
keep: con
weighed: {con: {mass: 200 g ± 2 g, gold: 0.15 g ± 5 mg}, mids: {mass: 1.9 kg ± 20 g}, tails: {mass: 7.8 kg ± 50 g}}
"""


@pytest.fixture
def tabled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with a sheet that has a table, while there is such a kind."""
    (tmp_path / "table.yaml").write_text(SHEET, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    with kind_added("shaking_table", TABLE, tmp_path / "more_steps"):
        yield tmp_path


@pytest.mark.slow
def test_every_command_works_with_it(
    tabled: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def said(*arguments: str) -> str:
        return printed(monkeypatch, capsys, *arguments)

    assert json.loads(said("check", "table.yaml", "--json"))["ok"]
    run = json.loads(said("run", "table.yaml", "--json"))
    assert run["closure"] == {"solids": pytest.approx(0, abs=1e-12), "gold": pytest.approx(0, abs=1e-12)}
    planned = run["as_planned"]["streams"]
    assert planned["mids"]["mass_kg"] == pytest.approx(10 * 0.98 * 0.2, rel=1e-9)
    said("draw", "table.yaml", "-o", "flow.dot")
    assert "table\\nshaking table" in Path("flow.dot").read_text(encoding="utf-8")
    assert json.loads(said("chance", "table.yaml", "--draws", "200", "--json"))["kept"]
    tried = json.loads(said("try", "table.yaml", "--set", "table.middle=0%,50%", "--json"))["trials"]
    assert [one["kept_g"] for one in tried] == pytest.approx([planned["con"]["gold_g"]] * 2, rel=1e-9)
    assert json.loads(said("reconcile", "table.yaml", "--json"))
    said("report", "table.yaml", "-o", "report.html")
    assert "shaking table" in Path("report.html").read_text(encoding="utf-8")
    said("label", "table.yaml", "-o", "label.html")
    assert "tabled" in Path("label.html").read_text(encoding="utf-8")
    assert '"shaking_table"' in said("schema")
    assert "what runs off between" in said("explain", "shaking_table")


def test_all_its_lost_gold_has_a_named_reason(
    tabled: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = json.loads(printed(monkeypatch, capsys, "run", "table.yaml", "--json"))
    lost = {loss["stream"]: loss["why"] for loss in run["losses"]}
    assert set(lost) == {"mids", "tails"}
    for why in lost.values():
        assert why["too_fine"] > 0
        assert why["locked"] > 0
        assert why["too_fine"] + why["locked"] == pytest.approx(1, rel=1e-12)


def test_without_grains_it_wants_a_recovery(tabled: Path, solved: Callable[..., object]) -> None:
    given = "recovery: {concentrate: 80 %, middlings: 10 %}, "
    ore = "ore: {mass: 10 kg, grade: 20 g/t}\n"
    gives = "gives: {concentrate: c, middlings: m, tailings: t}"
    text = f"{ore}steps:\n  table: {{do: shaking_table, takes: ore, {given}{gives}}}\n"
    found = solved(f"{text}keep: c\n")
    assert float(found.streams["t"].gold) == pytest.approx(0.1 * 200e-6)  # type: ignore[attr-defined]
    with pytest.raises(flowsheet.SheetError, match="shaking_table needs to know the gold grains"):
        sheet_of(f"{text.replace(given, '')}keep: c\n")


def test_its_numbers_are_knobs(tabled: Path) -> None:
    from flowsheet.study.run.sliders import knobs

    sheet = sheet_of(tabled / "table.yaml")
    assert sheet.document is not None
    assert Model.of(sheet).step("table").kind == "shaking_table"
    assert {"table.middle", "table.d50", "table.rock"} <= {knob.setting for knob in knobs(sheet.document, sheet)}


@pytest.mark.slow
def test_one_file_is_all_that_a_tree_needs(tmp_path: Path) -> None:
    """In a copy of the tree mypy takes the file, and the tests of all kinds hold for it too."""
    for name in ("flowsheet", "tests", "configs", "examples"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, tmp_path)
    (tmp_path / "flowsheet/steps/shaking_table.py").write_text(TABLE, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
    kind_tests = "TestKind or kind or grammar or names_a_kind or random_sheets"
    for arguments in (
        ("ruff", "check", "flowsheet/steps"),
        ("ruff", "format", "--check", "flowsheet/steps"),
        ("mypy",),
        ("pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "-k", kind_tests, "tests/test_contract.py",
         "tests/test_steps.py", "tests/test_schema.py", "tests/test_explain.py", "tests/test_docs.py",
         "tests/test_properties.py"),
    ):  # fmt: skip
        done = subprocess.run([sys.executable, "-m", *arguments], cwd=tmp_path, env=environment, capture_output=True,
                              text=True, check=False, timeout=600)  # fmt: skip
        assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


# ── nobody knows a kind by name ─────────────────────────────────────────────────────────────────────────────

WORDS_OF_SHEETS = {"pan", "split"}
"""Names of kinds that are something else in a sheet too: the last row of a sieve table, and given shares."""


def kinds_named(source: str) -> set[str]:
    """Return the kinds that a module names: as a text of that one word, or by importing from their files."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            found |= {node.value} & (set(kinds()) - WORDS_OF_SHEETS)
        elif isinstance(node, ast.ImportFrom):
            inside = {f"{node.module}.{alias.name}" for alias in node.names} | {node.module or ""}
            found |= {kind for kind in kinds() if f"flowsheet.steps.{kind}" in inside}
        elif isinstance(node, ast.Import):
            found |= {kind for kind in kinds() for alias in node.names if alias.name == f"flowsheet.steps.{kind}"}
    return found


def test_no_module_outside_the_room_of_steps_names_a_kind() -> None:
    named = {str(path.relative_to(PACKAGE)): kinds_named(path.read_text(encoding="utf-8"))
             for path in PACKAGE.rglob("*.py") if path.parent.name != "steps"}  # fmt: skip
    assert {path: found for path, found in named.items() if found} == {}


@pytest.mark.parametrize(
    "source",
    [
        "if step.do == 'sluice': pass",
        "from flowsheet.steps.sluice import Sluice",
        "from flowsheet.steps import sluice",
        "import flowsheet.steps.sluice",
    ],
)
def test_a_kind_that_is_named_would_be_found(source: str) -> None:
    assert kinds_named(source) == {"sluice"}
