"""The report: every section, the answers of a run, tables of the same numbers, and nothing but text from a sheet."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zlib
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest
from commands import Command
from sheets import run_of, sheet_of

from flowsheet.show.estimate import chances
from flowsheet.show.graphics import svg
from flowsheet.show.report.facts import MOST_TESTS, Facts, facts
from flowsheet.show.report.html import POLICY, html
from flowsheet.show.report.parts import MOST_CHANGES, Report, flow_in_words, on_paper, report
from flowsheet.show.report.pdf import pdf
from flowsheet.show.report.placing import PAPERS, READABLE, SHARED, narrowest, placed, wide
from flowsheet.show.run import certainty, drawing, run_tables, sentences
from flowsheet.show.text import tables
from flowsheet.show.text.content import Picture, Section
from flowsheet.show.text.terminal import RULES
from flowsheet.solve.model import load
from flowsheet.spec.text.notes import texts
from flowsheet.study.balance.reconcile import reconcile_sheet

ROOT = Path(__file__).parent.parent
SHEETS = sorted([*(ROOT / "configs").glob("*.yaml"), *(ROOT / "examples").glob("*/*.yaml")])
SACK = ROOT / "examples" / "sack_test" / "sack3.yaml"
FACTORS, LOOP = ROOT / "configs" / "factors.yaml", ROOT / "configs" / "closed_circuit.yaml"
LONG = ("pile", "sack3", "finer_screen", "quick", "closed_circuit")
"""Their draws take seconds."""
DAY = "day 9"
VOID = {"meta", "br", "hr", "img", "link", "input"}

ALWAYS = [
    "flow",
    "gold",
    "sizes",
    "coarse",
    "finer",
    "losses",
    "weights",
    "next",
    "balance",
    "care",
    "assumed",
    "sheet",
]
"""What no report lacks, in its order."""

HOSTILE = [
    '<script>alert(1)</script>', '"]{#panic()}', "#set page(fill: red)", "{{ 7*7 }}", "</svg><script>", "$con$ *b*",
    "&lt;tails&gt;", "\\u{0} <!-- url(http://x.example/a)",
]  # fmt: skip
HOSTILE_SHEET = f"""
title: {json.dumps(HOSTILE[0] + " " + HOSTILE[1])}
ore: {{mass: 14 kg ± 20 g, grade: 22 g/t ± 8 g/t, sizes: {{top: 100 mm, p80: 60 mm}},
       gold: {{d50: 0.3 mm, d95: 1.4 mm}}}}
steps:
  {json.dumps(HOSTILE[2])}: {{do: screen, takes: ore, gives: {{oversize: {json.dumps(HOSTILE[3])}, undersize: f}},
                              opening: 20 mm}}
  look: {{do: sort, takes: {json.dumps(HOSTILE[3])}, gives: {{picked: {json.dumps(HOSTILE[4])}, left: plain}}}}
  break: {{do: jaw_crush, takes: [plain, f], gives: crushed, setting: 6 mm}}
  pan: {{do: pan, takes: crushed, gives: {{concentrate: {json.dumps(HOSTILE[5])}, tailings: {json.dumps(HOSTILE[6])}}}}}
  {json.dumps(HOSTILE[7])}: {{do: magnet, takes: {json.dumps(HOSTILE[5])}, gives: {{magnetics: m, rest: rest}}}}
keep: [rest, {json.dumps(HOSTILE[4])}]
weighed: {{ {json.dumps(HOSTILE[6])}: {{mass: 13 kg, grade: 3 g/t}} }}
"""


CUT = """
ore: {mass: 14 kg ± 20 g, grade: 22 g/t ± 8 g/t, sizes: {top: 100 mm, p80: 60 mm}, gold: {d50: 0.3 mm, d95: 1.4 mm}}
steps:
  cut: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
keep: [lumps]
weighed:
  lumps: {mass: 8.8 kg, grade: 20 g/t ± 2 g/t}
  fines: {mass: 5.2 kg, grade: 25 g/t ± 2 g/t}
