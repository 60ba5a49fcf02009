"""What the documents say is so: every command is named, every shown output is real, every example runs."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from flowsheet import cli, starters
from flowsheet.solve.model import load
from flowsheet.steps import kinds
from flowsheet.study.run.run import run

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
EXAMPLES = sorted(path for path in (ROOT / "examples").iterdir() if path.is_dir())
DOCUMENTS = [path for path in (README, ROOT / "DEVELOPERS.md") if path.is_file()] + [
    folder / "README.md" for folder in EXAMPLES if (folder / "README.md").is_file()
]
COMMANDS = sorted(
    command.name or command.callback.__name__ for command in cli.app.registered_commands if command.callback
)


@dataclass(frozen=True)
class Shown:
    """A command that a document shows, and what it says comes out (None: it does not say)."""

    document: Path
    command: str
    output: str | None

    def __str__(self) -> str:
        return f"{self.document.relative_to(ROOT)}: {self.command}"


def shown_in(document: Path, text: str | None = None) -> Iterator[Shown]:
    """Go through the commands of a document's console blocks.

    A line that starts with "$ " is a command, and what follows it up to the next one its output. A block without
    any such line holds commands alone.
    """
    text = document.read_text(encoding="utf-8") if text is None else text
    for block in re.findall(r"^```console\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL):
        if not re.search(r"^\$ ", block, flags=re.MULTILINE):
            yield from (Shown(document, line, None) for line in block.splitlines() if line.strip())
            continue
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            yield Shown(document, command, output if output.strip() else None)


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


ALL_SHOWN = [shown for document in DOCUMENTS for shown in shown_in(document)]


@pytest.mark.parametrize("shown", ALL_SHOWN, ids=str)
def test_a_shown_command_works_and_its_output_is_real(shown: Shown, tmp_path: Path) -> None:
    for name in ("examples", "configs"):
        (tmp_path / name).symlink_to(ROOT / name)
    program, *arguments = shlex.split(shown.command)
    command = {"flowsheet": [sys.executable, "-m", "flowsheet"], "python": [sys.executable]}[program]
    done = subprocess.run([*command, *arguments], cwd=tmp_path, capture_output=True, encoding="utf-8", check=False,
                          timeout=60)  # fmt: skip
    assert done.returncode == 0, done.stderr
    if shown.output is not None:
        assert agrees(shown.output, done.stdout), f"really prints:\n{done.stdout}"


def test_the_readme_shows_what_a_run_prints() -> None:
    assert any(s.command.startswith("flowsheet run") and s.output for s in ALL_SHOWN if s.document == README)


SAMPLE = "```console\n$ flowsheet a b  \none  \n\ntwo 3e-16\n$ flowsheet c\n```\n\n```console\nflowsheet d\n```\n"


def test_the_reader_of_documents_reads() -> None:
    found = [(s.command, s.output) for s in shown_in(README, SAMPLE)]
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


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"flowsheet {command}" in README.read_text(encoding="utf-8")


def test_there_are_commands_to_look_for() -> None:
    assert {"check", "run", "draw", "try", "new", "schema"} <= set(COMMANDS)


@pytest.mark.parametrize("name", starters.starters())
def test_every_shipped_sheet_is_in_the_readme(name: str) -> None:
    assert f"`{name}`" in README.read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", sorted(kinds()))
def test_every_kind_and_its_outlets_are_in_the_readme(kind: str) -> None:
    text = README.read_text(encoding="utf-8")
    assert f"`{kind}`" in text
    for port in kinds()[kind].ports:
        assert port.name in text


def test_there_is_a_document_for_developers() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in ("spec", "ore", "steps", "solve", "study", "show", "cli"):
        assert room in text


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", document.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (document.parent / target).exists(), target


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_yaml_blocks_are_yaml(document: Path) -> None:
    for block in re.findall(r"^```yaml\n(.*?)^```$", document.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL):
        assert yaml.safe_load(block)


@pytest.mark.parametrize("folder", EXAMPLES, ids=lambda path: path.name)
def test_an_example_has_a_text_and_sheets_that_run(folder: Path) -> None:
    assert (folder / "README.md").is_file()
    assert f"examples/{folder.name}/" in README.read_text(encoding="utf-8")
    sheets = sorted(folder.glob("*.yaml"))
    assert sheets
    for sheet in sheets:
        closure = run(load(sheet)[0]).solution.closure
        assert max(closure.solids, closure.gold) <= 1e-12


def test_there_are_examples() -> None:
    assert EXAMPLES
