"""What every result in JSON tells of itself: the version, a digest of what was read, and the seed of the draws."""

from __future__ import annotations

import hashlib
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from commands import Command
from jsonschema import Draft202012Validator

from flowsheet import __version__
from flowsheet.solve.model import load
from flowsheet.spec.weights.read_weighed import readable_sources

ROOT = Path(__file__).parent.parent
SACK = ROOT / "examples" / "sack_test"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for path in SACK.glob("sack3.*"):
        shutil.copy(path, tmp_path)
    return tmp_path


Asked = Callable[..., dict[str, Any]]


@pytest.fixture
def asked(flowsheet: Command) -> Asked:
    """Return a function that asks a command for JSON, and looks at what every result begins with."""

    def ask(*arguments: str, code: int = 0) -> dict[str, Any]:
        done = flowsheet(*arguments, "--json")
        assert done.code == code, done.err
        found = done.json
        assert list(found)[:3] == ["version", "sheet_sha256", "seed"]
        assert found["version"] == __version__
        return dict(found)

    return ask


def digest(folder: Path, *names: str) -> str:
    return hashlib.sha256(b"".join((folder / name).read_bytes() for name in names)).hexdigest()


@pytest.mark.parametrize(("arguments", "seed"), [
    (("check", "sack3.yaml"), None),
    (("run", "sack3.yaml"), 1),
    (("draw", "sack3.yaml"), None),
    (("try", "sack3.yaml", "--set", "scalp.opening=12mm"), None),
    (("reconcile", "sack3.yaml"), None),
    (("chance", "sack3.yaml", "--draws", "20", "--seed", "7"), 7),
    (("label", "sack3.yaml"), 1),
    (("fit", "sack3.yaml", "--seed", "3"), 3),
])  # fmt: skip
def test_a_result_tells_what_it_was_made_from(
    asked: Asked, folder: Path, arguments: tuple[str, ...], seed: int | None
) -> None:
    found = asked(*arguments)
    assert (found["sheet_sha256"], found["seed"]) == (digest(folder, "sack3.yaml", "sack3.csv"), seed)


@pytest.mark.slow
@pytest.mark.parametrize(("arguments", "seed"), [
    (("try", "sack3.yaml", "--set", "scalp.opening=12mm", "--fitted", "--seed", "2"), 2),
    (("plan", "sack3.yaml", "--sacks", "40", "--seed", "2"), 2),
    (("report", "sack3.yaml", "--seed", "2"), 2),
])  # fmt: skip
def test_a_slow_result_tells_it_too(asked: Asked, folder: Path, arguments: tuple[str, ...], seed: int | None) -> None:
    found = asked(*arguments)
    assert (found["sheet_sha256"], found["seed"]) == (digest(folder, "sack3.yaml", "sack3.csv"), seed)


def test_without_a_sheet_there_is_no_digest(asked: Asked) -> None:
    found = asked("specimen", "--air", "96g", "--water", "74.5g", "--seed", "5")
    assert (found["sheet_sha256"], found["seed"]) == (None, 5)
    found = asked("cut", "--rock", "120mm", "--band", "6mm", "--slab", "3mm", "--kerf", "1mm")
    assert (found["sheet_sha256"], found["seed"]) == (None, None)


def test_a_table_of_specimens_is_told_by_its_own_bytes(asked: Asked, folder: Path) -> None:
    (folder / "rocks.csv").write_text("name,air,water,unit\nfirst,96,74.5,g\nsecond,120.5,88,g\n", encoding="utf-8")
    assert asked("specimen", "--file", "rocks.csv")["sheet_sha256"] == digest(folder, "rocks.csv")
    (folder / "rocks.csv").write_text("name,air,water,unit\nfirst,96,mug,g\n", encoding="utf-8")
    assert asked("specimen", "--file", "rocks.csv", code=2)["sheet_sha256"] == digest(folder, "rocks.csv")


def test_the_schema_is_a_schema_and_tells_its_version(flowsheet: Command) -> None:
    found = flowsheet("schema", "--json").json
    assert list(found)[:2] == ["$schema", "$comment"]
    assert found["$comment"] == f"flowsheet {__version__}"
    Draft202012Validator.check_schema(found)


@pytest.mark.parametrize(("arguments", "option", "told", "remedy"), [
    (("run", "sack3.yaml", "--bogus"), "--bogus", "--bogus", "run --help"),
    (("run", "sack3.yaml", "--outt", "x"), "--outt", "--outt", "Did you mean --out?"),
    (("run",), "", "FILE", "Name a sheet, as: flowsheet run my.yaml"),
    (("runn", "sack3.yaml"), "", "runn", 'Did you mean "run"?'),
    (("try", "sack3.yaml"), "--set", "--set", 'Write: flowsheet try "sack3.yaml" --set scalp.opening=20mm,12mm'),
    (("cut", "--band", "4mm"), "--rock", "--rock",
     "Write: flowsheet cut --rock 120mm --band 4mm --slab 3mm,8mm --kerf 1mm"),
    (("draw", "sack3.yaml", "--out", "x"), "--out", "--out", "Say -o FILE"),
    (("run", "sack3.yaml", "more"), "", "more", "Put what has blanks in it in quotes"),
    (("report", "sack3.yaml", "--paper", "a5"), "--paper", "letter", "Write --paper a4 or --paper letter"),
    (("chance", "sack3.yaml", "--seed", "x"), "--seed", "integer", "Write a whole number of 0 or more, as --seed 1"),
    (("chance", "sack3.yaml", "--draws", "1"), "--draws", "10",
     "Write a whole number from 10 to 1000000, as --draws 1000"),
    ((), "--json", "--json", "Name a command first, as: flowsheet run my.yaml --json"),
])  # fmt: skip
def test_a_wrong_command_line_is_told_as_mistakes_are(
    asked: Asked, flowsheet: Command, folder: Path, arguments: tuple[str, ...], option: str, told: str, remedy: str
) -> None:
    found = asked(*arguments, code=2)
    assert (found["ok"], found["sheet_sha256"], found["seed"]) == (False, None, None)
    (mistake,) = found["mistakes"]
    assert (mistake["file"], mistake["code"]) == (option, "command_line")
    assert told in mistake["message"]
    assert remedy in mistake["remedy"]
    assert remedy not in mistake["message"]
    assert told in flowsheet(*arguments, "--json").err
    if "--help" not in remedy and arguments:
        assert remedy in flowsheet(*arguments).err
    assert {path.name for path in folder.iterdir()} == {"sack3.yaml", "sack3.csv"}


