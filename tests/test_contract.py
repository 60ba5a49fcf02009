"""What the rooms owe each other: arrows go one way, commands start light, a new kind is one new file."""

from __future__ import annotations

import ast
import inspect
import json
import re
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from new_kinds import TUB, TUB_SHEET, kind_added, printed

import flowsheet
from flowsheet import steps
from flowsheet.spec.blocks.fields import dimension_of, extra_of
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.text.notes import Note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.steps.base import Step

pytestmark = pytest.mark.smoke

PACKAGE = Path(flowsheet.__file__).parent
ROOMS = ("spec", "ore", "steps", "solve", "study", "show", "door", "cli")
#: Modules and folders that are no room of their own, and the room whose rules they keep.
LOOSE = {"": "door", "__main__": "cli", "cli": "cli", "commands": "cli", "starters": "show"}
LONGEST = 350
HEAVY = {"scipy", "matplotlib", "networkx", "starlette", "uvicorn", "jinja2"}
QUICK = Path(__file__).parent.parent / "configs" / "quick.yaml"

MODULES = sorted(PACKAGE.rglob("*.py"))


# ── arrows ──────────────────────────────────────────────────────────────────────────────────────────────────


def room_of(module: str) -> str:
    """Return the room of a dotted module name that starts with the package."""
    inner = module.partition(".")[2]
    first = inner.partition(".")[0]
    return first if first in ROOMS else LOOSE[first]


def dotted(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def tree_of(source: str) -> ast.Module:
    """Return a source parsed: once, for all that look at it."""
    return ast.parse(source)


@cache
def nodes_of(source: str) -> tuple[ast.AST, ...]:
    """Return all nodes of a source, breadth first."""
    return tuple(ast.walk(tree_of(source)))


def imported(source: str, package: str) -> Iterator[str]:
    """Go through the dotted names of the package that a source imports, wherever in it the import stands."""
    for node in nodes_of(source):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base] if base else above)
            # "from flowsheet import study" names a room in what is imported, not in where it comes from.
            yield from (f"{base}.{alias.name}" for alias in node.names) if base == "flowsheet" else (base,)


def wrong_arrows(source: str, module: str, package: str) -> list[str]:
    """Return what a module imports from rooms that come after its own."""
    mine = ROOMS.index(room_of(module))
    found = []
    for name in imported(source, package):
        if name.partition(".")[0] != "flowsheet" or name == "flowsheet.__version__":
            continue
        if ROOMS.index(room_of(name)) > mine:
            found.append(name)
    return found


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_a_module_imports_only_from_its_own_room_or_earlier_ones(path: Path) -> None:
    package = dotted(path) if path.name == "__init__.py" else dotted(path.parent / "__init__.py")
    assert wrong_arrows(path.read_text(encoding="utf-8"), dotted(path), package) == []


def test_every_room_is_there_and_nothing_else() -> None:
    folders = {path.name for path in PACKAGE.iterdir() if (path / "__init__.py").is_file()}
    assert folders == set(ROOMS) - {"cli"} | {"commands"}
    assert {path.stem for path in PACKAGE.glob("*.py")} == {name or "__init__" for name in LOOSE} - {"commands"}


@pytest.mark.parametrize(
    ("source", "module", "wrong"),
    [
        ("from flowsheet.study.run.run import run", "flowsheet.solve.model", ["flowsheet.study.run.run"]),
        ("import flowsheet.cli", "flowsheet.show.text.tables", ["flowsheet.cli"]),
        ("from flowsheet import show", "flowsheet.study.run.run", ["flowsheet.show"]),
        ("from flowsheet import starters", "flowsheet.study.run.run", ["flowsheet.starters"]),
        ("from ..solve import model", "flowsheet.steps.pan", ["flowsheet.solve"]),
        ("from .. import solve", "flowsheet.steps.pan", ["flowsheet.solve"]),
        (
            "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from flowsheet.steps.base import Step",
            "flowsheet.ore.feed",
            ["flowsheet.steps.base"],
        ),
        ("def f():\n    from flowsheet.ore import grid", "flowsheet.spec.read", ["flowsheet.ore"]),
        ("from flowsheet.ore.grid import Grid\nimport numpy as np", "flowsheet.steps.pan", []),
        ("from . import base\nfrom .base import Step", "flowsheet.steps.pan", []),
        ("from flowsheet import __version__", "flowsheet.spec.read", []),
        ("import flowsheet as fs", "flowsheet.show.page.app", ["flowsheet"]),
        ("import flowsheet as fs", "flowsheet.commands.sheet", []),
        ("from flowsheet.commands import common", "flowsheet.door.sheets", ["flowsheet.commands"]),
    ],
)
def test_the_checker_of_arrows_can_fail(source: str, module: str, wrong: list[str]) -> None:
    assert wrong_arrows(source, module, module.rpartition(".")[0]) == wrong


