"""The report in a real browser: from a stick, on a phone, on paper."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import pytest
from driving import EXAMPLE

A4, LETTER = (8.27, 11.69), (8.5, 11.0)


def test_it_asks_for_nothing(browser, report: Path) -> None:
    browser.requests()
    browser.driver.get(report.as_uri())
    assert browser.run("return document.querySelectorAll('script, link, iframe, object, embed').length") == 0
    assert set(browser.requests()) <= {report.as_uri()}


@pytest.mark.parametrize("dark", [False, True], ids=["day", "dark"])
def test_on_a_phone_nothing_sticks_out(browser, report: Path, dark: bool) -> None:
    browser.wide(390, 844, dark)
    browser.driver.get(report.as_uri())
    browser.run("for (const fold of document.querySelectorAll('details')) fold.open = true")
    assert browser.run("return document.scrollingElement.scrollWidth") <= 390
    ground = browser.run("return getComputedStyle(document.documentElement).backgroundColor")
    light = sum(map(int, re.findall(r"\d+", ground)[:3]))
    assert (light < 200) == dark


DRAWN = """
const frame = document.querySelector('#flow .frame').getBoundingClientRect();
const drawn = document.querySelector('#flow svg').getBoundingClientRect();
const least = Math.min(...[...document.querySelectorAll('#flow svg text')].map(t => t.getBoundingClientRect().height));
return [frame.width, drawn.width, drawn.left - frame.left, frame.right - drawn.right, least,
        getComputedStyle(document.querySelector('.push')).display];
"""


def test_the_drawing_stands_in_the_middle_and_on_a_phone_it_is_said_that_it_can_be_pushed(browser, report) -> None:
    browser.driver.get(report.as_uri())
    browser.wide(1280)
    _, _, left, right, _, push = browser.run(DRAWN)
    assert abs(left - right) < 2
    assert push == "none"
    browser.wide(390, 844)
    frame, drawn, _, _, least, push = browser.run(DRAWN)
    assert frame < drawn <= 1.6 * 390
    assert least >= 8  # CSS pixels of a line of text
    assert push == "block"


def test_plots_are_as_wide_as_the_text(browser, report: Path) -> None:
    browser.driver.get(report.as_uri())
    for wide, plot in ((1280, 46 * 16), (390, 358)):
        browser.wide(wide)
        widths = browser.run(
            "return [...document.querySelectorAll('.frame .plot')].map(p => p.getBoundingClientRect().width)"
        )
        assert len(widths) >= 6
        assert all(abs(width - plot) < 1 for width in widths)


@pytest.mark.parametrize("paper", [A4, LETTER], ids=["A4", "Letter"])
def test_it_prints(browser, report: Path, paper: tuple[float, float]) -> None:
    browser.driver.get(report.as_uri())
    browser.command("Emulation.setEmulatedMedia", media="print", features=[])
    done = browser.command("Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1], printBackground=True)
    pages = base64.b64decode(done["data"]).count(b"/Type /Page\n")
    browser.wide(1280)
    assert 3 <= pages <= 14


def test_each_picture_is_told_in_words(browser, report: Path) -> None:
    browser.driver.get(report.as_uri())
    pictures = browser.run(
        "return [...document.querySelectorAll('figure')].map(f => [f.querySelectorAll('svg').length, "
        "(f.querySelector('svg[role=img], [role=img]')?.getAttribute('aria-label') || "
        "f.querySelector('svg title')?.textContent || '').length, f.getBoundingClientRect().height])"
    )
    assert len(pictures) >= 6
    for count, words, height in pictures:
        assert count >= 1
        assert words > 40
        assert height > 20


def test_the_example_is_what_was_reported(report: Path) -> None:
    assert "Quillfeather dump, sack 3" in report.read_text(encoding="utf-8")
    assert (EXAMPLE / "sack3.yaml").read_text(encoding="utf-8").splitlines()[1].startswith("title: Quillfeather dump")
