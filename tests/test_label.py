"""The lot sheet: one honest page that needs nothing else, whatever the names in the sheet are."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from commands import Command
from sheets import sheet_of

from flowsheet.show.label.label import MOST_STEPS, WIDTH, html, parts, text
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note
from flowsheet.study.estimate.another_sack import another_sack
from flowsheet.study.estimate.chance import chance
from flowsheet.study.estimate.corrected_draws import gather
from flowsheet.study.label.contents import DRAWS, LotSheet, lot_sheet
from flowsheet.study.lot.combine_tests import Lot, lot, luck_of
from flowsheet.study.lot.ledger import read_ledger

EXAMPLES = Path(__file__).parent.parent / "examples"
SACK, PILE = EXAMPLES / "sack_test" / "sack3.yaml", EXAMPLES / "pile" / "pile.yaml"
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


@pytest.fixture(scope="module")
def sack() -> Sheet:
    return sheet_of(SACK)


@pytest.fixture(scope="module")
def of_sack(sack: Sheet) -> LotSheet:
    return lot_sheet(sack)


def test_its_grade_is_that_of_chance_and_it_says_what_that_rests_on(sack: Sheet, of_sack: LotSheet) -> None:
    found, told = of_sack, chance(sack, DRAWS, 1)
    assert found.grade == told.head_grade
    assert found.rests_on == "weights"
    assert found.tested == pytest.approx(14.2, rel=0.01)
    assert found.kept[0].stream == "bead"
    assert found.kept[0].weighed
    assert found.kept[0].mass == pytest.approx(0.268e-3)
    assert (found.next_low or 0) < told.next_mean < (found.next_high or 0)
    assert found.days == ("day 1", "day 3", "day 4", "day 9")


def test_both_forms_say_the_same_and_what_it_is_not(of_sack: LotSheet) -> None:
    found = of_sack
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


def test_text_fits_a_printed_page(of_sack: LotSheet) -> None:
    lines = text(of_sack).splitlines()
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


def test_it_asks_for_nothing_outside_itself(of_sack: LotSheet) -> None:
    page = html(of_sack)
    assert not re.search(r"https?:|//|url\(|@import|<link|<img|<script|<iframe", page)
    assert "default-src 'none'" in page


def test_a_sheet_of_shares_says_that_its_grade_is_a_guess() -> None:
    page = text(lot_sheet(sheet_of(PLAIN)))
    assert re.search(r"50\.0 g/t \(2\d\.\d to \d\d\.\d\)", page)  # a guess without a ± is in doubt too
    assert "50.0 g/t, without an interval" in text(lot_sheet(sheet_of(PLAIN.replace("50 g/t", "50 g/t ± 0"))))
    assert "which may be a guess" in page
    assert "Another" not in page
    assert "(shares given)" in page
    doubtful = text(lot_sheet(sheet_of(PLAIN.replace("50 g/t", "50 g/t ± 10 g/t"))))
    assert re.search(r"\d\d\.\d g/t \(3\d\.\d to 6\d\.\d\)", doubtful)


def test_no_gold_at_all_is_no_bug() -> None:
    assert "0 g/t" in text(lot_sheet(sheet_of(PLAIN.replace("50 g/t", "0 g/t"))))


# ── of a pile ───────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def of_pile() -> LotSheet:
    return lot_sheet(sheet_of(PILE))


@pytest.fixture(scope="module")
def pile_lot() -> Lot:
    return lot(read_ledger(PILE))


@pytest.mark.slow
def test_of_a_pile_it_tells_the_grade_that_lot_tells(of_pile: LotSheet, pile_lot: Lot) -> None:
    assert of_pile.grade == pile_lot.grade
    assert (of_pile.joined, of_pile.sacks, of_pile.spread) == (6, 40, pile_lot.spread)
    page = " ".join(text(of_pile).split())
    assert "17.5 g/t (13.1 to 23.9) for the pile of 40 sacks, by 6 tests" in page
    assert "alone" not in page
    assert "for the pile, by 6 tests" in " ".join(text(replace(of_pile, sacks=None)).split())


@pytest.mark.slow
def test_another_sack_of_a_pile_differs_by_grade_spread_and_luck(of_pile: LotSheet, pile_lot: Lot) -> None:
    """Against sacks drawn grain by grain, with normal laws of the logarithm for the grade and the spread."""
    rng, sheet, n = np.random.default_rng(8), sheet_of(PILE), 20_000
    low, high = of_pile.next_low or 0.0, of_pile.next_high or 0.0
    assert all(low < row.gold < high for row in pile_lot.rows)

    def like(p5: float, p50: float, p95: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
        z = rng.standard_normal(n)
        return np.asarray(p50 * np.exp(np.where(z > 0, np.log(p95 / p50), np.log(p50 / p5)) * z / 1.645))

    spread, grade = pile_lot.spread, pile_lot.grade
    sigma = np.sqrt(np.log1p(like(spread.p5, spread.p50, spread.p95) ** 2))
    expected = 14 * like(grade.p5, grade.p50, grade.p95) * np.exp(sigma * rng.standard_normal(n) - sigma**2 / 2)
    luck = luck_of(sheet, 1.0, [])
    # As many grains lie together as the estimate leaves likely.
    together = rng.choice(gather(solve(Model.of(sheet)), DRAWS, 1).found.lots.number, n)[:, None]
    number = expected[:, None] * (luck.share / (together * luck.mass))
    drawn = (np.where(number < 1e6, rng.poisson(np.minimum(number, 1e6)), number) * together) @ luck.mass
    # Here grains are as the sheet has them; the weights leave some likely that are so coarse that few sacks hold one.
    assert (low, high) == pytest.approx(np.quantile(drawn, (0.05, 0.95)), rel=0.12)
    assert of_pile.less_than_half == pytest.approx(float((drawn < drawn.mean() / 2).mean()), abs=0.02)


@pytest.mark.slow
def test_what_is_kept_of_another_sack_holds_the_spread_too(of_pile: LotSheet) -> None:
    sheet = sheet_of(PILE)
    assert sheet.pile is not None
    first = tuple(m for m in sheet.weighed if m.test == sheet.weighed[0].test)
    alike = sheet.pile.model_copy(update={"spread": sheet.pile.spread.rewritten(0.0, 0.0)})
    told = chance(replace(sheet, weighed=first, pile=alike), DRAWS, 1)
    # The bead's law is mostly spread; that of the picked rocks, which hold a few large grains, mostly luck.
    for one, wider in zip(of_pile.kept, (1.8, 1.3), strict=True):
        luck = told.streams[one.stream]
        assert one.interval is not None
        assert one.interval.p95 / one.interval.p5 > wider * luck.p95 / luck.p5


@pytest.mark.slow
def test_of_one_sack_it_says_that_the_grade_is_of_that_sack(sack: Sheet, of_sack: LotSheet) -> None:
    pile = sheet_of(PILE).pile
    assert pile is not None
    plain, found = of_sack, lot_sheet(replace(sack, pile=pile))
    assert found.grade == plain.grade
    for one, differ in ((plain, "30 % (9 to 95; typical, the sheet says nothing of it)"), (found, "30.0 %")):
        assert "of the sack tested alone" in " ".join(text(one).split())
        assert f"Sacks are taken to differ by {differ}" in " ".join(text(one).split())
    # What the sheet does not say of the spread is assumed, with the doubt that it deserves, and told as such.
    assert (plain.next_low or 0) < (found.next_low or 0)
    assert "spread_assumed" in {one.code for one in plain.notes} - {one.code for one in found.notes}
    alike = lot_sheet(replace(sack, pile=pile.model_copy(update={"spread": pile.spread.rewritten(0.0, 0.0)})))
    assert (found.next_low or 0) < 0.8 * (alike.next_low or 0)
    assert (found.next_high or 0) > 1.2 * (alike.next_high or 0)
    # Of one tested sack another is off by the spread twice: 30 % √2.
    factor = another_sack(0.3, 1, 200_000, 1)
    assert (factor.mean(), factor.std()) == pytest.approx((1.0, 0.3 * 2**0.5), rel=0.02)


@pytest.mark.slow
def test_what_is_to_be_noted_stands_on_the_page(of_pile: LotSheet) -> None:
    assert any(one.code == "grade_of_the_pile" for one in of_pile.notes)
    for page in (text(of_pile), " ".join(Page(html(of_pile)).words)):
        told = " ".join(page.split())
        assert "with the spread between its sacks" in told
    many = replace(
        of_pile, notes=tuple(Note("made_up", "{what}", numbers={"what": f"{HOSTILE} {k}"}) for k in range(9))
    )
    assert "script" not in Page(html(many)).tags
    assert "… and 3 more." in text(many)


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────


def test_the_command_writes_by_the_ending(flowsheet: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", tmp_path / "a.html", "--json")
    assert done.code == 0, done.err
    assert done.json["written"] == str(tmp_path / "a.html")
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert flowsheet("label", sheet, "-o", tmp_path / "a.txt").code == 0
    assert (tmp_path / "a.txt").read_text(encoding="utf-8").startswith("TITLE\n")


@pytest.mark.parametrize(("name", "said"), [
    ("a.pdf", "a label is written as .html or .txt"), ("none/a.html", "there is no folder"), (".", "is written as"),
])  # fmt: skip
def test_what_cannot_be_written_is_refused(flowsheet: Command, tmp_path: Path, name: str, said: str) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", tmp_path / name)
    assert done.code == 2
    assert said in done.err
    assert "Traceback" not in done.err


def test_it_never_writes_over_the_sheet(flowsheet: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "a.txt"
    sheet.write_text(PLAIN, encoding="utf-8")
    done = flowsheet("label", sheet, "-o", sheet)
    assert done.code == 2
    assert sheet.read_text(encoding="utf-8") == PLAIN
