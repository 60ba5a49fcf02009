"""``flowsheet explain``: every kind, block, command and page is a topic, told from the one description of each."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
import yaml

from flowsheet import cli
from flowsheet.show.guide import pages, words
from flowsheet.show.guide.topics import BLOCKS, Topic, find, topics
from flowsheet.solve.model import load
from flowsheet.spec.blocks.explain import example_of, field_text, kind_text
from flowsheet.spec.blocks.fields import Block, dimension_of
from flowsheet.spec.blocks.schema import TOP_FIELDS, Gold, Ore, Weighed
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.read import build
from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.wording import on_command_line
from flowsheet.spec.yaml import marked_document
from flowsheet.steps import kinds

HEAVY = {"matplotlib", "networkx", "graphviz", "jinja2"} | {
    f"scipy.{part}" for part in ("linalg", "optimize", "sparse", "special", "stats")
}
COMMANDS = {
    (command.name or command.callback.__name__): "Do it" for command in cli.app.registered_commands if command.callback
}
KNOWN = topics(COMMANDS)
EVERY_BLOCK = [*kinds().values(), *dict.fromkeys(block for parts in BLOCKS.values() for _, block in parts)]

Explain = Callable[..., str]


@pytest.fixture
def explain(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Explain:
    """Run the command; return what it prints, or what it says where it refuses."""

    def command(*arguments: str, code: int = 0) -> str:
        monkeypatch.setattr(sys, "argv", ["flowsheet", "explain", *arguments])
        with pytest.raises(SystemExit) as done:
            cli.main()
        assert (done.value.code or 0) == code
        captured = capsys.readouterr()
        return captured.err if code and "--json" not in arguments else captured.out

    return command


# ── fields, as data ─────────────────────────────────────────────────────────────────────────────────────────


def test_a_field_is_told_as_it_is_described() -> None:
    assert asdict(field_text(kinds()["pan"], "d50")) == {
        "name": "d50",
        "what": "size of free gold of which half is kept",
        "wants": "a length",
        "bare": "",
        "units": ("mm", "cm", "m", "um", "in", "ft", "mesh"),
        "default": "60 um",
        "source": kinds()["pan"].model_fields["d50"].json_schema_extra["source"],
        "low": "1 um",
        "high": "10 mm",
        "required": False,
        "example": "60 um",
        "inner": (),
    }


@pytest.mark.parametrize(
    ("block", "name", "part", "told"),
    [
        (Ore, "mass", "required", True),
        (Ore, "mass", "high", "1,000,000 t"),
        (Ore, "grade", "high", "100 %"),
        (Ore, "gold", "wants", "fields of its own"),
        (Ore, "gold", "inner", ("d50", "d95", "sizes", "nuggets", "fineness", "detach", "cluster")),
        (Gold, "d95", "example", "1.6 mm"),
        (StepBlock, "split", "wants", "shares by outlet"),
        (StepBlock, "takes", "wants", "a name, or several in brackets"),
        (StepBlock, "note", "wants", "a line of text"),
        (Weighed, "metallics", "inner", ("plus", "plus_gold", "minus", "minus_grades")),
        (kinds()["cupel"], "collector", "wants", "one of lead, bismuth"),
        (kinds()["cupel"], "collector", "default", "lead"),
        (kinds()["screen"], "opening", "default", ""),
    ],
)
def test_parts_of_a_field(block: type[Block], name: str, part: str, told: Any) -> None:
    assert getattr(field_text(block, name), part) == told


def test_an_unknown_field_is_an_error() -> None:
    with pytest.raises(KeyError):
        field_text(Ore, "gilt")


@pytest.mark.parametrize("block", EVERY_BLOCK, ids=lambda block: block.__name__)
def test_examples_and_defaults_can_be_read(block: type[Block]) -> None:
    for name, field in block.model_fields.items():
        dimension, told = dimension_of(field), field_text(block, name)
        assert told.what, name
        if dimension is None:
            continue
        assert told.example, name
        for text in {told.example, told.default} - {""}:
            if dimension.units or dimension.bare_ok:
                number_with_doubt.parse(text, dimension)
        for bound in {told.low, told.high} - {"", "0"}:
            assert bound.removeprefix("-")[0].isdigit()


@pytest.mark.parametrize("kind", kinds().values(), ids=list(kinds()))
def test_the_example_of_a_kind_is_right(kind: type[StepBlock]) -> None:
    step = yaml.safe_load(example_of(kind))
    given = step[kind.kind]["gives"]
    streams = list(given.values()) if isinstance(given, dict) else [given]
    text = yaml.safe_dump({
        "ores": {kind.fed_with: {"mass": "10 kg", "grade": "20 g/t", "sizes": {"top": "100 mm", "p80": "60 mm"},
                                 "gold": {"d50": "0.3 mm", "d95": "1 mm"}}},
        "steps": step, "keep": streams[:1],
    })  # fmt: skip
    assert list(build(marked_document.parse(text), kinds()).steps) == [kind.kind]


@pytest.mark.parametrize("kind", kinds().values(), ids=list(kinds()))
def test_a_kind_tells_all_of_its_own_fields_once(kind: type[StepBlock]) -> None:
    told = kind_text(kind)
    own = set(kind.model_fields) - set(StepBlock.model_fields)
    assert sorted(field.name for field in told.fields) == sorted(own | {"slack"})  # whose default is the kind's own
    assert [outlet.name for outlet in told.outlets] == [port.name for port in kind.ports]
    assert told.about
    assert told.cautions


# ── topics ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_everything_is_a_topic() -> None:
    assert set(kinds()) | set(TOP_FIELDS) | set(COMMANDS) | set(pages.ORDER) <= set(KNOWN)
    assert [name for name, topic in KNOWN.items() if not (topic.blocks or topic.page or topic.sections)
            and name not in ("title",)] == []  # fmt: skip


@pytest.mark.parametrize("topic", KNOWN.values(), ids=list(KNOWN))
def test_a_topic_reads_well(topic: Topic) -> None:
    lines = list(words.told(topic))
    text = "\n".join(lines).replace(words.BOLD, "").replace(words.NORMAL, "")
    assert len(text) > 40
    assert "**" not in text
    assert "```" not in text
    assert not text.count("`")
    assert all(len(line) <= 125 for line in text.splitlines())
    json.dumps(topic.as_dict())


def test_a_heading_with_names_opens_a_section() -> None:
    page = pages.page_of("x", "# Title\n\nFirst.\n\n## pan, sluice: washing\n\nGold.\n\n## No names: here\n\nRock.\n")
    assert page.title == "Title"
    assert page.sections == (pages.Section("x", ("pan", "sluice"), "washing", "Gold."),)
    assert page.text.endswith("Rock.")


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("pan", "pan"), ("PAN", "pan"), ("jaw crush", "jaw_crush"), ("jaw-crush", "jaw_crush"), ("pan.d50", "pan.d50"),
        ("gold.d95", "gold.d95"),
    ],
)  # fmt: skip
def test_a_topic_is_found(name: str, told: str) -> None:
    assert find(name, KNOWN).name == told


@pytest.mark.parametrize(
    ("name", "remedy"),
    [
        ("pann", 'Did you mean "pan"?'),
        ("opening", "flowsheet explain screen"),
        ("d50", "It is a field of pan, sluice, gold: write flowsheet explain pan sluice gold"),
        ("tailings", "It is told there: write flowsheet explain pan sluice"),
        ("scale", "It is told there: write flowsheet explain rocks weights"),
        ("retort", "flowsheet explain care"),
        ("sulice", 'Did you mean "sluice"?'),
        ("assay", "cupel"),
        ("mill", "write flowsheet explain pulverize"),
        ("pan.d5", 'Did you mean "d50"?'),
        ("xyzzy", "flowsheet explain lists them all"),
    ],
)
def test_a_wrong_topic_names_the_nearest(name: str, remedy: str) -> None:
    with pytest.raises(SheetError) as wrong, on_command_line():
        find(name, KNOWN)
    assert remedy in str(wrong.value)


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────


def test_without_a_topic_all_are_listed(explain: Explain) -> None:
    out = explain()
    assert {line.split()[0] for line in out.splitlines() if line.startswith("  ")} >= set(KNOWN)
    listed = json.loads(explain("--json"))["topics"]
    assert {one["topic"] for one in listed} == set(KNOWN)
    assert all(one["about"] for one in listed)


def test_a_kind_is_told(explain: Explain) -> None:
    out = explain("pan")
    assert "tailings     what is washed off; gold that ends there is told as too fine to be held or still" in out
    assert "pan: {do: pan, takes: powder, gives: {concentrate: concentrate, tailings: tailings}}" in out
    assert "Left out: 98 % (typical, set your own)" in " ".join(out.split())
    assert "never use mercury" in out
    (told,) = json.loads(explain("pan", "--json"))["topics"]
    (block,) = told["blocks"]
    assert {"r_max", "d50", "m", "pull", "passes"} <= {field["name"] for field in block["fields"]}
    assert block["outlets"][1]["free_lost"] == "too_fine"


@pytest.mark.parametrize("kind", list(kinds()))
def test_a_kind_is_told_without_the_program_s_own_parts(explain: Explain, kind: str) -> None:
    out = explain(kind)
    assert "Code:" not in out
    assert "steps/" not in out
    assert "(_" not in out


def test_care_is_taken_where_there_is_a_hazard(explain: Explain) -> None:
    assert "Take care" not in explain("split")
    assert "Take care" in explain("screen")


@pytest.mark.parametrize(
    ("topic", "told"),
    [
        ("title", "In a sheet\n  title: North heading, sack 1"),
        ("keep", "In a sheet\n  keep: [bead, specimens]"),
        ("metallics", "In a sheet\n  tails: {metallics: {plus: 12.1 g"),
        ("gold", "A fineness is written in ct, %, ‰, or plain (870)."),
        ("gold", "A share is written in %, ‰, or plain (0.8)."),
        ("units", "150 um"),
        ("mesh", "20 mesh"),
        ("oz", "troy ounces"),
        ("smelt", "takes: con,"),
        ("cupel", "takes: button,"),
    ],
)
def test_a_topic_tells_how_it_is_written(explain: Explain, topic: str, told: str) -> None:
    assert told in explain(topic)


def test_several_topics_are_told_in_their_order(explain: Explain) -> None:
    out = explain("weights", "gold", "weights")
    assert out.index("weights (page)") < out.index("gold (part of a sheet)")
    assert out.count("weights (page)") == 1


def test_a_command_tells_what_it_answers(explain: Explain) -> None:
    out = explain("chance")
    assert out.startswith("chance (command): Tell how sure the answers are")
    assert "flowsheet chance --help" in out


def test_a_wrong_topic_is_refused(explain: Explain) -> None:
    assert 'Did you mean "pan"?' in explain("pann", code=2)
    assert json.loads(explain("pann", "--json", code=2))["ok"] is False


def in_a_shell(*arguments: str, home: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, encoding="utf-8", check=False, timeout=60,
                          cwd=home, env={**os.environ, "HOME": str(home), **environment})  # fmt: skip


def test_it_is_light(tmp_path: Path) -> None:
    script = (
        "import sys, atexit; sys.argv = ['flowsheet', 'explain', 'pan', 'weights']\n"
        "atexit.register(lambda: print('LOADED', *sys.modules))\nfrom flowsheet.cli import main\nmain()"
    )
    done = in_a_shell("-c", script, home=tmp_path)
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.rpartition("LOADED ")[2].split())
    assert "flowsheet.show.guide.words" in loaded
    assert not loaded & HEAVY


# ── mistakes name their topic ───────────────────────────────────────────────────────────────────────────────

FAULTY = sorted((Path(__file__).parent / "mistakes").glob("*.yaml"))


def test_every_topic_that_a_mistake_names_is_there() -> None:
    named = set()
    for sheet in FAULTY:
        with pytest.raises(SheetError) as wrong:
            load(sheet)
        named |= {mistake.topic for mistake in wrong.value.mistakes}
    assert named - {""} <= set(KNOWN)
    assert {"ore", "gold", "sizes", "screen", "split", "steps", "weights", "weighed", "metallics", "prices", "costs",
            "sells", "keep", "sheet"} <= named  # fmt: skip


SHEET = """
ore: {{mass: 10 kg, grade: {grade}, gold: {{d50: {d50}, d95: 1 mm}}, sizes: {{top: 100 mm, p80: 60 mm}}}}
steps:
  fine.screen: {{do: screen, takes: ore, gives: {{oversize: gold, undersize: fines}}, opening: {opening}, note: {note}}}
