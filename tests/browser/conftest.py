"""A real browser for each test, which ends with a look at the console and at what was asked for."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from driving import EXAMPLE, FLAGS, REQUIRED, SOON, Browser, Page, at_home, lacking

if TYPE_CHECKING:
    from selenium.webdriver import Chrome


@pytest.fixture(scope="session")
def programs() -> tuple[str, str]:
    """Return where the browser and its driver are; skip, or fail where they must be, without them."""
    if not REQUIRED:
        pytest.skip("a real browser takes its time: .ci/run runs these, or set FLOWSHEET_BROWSER=required")
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if browser is None or driver is None:
        lacking("Chromium and its driver are not installed (Debian: apt-get install chromium chromium-driver)")
    return str(browser), str(driver)


@pytest.fixture(scope="session")
def started(programs: tuple[str, str]) -> Iterator[Chrome]:
    """Start one browser for all tests, with a profile of its own that is thrown away."""
    from selenium.webdriver import Chrome, ChromeOptions
    from selenium.webdriver.chrome.service import Service

    options = ChromeOptions()
    options.binary_location = programs[0]
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = Chrome(options=options, service=Service(programs[1]))
        driver.set_script_timeout(SOON)
        yield driver
        driver.quit()


@pytest.fixture
def browser(started: Chrome, serve: Callable[..., Page]) -> Iterator[Browser]:
    """Give the browser to a test; afterwards no console error and no request to anywhere else is left standing."""
    del serve  # is ended after this, so that no page asks a server that is gone
    started.get("about:blank")
    found = Browser(started)
    found.requests()
    found.faults()
    found.wide(1280)
    yield found
    started.get("about:blank")
    asked, faults = found.requests(), found.faults()
    assert [url for url in asked if not at_home(url)] == []
    assert faults == []


@pytest.fixture
def serve(programs: tuple[str, str]) -> Iterator[Callable[..., Page]]:
    """Return a function that serves a sheet; all that it started is ended after the test."""
    del programs  # without a browser nothing needs to be served
    pages: list[Page] = []

    def start(sheet: Path, port: int = 0) -> Page:
        pages.append(Page.start(sheet, port))
        return pages[-1]

    yield start
    for page in pages:
        page.process.kill()
        page.process.wait(SOON)


@pytest.fixture
def sack(tmp_path: Path) -> Path:
    """Return a copy of the sack test (invented) that may be written to."""
    for path in EXAMPLE.glob("sack3.*"):
        shutil.copy(path, tmp_path)
    return tmp_path / "sack3.yaml"


@pytest.fixture
def empty_sack(sack: Path) -> Path:
    """Return the sack test before anything was weighed."""
    (sack.parent / "sack3.csv").unlink()
    text = sack.read_text(encoding="utf-8")
    sack.write_text(re.sub(r"weighed:\n  file: sack3.csv\n?", "", text), encoding="utf-8")
    return sack


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory, programs: tuple[str, str]) -> Path:
    """Return the report of the sack test."""
    del programs
    path = tmp_path_factory.mktemp("report") / "sack3.report.html"
    command = [sys.executable, "-m", "flowsheet", "report", str(EXAMPLE / "sack3.yaml"), "-o", str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=2 * SOON)
    return path