"""
WEIGHED = """
weighed:
  ore: {mass: 50 kg}
  lumps: {mass: 21.1 kg, grade: 12 g/t}
  fines: {mass: 28.8 kg}
  tails: {mass: 48 kg, grade: 3 g/t}
  button: {mass: 0.55 g}
"""


class Page(HTMLParser):
    """What a browser would find: tags, ids, the words of each section, tables, pictures, and tags left open."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: dict[str, str] = {}
        self.rows: dict[str, list[list[str]]] = {}
        self.heads: list[int] = []
        self.figures: list[list[dict[str, str]]] = []
        self._open: list[tuple[str, str]] = []
        self.feed(page)
        self.close()
        assert not self._open, self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {key: value or "" for key, value in attrs}
        self.tags.append(tag)
        self.attributes += [(tag, key, value) for key, value in told.items()]
        section = told["id"] if tag == "section" else self._section
        if re.fullmatch("h[1-6]", tag):
            self.heads.append(int(tag[1]))
        if tag == "figure":
            self.figures.append([])
        if tag == "svg":
            self.figures[-1].append(told)
        if tag == "tr":
            self.rows.setdefault(section, []).append([])
        if tag in ("th", "td"):
            self.rows[section][-1].append("")
        if tag not in VOID:
            self._open.append((tag, section))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open, tag
        assert self._open.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        data = data.replace("\xa0", " ")  # where a line may not break is another test's
        within = [tag for tag, _ in self._open]
        self.words[self._section] = self.words.get(self._section, "") + data
        if within and within[-1] in ("th", "td"):
            self.rows[self._section][-1][-1] += data

    @property
    def _section(self) -> str:
        return self._open[-1][1] if self._open else ""

    @property
    def ids(self) -> list[str]:
        return [value for _, key, value in self.attributes if key == "id"]


@cache
def known(path: Path) -> Facts:
    return facts(sheet_of(path), path.name, path.read_text(encoding="utf-8"))


@cache
def made(path: Path) -> Report:
    return report(known(path), DAY)


def of_text(text: str) -> Report:
    return report(facts(sheet_of(text), "invented.yaml", text), DAY)


@pytest.fixture(scope="module")
def sack() -> Report:
    return made(SACK)


@pytest.fixture(scope="module")
def hostile() -> Report:
    return of_text(HOSTILE_SHEET)


def plain(text: str) -> str:
    return " ".join(text.split())


# ── what it says ────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, marks=pytest.mark.slow) if path.stem in LONG else path for path in SHEETS],
    ids=lambda path: path.stem,
)
def test_every_shipped_sheet_has_every_section_and_the_answers_of_its_run(path: Path) -> None:
    found = made(path)
    page = Page(html(found))
    keys = [section.key for section in found.sections]
    assert [key for key in keys if key in ALWAYS] == ALWAYS
    assert len(set(keys)) == len(keys)
    solved = known(path).run
    answers = sentences.answers_without_doubt(solved)
    led = solved.sure is not None and solved.sure.this_test is not None
    sure = (
        sentences.BY_WEIGHTS if led else sentences.HOW_SURE,
        [certainty.said(solved), *texts(certainty.against(solved))],
    )
    answers.insert(0 if led else 1, (sure[0], " ".join(sure[1])))
    # First of all, and in the order of a run.
    assert [section.head for section in found.sections[: len(answers)]] == [question for question, _ in answers]
    for section, (question, answer) in zip(found.answers, answers, strict=True):
        assert plain(page.words[section.key]).casefold() == plain(f"{question} {answer}").casefold()
    for section in found.sections:
        assert section.lines or section.pictures or section.grids or section.items, section.key
        assert plain(section.head) in plain(page.words[section.key])
    for text in (solved.solution.model.sheet.title, path.name, DAY):
        assert text in page.words[""]
    for note in (*solved.warnings, *solved.notes):
        within = "sure" if note in certainty.against(solved) else "look"
        assert plain(note.text).casefold() in plain(page.words[within]).casefold()
    for text in (*solved.cautions, RULES):
        assert plain(text) in plain(page.words["care"])
    assert page.words["sheet"].rstrip().endswith(path.read_text(encoding="utf-8").rstrip())