# ── sub-rooms ───────────────────────────────────────────────────────────────────────────────────────────────

MOST_MODULES = 14
"""Modules of a folder that a stranger takes in at a glance (one file a kind and one a command are lists, not rooms)."""


def sub_room(module: str) -> str:
    """Return the sub-room of a dotted module name, "" for one that lies in the room itself."""
    parts = module.split(".")
    return ".".join(parts[1:3]) if len(parts) > 3 or ((PACKAGE / Path(*parts[1:])).is_dir() and len(parts) == 3) else ""


def arrows_between(sources: dict[str, str]) -> set[tuple[str, str]]:
    """Return which sub-room imports from which other one of the same room, of sources by dotted module name."""
    found = set()
    for module, source in sources.items():
        mine = sub_room(module)
        others = {sub_room(name) for name in imported(source, module.rpartition(".")[0])}
        found |= {(mine, other) for other in others if mine and other and other != mine
                  and other.partition(".")[0] == mine.partition(".")[0]}  # fmt: skip
    return found


def circles(arrows: set[tuple[str, str]]) -> list[list[str]]:
    import networkx as nx

    return [sorted(part) for part in nx.strongly_connected_components(nx.DiGraph(arrows)) if len(part) > 1]


def test_no_folder_holds_more_modules_than_a_stranger_takes_in() -> None:
    folders = {path.parent for path in MODULES} - {PACKAGE / "steps", PACKAGE / "commands"}
    full = {str(folder.relative_to(PACKAGE)): count for folder in folders
            if (count := sum(path.name != "__init__.py" for path in folder.glob("*.py"))) > MOST_MODULES}  # fmt: skip
    assert full == {}


def test_sub_rooms_form_no_circle() -> None:
    arrows = arrows_between({dotted(path): path.read_text(encoding="utf-8") for path in MODULES})
    assert ("study.money", "study.common") in arrows  # so that the check sees what is imported
    assert circles(arrows) == []


def test_the_check_of_circles_can_fail() -> None:
    sources = {
        "flowsheet.study.lot.ledger": "from flowsheet.study.money.costs import bond",
        "flowsheet.study.money.costs": "def f():\n    from flowsheet.study.lot import ledger",
    }
    assert circles(arrows_between(sources)) == [["study.lot", "study.money"]]


def test_each_sub_room_says_what_is_answered_there_and_names_its_modules() -> None:
    for path in MODULES:
        if path.name != "__init__.py" or path.parent == PACKAGE:
            continue
        told = ast.get_docstring(tree_of(path.read_text(encoding="utf-8"))) or ""
        assert len(told.partition("\n")[0]) > 20, path
        mine = {one.stem for one in path.parent.glob("*.py")} - {"__init__"}
        if room_of(dotted(path)) in ("spec", "study") and path.parent.parent != PACKAGE:
            assert {name for name in mine if name not in told} == set(), path


def test_show_has_the_sub_rooms_of_study() -> None:
    def rooms(name: str) -> set[str]:
        return {path.parent.name for path in (PACKAGE / name).glob("*/__init__.py")}

    # What the posterior finds is told as how sure a run is: by show/estimate and show/run.
    assert rooms("study") - {"common", "posterior"} == rooms("show") - {"text", "graphics", "page", "report", "guide"}


