"""No page, report or lot sheet parts a number from its unit: between the two stands a no-break space."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from commands import Command
from sheets import sheet_of

import flowsheet as fs
from flowsheet.show.label import label
from flowsheet.show.page import render
from flowsheet.show.report import html, pdf
from flowsheet.show.text import markup
from flowsheet.show.text.line_width import filled, tied
from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.units import GRADE

SACK = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"
LOOSE = re.compile(r"\d (?:kg|g|mg|g/t|%|mm|um|t|cm2|g/cm3)(?![\w/])|± \d")
UNSEEN = {"style", "title", "pre", "svg"}


class Words(HTMLParser):
    """The words that wrap: of paragraphs, tables and lists; and what stands as it is, in ``pre``."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.within: list[str] = []
        self.seen: list[str] = []
        self.as_it_is: list[str] = []
        self.attributes: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [value or "" for _, value in attrs]
        if tag in UNSEEN:
            self.within.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.within and tag == self.within[-1]:
            self.within.pop()

    def handle_data(self, data: str) -> None:
        if not self.within:
            self.seen.append(data)
        elif self.within[-1] == "pre":
            self.as_it_is.append(data)


def loose(words: Iterator[str] | list[str]) -> list[str]:
    return [text for text in words if LOOSE.search(text)]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("holds 5 kg of rock", "holds 5\xa0kg of rock"),
        ("22 g/t ± 8 g/t", "22\xa0g/t ±\xa08\xa0g/t"),
        ("87.3 % of it, 0.05 mg/m3", "87.3\xa0% of it, 0.05\xa0mg/m3"),
        ("144 cm2 each, 2.65 g/cm3, 12 USD/kg", "144\xa0cm2 each, 2.65\xa0g/cm3, 12\xa0USD/kg"),
        ("30 kWh/t, 40 kg/h, 0.3 oz/ton", "30\xa0kWh/t, 40\xa0kg/h, 0.3\xa0oz/ton"),
        ("24 sawn faces, 5 gold grains", "24 sawn faces, 5 gold grains"),
    ],
)
def test_a_number_keeps_its_unit(text: str, told: str) -> None:
    assert tied(text) == told
    assert markup.text(text) == told
    assert markup.as_written(text) == text
    assert filled(text, 200) == [text]


@pytest.mark.slow
def test_reports_on_screen_and_on_paper_part_no_number_from_its_unit() -> None:
    found = fs.report(SACK, day="2031-05-20").contents
    words = Words(html.html(found))
    assert loose(words.seen) == []
    assert any("\xa0" in text for text in words.seen)
    # The sheet's own text is there to be copied.
    assert "14.2 kg ± 20 g" in "".join(words.as_it_is)
    assert not any("\xa0" in text for text in [*words.as_it_is, *words.attributes])

    told = pdf._told(found, "a4")
    for section in told["sections"]:
        assert section["plain"] or loose(_texts({**section, "pictures": []})) == []
        assert loose(one["caption"] for one in section["pictures"]) == []
    assert any("\xa0g" in text for text in _texts(told["sections"]))


def _texts(data: Any) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict):
        for value in data.values():
            yield from _texts(value)
    elif isinstance(data, list):
        for value in data:
            yield from _texts(value)


@pytest.mark.slow
def test_a_lot_sheet_parts_no_number_from_its_unit() -> None:
    found = fs.label(SACK).contents
    words = Words(label.html(found))
    assert loose(words.seen) == []
    assert any("\xa0" in text for text in words.seen)
    assert "\xa0" not in label.text(found)


def test_a_notebook_parts_no_number_from_its_unit() -> None:
    words = Words(str(fs.run(SACK, certain=False)._repr_html_()))
    assert loose(words.seen) == []
    assert any("\xa0g" in text for text in words.seen)


def test_parts_of_the_page_part_no_number_from_its_unit_and_leave_names_as_they_are() -> None:
    assert "keeps 5\xa0g" in render.part("answers", told=[("How much?", "It keeps 5 g.")], against="")
    assert render.part("kept", grams="5 g", share="87 %", gain="+2 mg", more=True, less=False).count("\xa0") == 3
    turned = render.part("turned", rows=[("sieve 5 mm.opening", "20 mm", "12 mm")])
    assert 'data-back="sieve 5 mm.opening"' in turned
    assert "20\xa0mm → <strong>12\xa0mm" in turned
    assert "&lt;b&gt; 5\xa0g" in render.part("answers", told=[("?", "<b> 5 g")], against="")


def test_what_is_copied_from_a_page_is_read() -> None:
    copied = number_with_doubt.parse(tied("22 g/t ± 8 g/t"), GRADE)
    assert (copied.value, copied.sd) == pytest.approx((22e-6, 8e-6))


def test_a_terminal_has_plain_blanks(flowsheet: Command) -> None:
    assert "\xa0" not in flowsheet("check", SACK).out
    assert "\xa0" not in flowsheet("cut", "--rock", "120mm", "--band", "6mm", "--slab", "8mm", "--kerf", "2mm").out


def test_a_sheet_s_page_has_them_too() -> None:
    words = Words(str(sheet_of(SACK)._repr_html_()))
    assert loose(words.seen) == []
