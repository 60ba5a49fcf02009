"""Faulty sheets: every fault is told at its place, in words that lead to the remedy, and alone."""

from __future__ import annotations

import contextlib
import copy
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import sheet_of
from tiers import examples

from flowsheet.solve.model import load
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.read import build
from flowsheet.spec.text.mistakes import LONGEST_SHOWN, Mistake, SheetError, did_you_mean, nearest
from flowsheet.spec.yaml import marked_document
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.steps import kinds

HERE = Path(__file__).parent / "mistakes"
CONFIGS = Path(__file__).parent.parent / "configs"
QUICK = (CONFIGS / "quick.yaml").read_text(encoding="utf-8")


class Row(NamedTuple):
    """What is expected of one mistake; "-" stands for nothing, and a place without a file is in the sheet itself."""

    place: str
    field: str
    read: str
    message: str
    remedy: str


def expected() -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {}
    for line in (HERE / "expected.txt").read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            name, *told = line.split(" | ")
            rows.setdefault(name, []).append(Row(*told))
    return rows


EXPECTED = expected()


def place_of(mistake: Mistake, sheet: Path) -> str:
    file = "" if mistake.file == str(sheet) else f"{Path(mistake.file).relative_to(HERE)}:"
    return f"{file}{mistake.line}:{mistake.column}"


def mistakes_of(path: Path | str) -> tuple[Mistake, ...]:
    with pytest.raises(SheetError) as caught:
        load(path)
    return caught.value.mistakes


# ── the sheets of the folder ────────────────────────────────────────────────────────────────────────────────


def test_every_faulty_sheet_has_its_rows():
    assert sorted(EXPECTED) == sorted(path.stem for path in HERE.glob("*.yaml"))


@pytest.mark.smoke
@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_a_faulty_sheet_is_told_exactly_what_is_wrong(name):
    path = HERE / f"{name}.yaml"
    found = mistakes_of(path)
    assert [place_of(m, path) for m in found] == [row.place for row in EXPECTED[name]]
    for mistake, row in zip(found, EXPECTED[name], strict=True):
        assert (mistake.field or "-") == row.field
        assert row.message in mistake.message
        assert row.remedy in mistake.remedy
        if row.read == "-":
            assert mistake.read is None
        else:
            assert mistake.read is not None
            assert mistake.read.startswith(row.read)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_the_place_is_where_the_text_that_was_read_stands(name):
    for mistake in mistakes_of(HERE / f"{name}.yaml"):
        lines = Path(mistake.file).read_text(encoding="utf-8").splitlines() or [""]
        row = lines[mistake.line - 1]
        assert 1 <= mistake.column <= len(row) + 1
        if mistake.read is None:
            continue
        here = row[mistake.column - 1 :].lstrip("\"'")
        whole_row = " ".join(row.split())[: LONGEST_SHOWN - 1]
        assert here.startswith(mistake.read) or mistake.read.startswith(whole_row)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_mistakes_read_well(name):
    for mistake in mistakes_of(HERE / f"{name}.yaml"):
        text = str(mistake)
        assert mistake.remedy
        assert text.endswith((".", "?", "!", "…"))
        for slip in ("..", "?.", ".?", "  ", "Number(", "None", "pydantic", "{}", "__"):
            assert slip not in text.replace("gates_gaudin_schuhmann", "")
        if "Did you mean" in text:
            assert "?" in text[text.index("Did you mean") :]
        assert mistake.remedy[0].isupper() or mistake.remedy[0] in "\"'"


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_without_the_fast_reader_the_words_are_the_same(name, monkeypatch):
    fast = [str(m) for m in mistakes_of(HERE / f"{name}.yaml")]
    monkeypatch.setattr(marked_document, "_Loader", yaml.SafeLoader)
    assert [str(m) for m in mistakes_of(HERE / f"{name}.yaml")] == fast


def test_six_unrelated_mistakes_are_told_at_once_and_nothing_else():
    found = mistakes_of(HERE / "six_at_once.yaml")
    assert [m.field for m in found] == [
        "ore.mass",
        "ore.gold.d95",
        "hevies",
        "steps.scalp.gives.oversise",
        "steps.break.do",
        "keep.0",
    ]


def test_every_weigh_sheet_of_the_folder_is_named_by_a_sheet():
    sheets = "".join(path.read_text(encoding="utf-8") for path in HERE.glob("*.yaml"))
    assert [path.name for path in HERE.glob("*.csv") if path.name not in sheets] == []