# ── SI to the border ────────────────────────────────────────────────────────────────────────────────────────

UNITS_OUT = PACKAGE / "study" / "common" / "units_out.py"
"""The one module of the room that knows how many of a unit that people read make one of SI."""
FACTORS = {1e3, 1e-3, 1e6, 1e-6}
IN_A_UNIT = re.compile(r"(^|_)(g|mg|kg|t|mm|um|cm3|g_per_t|g_per_kg)$")
"""How a field is called that does not hold SI, or that says SI where nothing else is held."""
STUDY = sorted(path for path in (PACKAGE / "study").rglob("*.py") if path != UNITS_OUT)


def factors_of_units(source: str) -> list[str]:
    """Return where a source multiplies or divides by a thousand or a million, or hands one on; ``as_dict`` may."""
    found: list[str] = []

    def is_factor(node: ast.expr) -> bool:
        plain = node.operand if isinstance(node, ast.UnaryOp) else node
        return isinstance(plain, ast.Constant) and isinstance(plain.value, int | float) and plain.value in FACTORS

    def visit(node: ast.AST) -> None:
        if isinstance(node, ast.FunctionDef) and node.name == "as_dict":
            return
        parts: list[ast.expr] = []
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.Div):
            parts = [node.left, node.right]
        elif isinstance(node, ast.AugAssign) and isinstance(node.op, ast.Mult | ast.Div):
            parts = [node.value]
        elif isinstance(node, ast.Call):  # a scale that somebody else multiplies by
            parts = [*node.args, *(keyword.value for keyword in node.keywords)]
        found.extend(f"line {part.lineno}: {ast.unparse(node)}" for part in parts if is_factor(part))
        for child in ast.iter_child_nodes(node):
            visit(child)

    visit(tree_of(source))
    return found


def fields_in_a_unit(source: str) -> list[str]:
    """Return the fields of a source's dataclasses whose names say a unit."""
    found = []
    for node in nodes_of(source):
        if isinstance(node, ast.ClassDef) and any("dataclass" in ast.unparse(one) for one in node.decorator_list):
            names = [one.target.id for one in node.body
                     if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name)]  # fmt: skip
            found += [f"{node.name}.{name}" for name in names if IN_A_UNIT.search(name)]
    return found