def test_numbers_of_the_tables_are_those_of_the_run(sack: Report) -> None:
    solved, page = run_of(SACK), Page(html(sack))
    told = solved.as_dict()
    told |= told["as_planned"]
    for key, grid in (("balance", run_tables.balance(solved)), ("finer", run_tables.finer(solved)),
                      ("weighed", run_tables.weighed(solved))):  # fmt: skip
        assert page.rows[key][1:] == [shown(grid, row) for row in grid.rows]
    for row, (name, stream) in zip(page.rows["balance"][1:], told["streams"].items(), strict=True):
        assert row[0] == name
        assert float(row[2]) == pytest.approx(stream["gold_g"], rel=5e-4)
    for row, (name, one) in zip(page.rows["streams"][1:], solved.told_streams.items(), strict=False):
        assert row[0] == name
        assert [float(cell) for cell in row[1:4]] == pytest.approx(
            [1e6 * end for end in (one.gold.mean, one.gold.p5, one.gold.p95)], rel=6e-3
        )
        assert row[5] == one.gold_from
    for row, one in zip(page.rows["finer"][1:], told["finer"], strict=True):
        assert float(row[5]) == pytest.approx(one["kept_g"], rel=5e-4)
    coarse = page.rows["coarse"][1 : 1 + len(told["coarse"])]
    for row, one in zip(coarse, told["coarse"], strict=True):
        assert float(row[6]) == pytest.approx(100 * one["gold_share"], rel=6e-3)
    advised = page.rows["losses"][-len(told["advice"]) :]
    assert [row[0] for row in advised] == [one["setting"] for one in told["advice"]]
    for row, one in zip(advised, told["advice"], strict=True):
        assert row[2:4] == [one["now"], one["then"]]
        assert float(row[4]) == pytest.approx(1e3 * one["gain_g"], rel=6e-3)


def shown(grid: tables.Grid, row: object) -> list[str]:
    assert isinstance(row, (list, tuple))
    return [column.form(cell) if column.form else str(cell) for column, cell in zip(grid.columns, row, strict=True)]


def test_the_list_beside_the_bar_makes_all_of_the_gold(sack: Report) -> None:
    rows = Page(html(sack)).rows["gold"][1:]
    shares = [float(next(cell for cell in row if cell.endswith(" %")).removesuffix(" %")) for row in rows]
    assert len(shares) > 4
    assert sum(shares) == pytest.approx(100, abs=1e-6)


def test_sizes_in_numbers_sum_to_the_streams(sack: Report) -> None:
    solved, rows = run_of(SACK), Page(html(sack)).rows["sizes-table"]
    head, *body = rows
    assert head[1:] == [
        "ore: rock, kg", "ore: gold, mg", "tails: rock, kg", "tails: gold, mg", "specimens: rock, g",
        "specimens: gold, mg",
    ]  # fmt: skip
    faint = "<0.001"
    for at, name, rock in ((1, "ore", 1.0), (3, "tails", 1.0), (5, "specimens", 1e3)):
        for more, whole in ((0, rock * solved.flows[name].mass), (1, 1e6 * solved.flows[name].gold)):
            cells = [row[at + more] for row in body]
            assert all(len(re.findall(r"\d", cell)) <= 6 for cell in cells), cells
            told = [float(cell) for cell in cells if cell not in ("–", faint)]
            assert sum(told) == pytest.approx(whole, rel=0.01)
    assert any(faint in row for row in body)


