"""An accessibility engine (axe-core, Deque Systems, MPL 2.0) looks over the page and the report."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from driving import UNFOLD, lacking, opened, turned

SERIOUS = ("serious", "critical")

AXE = """
const done = arguments[arguments.length - 1]
axe.run(document, {resultTypes: ['violations']}).then(found => done({
  passes: found.passes.length,
  faults: found.violations.map(v => [v.impact, v.id, v.nodes.slice(0, 5).map(n => n.html.slice(0, 160))]),
}), wrong => done({passes: 0, faults: [['critical', String(wrong), []]]}))
"""


@pytest.fixture(scope="module")
def axe() -> str:
    """Return the engine's source, from the file that FLOWSHEET_AXE names."""
    path = os.environ.get("FLOWSHEET_AXE", "")
    if not Path(path).is_file():
        lacking("FLOWSHEET_AXE names no axe.min.js (npm install axe-core)")
    return Path(path).read_text(encoding="utf-8")


def faults(browser, axe: str) -> list:
    browser.run(axe)
    found = browser.driver.execute_async_script(AXE)
    assert found["passes"] >= 5  # it did look
    return [fault for fault in found["faults"] if fault[0] in SERIOUS]


@pytest.mark.parametrize("dark", [False, True], ids=["day", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_has_no_serious_fault(browser, serve: Callable, sack: Path, axe: str, width: int, dark: bool) -> None:
    browser.wide(width, dark=dark)
    opened(browser, serve(sack))
    browser.run(UNFOLD)
    turned(browser, "wash.passes", "2")
    assert faults(browser, axe) == []


@pytest.mark.parametrize("dark", [False, True], ids=["day", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_report_has_no_serious_fault(browser, report: Path, axe: str, width: int, dark: bool) -> None:
    browser.wide(width, dark=dark)
    browser.driver.get(report.as_uri())
    browser.run(UNFOLD)
    assert faults(browser, axe) == []


def test_the_engine_finds_a_fault_that_is_there(browser, tmp_path: Path, axe: str) -> None:
    page = tmp_path / "poor.html"
    page.write_text("<!DOCTYPE html><html><body><p style='color:#eee;background:#fff'>pale</p><input>"
                    "<img src='data:,'></body></html>", encoding="utf-8")  # fmt: skip
    browser.driver.get(page.as_uri())
    assert {"color-contrast", "label", "image-alt"} <= {fault[1] for fault in faults(browser, axe)}
    browser.faults()