@pytest.mark.parametrize("path", STUDY, ids=dotted)
def test_a_study_works_in_si(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert factors_of_units(source) == []
    assert fields_in_a_unit(source) == []


@pytest.mark.parametrize(
    ("source", "factors", "fields"),
    [
        ("kept = 1e3 * gold", ["line 1: 1000.0 * gold"], []),
        ("sizes = [mm / 1000 for mm in SERIES]", ["line 1: mm / 1000"], []),
        ("head = Interval.of_draws(grade, 1e6)", ["line 1: Interval.of_draws(grade, 1000000.0)"], []),
        ("def as_dict(self):\n    return 1e3 * self.gold", [], []),
        ("LEAST = 1e-3\nnear = LEAST * size", [], []),
        ("@dataclass(frozen=True)\nclass Row:\n    gold_g: float\n    mass: float", [], ["Row.gold_g"]),
        ("@dataclass\nclass Row:\n    kg: float\n    grade_g_per_t: float", [], ["Row.kg", "Row.grade_g_per_t"]),
        ("class Row:\n    def lost_g(self) -> float:\n        return 0.0", [], []),
    ],
)
def test_the_check_of_units_can_fail(source: str, factors: list[str], fields: list[str]) -> None:
    assert factors_of_units(source) == factors
    assert fields_in_a_unit(source) == fields


# ── once ────────────────────────────────────────────────────────────────────────────────────────────────────

ASKS_STEPS = {"spec/blocks/schema.py", "spec/blocks/step.py", "spec/checks/factors.py", "steps/screen.py",
              "study/run/sensitivity.py", "show/run/run_plots.py"}  # fmt: skip
"""Modules that ask a step (or given shares) for its openings: a sheet gathers those of all its steps, once; a change
asks the one step that it changes; a picture names each step's own."""


def test_the_openings_of_a_sheet_are_gathered_in_one_place() -> None:
    asking = {
        path.relative_to(PACKAGE).as_posix()
        for path in MODULES
        for node in nodes_of(path.read_text(encoding="utf-8"))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        and node.func.attr == "openings" and not node.args
    }  # fmt: skip
    assert asking == ASKS_STEPS


def test_a_run_gathers_the_openings_of_no_sheet_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    screen = steps.kinds()["screen"]
    own = screen.openings

    def counted(step: Step) -> set[float]:
        asked.append(step)
        return own(step)

    monkeypatch.setattr(screen, "openings", counted)
    sheet = flowsheet.read(QUICK)
    run = flowsheet.run(sheet)
    # Once of the sheet, and of each sheet with the screen changed: the finer ones, and those of the advice.
    changed = len({id(step) for step in asked}) - 1
    assert changed >= len(run.finer) - 1
    assert len(asked) <= 1 + 2 * changed


# ── size of modules ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_no_module_is_longer_than_a_reader_can_hold(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST


# ── light start ─────────────────────────────────────────────────────────────────────────────────────────────


def loaded_by(*arguments: str) -> set[str]:
    """Return the modules that a fresh interpreter has loaded after a command."""
    script = """
        import json, sys
        from flowsheet.cli import main
        sys.argv = ["flowsheet", *sys.argv[1:]]
        try:
            main()
        except SystemExit as done:
            assert not done.code, done.code
        print("LOADED", json.dumps(sorted(sys.modules)))
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script), *arguments], capture_output=True,
                          text=True, check=True, timeout=60)  # fmt: skip
    return set(json.loads(done.stdout.rpartition("LOADED ")[2]))


@pytest.mark.parametrize("arguments", [("--help",), ("run", "--help")], ids=" ".join)
def test_help_loads_nothing_heavy(arguments: tuple[str, ...]) -> None:
    loaded = loaded_by(*arguments)
    assert "typer" in loaded
    assert not loaded & HEAVY


def test_a_run_loads_only_what_it_needs() -> None:
    loaded = loaded_by("run", str(QUICK))
    assert {"numpy", "rich"} <= loaded  # so that the check sees what is loaded
    assert not loaded & {"networkx", "matplotlib", "graphviz", "pint", "scipy", "starlette", "uvicorn", "jinja2"}


# ── kinds ───────────────────────────────────────────────────────────────────────────────────────────────────

LOSSES = {"too_fine", "locked", "not_seen", "soaked_up", "other"}


@pytest.mark.parametrize(("kind", "step"), steps.kinds().items(), ids=list(steps.kinds()))
class TestKind:
    def test_it_lies_in_a_file_of_its_name(self, kind: str, step: type[Step]) -> None:
        assert step.kind == kind
        assert step.__module__ == f"flowsheet.steps.{kind}"

    def test_it_says_what_it_does_and_what_to_take_care_of(self, kind: str, step: type[Step]) -> None:
        assert step.what
        assert step.what[0].islower()
        assert step.cautions
        assert all(text.endswith(".") and text[0].isupper() for text in step.cautions)
        assert step.cautions[-1] == "Local codes and licensed practice come first."

    def test_it_says_what_other_rooms_ask(self, kind: str, step: type[Step]) -> None:
        assert step.done
        named = {step.set_by, *re.findall(r"\{(\w+)\}", step.done)} - {""}
        assert named <= set(step.model_fields)
        assert step.plan_work in {"", "crushing", "grinding", "panning"}
        assert step.set_by or not (step.parts_at_size or step.plan_work in {"crushing", "grinding"})
        if step.parts_at_size or step.looks_over or step.cleans_loops:
            assert len([port for port in step.ports if not port.optional]) == 2
        assert step.ports or not step.bond_power

    def test_its_outlets_are_described(self, kind: str, step: type[Step]) -> None:
        assert len({port.name for port in step.ports}) == len(step.ports)
        for port in step.ports:
            assert port.what
            assert {port.free_lost, port.locked_lost} <= LOSSES

    def test_each_default_says_where_it_comes_from(self, kind: str, step: type[Step]) -> None:
        for name, field in step.model_fields.items():
            assert field.description, name
            if isinstance(field.default, Number):
                assert extra_of(field).get("source"), name

    def test_do_takes_its_own_name_only(self, kind: str, step: type[Step]) -> None:
        assert step.model_json_schema()["properties"]["do"]["const"] == kind


def test_the_kinds_of_the_grammar_are_there() -> None:
    assert set(steps.kinds()) >= {"screen", "sort", "jaw_crush", "pulverize", "pan", "sluice", "magnet", "smelt",
                                  "cupel", "saw", "split", "factors"}  # fmt: skip


@pytest.fixture
def new_kind(tmp_path: Path) -> Iterator[None]:
    """Drop one new file into the room of steps."""
    with kind_added("tub", TUB, tmp_path / "more_steps"):
        yield


@pytest.mark.usefixtures("new_kind")
def test_a_new_kind_is_one_new_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "tub.yaml").write_text(TUB_SHEET, encoding="utf-8")
    monkeypatch.chdir(tmp_path)

    def flowsheet_prints(*arguments: str) -> str:
        return printed(monkeypatch, capsys, *arguments)

    found = json.loads(flowsheet_prints("run", "tub.yaml", "--json"))
    assert found["streams"]["gravel"]["mass_kg"] == pytest.approx(7.5, rel=1e-12)
    assert found["streams"]["gravel"]["gold_g"] == pytest.approx(0.15, rel=1e-12)
    assert found["closure"] == {"solids": pytest.approx(0, abs=1e-12), "gold": pytest.approx(0, abs=1e-12)}
    assert found["advice"][0]["setting"] == "swirl.mud"
    assert any("Mind your back." in text for text in found["cautions"])
    assert "swirl\\ntub" in flowsheet_prints("draw", "tub.yaml", "-o", "flow.dot") + Path("flow.dot").read_text()
    trials = json.loads(flowsheet_prints("try", "tub.yaml", "--set", "swirl.mud=50%", "--json"))
    assert trials["trials"][0]["kept_g"] == pytest.approx(0.1, rel=1e-12)
    assert '"tub"' in flowsheet_prints("schema")


def test_without_its_file_the_kind_is_unknown(tmp_path: Path) -> None:
    (tmp_path / "tub.yaml").write_text(TUB_SHEET, encoding="utf-8")
    done = subprocess.run([sys.executable, "-m", "flowsheet", "check", "tub.yaml"], cwd=tmp_path, capture_output=True,
                          text=True, check=False, timeout=60)  # fmt: skip
    assert done.returncode == 2
    assert "tub" in done.stderr


# ── codes, not prose ────────────────────────────────────────────────────────────────────────────────────────

SHORTEST_PROSE = 12
"""Characters from where on a text with a blank in it is taken for a piece of a sentence."""
SENTENCES = {"message", "remedy", "sentence"}
"""Attributes that hold prose: what a mistake or a note says, to be read by people only."""
SEARCHES = {"startswith", "endswith", "removeprefix", "removesuffix", "find", "index", "count", "split", "partition",
            "search", "match", "fullmatch"}  # fmt: skip
#: Modules that must read the words of somebody else: PyYAML's errors carry no codes.
FOREIGN_WORDS = {"flowsheet.spec.yaml.faults"}
#: Constants that are a mark in a file, not prose.
MARKS = {"MARK"}


def is_prose(text: str) -> bool:
    return len(text) >= SHORTEST_PROSE and re.search(r"\w\w \w\w", text) is not None


def prose_constants(tree: ast.Module) -> set[str]:
    """Return the names of a module's constants that hold a piece of a sentence."""
    found = set()
    for node in tree.body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                pairs = [(target, node.value)]
                if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    pairs = list(zip(target.elts, node.value.elts, strict=False))
                found |= {name.id for name, value in pairs if isinstance(name, ast.Name)
                          and isinstance(value, ast.Constant) and isinstance(value.value, str)
                          and is_prose(value.value)}  # fmt: skip
    return found - MARKS


def hangs_on_prose(source: str, known: set[str]) -> list[str]:
    """Return where a source compares with, or searches for, a piece of a sentence.

    ``known``: constants, as module and name, that hold such a piece.
    To compare with a constant as a whole is to compare with a name, unless what is compared is a sentence itself.
    """
    tree = tree_of(source)
    mine, rooms = prose_constants(tree), {}
    for node in nodes_of(source):
        for alias in node.names if isinstance(node, ast.ImportFrom) else ():
            whole = f"{node.module}.{alias.name}"
            rooms[alias.asname or alias.name] = whole
            mine |= {alias.asname or alias.name} if whole in known else set()

    def pieces(node: ast.expr) -> Iterator[str]:
        for inner in ast.walk(node):
            if isinstance(inner, ast.Constant) and isinstance(inner.value, str) and is_prose(inner.value):
                yield inner.value

    def constants(node: ast.expr) -> Iterator[str]:
        if isinstance(node, ast.Name) and node.id in mine:
            yield node.id
        elif isinstance(node, ast.Attribute) and f"{rooms.get(ast.unparse(node.value))}.{node.attr}" in known:
            yield node.attr

    def sentences(node: ast.expr) -> Iterator[str]:
        if isinstance(node, ast.Attribute) and node.attr in SENTENCES:
            yield f".{node.attr}"

    found = []
    for node in nodes_of(source):
        if isinstance(node, ast.Compare):
            parts = [node.left, *node.comparators]
            told = [piece for part in parts for piece in (*pieces(part), *sentences(part))]
            if any(isinstance(op, ast.In | ast.NotIn) for op in node.ops) and not isinstance(
                node.comparators[0], ast.Tuple | ast.Set | ast.List | ast.Dict
            ):
                told += constants(node.left)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in SEARCHES:
            told = [piece for part in node.args for piece in (*pieces(part), *constants(part), *sentences(part))]
            told += sentences(node.func.value)
        else:
            continue
        found += [f"line {node.lineno}: {piece}" for piece in told]
    return found


def test_no_logic_hangs_on_prose() -> None:
    sources = {dotted(path): path.read_text(encoding="utf-8") for path in MODULES}
    known = {f"{module}.{name}" for module, source in sources.items() for name in prose_constants(tree_of(source))}
    found = {module: told for module, source in sources.items()
             if module not in FOREIGN_WORDS and (told := hangs_on_prose(source, known))}  # fmt: skip
    assert found == {}, "ask for the code, the subject or the numbers of a Note or a Mistake, not for its words"


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('shown = [n for n in notes if "still does not agree" in n]', ["line 1: still does not agree"]),
        ('WORDS = "still does not agree"\nshown = WORDS in note.text', ["line 2: WORDS"]),
        ("from flowsheet.show.run.certainty import WORDS\nshown = WORDS in note", ["line 2: WORDS"]),
        ("from flowsheet.show.run import certainty\nshown = certainty.WORDS in note", ["line 2: WORDS"]),
        ('if note.startswith(("the grade is that of", "no")): pass', ["line 1: the grade is that of"]),
        ('if mistake.message == "no": pass', ["line 1: .message"]),
        ('if "unit" in mistake.message: pass', ["line 1: .message"]),
        ('if re.fullmatch(r"measured twice, first in line (.*)", text): pass',
         ["line 1: measured twice, first in line (.*)"]),
        ('KIND = "kind of step"\nif topic.group == KIND or topic.group in (KIND, 1): pass', []),
        ('if mistake.code == "moist_mass_missing" or "±" in text or "a.b" in name: pass', []),
    ],
)  # fmt: skip
def test_the_check_of_prose_can_fail(source: str, found: list[str]) -> None:
    assert hangs_on_prose(source, {"flowsheet.show.run.certainty.WORDS"}) == found