def test_every_name_that_people_use_leads_to_a_kind_or_an_outlet():
    """None of them is a name already, and each is written as it is compared."""
    for step in kinds().values():
        names = [(kinds(), step.also), *(({p.name: p for p in step.ports}, port.also) for port in step.ports)]
        for known, others in names:
            for other in others:
                assert other not in known
                assert other == " ".join(other.casefold().split())
    cures = {"sieve": "screen", "wash": "pan", "crush": "jaw_crush", "grind": "pulverize", "mill": "pulverize",
             "table": "factors", "fire": "cupel", "Hand-pick": "sort"}  # fmt: skip
    for name, kind in cures.items():
        wrong = marked_document.parse(QUICK.replace("do: screen, ", f"do: {name}, "), "x.yaml")
        with pytest.raises(SheetError) as caught:
            build(wrong, kinds())
        assert f'"{kind}"' in only(caught.value.mistakes).remedy


def test_a_long_sheet_without_an_alias_is_no_bomb():
    steps = "".join(f"  s{i}: {{do: split, takes: m{i}, gives: {{a: m{i + 1}, b: w{i}}}}}\n" for i in range(4_000))
    read = marked_document.parse(f"ore: {{mass: 14 kg}}\nsteps:\n{steps}keep: [m4000]\n")
    assert len(read.data["steps"]) == 4_000


def calls(text: str) -> int:
    """Return how many functions are called to read a sheet, right or wrong: that does not differ between machines."""
    document, counted = marked_document.parse(text), 0

    def count(_frame: object, event: str, _argument: object) -> None:
        nonlocal counted
        counted += event == "call"

    sys.setprofile(count)
    try:
        with contextlib.suppress(SheetError):
            build(document, kinds())
    finally:
        sys.setprofile(None)
    return counted


@pytest.mark.parametrize("more", [", bogus: 3", ", split: {a: 140 %}", ", split: {a: 50 %}", ""])
def test_reading_takes_as_long_as_the_sheet_and_its_mistakes(more: str):
    def sheet(n: int) -> str:
        steps = "".join(
            f"  s{i}: {{do: split, takes: m{i}, gives: {{a: m{i + 1}, b: w{i}}}{more}}}\n" for i in range(n)
        )
        first = f"  s: {{do: split, takes: [ore, m{n}], gives: {{a: m0, b: w}}, split: {{a: 50 %}}}}\n"
        return f"ore: {{mass: 14 kg, grade: 2 g/t}}\nsteps:\n{first}{steps}keep: [w]\n"

    calls(sheet(10))  # what is loaded where it is first used
    once, twice, fourfold = (calls(sheet(n)) for n in (100, 200, 400))
    assert fourfold - twice < 2.2 * (twice - once)


def test_a_sheet_that_is_too_long_is_told_the_limit_and_what_to_do():
    steps = "".join(f"  s{i}: {{do: split, takes: m{i}, gives: {{a: m{i + 1}}}}}\n" for i in range(8_000))
    wrong = only(mistakes_of_text(f"ore: {{mass: 14 kg}}\nsteps:\n{steps}keep: [m8000]\n"))
    assert wrong.code == "sheet_too_large"
    assert "80,000 names, values and brackets" in wrong.message
    assert "4,000 steps" in wrong.remedy
    assert "part it" in wrong.remedy


def mistakes_of_text(text: str) -> tuple[Mistake, ...]:
    with pytest.raises(SheetError) as caught:
        marked_document.parse(text)
    return caught.value.mistakes


def test_a_comma_in_braces_is_told_only_where_it_stands_in_a_number():
    wrong = only(mistakes_of_text("ore: {mass: 1,234,567 g, grade: 2 g/t}\n"))
    assert (wrong.field, wrong.read, wrong.remedy) == ("ore.mass", "1,234,567 g", 'Write "1234567 g"')
    for text in ("{a: 1, 2 b: 3}", "{a: x 1,33: }", '{a: "0",33: x}', "{a: 0, b: }", "{a: x,33: }"):
        marked_document.parse(f"x: {text}")