keep: gold
weighed: {{gold: {{grade: {weighed}}}}}
"""
RIGHT = {"grade": "20 g/t", "d50": "0.3 mm", "opening": "20 mm", "note": "x", "weighed": "3 g/t"}


@pytest.mark.parametrize(
    ("field", "topic"),
    [("grade", "ore"), ("d50", "gold"), ("opening", "screen"), ("note", "screen"), ("weighed", "weighed")],
)
def test_the_topic_of_a_mistake(field: str, topic: str) -> None:
    with pytest.raises(SheetError) as wrong:
        build(marked_document.parse(SHEET.format(**{**RIGHT, field: "[1]"})), kinds())
    assert {mistake.topic for mistake in wrong.value.mistakes} == {topic}


def test_below_the_mistakes_stands_what_to_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = tmp_path / "wrong.yaml"
    sheet.write_text(SHEET.format(**{**RIGHT, "grade": "20", "opening": "20"}), encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["flowsheet", "check", str(sheet), "--json"])
    with pytest.raises(SystemExit):
        cli.main()
    captured = capsys.readouterr()
    assert captured.err.splitlines()[-1] == "To read more: flowsheet explain ore screen"
    assert [one["topic"] for one in json.loads(captured.out)["mistakes"]] == ["ore", "screen"]


# ── completion ──────────────────────────────────────────────────────────────────────────────────────────────


def test_completion_is_printed_and_touches_no_file(tmp_path: Path) -> None:
    done = in_a_shell(
        "-m", "flowsheet", "--show-completion", "bash", home=tmp_path, _TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION="1"
    )  # the shell is named, whatever runs the test
    assert done.returncode == 0, done.stderr
    assert "COMPLETE" in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("typed", "told"), [("flowsheet rec", "reconcile"), ("flowsheet explain slu", "sluice")])
def test_the_shell_completes_commands_and_topics(typed: str, told: str, tmp_path: Path) -> None:
    script = "import sys; sys.argv = ['flowsheet']\nfrom flowsheet.cli import main\nmain()"
    done = in_a_shell("-c", script, home=tmp_path, _FLOWSHEET_COMPLETE="complete_bash", COMP_WORDS=typed,
                      COMP_CWORD=str(len(typed.split()) - 1))  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == [told]
    assert list(tmp_path.iterdir()) == []