def prose_fields(source: str) -> list[str]:
    """Return the fields and variables of a source, called notes or warnings, that hold plain text."""
    return [f"line {node.lineno}: {ast.unparse(node)}" for node in nodes_of(source)
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
            and node.target.id in ("notes", "warnings")
            and re.search(r"\bstr\b", ast.unparse(node.annotation))]  # fmt: skip


def test_notes_of_results_carry_codes() -> None:
    found = {dotted(path): told for path in MODULES if room_of(dotted(path)) in ROOMS[: ROOMS.index("show")]
             and (told := prose_fields(path.read_text(encoding="utf-8")))}  # fmt: skip
    assert found == {}
    assert prose_fields("class Run:\n    notes: list[str]") == ["line 2: notes: list[str]"]


def test_every_mistake_and_note_has_a_code() -> None:
    """A mistake cannot be made without one (mypy says so as well), nor either of them with one that is no name."""
    assert "code" in {p.name for p in inspect.signature(Mistake).parameters.values() if p.default is p.empty}
    assert "code" in {p.name for p in inspect.signature(Note).parameters.values() if p.default is p.empty}
    for code in ("", "Needs unit", "needs unit", "needs-unit"):
        with pytest.raises(ValueError, match="is no code"):
            Mistake("a", "b", code=code)
        with pytest.raises(ValueError, match="is no code"):
            Note(code, "a")