def test_every_place_tells_the_same_interval(sack: Report) -> None:
    facts_, page = known(SACK), Page(html(sack))
    found = facts_.chance
    assert found is not None
    assert facts_.run.sure is not None
    assert facts_.run.sure.coarse == found.coarse
    assert facts_.run.sure.kept == found.kept
    # The head and the next sack.
    (ends,) = re.findall(r"holds ([\d.]+ g/t \([\d.]+ to [\d.]+\))", page.words["sure"])
    assert chances.head(found).startswith(f"About {ends}")
    assert f"About {ends}" in page.words["next"]
    # The head, the table and the picture; and each opening has one row.
    rows = {row[0]: row for row in page.rows["coarse"][1:]}
    assert len(rows) == len(page.rows["coarse"]) - 1
    assert page.rows["coarse"][0][1:5] == ["Gold, %", "5 %", "95 %", "From"]
    middle, low, high = rows["20"][1:4]
    assert f" % ({float(low):.0f} to {float(high):.0f}) of the gold" in page.words["coarse-answer"]
    (picture,) = next(section for section in sack.sections if section.key == "coarse").pictures
    assert f"20 mm: 63.0 % of the rock, {middle} % of the gold (nine chances in ten {float(low):.0f} to " in picture.alt


@pytest.mark.slow
def test_shares_that_the_weights_tell_stand_beside_those_of_the_sheet() -> None:
    found = of_text(CUT)
    page = Page(html(found))
    (section,) = (section for section in found.sections if section.key == "coarse")
    (grid,) = section.grids
    assert page.rows["coarse"][0][1:5] == ["Gold, %", "5 %", "95 %", "From"]
    told = {row[0]: row[4] for row in page.rows["coarse"][1:]}
    assert [mm for mm, source in told.items() if source == "weights"] == ["20"]
    assert "of another sack" in grid.title


@pytest.mark.slow
def test_what_speaks_against_the_intervals_stands_below_them() -> None:
    found = of_text(CUT.replace("22 g/t ± 8 g/t", "80 g/t ± 8 g/t"))
    told = {section.key: section for section in found.sections}
    assert told["sure"].items[0].startswith("By the weights the ore holds ")
    assert "is a wrong guess" in told["sure"].items[0]
    assert not any("wrong guess" in item for item in told["look"].items)
    text = html(found)
    sure, wrong, after = (
        text.index(said) for said in ("What the weights say", "is a wrong guess", "How much gold does")
    )
    assert sure < wrong < after
    assert text.count("is a wrong guess") == 1


@pytest.mark.slow
def test_without_doubts_and_weights_there_is_a_forecast_all_the_same() -> None:
    sized = "sizes: {top: 40 mm, p80: 25 mm}, gold: {d50: 0.3 mm, d95: 1 mm}"
    for more in ("", f", {sized}"):
        found = of_text(
            f"ore: {{mass: 9 kg, grade: 20 g/t{more}}}\n"
            "steps:\n  part: {do: split, takes: ore, gives: {a: a, b: b}, split: {a: 30 %}}\nkeep: a\n"
        )
        assert found.sections[1].head == "How sure is that?"
        (line,) = found.sections[1].lines
        assert line.startswith("Nothing is weighed yet, so this is a forecast: the ore holds 20")
        assert ("says nothing of grain sizes" in line) == (not more)


def test_where_nothing_checks_a_weight_there_is_no_picture_of_how_far_it_moved() -> None:
    found = of_text(FACTORS.read_text(encoding="utf-8") + "\nweighed: {tails: {mass: 8 kg, grade: 3 g/t}}\n")
    (section,) = (section for section in found.sections if section.key == "weights")
    assert not section.pictures
    assert section.grids


def test_weights_are_told_per_test_and_the_rest_by_a_command(sack: Report) -> None:
    of_sack = next(section for section in sack.sections if section.key == "weights")
    found = reconcile_sheet(sheet_of(SACK))["sack3"]
    assert [row[3] for row in of_sack.grids[0].rows] == [weight.as_dict()["sd"] for weight in found.weights]
    assert of_sack.lines[0].startswith("Do my weights agree?\nYes: ")