def test_help_and_its_code_are_the_same_with_json(flowsheet: Command) -> None:
    plain, asked = flowsheet("run", "--help"), flowsheet("run", "--json", "--help")
    assert plain.out.startswith("Usage:")
    assert plain == asked


def test_a_sheet_without_gold_draws_nothing(asked: Asked, folder: Path) -> None:
    sheet = """
ore: {mass: 10 kg, grade: 0 g/t}
steps: {part: {do: factors, takes: ore, gives: [a, b], split: {a: 60 %}, recovery: {a: 80 %}}}
keep: a
"""
    (folder / "plain.yaml").write_text(sheet.replace("gives: [a, b]", "gives: {a: a, b: b}"), encoding="utf-8")
    found = asked("run", "plain.yaml")
    assert (found["sheet_sha256"], found["seed"]) == (digest(folder, "plain.yaml"), None)


def test_a_new_sheet_is_told_by_its_own_bytes(asked: Asked, folder: Path) -> None:
    assert asked("new", "mine.yaml")["sheet_sha256"] == digest(folder, "mine.yaml")


def test_several_tests_are_told_sheet_by_sheet(asked: Asked, folder: Path) -> None:
    sheet = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {part: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 2 %}, recovery: {a: 80 %}}}
keep: con
pile: {sacks: 9, sack_mass: 10 kg}
weighed: {file: [NAMES]}
"""
    table = "stream,what,value,unit\ntails,mass,9.8,kg\ntails,grade,4.1,g/t\ncon,mass,200,g\ncon,gold,0.161,g\n"
    (folder / "one.yaml").write_text(sheet.replace("NAMES", "z.csv, y.csv"), encoding="utf-8")
    two = folder / "two"
    two.mkdir()
    for name in ("b", "a"):
        (two / f"{name}.yaml").write_text(sheet.replace("NAMES", f"{name}.csv"), encoding="utf-8")
    for path in (folder / "z.csv", folder / "y.csv", two / "a.csv", two / "b.csv"):
        path.write_text(f"# {path.stem}\n{table}", encoding="utf-8")
    found = asked("lot", "one.yaml")
    assert (found["sheet_sha256"], found["seed"]) == (digest(folder, "one.yaml", "z.csv", "y.csv"), None)
    found = asked("lot", "two")
    assert found["sheet_sha256"] == digest(two, "a.yaml", "a.csv", "b.yaml", "b.csv")


@pytest.mark.parametrize(("old", "new", "files"), [
    ("opening: 20 mm", "opening: 20", ("sack3.yaml", "sack3.csv")),
    ("file: sack3.csv", "file: sack9.csv", ("sack3.yaml",)),
    ("keep: [", "keep: [[", ("sack3.yaml",)),
])  # fmt: skip
def test_mistakes_tell_what_was_read(asked: Asked, folder: Path, old: str, new: str, files: tuple[str, ...]) -> None:
    sheet = folder / "sack3.yaml"
    text = sheet.read_text(encoding="utf-8")
    assert old in text
    sheet.write_text(text.replace(old, new, 1), encoding="utf-8")
    for command in ("check", "run", "lot"):
        found = asked(command, "sack3.yaml", code=2)
        assert (found["ok"], found["sheet_sha256"], found["seed"]) == (False, digest(folder, *files), None)


@pytest.mark.usefixtures("folder")
def test_where_nothing_can_be_read_there_is_no_digest(asked: Asked) -> None:
    for arguments in (("run", "none.yaml"), ("run", "."), ("new", "sack3.yaml"), ("specimen",)):
        assert asked(*arguments, code=2)["sheet_sha256"] is None


def test_the_digest_is_of_the_bytes_on_the_disk(folder: Path) -> None:
    sheet = folder / "sack3.yaml"
    sheet.write_bytes(b"\xef\xbb\xbf" + sheet.read_bytes().replace(b"\n", b"\r\n"))
    told = load(sheet)[0].sources
    assert told.sha256 == digest(folder, "sack3.yaml", "sack3.csv") == readable_sources(sheet).sha256
    assert told.paths == (sheet, folder / "sack3.csv")
    assert "ore" not in repr(told)


def test_the_version_is_printed(flowsheet: Command) -> None:
    assert flowsheet("--version") == (0, f"flowsheet {__version__}\n", "")
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert told["project"]["version"] == __version__