@pytest.mark.parametrize(("read", "remedy"), [
    ("12,5 g", 'Write a point: "12.5 g"'),
    ("12,50 g", 'Write a point: "12.50 g"'),
    ("1234,567 g", 'Write a point: "1234.567 g"'),
    ("12,500 g", 'Write "12500 g" or "12.500 g", whichever you mean'),
    ("12,5 g ± 0,1 g", 'Write a point: "12.5 g ± 0.1 g"'),
    ("12.5 g ± 0,1 g", 'Write a point: "12.5 g ± 0.1 g"'),
    ("1,200 g ± 0,5 g", 'Write "1200 g ± 0.5 g" or "1.200 g ± 0.5 g", whichever you mean'),
    ("12,5 to 13,5 g", 'Write a point: "12.5 to 13.5 g"'),
    ("1.234,5 g", 'Write "1234.5 g"'),
    *((read, "Write it with one point at most, and no comma") for read in ("1,25.5 g", "1.5,5 g", "1,2,3 g")),
])  # fmt: skip
def test_a_comma_in_a_number_has_one_remedy_with_and_without_braces(read: str, remedy: str):
    for ore in (f"{{mass: {read}, grade: 2 g/t}}", f"\n  mass: {read}\n  grade: 2 g/t"):
        text = f"ore: {ore}\nsteps: {{a: {{do: split, takes: ore, gives: {{a: con, b: tails}}}}}}\nkeep: con\n"
        with pytest.raises(SheetError) as caught:
            build(marked_document.parse(text), kinds())
        wrong = only(caught.value.mistakes)
        assert (wrong.field, wrong.read, wrong.remedy) == ("ore.mass", read, remedy)


def test_a_whole_sheet_has_no_mistakes():
    for path in CONFIGS.glob("*.yaml"):
        sheet, _ = load(path)
        assert isinstance(sheet, Sheet)


# ── files that are no sheets ────────────────────────────────────────────────────────────────────────────────


def only(mistakes: tuple[Mistake, ...]) -> Mistake:
    assert len(mistakes) == 1
    return mistakes[0]


def written(folder: Path, raw: bytes) -> Path:
    path = folder / "sheet.yaml"
    path.write_bytes(raw)
    return path


QUICK_RAW = QUICK.encode()