@pytest.mark.slow
def test_several_tests_are_told_one_by_one_as_far_as_there_is_room() -> None:
    sheet, _ = load(FACTORS)
    weights = sheet_of(FACTORS.read_text(encoding="utf-8") + WEIGHED).weighed
    every = tuple(replace(m, test=f"sack{k}") for k in range(1, 6) for m in weights)
    found = report(facts(replace(sheet, weighed=every), "pile.yaml", ""), DAY)
    told = [section for section in found.sections if re.fullmatch(r"weights(-\d)?", section.key)]
    assert [section.head for section in told] == [f"Weighed against adjusted: sack{k + 1}" for k in range(MOST_TESTS)]
    rest = (
        "2 tests more are not told here: flowsheet reconcile pile.yaml tells each, flowsheet lot pile.yaml joins them."
    )
    assert [rest in section.lines for section in told] == [False, False, True]
    assert all(len(section.pictures) == 1 for section in told)
    page = Page(html(found))
    assert len(set(page.ids)) == len(page.ids)
    (alone,) = (s for s in report(facts(replace(sheet, weighed=weights), "", ""), DAY).sections if s.key == "weights")
    assert alone.head == "Weighed against adjusted"


def test_where_something_cannot_be_told_it_is_said_why() -> None:
    found = {section.key: section for section in made(FACTORS).sections}
    assert found["weights"].lines == (
        "Nothing was weighed, so there is nothing to reconcile. Add weighed: and under it a line for each stream, as "
        "tails: {mass: 8.0 kg, grade: 3.1 g/t}.",
    )
    assert found["next"].lines[0].startswith("Luck needs to know the sizes of the rock and of its gold grains. Give")
    assert not found["next"].pictures
    assert not found["sizes"].pictures
    assert "gives no sizes" in found["sizes"].lines[0]
    assert "sizes-table" not in found


def test_a_sheet_without_gold_is_told() -> None:
    found = of_text(
        """
ore: {mass: 14 kg, grade: 0 g/t, sizes: {top: 100 mm, p80: 60 mm}, gold: {d50: 0.3 mm, d95: 1.4 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undisize: fines}, opening: 20 mm}
keep: [lumps]
""".replace("undisize", "undersize")
    )
    told = {section.key: section for section in found.sections}
    assert "There is no gold in the ore" in told["losses"].lines[0]
    assert "no gold for luck to part" in told["next"].lines[0]
    Page(html(found))
    assert pdf(found).startswith(b"%PDF")


@pytest.mark.slow
def test_a_loop_tells_what_it_holds_and_many_changes_are_folded() -> None:
    told = {section.key: section for section in made(LOOP).sections}
    assert any("circulating load" in line for line in told["balance"].lines)
    assert any("has caught" in line for line in told["losses"].lines)
    washes = "".join(
        f"  wash{k}: {{do: pan, takes: {'ore' if k == 0 else f'tails{k - 1}'}, "
        f"gives: {{concentrate: con{k}, tailings: tails{k}}}}}\n"
        for k in range(60)
    )
    sixty = of_text(
        "ore: {mass: 5 kg, grade: 22 g/t, sizes: {top: 1 mm, p80: 0.5 mm}, gold: {d50: 0.1 mm, d95: 0.8 mm}}\n"
        f"steps:\n{washes}keep: [{', '.join(f'con{k}' for k in range(60))}]\n"
    )
    told = {section.key: section for section in sixty.sections}
    assert len(told["losses"].grids[1].rows) == MOST_CHANGES
    assert told["changes"].folded
    assert len(told["changes"].grids[0].rows) > MOST_CHANGES
    Page(html(sixty))
    assert pages_of(pdf(sixty))[0] > 8


