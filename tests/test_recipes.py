"""The recipes of DEVELOPERS.md for a question and a command, followed in a copy of the package."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest
import test_contract as contract

import flowsheet

ROOT = Path(__file__).parent.parent
NAME = "heaviest"

FILES = {
    "flowsheet/study/NAME/__init__.py": '''
        """Which stream weighs most. Read NAME."""
    ''',
    "flowsheet/study/NAME/NAME.py": '''
        """Which stream of a sheet weighs most, of those that nothing takes."""

        from __future__ import annotations

        from dataclasses import dataclass
        from typing import Any

        from flowsheet.spec.blocks.schema import Sheet
        from flowsheet.spec.text.brief import brief
        from flowsheet.study.common.frames import Tabled, Tables, row
        from flowsheet.study.run.run import run


        @dataclass(frozen=True, repr=False)
        class Heaviest(Tabled):
            """The heaviest stream, kg."""

            title: str
            stream: str
            mass: float

            def _tables(self) -> Tables:
                return {"heaviest": lambda: [row(self)]}

            def _headline(self) -> tuple[str, str]:
                return f"Heaviest '{self.title}'", f"{self.stream}, {brief(self.mass)} kg"

            def as_dict(self) -> dict[str, Any]:
                """Return plain data for JSON."""
                return {"stream": self.stream, "mass_kg": self.mass}


        def heaviest(sheet: Sheet) -> Heaviest:
            """Return the heaviest stream that nothing takes."""
            streams = run(sheet, certain=False).streams
            name = max(sheet.ends, key=lambda one: streams[one].mass)
            return Heaviest(sheet.title, name, streams[name].mass)
    ''',
    "flowsheet/show/NAME/__init__.py": '''
        """The heaviest stream, in words."""
    ''',
    "flowsheet/show/NAME/words.py": '''
        """The heaviest stream, in a sentence."""

        from __future__ import annotations

        from flowsheet.show.text.figures import mass
        from flowsheet.study.NAME.NAME import Heaviest


        def answer(found: Heaviest) -> str:
            """Say which stream weighs most."""
            return f"{found.stream} weighs most: {mass(found.mass)}."
    ''',
    "flowsheet/show/NAME/notebook.py": '''
        """The heaviest stream in a notebook."""

        from __future__ import annotations

        from flowsheet.show.graphics.notebook_page import Page, Views
        from flowsheet.show.NAME import words
        from flowsheet.study.NAME.NAME import Heaviest


        def _heaviest(found: Heaviest) -> Page:
            return Page(found.title, lines=[words.answer(found)])


        VIEWS: Views = {Heaviest: _heaviest}
    ''',
}
"""New files of the question."""

COMMAND = {
    "flowsheet/commands/NAME.py": '''
        """The command NAME: which stream weighs most."""

        from __future__ import annotations

        from flowsheet.commands.common import Json, Sheet, print_result


        def NAME(file: Sheet, as_json: Json = False) -> None:
            """Tell which stream weighs most."""
            import flowsheet as fs

            sheet = fs.read(file)
            found = fs.NAME(sheet)
            if as_json:
                print_result(found.as_dict(), sheet.sources)
            else:
                from flowsheet.show.NAME.words import answer
                from flowsheet.show.text.terminal import say

                say([answer(found)])
    ''',
}
"""New files of the command."""

DOOR = '''

        def NAME(sheet: Sheet | str | Path) -> Heaviest:
            """Return the stream that weighs most of those that nothing takes. Raises SheetError.

            >>> import flowsheet as fs
            >>> fs.NAME("sack3.yaml")
            <Heaviest 'Quillfeather dump, sack 3': tails, 13.4 kg>
            """
            from flowsheet.study.NAME.NAME import NAME as study

            return study(as_sheet(sheet))
'''


def named(text: str) -> str:
    return textwrap.dedent(text).replace("NAME", NAME)


def after(line: str, more: str) -> Callable[[str], str]:
    """Return what puts a line behind the first one that is ``line``."""

    def edited(text: str) -> str:
        assert f"\n{line}\n" in text, line
        return text.replace(f"\n{line}\n", f"\n{line}\n{more.replace('NAME', NAME)}\n", 1)

    return edited


EDITS: dict[str, list[Callable[[str], str]]] = {
    "flowsheet/door/questions.py": [
        after("if TYPE_CHECKING:", "    from flowsheet.study.NAME.NAME import Heaviest"),
        lambda text: text.rstrip() + "\n" + named(DOOR),
    ],
    "flowsheet/__init__.py": [
        after("if TYPE_CHECKING:", "    from flowsheet.door.questions import NAME\n"
              "    from flowsheet.study.NAME.NAME import Heaviest"),
        after('    "flowsheet.study.run.run": ("Run",),', '    "flowsheet.study.NAME.NAME": ("Heaviest",),'),
        lambda text: text.replace('"run", "trial",', f'"run", "{NAME}", "trial",', 1),
        after('    "Forecasts",', '    "Heaviest",'),
        after('    "forecast",', '    "NAME",'),
    ],
}  # fmt: skip
"""Lines that the question adds to files of others."""

COMMAND_EDITS: dict[str, list[Callable[[str], str]]] = {
    "flowsheet/cli.py": [after("    fit,", "    NAME,"), after("    chance.chance,", "    NAME.NAME,")],
}

KEPT_FOR_PEOPLE = {"tests/test_door.py", "README.md", "flowsheet/guide/"}
"""What the recipes name besides, and no copy of the package needs."""


def in_recipe(head: str) -> set[str]:
    """Return the files that a section of DEVELOPERS.md names, but for the tests that follow it."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition(f"\n## {head}\n")[2].partition("\n## ")[0]
    return set(re.findall(r"`([\w/]+(?:\.py|\.md|/))`", section)) - {"tests/test_recipes.py"}


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Return a copy of the package in which both recipes were followed."""
    shutil.copytree(Path(flowsheet.__file__).parent, tmp_path / "flowsheet",
                    ignore=shutil.ignore_patterns("__pycache__"))  # fmt: skip
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    for name in ("sack3.yaml", "sack3.csv"):
        shutil.copy(ROOT / "examples" / "sack_test" / name, tmp_path)
    for path, text in {**FILES, **COMMAND}.items():
        file = tmp_path / named(path)
        file.parent.mkdir(exist_ok=True)
        file.write_text(named(text).lstrip(), encoding="utf-8")
    for path, edits in {**EDITS, **COMMAND_EDITS}.items():
        file = tmp_path / path
        text = file.read_text(encoding="utf-8")
        for edit in edits:
            changed = edit(text)
            assert changed != text, path
            text = changed
        file.write_text(text, encoding="utf-8")
    return tmp_path


def in_copy(copy: Path, *arguments: str) -> str:
    done = subprocess.run([sys.executable, *arguments], cwd=copy, env={**os.environ, "PYTHONPATH": str(copy)},
                          capture_output=True, text=True, check=False, timeout=120)  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_recipes_name_just_the_files_that_are_touched() -> None:
    assert in_recipe("Add a question") - KEPT_FOR_PEOPLE == {*FILES, *EDITS}
    assert in_recipe("Add a command") - KEPT_FOR_PEOPLE == {*COMMAND, *COMMAND_EDITS}
    assert in_recipe("Add a question") | in_recipe("Add a command") >= KEPT_FOR_PEOPLE


ASK = """
import doctest, json, sys
import flowsheet as fs
assert "heaviest" in fs.__all__
found = fs.heaviest(fs.read("sack3.yaml"))
assert doctest.DocTestRunner().run(doctest.DocTestFinder().find(fs.heaviest, "heaviest", globs={})[0]).failed == 0
print(json.dumps({"repr": repr(found), "html": found._repr_html_(), "rows": found.to_rows(), "file": fs.__file__}))
"""


@pytest.mark.slow
def test_a_question_and_a_command_are_had_by_their_recipes(copy: Path) -> None:
    told = json.loads(in_copy(copy, "-c", ASK))
    assert told["file"] == str(copy / "flowsheet" / "__init__.py")
    assert told["repr"] == "<Heaviest 'Quillfeather dump, sack 3': tails, 13.4 kg>"
    assert "<h2>Quillfeather dump, sack 3</h2><p>tails weighs most: 13.4\u00a0kg.</p>" in told["html"]
    assert [row["stream"] for row in told["rows"]] == ["tails"]
    assert NAME in in_copy(copy, "-m", "flowsheet", "--help")
    assert in_copy(copy, "-m", "flowsheet", NAME, "sack3.yaml").strip() == "tails weighs most: 13.4 kg."
    answer = json.loads(in_copy(copy, "-m", "flowsheet", NAME, "sack3.yaml", "--json"))
    assert answer["stream"] == "tails"
    assert answer["mass_kg"] == pytest.approx(told["rows"][0]["mass"], rel=1e-12)
    assert len(answer["sheet_sha256"]) == 64


def test_what_the_recipes_make_keeps_the_contract(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = copy / "flowsheet"
    modules = sorted(package.rglob("*.py"))
    monkeypatch.setattr(contract, "PACKAGE", package)
    monkeypatch.setattr(contract, "MODULES", modules)
    contract.test_every_room_is_there_and_nothing_else()
    contract.test_sub_rooms_form_no_circle()
    contract.test_each_sub_room_says_what_is_answered_there_and_names_its_modules()
    contract.test_show_has_the_sub_rooms_of_study()
    contract.test_no_folder_holds_more_modules_than_a_stranger_takes_in()
    touched = [named(path) for path in (*FILES, *COMMAND, *EDITS, *COMMAND_EDITS)]
    for path in touched:
        contract.test_a_module_imports_only_from_its_own_room_or_earlier_ones(copy / path)
        contract.test_no_module_is_longer_than_a_reader_can_hold(copy / path)


def test_the_notebook_names_no_question() -> None:
    """What shows a result is found, not listed: that is why a question touches no module of another."""
    tree = ast.parse((ROOT / "flowsheet" / "show" / "notebook.py").read_text(encoding="utf-8"))
    names = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert [name for name in names if name.startswith("flowsheet.study")] == []
    assert {name.split(".")[2] for name in names if name.startswith("flowsheet.show.")} == {"graphics", "text"}
