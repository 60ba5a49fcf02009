"""The sheet as plain text data: scalars stay as written, and every field knows where it stands."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document
from flowsheet.spec.yaml.marked_document import Document, parse, read

pytestmark = pytest.mark.smoke

CONFIGS = sorted((Path(__file__).parent.parent / "configs").glob("*.yaml"))

SHEET = """\
# invented
title: 'Quillfeather dump'
ore:
  mass: 14.2 kg
  sizes:
    - {sieve: 63 mm, passing: 78 %}
    - {sieve: "#20", passing: 4 %}
steps:
  scalp: {do: screen, takes: [ore, µ lumps], gives: {oversize: lumps}}
keep:
  - lumps
"""


@pytest.fixture(params=["fast", "plain"], autouse=True)
def reader(request, monkeypatch):
    """Run with both builds of the YAML reader: not every machine has the fast one."""
    if request.param == "plain":
        monkeypatch.setattr(marked_document, "_Loader", yaml.SafeLoader)


@pytest.mark.parametrize("text", ["no", "yes", "on", "True", "1:30", "0x10", "017", "1_000", "1e3", ".5", "2024-01-31",
                                  "=", "20 mm", "½ in", "0b1", "+12", "NO", "14.20"])  # fmt: skip
def test_a_scalar_stays_as_it_was_written(text):
    assert parse(f"title: {text}\n").data == {"title": text}


@pytest.mark.parametrize("text", ["", "~", "null", "# a remark"])
def test_nothing_is_none(text):
    assert parse(f"title: {text}\n").data == {"title": None}


@pytest.mark.parametrize(("text", "value"), [("''", ""), ('"null"', "null"), ("'~'", "~"), ('"#20"', "#20")])
def test_quotes_keep_what_stands_in_them(text, value):
    assert parse(f"title: {text}\n").data == {"title": value}


def test_tags_do_not_bring_types_in():
    assert parse("title: !!int 14\nore: !!python/object:os.system {mass: 1 kg}\n").data == {
        "title": "14",
        "ore": {"mass": "1 kg"},
    }


def test_lists_and_blocks_become_plain_data():
    assert parse(SHEET).data == {
        "title": "Quillfeather dump",
        "ore": {
            "mass": "14.2 kg",
            "sizes": [{"sieve": "63 mm", "passing": "78 %"}, {"sieve": "#20", "passing": "4 %"}],
        },
        "steps": {"scalp": {"do": "screen", "takes": ["ore", "µ lumps"], "gives": {"oversize": "lumps"}}},
        "keep": ["lumps"],
    }  # fmt: skip


@pytest.mark.parametrize(("path", "key", "value"), [
    (("title",), (2, 1), (2, 8)),
    (("ore",), (3, 1), (3, 1)),
    (("ore", "mass"), (4, 3), (4, 9)),
    (("ore", "sizes"), (5, 3), (5, 3)),
    (("ore", "sizes", 1), None, (7, 7)),
    (("ore", "sizes", 1, "sieve"), (7, 8), (7, 15)),
    (("steps", "scalp", "takes"), (9, 23), (9, 23)),
    (("steps", "scalp", "takes", 1), None, (9, 36)),
    (("steps", "scalp", "gives", "oversize"), (9, 54), (9, 64)),
    (("keep", 0), None, (11, 5)),
])  # fmt: skip
def test_names_and_values_are_marked(path, key, value):
    found = parse(SHEET)
    assert found.marks[path] == value
    assert found.keys.get(path) == key


def test_marks_point_at_the_very_text():
    for path in CONFIGS:
        found = read(path)
        lines = path.read_text(encoding="utf-8").splitlines()
        for at, (line, column) in found.keys.items():
            assert lines[line - 1][column - 1 :].lstrip("\"'").startswith(str(at[-1]))
        for at, (line, column) in found.marks.items():
            if (text := found.text_at(at)) is not None:
                assert lines[line - 1][column - 1 :].lstrip("\"'").startswith(text)


def test_anchors_stand_for_what_they_name():
    found = parse("ore: &o {mass: 1 kg}\nores: {east: *o, west: *o}\n")
    assert found.data["ores"] == {"east": {"mass": "1 kg"}, "west": {"mass": "1 kg"}}
    assert found.marks["ores", "west", "mass"] == (1, 16)


def test_a_mistake_in_a_missing_field_stands_at_its_block():
    mistake = parse(SHEET, "a.yaml").mistake(("ore", "grade"), "the ore has no grade", "Add one", code="odd")
    assert (mistake.file, mistake.line, mistake.column) == ("a.yaml", 3, 1)
    assert (mistake.field, mistake.read) == ("ore.grade", None)


def test_a_mistake_in_a_value_shows_what_was_read():
    mistake = parse(SHEET).mistake(("ore", "sizes", 1, "sieve"), "odd", "Mend it", code="odd")
    assert (mistake.line, mistake.column, mistake.read) == (7, 15, "#20")
    assert mistake.field == "ore.sizes.1.sieve"


def test_a_mistake_in_a_name_shows_the_name():
    mistake = parse(SHEET).name_mistake(("steps", "scalp", "takes"), "odd", "Mend it", code="odd")
    assert (mistake.line, mistake.column, mistake.read) == (9, 23, "takes")
    mistake = parse(SHEET).block_mistake(("steps", "scalp"), "odd", "Mend it", code="odd")
    assert (mistake.line, mistake.column, mistake.read) == (9, 3, None)


def test_what_was_changed_after_reading_has_no_line():
    found = parse(SHEET, "a.yaml")
    changed = Document(found.file, found.data, changed=True)
    assert (
        str(changed.mistake(("ore", "mass"), "odd", "Mend it", code="odd"))
        == 'settings: ore.mass: read "14.2 kg": odd. Mend it.'
    )


def test_the_text_of_what_is_no_text():
    found = parse(SHEET)
    assert found.text_at(("ore", "mass")) == "14.2 kg"
    for path in (("ore",), ("ore", "grade"), ("title", 0, 1), ("keep", 7), ("keep", "x")):
        assert found.text_at(path) is None


def test_line_ends_of_any_system_count_lines_alike():
    for ending in ("\n", "\r\n", "\r"):
        assert parse(SHEET.replace("\n", ending)).marks["keep", 0] == (11, 5)


YAML_FAULTS = [
    # text, place, part of the message, part of the remedy
    ("a: 1\n\tb: 2\n", (2, 1), "a tab", "blanks"),
    ("a:\n  b: 1\n \tc: 2\n", (3, 2), "a tab", "blanks"),
    ("a: {b: 1, c: 2\nd: 3\n", (1, 4), "not closed, or a comma is missing before line 2", "Close every {"),
    ("a: [1, 2}\n", (1, 9), "comma or bracket", "Close every {"),
    ("a: {b: c d: e}\n", (1, 11), "comma or bracket", "Close every {"),
    ("a: [1, 2]]\n", (1, 10), "bracket too many", "Delete it"),
    ("a: 'foo\nb: 1\n", (1, 4), "quote is not closed", "same quote"),
    ('a: {b: "1/2"", c: 1}\n', (1, 13), "quote is not closed", "same quote"),
    ("a: {b: #20}\nc: 1\n", (1, 8), "# behind a blank starts a comment", '"#20"'),
    ("# { #1 is fine\na: {b: 1, #20 is fine\n  c: #20, d: 1}\n", (3, 6), "starts a comment", '"#20"'),
    ("a: @foo\n", (1, 4), "cannot begin with this character", "quotes"),
    ("a: % 5\n", (1, 4), "cannot begin with this character", "quotes"),
    ("a: >20 mm\n", (1, 4), "cannot begin with | or >", "quotes"),
    ("a: * 5\n", (1, 4), "cannot begin with * or &", "quotes"),
    ("a: *foo\n", (1, 4), "nothing has this name", "quotes"),
    ("a: &x 1\nb: &x 2\n", (2, 4), "named alike", "anew"),
    ("a: b: c\n", (1, 5), "a second colon in one line", "quotes"),
    ("a: 1\n   b: 2\n", (2, 4), "indented further", "one column"),
    ("a:\n    b: 1\n  c: 2\n", (3, 3), "does not fit those above", "one column"),
    (" a: 1\nb: 2\n", (2, 1), "does not fit those above", "one column"),
    ("a: 1\nfoo\nb: 2\n", (2, 1), "no colon with a blank behind it", "name: value"),
    ("steps\n  a: 1\n", (1, 1), "no colon with a blank behind it", "name: value"),
    ("a: - b\n", (1, 4), "a list cannot begin here", "[one, another]"),
    ("a: 1\n---\nb: 2\n", (2, 1), "a second sheet", "one sheet"),
    ('a: "\\q"\n', (1, 4), "a backslash", "single quotes"),
    ("a: {do:screen}\n", (1, 5), "a blank is missing behind the colon", '"do: screen"'),
    ("a: 1\na: 2\n", (2, 1), "written twice, first in line 1", "one of the two"),
    ("[a]: 1\n", (1, 1), "plain text", "name: value"),
]


@pytest.mark.parametrize(("text", "place", "message", "remedy"), YAML_FAULTS, ids=[t for t, *_ in YAML_FAULTS])
def test_a_fault_of_the_text_is_told_in_plain_words(text, place, message, remedy):
    with pytest.raises(SheetError) as caught:
        parse(text, "a.yaml")
    (mistake,) = caught.value.mistakes
    assert message in mistake.message
    assert remedy in mistake.remedy
    assert (mistake.line, mistake.column) == place
    assert mistake.file == "a.yaml"


def test_doubled_names_are_all_told():
    with pytest.raises(SheetError) as caught:
        parse("a: {b: 1, b: 2}\nc: 1\nc: 2\n")
    assert [(m.line, m.field) for m in caught.value.mistakes] == [(1, "a.b"), (3, "c")]


def test_reading_a_sheet_stays_light():
    """The first answer of a command must not wait for libraries that the reading does not need."""
    code = "import sys, flowsheet.spec.read; print([m for m in ('numpy', 'pint', 'networkx') if m in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.strip() == "[]"