def test_every_default_that_was_assumed_is_in_it_with_its_source(sack: Report) -> None:
    sheet, _ = load(SACK)
    section = next(section for section in sack.sections if section.key == "assumed")
    sources = dict(item.split(" ", 1) for item in section.items)
    rows = {where: row for row in section.grids[0].rows for where in row[0].split(", ")}
    listed = facts(sheet, "", "").assumed
    assert len(listed) > 20
    for one in listed:
        row = rows[one.where]
        assert (row[1], row[2]) == (one.value, one.what)
        assert (one.source if row[3] == "typical" else sources[row[3]]) == one.source


def test_the_drawing_is_told_in_words(sack: Report) -> None:
    words = flow_in_words(run_of(SACK))
    assert words.startswith("The flowsheet drawn: 8 steps, scalp (screen), look (sort), ")
    assert "Kept: bead (72.9 % of the gold), specimens (6.7 % of the gold)." in words
    assert words.endswith("most gold with tails, 18.2 % of it.")
    assert sack.rest[0].pictures[0].alt == words


def test_a_narrow_page_says_that_the_drawing_can_be_pushed(sack: Report) -> None:
    (flow,) = next(section for section in sack.sections if section.key == "flow").pictures
    text = html(sack)
    assert text.count('<p class="push">') == 1
    assert f"(max-width: {round(narrowest(flow)) + 32}px) {{ .push {{ display: block; }} }}" in text
    assert f"--wide: {round(wide(flow))}px" in text


# ── HTML ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_page_is_whole_asks_for_nothing_and_tells_its_pictures(sack: Report) -> None:
    text = html(sack)
    page = Page(text)
    assert text.startswith('<!DOCTYPE html>\n<html lang="en">')
    assert ("meta", "content", POLICY) in page.attributes
    assert len(set(page.ids)) == len(page.ids)
    assert not {"script", "link", "img", "iframe", "object", "base", "form"} & set(page.tags)
    bare = re.sub(r'xmlns(:xlink)?="http://www\.w3\.org/(2000/svg|1999/xlink)"', "", text)
    assert "http:" not in bare
    assert "https:" not in bare
    assert "@import" not in bare
    # Only parts of the page itself are referred to, and each is there.
    refers = [*re.findall(r"url\(([^)]*)\)", bare), *re.findall(r'href="([^"]*)"', bare)]
    assert len(refers) > 12
    assert {name.removeprefix("#") for name in refers} <= set(page.ids)
    assert all(name.startswith("#") for name in refers)
    # Heads in order, none skipped.
    assert page.heads[0] == 1
    assert page.heads.count(1) == 1
    assert all(b <= a + 1 for a, b in zip(page.heads, page.heads[1:], strict=False))
    # Each picture is one, with words.
    assert len(page.figures) == 7
    for figure in page.figures:
        (picture,) = figure
        assert picture["role"] == "img"
        assert len(picture["aria-label"]) > 40
    assert text.count("<th ") == text.count('<th scope="')


@pytest.mark.slow
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text_in_html(hostile: Report, name: str) -> None:
    text = html(hostile)
    page = Page(text)
    assert "script" not in page.tags
    assert not [key for _, key, _ in page.attributes if key.startswith("on")]
    assert any(name in words for words in page.words.values())
    assert len(set(page.ids)) == len(page.ids)
    assert {value for _, key, value in page.attributes if key in ("href", "src")} <= {f"#{one}" for one in page.ids}


def test_marks_of_direction_are_shown_as_marks_in_words_and_drawing() -> None:
    found = of_text(
        'title: "left \\u202Eright"\nore: {mass: 1 kg, grade: 3 g/t}\n'
        'steps: {"turn \\u202Eback": {do: split, takes: ore, gives: {b: b, c: c}}}\nkeep: [b]\n'
    )
    text = html(found)
    assert "\u202e" not in text
    assert text.count("left \ufffdright") >= 2  # title and heading
    assert re.search(r"<text[^>]*>turn \ufffdback</text>", text)


# ── pictures ────────────────────────────────────────────────────────────────────────────────────────────────


