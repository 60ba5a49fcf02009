"""The lot sheet: one honest page that needs nothing else, whatever the names in the sheet are."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

from flowsheet.show.label import MOST_STEPS, WIDTH, html, parts, text
from flowsheet.solve.model import load, rebuild
from flowsheet.spec import document
from flowsheet.spec.schema import Sheet
from flowsheet.study.chance import chance
from flowsheet.study.lot_sheet import DRAWS, lot_sheet

SACK = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"
HOSTILE = "<script>alert(1)</script> & <img src=http://x.invalid/a> \"'"

PLAIN = """
title: TITLE
ore: {mass: 10 kg, grade: 50 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 10 %}, recovery: {con: 80 %}}
keep: con
"""


class Page(HTMLParser):
    """What a page is made of."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def sheet_of(source: str) -> Sheet:
    return rebuild(document.parse(source, "invented.yaml"))


@pytest.fixture(scope="module")
def sack() -> Sheet:
    return load(SACK)[0]


def test_its_grade_is_that_of_chance_and_it_says_what_that_rests_on(sack: Sheet) -> None:
    found, told = lot_sheet(sack), chance(sack, DRAWS, 1)
    assert found.grade == told.head_grade
    assert found.rests_on == "weights"
    assert found.tested_kg == pytest.approx(14.2, rel=0.01)
    assert found.kept[0].stream == "bead"
    assert found.kept[0].weighed
    assert found.kept[0].mass_kg == pytest.approx(0.268e-3)
    assert (found.next_low_g or 0) < 1e3 * told.next_mean < (found.next_high_g or 0)
    assert found.days == ("day 1", "day 3", "day 4", "day 9")


def test_both_forms_say_the_same_and_what_it_is_not(sack: Sheet) -> None:
    found = lot_sheet(sack)
    told = " ".join(" ".join(Page(html(found)).words).split())
    plain = " ".join(text(found).split())
    for part in parts(found):
        for line in (*part.lines, *(row for _, row in part.rows)):
            assert " ".join(line.split()) in told
            assert " ".join(line.split()) in plain
    for said in ("not a resource statement", "not an assay certificate", "accredited laboratory", "respirable silica",
                 "It rests on what was weighed", "nine chances in ten", "Another 14.2 kg", "screened at 20 mm",
                 "pulverized to 0.2 mm"):  # fmt: skip
        assert said in plain, said


def test_text_fits_a_printed_page(sack: Sheet) -> None:
    lines = text(lot_sheet(sack)).splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert len(lines) <= 60  # of A4 or Letter at six lines an inch


def test_many_steps_and_streams_still_fit_one_page() -> None:
    steps = "".join(
        f"  step {i}: {{do: factors, takes: {f'rest {i - 1}' if i else 'ore'}, gives: {{a: part {i}, b: rest {i}}}, "
        f"split: {{a: 5 %}}}}\n"
        for i in range(60)
    )
    keep = ", ".join(f"part {i}" for i in range(60))
    found = lot_sheet(sheet_of(f"ore: {{mass: 10 kg, grade: 5 g/t}}\nsteps:\n{steps}keep: [{keep}]\n"))
    assert len(found.steps) > MOST_STEPS
    page = text(found)
    assert len(page.splitlines()) <= 60
    assert "… and 48 more." in page


def test_hostile_names_are_text() -> None:
    source = PLAIN.replace("TITLE", json.dumps(HOSTILE)).replace("tails: tails", f"tails: {json.dumps(HOSTILE + '2')}")
    source = source.replace("con: con", f"con: {json.dumps(HOSTILE)}").replace(
        "keep: con", f"keep: [{json.dumps(HOSTILE)}]"
    )
    source = source.replace("  wash:", f"  {json.dumps(HOSTILE + '3')}:")
    source += f"weighed: {{{json.dumps(HOSTILE)}: {{mass: 1 kg, when: {json.dumps(HOSTILE)}}}}}\n"
    page = html(lot_sheet(sheet_of(source)))
    found = Page(page)
    assert set(found.tags) == {
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "h1",
        "h2",
        "p",
        "section",
        "dl",
        "dt",
        "dd",
    }
    assert not any(name.startswith("on") or name in ("src", "href") for name, _ in found.attributes)
    assert HOSTILE in found.words
    assert sum(HOSTILE in words for words in found.words) >= 4


def test_a_name_with_control_signs_is_shown_without_them() -> None:
    page = text(lot_sheet(sheet_of(PLAIN.replace("TITLE", '"a\\u202eb\\u0085c"'))))
    assert "\u202e" not in page
    assert "\x85" not in page


def test_it_asks_for_nothing_outside_itself(sack: Sheet) -> None:
    page = html(lot_sheet(sack))
    assert not re.search(r"https?:|//|url\(|@import|<link|<img|<script|<iframe", page)
    assert "default-src 'none'" in page


def test_a_sheet_of_shares_says_that_its_grade_is_a_guess() -> None:
    page = text(lot_sheet(sheet_of(PLAIN)))
    assert "50.0 g/t, without an interval" in page
    assert "which may be a guess" in page
    assert "Another" not in page
    assert "(shares given)" in page
    doubtful = text(lot_sheet(sheet_of(PLAIN.replace("50 g/t", "50 g/t ± 10 g/t"))))
    assert re.search(r"\d\d\.\d g/t \(3\d\.\d to 6\d\.\d\)", doubtful)


def test_no_gold_at_all_is_no_bug() -> None:
    assert "0 g/t" in text(lot_sheet(sheet_of(PLAIN.replace("50 g/t", "0 g/t"))))


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────


def flowsheet(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "flowsheet", *map(str, arguments)], capture_output=True,
                          encoding="utf-8", check=False, timeout=60)  # fmt: skip


def test_the_command_writes_by_the_ending(tmp_path: Path) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", tmp_path / "a.html", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["written"] == str(tmp_path / "a.html")
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert flowsheet("label", sheet, "-o", tmp_path / "a.txt").returncode == 0
    assert (tmp_path / "a.txt").read_text(encoding="utf-8").startswith("TITLE\n")


@pytest.mark.parametrize(("name", "said"), [
    ("a.pdf", "a label is written as .html or .txt"), ("none/a.html", "there is no folder"), (".", "is written as"),
])  # fmt: skip
def test_what_cannot_be_written_is_refused(tmp_path: Path, name: str, said: str) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", tmp_path / name)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_it_never_writes_over_the_sheet(tmp_path: Path) -> None:
    sheet = tmp_path / "a.txt"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", sheet)
    assert done.returncode == 2
    assert sheet.read_text(encoding="utf-8") == PLAIN