# ── numbers are data ────────────────────────────────────────────────────────────────────────────────────────

#: What reads a text: to parse it, or to look for something in it.
READS = {"endswith", "find", "findall", "finditer", "float", "fullmatch", "index", "int", "match", "parse", "partition",
         "price", "removeprefix", "removesuffix", "rpartition", "search", "split", "startswith", "sub"}  # fmt: skip
#: Modules whose ``.text`` is a cell of a table or a whole file, which nobody else reads.
READERS = {"spec/bench/log_text.py", "spec/rocks/specimen_table.py", "spec/weights/weigh_line.py",
           "spec/weights/weigh_sheet.py"}  # fmt: skip


def readings(source: str) -> list[str]:
    """Return every call or comparison by which a source reads the ``.text`` of something."""
    found = []
    for node in nodes_of(source):
        looked: list[ast.expr] = []
        if isinstance(node, ast.Call):
            function = node.func
            name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
            if name in READS:
                looked = [*node.args, *([function.value] if isinstance(function, ast.Attribute) else [])]
        elif isinstance(node, ast.Compare) and any(isinstance(one, (ast.In, ast.NotIn)) for one in node.ops):
            looked = node.comparators
        if any(isinstance(part, ast.Attribute) and part.attr == "text" for one in looked for part in ast.walk(one)):
            found.append(ast.unparse(node))
    return found