def test_ids_become_a_pictures_own_and_references_follow() -> None:
    raw = '<svg viewBox="0 0 3 4"><g id="a"/><use href="#a"/><path clip-path="url(#a)" fill="url(#other)"/></svg>'
    assert svg.own_ids(raw, "p") == (
        '<svg viewBox="0 0 3 4"><g id="p-a"/><use href="#p-a"/><path clip-path="url(#p-a)" fill="url(#other)"/></svg>'
    )


def test_on_paper_no_variable_is_left_and_colours_are_those_of_the_day(sack: Report) -> None:
    assert svg.light_colours()["--ink"] == "#26231e"
    assert svg.on_paper('<path fill="var(--ink)" stroke="var(--none, #123456)"/>') == (
        '<path fill="#26231e" stroke="#123456"/>'
    )
    pictures = [one for section in sack.sections for one in section.pictures]
    assert any("var(" in one.svg for one in pictures)
    assert not [one.name for one in pictures if "var(" in svg.on_paper(one.svg)]


def test_a_frame_begins_where_the_ore_stands() -> None:
    drawn = '<svg width="200pt" viewBox="0 0 200 90"><g transform="scale(2 2)"><text x="{}">ORE</text></g></svg>'
    assert svg.begins_right(drawn.format("51"))
    assert not svg.begins_right(drawn.format("49"))
    assert not svg.begins_right('<svg viewBox="0 0 9 9"></svg>')


def test_a_pictures_size_is_its_own_or_its_view_boxs() -> None:
    assert svg.box('<svg width="90pt" height="9pt" viewBox="0 0 90 30">') == (120.0, 40.0)
    assert svg.box('<svg width="90px" viewBox="0 0 90 30">') == (90.0, 30.0)
    assert svg.box('<svg viewBox="0 0 90 30">') == (120.0, 40.0)
    with pytest.raises(ValueError, match="view box"):
        svg.box("<svg>")


# ── PDF ─────────────────────────────────────────────────────────────────────────────────────────────────────


def pages_of(raw: bytes) -> tuple[int, set[str]]:
    """Return how many pages a PDF has and their sizes, from its objects, packed or not."""
    whole = raw
    for start in re.finditer(rb"stream\r?\n", raw):
        try:
            whole += zlib.decompressobj().decompress(raw[start.end() :])
        except zlib.error:
            continue
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", whole)
    return len(re.findall(rb"/Type\s*/Page\b", whole)), {f"{float(w):.0f} x {float(h):.0f}" for w, h in boxes}


@pytest.mark.parametrize(("paper", "size"), [("a4", "595 x 842"), ("us-letter", "612 x 792")])
def test_the_pdf_has_pages_of_the_paper_and_is_the_same_again(sack: Report, paper: str, size: str) -> None:
    assert paper in PAPERS
    raw = pdf(sack, paper)
    assert raw.startswith(b"%PDF")
    count, sizes = pages_of(raw)
    assert 6 < count < 20
    assert sizes == {size}
    assert pdf(sack, paper) == raw


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_pdf_says_what_the_page_says(sack: Report, hostile: Report, tmp_path: Path) -> None:
    for found in (sack, hostile):
        text = plain(_words(pdf(found), tmp_path))
        for section in found.sections:
            assert plain(section.head) in text, section.key
            for line in section.lines if section.answer else ():
                assert plain(line) in text
        assert plain(found.title) in text
        assert plain(f"{found.file}, made {DAY}") in text
    for name in HOSTILE:
        assert name in text


def _words(raw: bytes, folder: Path) -> str:
    path = folder / "a.pdf"
    path.write_bytes(raw)
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, timeout=60)
    return done.stdout.decode("utf-8").replace("\u200b", "")


def test_names_that_would_be_markup_stop_no_pdf(hostile: Report) -> None:
    count, sizes = pages_of(pdf(hostile))
    assert count > 6
    assert sizes == {"595 x 842"}


