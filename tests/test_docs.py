"""What the documents say is so: every command is named and runs, every shown output is real, every example is right."""

from __future__ import annotations

import ast
import contextlib
import io
import os
import re
import runpy
import shlex
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

import flowsheet
from flowsheet import cli, starters
from flowsheet.show.guide import pages
from flowsheet.solve.model import Model, load
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import TOP_FIELDS
from flowsheet.spec.read import build
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.steps import kinds

ROOT = Path(__file__).parent.parent
PACKAGE = Path(flowsheet.__file__).parent
README = ROOT / "README.md"
GUIDE = sorted(pages.FOLDER.glob("*.md"))
EXAMPLES = sorted(path for path in (ROOT / "examples").iterdir() if path.is_dir())
DOCUMENTS = [README, ROOT / "DEVELOPERS.md", *(folder / "README.md" for folder in EXAMPLES), *GUIDE]
COMMANDS = sorted(
    (command.name or command.callback.__name__) for command in cli.app.registered_commands if command.callback
)
SACK = ROOT / "examples" / "sack_test"
BASE = ROOT / "examples" / "pile" / "pile.yaml"
"""The sheet that a fragment of one is put into."""


def name_of(document: Path) -> str:
    return str(document.relative_to(ROOT))


def blocks(document: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", document.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


# ── commands and what they print ────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True)
class Shown:
    """A command that a document shows, and what it says comes out (None: it does not say)."""

    command: str
    output: str | None


def shown_in(text: str) -> Iterator[Shown]:
    """Go through the commands of a document's console blocks.

    A line that starts with "$ " is a command, and what follows it up to the next one its output. A block without
    any such line holds commands alone.
    """
    for block in re.findall(r"^```console\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL):
        if not re.search(r"^\$ ", block, flags=re.MULTILINE):
            yield from (Shown(line, None) for line in block.splitlines() if line.strip())
            continue
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            yield Shown(command, output if output.strip() else None)


def as_shown(text: str) -> list[str]:
    """Strip what may differ: trailing blanks, blank lines at the ends, and the last bits of the closure."""
    lines = [re.sub(r"\b\d+e-\d+\b", "≈0", line.rstrip()) for line in text.splitlines()]
    return "\n".join(lines).strip("\n").splitlines()


def agrees(shown: str, real: str) -> bool:
    """Whether an output is the real one; a line "…" stands for any lines that are left out."""
    parts: list[list[str]] = [[]]
    for line in as_shown(shown):
        if line.strip() == "…":
            parts.append([])
        else:
            parts[-1].append(line)
    pattern = r"(?:.*\n)*".join("".join(re.escape(line) + "\n" for line in part) for part in parts)
    return re.fullmatch(pattern, "".join(line + "\n" for line in as_shown(real))) is not None


@dataclass(frozen=True)
class Done:
    code: object
    out: str
    err: str


def in_process(command: str, folder: Path) -> Done:
    """Run a command in ``folder`` as the shell would: the program itself, or a script with python."""
    program, *arguments = shlex.split(command)
    assert program in ("flowsheet", "python"), command
    out, err, code = io.StringIO(), io.StringIO(), None
    before, argv = Path.cwd(), sys.argv
    os.chdir(folder)
    sys.argv = ["flowsheet", *arguments] if program == "flowsheet" else arguments
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            cli.main() if program == "flowsheet" else runpy.run_path(arguments[0], run_name="__main__")
    except SystemExit as ended:
        code = ended.code
    finally:
        os.chdir(before)
        sys.argv = argv
    return Done(code, out.getvalue(), err.getvalue())


@cache
def of_examples(command: str, folder: Path) -> Done:
    """Run a command on a shipped sheet, once however many documents show it."""
    return in_process(command, folder)


def bench(folder: Path) -> Path:
    """Lay out what a reader has at hand: the tree's examples, and files of the names that the guide uses."""
    for name in ("examples", "configs"):
        (folder / name).symlink_to(ROOT / name)
    shutil.copy(SACK / "sack3.csv", folder)
    shutil.copy(SACK / "sack3.yaml", folder / "my.yaml")
    (rocks,) = (block for block in blocks(pages.FOLDER / "rocks.md", "text") if block.startswith("name,air"))
    (folder / "rocks.csv").write_text(rocks, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def examples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench(tmp_path_factory.mktemp("examples"))


LONG = ROOT / "examples" / "pile" / "README.md"
"""Shows the commands that take seconds each."""
SHOWING = [pytest.param(path, marks=[pytest.mark.slow] if path == LONG else [], id=name_of(path))
           for path in DOCUMENTS if blocks(path, "console")]  # fmt: skip


@pytest.mark.parametrize("document", SHOWING)
def test_what_a_document_shows_works_and_is_real(document: Path, examples: Path, tmp_path: Path) -> None:
    """Its commands one after another, as a reader would type them."""
    bench(tmp_path)
    shown = list(shown_in(document.read_text(encoding="utf-8")))
    if any("new my.yaml" in one.command for one in shown):
        (tmp_path / "my.yaml").unlink()
    wrong = []
    for one in shown:
        pure = re.search(r" examples/\S+\.yaml", one.command) and " -o " not in one.command
        done = of_examples(one.command, examples) if pure else in_process(one.command, tmp_path)
        if done.code:
            wrong.append(f"{one.command}\nends with {done.code}: {done.err}")
        elif one.output is not None and not agrees(one.output, done.out):
            wrong.append(f"{one.command}\nreally prints:\n{done.out}")
    assert wrong == []


def test_the_readme_shows_what_a_run_prints() -> None:
    shown = list(shown_in(README.read_text(encoding="utf-8")))
    assert any(s.command.startswith("flowsheet run") and s.output for s in shown)


SAMPLE = "```console\n$ flowsheet a b  \none  \n\ntwo 3e-16\n$ flowsheet c\n```\n\n```console\nflowsheet d\n```\n"


def test_the_reader_of_documents_reads() -> None:
    found = [(s.command, s.output) for s in shown_in(SAMPLE)]
    assert found == [("flowsheet a b  ", "one  \n\ntwo 3e-16\n"), ("flowsheet c", None), ("flowsheet d", None)]


@pytest.mark.parametrize(
    ("shown", "real", "same"),
    [
        ("one\ntwo\n", "one  \ntwo\n\n", True),
        ("one\ntwo\n", "one\ntoo\n", False),
        ("one\n", "one\ntwo\n", False),
        ("one\n…\nfour\n", "one\ntwo\nthree\nfour\n", True),
        ("one\n…\n", "one\ntwo\n", True),
        ("one\n…\nfive\n", "one\ntwo\nthree\nfour\n", False),
        ("closes to 3e-16\n", "closes to 1e-16\n", True),
        ("a (b) | c\n", "a (b) | d\n", False),
    ],
)
def test_the_comparison_can_fail(shown: str, real: str, same: bool) -> None:
    assert agrees(shown, real) is same


# ── nothing is left out ─────────────────────────────────────────────────────────────────────────────────────


def test_the_readme_is_short_and_begins_with_the_two_commands() -> None:
    lines = README.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 150
    commands = [block.splitlines()[0] for block in blocks(README, "sh")[:2]]
    assert "pip install" in commands[0]
    assert "pytest" in commands[1]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme_and_in_the_guide(command: str) -> None:
    assert f"flowsheet {command}" in README.read_text(encoding="utf-8")
    assert any(command in section.names for page in pages.pages().values() for section in page.sections)


def test_there_are_commands_to_look_for() -> None:
    assert {"check", "run", "draw", "try", "new", "schema", "explain"} <= set(COMMANDS)


def test_every_page_has_its_place_and_is_in_the_readme() -> None:
    assert {path.stem for path in GUIDE} == set(pages.ORDER)
    text = README.read_text(encoding="utf-8")
    assert [page for page in pages.ORDER if f"(flowsheet/guide/{page}.md)" not in text] == []


@pytest.mark.parametrize("page", GUIDE, ids=lambda path: path.stem)
def test_a_page_can_be_read_on_a_terminal(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert text.startswith("# ")
    assert not re.search(r"^(\||###|<)", text, re.MULTILINE)  # no tables, no third level, no HTML
    assert not re.search(r"\]\(", text)  # no links: a topic is named instead
    assert max(map(len, text.splitlines())) <= 120


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_topics_that_are_named_are_there(document: Path) -> None:
    known = topics_of_the_program()
    named = re.findall(r"flowsheet explain ((?:[a-z_]+ ?)+)[`\n]", document.read_text(encoding="utf-8"))
    assert [topic for line in named for topic in line.split() if topic not in known] == []


@cache
def topics_of_the_program() -> set[str]:
    from flowsheet.show.guide.topics import topics

    return set(topics(dict.fromkeys(COMMANDS, "")))


@pytest.mark.parametrize("name", starters.starters())
def test_every_shipped_sheet_is_in_the_guide(name: str) -> None:
    assert f"- `{name}`" in (pages.FOLDER / "start.md").read_text(encoding="utf-8")


def test_there_is_a_document_for_developers() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in ("spec", "ore", "steps", "solve", "study", "show", "cli"):
        assert room in text


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_links_lead_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), target


def test_files_that_developers_are_sent_to_are_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`([\w/.]+/[\w/.]*\w\.(?:py|md|txt|yaml)|\w+\.py)`", text)
    assert len(named) > 10
    there = [name for name in named if "NAME" not in name]  # what a recipe makes is still to come
    assert [name for name in there if not ((ROOT / name).exists() or (PACKAGE / name).exists())] == []


# ── the equations ───────────────────────────────────────────────────────────────────────────────────────────


def defined_in(path: Path) -> set[str]:
    """Return the names that a module defines: functions, classes, arguments, constants, fields."""
    found = {path.stem}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name) | ast.arg(arg=name):
                found.add(name)
            case ast.Name(id=name, ctx=ast.Store()) | ast.Attribute(attr=name, ctx=ast.Store()):
                found.add(name)
            case ast.AnnAssign(target=ast.Name(id=name)):
                found.add(name)
    return found


def names_that_are_not_there(markdown: str) -> list[str]:
    """Return what a page has in code font, section by section, that is in none of the files the section names."""
    lacking = []
    for section in re.split(r"^(?=## )", markdown, flags=re.MULTILINE):
        prose = re.sub(r"^```.*?^```$", "", section, flags=re.MULTILINE | re.DOTALL)
        told = [name for name in re.findall(r"`([^`\n]+)`", prose) if not name.startswith("flowsheet ")]
        equations = "".join(re.findall(r"^```text\n(.*?)^```$", section, re.MULTILINE | re.DOTALL))
        # Names of more than one word; d_i and locked_ij are symbols with their index.
        told += re.findall(r"\b[a-z]\w*_(?!(?:ij?|j|k)(?:\b|³))\w+", equations)
        files = [PACKAGE / name for name in told if name.endswith(".py")]
        lacking += [str(path) for path in files if not path.is_file()]
        known = set().union(*(defined_in(path) for path in files if path.is_file()))
        lacking += [name for name in told if not name.endswith(".py") and re.match(r"\w+", name)[0] not in known]
    return lacking


def test_names_of_the_equations_are_those_of_the_code() -> None:
    text = (pages.FOLDER / "model.md").read_text(encoding="utf-8")
    assert len(re.findall(r"^Code: `", text, re.MULTILINE)) == len(re.findall(r"^## ", text, re.MULTILINE))
    assert names_that_are_not_there(text) == []


def test_a_name_that_is_not_there_would_be_found() -> None:
    one = "## x: y\n\nCode: `steps/screen.py`\n\n`retained`, `nothing`.\n\n```text\nd_i = open_aria open_area\n```\n"
    other = "\n## z: a\n\n`retained` `no/file.py`\n"
    assert names_that_are_not_there(one) == ["nothing", "open_aria"]
    assert names_that_are_not_there(one + other)[2:] == [str(PACKAGE / "no/file.py"), "retained"]


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_every_kind_has_its_equations(kind: str) -> None:
    """In the guide, or, of a kind that somebody has added, in the text of its own model."""
    told = any(kind in section.names for section in pages.pages()["model"].sections)
    assert told or "=" in (kinds()[kind].model.__doc__ or "")


# ── sheets, tables and Python in the text ───────────────────────────────────────────────────────────────────


def with_fragment(fragment: dict[str, Any]) -> dict[str, Any]:
    """Return the base sheet with a fragment in place of what it has there; blocks are joined by name."""
    data = yaml_document.read(BASE).data
    for name, part in fragment.items():
        joined = name in ("ore", "steps") and isinstance(data.get(name), dict)
        data[name] = {**data[name], **part} if joined else part
    return data


def weigh_sheets(folder: Path) -> Path:
    """Lay out the weigh sheets that shown sheets name; sack3.csv is the one that the guide shows."""
    for path in BASE.parent.glob("*.csv"):
        shutil.copy(path, folder)
    (table,) = blocks(pages.FOLDER / "weights.md", "text")
    (folder / "sack3.csv").write_text(table, encoding="utf-8")
    return folder


def faults_of(block: str, folder: Path) -> list[str]:
    """Return what is wrong with a sheet, or with the base sheet that a fragment of one is put into."""
    read = yaml_document.parse(block, str(folder / "shown.yaml"))
    if not {"steps", "keep"} <= set(read.data):
        read.data = with_fragment(read.data)
    try:
        build(read, kinds())
    except SheetError as wrong:
        return [str(mistake) for mistake in wrong.mistakes]
    return []


SHEETS = [(document, block) for document in DOCUMENTS for block in blocks(document, "yaml")]


@pytest.mark.parametrize(("document", "block"), SHEETS, ids=lambda one: name_of(one) if isinstance(one, Path) else "")
def test_a_shown_sheet_is_right(document: Path, block: str, tmp_path: Path) -> None:
    weigh_sheets(tmp_path)
    assert set(yaml.safe_load(block)) <= set(TOP_FIELDS)
    assert faults_of(block, tmp_path) == []


@pytest.mark.parametrize("block", ["pile: {sacs: 4}", "steps: {scalp: {do: sieve}}", "title: x\nsteps: {}\nkeep: [y]"])
def test_a_wrong_sheet_would_be_found(block: str, tmp_path: Path) -> None:
    assert faults_of(block, weigh_sheets(tmp_path))


def test_the_shown_weigh_sheet_reads(tmp_path: Path) -> None:
    block = next(block for block in blocks(pages.FOLDER / "weights.md", "yaml") if "file:" in block)
    read = yaml_document.parse(block, str(weigh_sheets(tmp_path) / "shown.yaml"))
    read.data = with_fragment(read.data)
    assert [m.test for m in build(read, kinds()).weighed] == ["sack3"] * 12


PYTHON = pages.FOLDER / "python.md"
"""Asks every question that there is, so that it takes as long as they all do."""


@pytest.mark.parametrize(
    "document",
    [pytest.param(path, marks=[pytest.mark.slow] if path == PYTHON else [], id=name_of(path))
     for path in DOCUMENTS if blocks(path, "python")],
)  # fmt: skip
def test_shown_python_runs(document: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(bench(tmp_path))
    space: dict[str, object] = {}
    for block in blocks(document, "python"):
        exec(compile(block, name_of(document), "exec"), space)


@pytest.mark.parametrize("folder", EXAMPLES, ids=lambda path: path.name)
def test_an_example_has_a_text_and_sheets_that_balance(folder: Path) -> None:
    assert (folder / "README.md").is_file()
    assert f"examples/{folder.name}/" in README.read_text(encoding="utf-8")
    sheets = sorted(folder.glob("*.yaml"))
    assert sheets
    for sheet in sheets:
        closure = solve(Model.of(load(sheet)[0])).closure
        assert max(closure.solids, closure.gold) <= 1e-12


def test_there_are_examples() -> None:
    assert EXAMPLES