FILES: dict[str, tuple[bytes, tuple[int, int], str, str]] = {
    "empty": (b"", (1, 1), "the sheet is empty", "flowsheet new FILE"),
    "blanks": (b"  \n\n  \n", (1, 1), "the sheet is empty", "flowsheet new FILE"),
    "utf_16": (QUICK.encode("utf-16"), (1, 1), "looks like UTF-16", "encoding UTF-8"),
    "utf_16_unmarked": (QUICK.encode("utf-16-le"), (1, 1), "looks like UTF-16", "encoding UTF-8"),
    "latin_1": (b"ore:\n  mass: 14 kg \xb1 20 g\n", (2, 15), 'may be a "\xb1" in an older', "encoding UTF-8"),
    "latin_1_behind_utf_8": ("# µ\nå: b\n".encode() + b"  c\xe9\n", (3, 4), 'may be a "é"', "encoding UTF-8"),
    "nul": (b"ore:\n  mass: 1\x004 kg\n" + 300 * b"#", (2, 10), "no text stands here (code 0)", "Delete it"),
    "control": ("ore:\n  µ: 1\x074 kg\n".encode(), (2, 7), "no text stands here (code 7)", "Delete it"),
    "picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), (1, 1), "not UTF-8 text", "encoding UTF-8"),
    "huge": (b"# " + 1_000_000 * b"x", (1, 1), "longer than 1 MB", "a short text"),
    "too_many_parts": (b"ore: [" + 90_000 * b"a, " + b"a]", (1, 239_995), "too long", "4,000 steps: part it"),
    "deep_brackets": (b"ore:\n" + 5_000 * b" [\n", (41, 2), "nested too deeply", "flowsheet new FILE"),
    "deep_blocks": (b"".join(b" " * i + b"a:\n" for i in range(60)), (41, 41), "nested too deeply", "flowsheet new"),
    "alias_bomb": (
        b"a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n"
        + b"".join(b"a%d: &a%d [%s]\n" % (i, i, b", ".join([b"*a%d" % (i - 1)] * 10)) for i in range(1, 9)),
        (5, 1), "unfold without end", "Write the values out",
    ),
    "alias_chain": (
        b"a0: &a0 [x]\n" + b"".join(b"a%d: &a%d [*a%d]\n" % (i, i, i - 1) for i in range(1, 3_000)),
        (40, 1), "unfold without end", "Write the values out",
    ),
    "alias_in_itself": (b"ore: &o\n  mass: *o\n", (2, 3), "unfold without end", "Write the values out"),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_file_that_is_no_sheet(name, tmp_path):
    raw, place, message, remedy = FILES[name]
    mistake = only(mistakes_of(written(tmp_path, raw)))
    assert message in mistake.message
    assert remedy in mistake.remedy
    assert mistake.file == str(tmp_path / "sheet.yaml")
    assert (mistake.line, mistake.column) == place


def test_a_missing_file_and_its_neighbours(tmp_path):
    (tmp_path / "sack3.yaml").write_text(QUICK, encoding="utf-8")
    mistake = only(mistakes_of(tmp_path / "sack.yaml"))
    assert mistake.message == "there is no such file"
    assert mistake.remedy == 'Did you mean "sack3.yaml"?'
    assert mistake.file == str(tmp_path / "sack.yaml")
    assert only(mistakes_of(tmp_path / "q.yaml")).remedy == "The sheets beside it are: sack3.yaml"
    (tmp_path / "sack3.yaml").unlink()
    assert "flowsheet new FILE" in only(mistakes_of(tmp_path / "sack.yaml")).remedy


def test_a_folder_and_what_lies_in_it(tmp_path):
    (tmp_path / "sack3.yaml").write_text(QUICK, encoding="utf-8")
    mistake = only(mistakes_of(tmp_path))
    assert "folder" in mistake.message
    assert "sack3.yaml" in mistake.remedy


@pytest.mark.parametrize("name", ["sheet\0.yaml", "x" * 5000, "sheet.yaml/inside.yaml"])
def test_a_name_that_no_file_can_have(name, tmp_path):
    (tmp_path / "sheet.yaml").write_text(QUICK, encoding="utf-8")
    assert only(mistakes_of(f"{tmp_path}/{name}")).remedy


@pytest.mark.parametrize("raw", [b"\xef\xbb\xbf" + QUICK_RAW, QUICK_RAW.replace(b"\n", b"\r\n")])
def test_marks_and_line_ends_of_other_systems_do_no_harm(raw, tmp_path):
    sheet, _ = load(written(tmp_path, raw))
    assert sheet.title == "Quillfeather dump, quick bench test"


# ── the words themselves ────────────────────────────────────────────────────────────────────────────────────


def test_a_mistake_names_place_field_text_fault_and_remedy():
    mistake = Mistake("a mass, where a length is wanted", "Write 20 mm", "steps.scalp.opening", "20 kg", "a.yaml", 7, 3,
                      code="wrong_unit")  # fmt: skip
    assert str(mistake) == (
        'a.yaml:7:3: steps.scalp.opening: read "20 kg": a mass, where a length is wanted. Write 20 mm.'
    )
    assert mistake.as_dict()["line"] == 7
    assert mistake.as_dict()["code"] == "wrong_unit"


def test_a_mistake_outside_of_a_file_names_no_line():
    assert str(Mistake("no step", "Name one", file="--set", code="odd")) == "--set: no step. Name one."


def test_sentences_are_closed_once():
    assert str(Mistake("odd", 'Did you mean "con"?', file="f", code="odd")) == 'f: odd. Did you mean "con"?'
    assert str(Mistake("odd.", "Write it so.", file="f", code="odd")) == "f: odd. Write it so."


def test_what_was_read_is_cut_and_made_harmless():
    text = str(Mistake("odd", "Mend it", read="red \x1b[31m\n" + 500 * "x", file="f", code="odd"))
    assert "\x1b" not in text
    assert "\n" not in text
    assert len(text) < 100


def test_a_code_is_snake_case():
    with pytest.raises(ValueError, match="is no code"):
        Mistake("odd", "Mend it", code="it is odd")


def test_mistakes_stand_in_the_order_of_the_file():
    wrong = SheetError(
        [Mistake("b", "B", line=2, column=1, code="odd"), Mistake("a", "A", line=1, column=9, code="odd")]
    )
    assert [m.message for m in wrong.mistakes] == ["a", "b"]


def test_the_nearest_name():
    assert nearest("Lumps", ["fines", "lumps"]) == "lumps"
    assert nearest("swarf", ["fines", "lumps"]) is None
    assert nearest("x" * 10_000, ["x" * 9_999]) is None
    assert did_you_mean("swarf", ["fines", "lumps"], "streams") == "The streams are: fines, lumps"
    assert did_you_mean("swarf", [], "streams") == "There are no streams"
    assert did_you_mean("zz", [f"s{i}" for i in range(20)]).endswith("s11, …")


# ── one cause, one mistake ──────────────────────────────────────────────────────────────────────────────────

ALONE = {
    "an outlet that is left out": ("{oversize: lumps, undersize: fines}", "{oversize: lumps}"),
    "outlets that are not named": ("gives: {oversize: lumps, undersize: fines}", "note: forgot the outlets"),
    "a misspelt outlet": ("undersize: fines", "undersise: fines"),
    "another word for an outlet": ("undersize: fines", "small: fines"),
    "a misspelt stream where it is given": ("undersize: fines", "undersize: fimes"),
    "a misspelt stream where it is taken": ("takes: crushed", "takes: crush"),
    "another word for the ore": ("takes: ore", "takes: sack"),
    "a misspelt ore": ("takes: ore", "takes: orr"),
    "a misspelt field": ("opening: 20 mm", "openning: 20 mm"),
    "a misspelt takes": ("takes: crushed", "take: crushed"),
    "a misspelt gives": ("gives: crushed", "give: crushed"),
    "an unreadable mass": ("mass: 14.2 kg ± 20 g", "mass: 14.2 bags"),
    "an unreadable size": ("top: 100 mm", "top: 100"),
    "unreadable grains": ("d50: 0.35 mm", "d50: 0.35"),
    "a step that is gone": ("  powder: {do: pulverize", "  # powder: {do: pulverize"),
}


@pytest.mark.parametrize("name", sorted(ALONE))
def test_one_cause_makes_one_mistake(name, tmp_path):
    old, new = ALONE[name]
    assert QUICK.count(old) == 1
    path = written(tmp_path, QUICK.replace(old, new).encode())
    assert len(mistakes_of(path)) == 1


# ── nothing but a sheet or a SheetError ─────────────────────────────────────────────────────────────────────

LINES = QUICK.splitlines()
TOKENS = [
    "{", "}", "[", "]", ":", ": ", ", ", "- ", "#", " #20", "&a ", "*a", "!", "|", ">", "'", '"', "%", "@", "\t", "---",
    "...", "? ", "~", "null", "<<", "ore", "ores", "steps", "keep", "do", "takes", "gives", "screen", "split",
    "factors", "recovery", "free", "locked", "20 mm", "-20 mm", "+20 mm", "20 mm to 1 mm", "0", "-1", "1e999", ".nan",
    "120 %", "0.7 to 0.9", "#20", "1/0 in", "2 1/4 in", "½ in", "E11 1/3 in", "20 mesh", "22 oz", "870 ± 20",
    "± 5 %", "bead", "lumps", "", "\x85", "\u2028", "\ufeff", "𝟙", "٣ kg", "x" * 200,
]  # fmt: skip
FAST = settings(deadline=None, derandomize=True, max_examples=examples(300))


def sheet_or_mistakes(read: Callable[[], Sheet]) -> Sheet | tuple[Mistake, ...]:
    """Return the sheet, or what is wrong with it; any other exception escapes and fails the test."""
    try:
        return read()
    except SheetError as wrong:
        return wrong.mistakes


def opens_or_is_refused(raw: bytes, path: Path) -> None:
    path.write_bytes(raw)
    found = sheet_or_mistakes(lambda: sheet_of(path))
    if isinstance(found, Sheet):
        return
    assert found
    for mistake in found:
        assert mistake.file == str(path)
        assert mistake.line >= 1
        assert mistake.column >= 1
        assert mistake.message
        assert mistake.remedy


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("mistakes") / "sheet.yaml"


@FAST
@given(raw=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_are_read_or_refused(scratch, raw):
    opens_or_is_refused(raw, scratch)


@FAST
@given(words=st.lists(st.sampled_from(TOKENS) | st.sampled_from(["\n", "\n  ", "\n    "]), max_size=40))
def test_any_heap_of_yaml_is_read_or_refused(scratch, words):
    opens_or_is_refused("".join(words).encode(), scratch)


@st.composite
def mutations(draw: st.DrawFn) -> str:
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        kind = draw(st.sampled_from(["delete", "double", "swap", "token", "insert", "cut"]))
        if kind == "delete" and len(lines) > 1:
            del lines[at]
        elif kind == "double":
            lines.insert(at, lines[at])
        elif kind == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        elif kind == "insert":
            lines.insert(at, draw(st.sampled_from(TOKENS)))
        else:
            start = draw(st.integers(0, len(lines[at])))
            end = draw(st.integers(start, min(len(lines[at]), start + 12)))
            new = draw(st.sampled_from(TOKENS)) if kind == "token" else ""
            lines[at] = lines[at][:start] + new + lines[at][end:]
    return "\n".join(lines)


@FAST
@given(text=mutations())
def test_a_damaged_sheet_is_read_or_refused(scratch, text):
    opens_or_is_refused(text.encode(), scratch)


def paths(data: Any, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    yield at
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for name, inner in items:
        yield from paths(inner, (*at, name))


SHEETS = [marked_document.read(path) for path in sorted(CONFIGS.glob("*.yaml"))]
SCALARS = st.none() | st.sampled_from(TOKENS)
SHAPES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(TOKENS), inner, max_size=3)
)


@FAST
@given(which=st.sampled_from(range(len(SHEETS))), data=st.data())
def test_any_shape_at_any_place_is_read_or_refused(which, data):
    found = SHEETS[which]
    changed = Document(found.file, copy.deepcopy(found.data), dict(found.marks), dict(found.keys))
    path = data.draw(st.sampled_from([p for p in paths(found.data) if p]))
    node: Any = changed.data
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = data.draw(SHAPES)
    verdict = sheet_or_mistakes(lambda: build(changed, kinds()))
    assert isinstance(verdict, Sheet) or (verdict and all(m.line >= 1 and m.remedy for m in verdict))


# ── settings on the command line ────────────────────────────────────────────────────────────────────────────

WRONG_SETTINGS = {
    "scalp": "this names no field",
    "scalpp.opening": 'there is no step "scalpp"',
    "steps.scalpp.opening": 'there is no "scalpp"',
    "title.x": 'there is no step "title"',
    "ores.east.mass": 'the sheet has no "ores"',
    "ore.sizes.top.x": '"top" has no fields of its own',
    "break.takes.7": 'there is no row "7"',
    "break.takes.x": 'there is no row "x"',
    "scalp.²": "",
    "": 'there is no step ""',
    "..": 'there is no step ""',
}


@pytest.mark.parametrize("name", sorted(WRONG_SETTINGS))
def test_a_setting_that_leads_nowhere(name):
    quick = marked_document.read(CONFIGS / "quick.yaml")
    with pytest.raises(SheetError) as caught:
        build(with_settings(quick, {name: "12 mm"}), kinds())
    mistake = only(caught.value.mistakes)
    assert WRONG_SETTINGS[name] in mistake.message
    assert str(mistake).startswith("settings: ")
    assert mistake.remedy


def test_a_setting_with_a_wrong_value_blames_the_setting_and_not_a_line():
    quick = marked_document.read(CONFIGS / "quick.yaml")
    with pytest.raises(SheetError) as caught:
        build(with_settings(quick, {"scalp.opening": "12 kg"}), kinds())
    mistake = only(caught.value.mistakes)
    assert str(mistake).startswith('settings: steps.scalp.opening: read "12 kg": a mass, where a length is wanted.')


def test_settings_reach_every_depth_and_leave_the_document_alone():
    quick = marked_document.read(CONFIGS / "quick.yaml")
    changed = with_settings(
        quick, {"scalp.opening": "12 mm", "ore.gold.d50": "0.2 mm", "break.takes.0": "plain lumps", "ore.mass": "5 kg"}
    )
    sheet = build(changed, kinds())
    assert sheet.ores["ore"].mass.value == 5.0
    assert sheet.steps["scalp"].openings() == {0.012}
    assert sheet.file == quick.file
    assert quick.text_at(("steps", "scalp", "opening")) == "20 mm"


@FAST
@given(name=st.lists(st.sampled_from(["scalp", "break", "takes", "ore", "steps", "0", "9" * 9, "sizes", "²", "x", ""]),
                     max_size=5).map(".".join), value=st.sampled_from(TOKENS))  # fmt: skip
def test_any_setting_is_taken_or_refused(name, value):
    quick = marked_document.read(CONFIGS / "quick.yaml")
    verdict = sheet_or_mistakes(lambda: build(with_settings(quick, {name: value}), kinds()))
    assert isinstance(verdict, Sheet) or (verdict and all(m.of_setting and m.remedy for m in verdict))