def test_nobody_reads_the_text_of_a_number_again() -> None:
    """What a number's text says it holds as data: amount, unit, doubt, law, dimension."""
    rooms = {str(path.relative_to(PACKAGE)): path for path in MODULES if PACKAGE / "spec" / "text" not in path.parents}
    found = {name: readings(path.read_text(encoding="utf-8")) for name, path in rooms.items()}
    assert {name: told for name, told in found.items() if told and name not in READERS} == {}
    assert [name for name in READERS if not found[name]] == []


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ("numbers.parse(number.text, MASS)", 1), ("parse(f'1 {one.number.text}', MASS)", 1),
        ("_UNIT.fullmatch(number.text.strip())", 1), ("number.text.partition('±')", 1), ("'%' in share.text", 1),
        ("print(number.text)", 0), ("numbers.parse(text, MASS)", 0), ("'kg' in number.unit", 0),
    ],
)  # fmt: skip
def test_the_check_of_numbers_can_fail(source: str, wrong: int) -> None:
    assert len(readings(source)) == wrong


def test_a_default_has_the_dimension_of_its_field() -> None:
    """Else a share of 0.1 is taken for a length, and advised "from 0.1 to 50 mm"."""
    for step in steps.kinds().values():
        for name, field in step.model_fields.items():
            if isinstance(field.default, Number):
                assert field.default.dimension is dimension_of(field), (step.kind, name)
                assert field.default.amount is not None