@pytest.mark.parametrize("paper", PAPERS)
def test_a_picture_taller_than_a_page_is_made_to_fit(paper: str) -> None:
    tall = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 90 900"><path d="M0 0h9" stroke="var(--ink)"/></svg>'
    picture = Picture("flow", tall, "a tall line")
    width, height = placed(picture, paper)
    assert height == pytest.approx(10 * width)
    assert height <= PAPERS[paper][1]
    wide = Picture("flow", tall.replace("90 900", "9000 9"), "a long line")
    assert placed(wide, paper)[0] == PAPERS[paper][0]
    # Beside the title or on the page behind it, with its head and caption, and on no other.
    found = Report("Tall", "a.yaml", DAY, "", (Section("flow", "Tall", pictures=(picture,)),))
    assert pages_of(pdf(found, paper))[0] <= 2


def test_the_drawing_shares_its_page_as_far_as_it_can_be_read(sack: Report) -> None:
    (flow,) = next(section for section in sack.sections if section.key == "flow").pictures
    for paper, (_, most) in PAPERS.items():
        width, height = placed(flow, paper)
        letters = svg.least_letters(svg.bare(flow.svg)) * width / svg.box(svg.bare(flow.svg))[0]
        assert height <= SHARED * most + 1e-6 or letters == pytest.approx(READABLE)
        assert letters >= READABLE - 1e-6
        assert height <= most
    small = Picture("flow", flow.svg.replace("font-size=", "data-size="), "")
    assert placed(small, "a4")[1] <= SHARED * PAPERS["a4"][1] + 1e-6
    assert svg.least_letters('<svg viewBox="0 0 9 9"></svg>') == 0


def test_on_paper_the_bar_stands_below_the_answers(sack: Report) -> None:
    keys = [section.key for section in on_paper(sack.sections)]
    assert sorted(keys) == sorted(section.key for section in sack.sections)
    assert keys[len(sack.answers) : len(sack.answers) + 3] == ["gold", "flow", "sizes"]


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
def test_the_command_writes_by_the_ending(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("report", FACTORS, "--json", "--day", DAY)
    assert done.code == 0, done.err
    told = done.json
    assert told["written"] == "factors.report.html"
    page = (tmp_path / told["written"]).read_text(encoding="utf-8")
    assert page == html(made(FACTORS))
    found = made(FACTORS).sections
    assert told["sections"] == [{"key": s.key, "head": s.head, "lines": list(s.lines)} for s in found]
    done = flowsheet("report", FACTORS, "-o", "a.pdf", "--paper", "letter")
    assert (done.code, done.out, done.err) == (0, "", "Wrote a.pdf\n")
    assert pages_of((tmp_path / "a.pdf").read_bytes())[1] == {"612 x 792"}


@pytest.mark.parametrize(("name", "said"), [
    ("a.txt", "a report is written as .html or .pdf"), ("none/a.html", "there is no folder"), (".", "is written as"),
])  # fmt: skip
def test_what_cannot_be_written_is_refused(flowsheet: Command, tmp_path: Path, name: str, said: str) -> None:
    done = flowsheet("report", FACTORS, "-o", name)
    assert done.code == 2
    assert said in done.err
    assert "Traceback" not in done.err
    assert not list(tmp_path.iterdir())


def test_a_folder_and_the_sheet_itself_are_refused(flowsheet: Command, tmp_path: Path) -> None:
    (tmp_path / "f.html").mkdir()
    sheet = tmp_path / "sheet.html"
    sheet.write_bytes(FACTORS.read_bytes())
    for name, said in (("f.html", "this is a directory"), ("sheet.html", "this is the sheet itself")):
        done = flowsheet("report", sheet, "-o", name)
        assert done.code == 2
        assert said in done.err
    assert sheet.read_bytes() == FACTORS.read_bytes()


def test_what_the_page_is_made_of_lies_in_the_package() -> None:
    for name in ("report.html.j2", "report.css", "report.typ"):
        assert files("flowsheet.show.report").joinpath(name).is_file()
    assert drawing.svg(run_of(FACTORS, certain=False)).startswith("<svg")
