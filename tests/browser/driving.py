"""A real browser driven by a test, and a bench page served in a process of its own."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn
from urllib.parse import urlsplit

import pytest

if TYPE_CHECKING:
    from selenium.webdriver import Chrome
    from selenium.webdriver.remote.webelement import WebElement

REQUIRED = os.environ.get("FLOWSHEET_BROWSER") == "required"
"""Set where these tests run, as ``.ci/run`` does: what they lack is then a failure. Elsewhere they are skipped."""

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
    # A page that scrolls smoothly has not yet come to where a key is to be pressed.
    "--force-prefers-reduced-motion",
    # Whatever a page asks for beside this machine fails at once, and shows in the console.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip

EXAMPLE = Path(__file__).parent.parent.parent / "examples" / "sack_test"
SOON = 60
"""Seconds to wait for the page at most: the machine may be busy with other tests."""


def lacking(what: str) -> NoReturn:
    """Skip a test for want of something, or fail where it must run."""
    if REQUIRED:
        pytest.fail(f"{what}, and these tests must run here")
    pytest.skip(what)


@dataclass
class Browser:
    """A browser, and the few things that the tests do with it."""

    driver: Chrome

    def run(self, script: str, *arguments: object) -> object:
        """Run a script in the page."""
        return self.driver.execute_script(script, *arguments)

    def command(self, name: str, **values: object) -> object:
        """Say something to the browser itself."""
        return self.driver.execute_cdp_cmd(name, values)

    def wide(self, width: int, height: int = 900, dark: bool = False) -> None:
        """Look through a window of so many pixels, by day or in the dark."""
        self.command("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                     mobile=width < 500)  # fmt: skip
        scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.command("Emulation.setEmulatedMedia", media="", features=scheme)

    def wait(self, what: str, script: str, *arguments: object, soon: float = SOON) -> object:
        """Wait until a script returns something true, and return that."""
        end = time.monotonic() + soon
        while time.monotonic() < end:
            if (found := self.run(script, *arguments)) is not None and found is not False:
                return found
            time.sleep(0.02)
        raise AssertionError(f"{what} did not come: {self.run('return document.body.innerText')!r:.2000}")

    def requests(self) -> list[str]:
        """Return what was asked for since the last call."""
        told = (json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance"))
        return [one["params"]["request"]["url"] for one in told if one["method"] == "Network.requestWillBeSent"]

    def faults(self) -> list[str]:
        """Return what the console complains of since the last call."""
        return [f"{one['level']}: {one['message']}" for one in self.driver.get_log("browser")]


def at_home(url: str) -> bool:
    """Whether a request stays on this machine."""
    parts = urlsplit(url)
    return parts.scheme in ("file", "data", "about", "blob") or (parts.scheme == "http" and
                                                               parts.hostname == "127.0.0.1")  # fmt: skip


@dataclass
class Page:
    """A server of one sheet, in a process of its own."""

    sheet: Path
    port: int
    process: subprocess.Popen[str]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(SOON)

    @classmethod
    def start(cls, sheet: Path, port: int = 0) -> Page:
        port = port or free_port()
        command = [sys.executable, "-m", "flowsheet", "serve", str(sheet), "--port", str(port)]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, text=True)
        page = cls(sheet, port, process)
        end = time.monotonic() + SOON
        while time.monotonic() < end:
            assert process.poll() is None, "the server ended by itself"
            try:
                with urllib.request.urlopen(page.url, timeout=SOON) as answer:
                    answer.read()
                return page
            except OSError:
                time.sleep(0.1)
        process.kill()
        raise AssertionError("the server did not start")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


UNFOLD = "for (const fold of document.querySelectorAll('details')) fold.open = true"
READY = "return document.body.dataset.ready === '1'"
TURNS = "return Number(document.body.dataset.turn || 0)"


def opened(browser: Browser, page: Page) -> Page:
    """Open a page and wait until it answers to its controls."""
    browser.driver.get(page.url)
    browser.wait("the page", READY)
    return page


def knob(browser: Browser, setting: str, part: str = "input.value") -> WebElement:
    """Return a part of the knob of a setting."""
    return browser.driver.find_element("css selector", f"[data-setting='{setting}'] {part}")


def pressed(browser: Browser, selector: str, *keys: str) -> None:
    """Give the focus to an element, once it may have it, and press keys there, as a hand on the keyboard does.

    The driver's own way asks first whether the element stands still within the window, which a page that is still
    being filled says no to.
    """
    from selenium.webdriver import ActionChains

    focused = ("const found = document.querySelector(arguments[0]); if (!found) return false; found.focus();"
               "return document.activeElement === found")  # fmt: skip
    browser.wait(f"the focus on {selector}", focused, selector)
    ActionChains(browser.driver).send_keys(*keys).perform()


def turned(browser: Browser, setting: str, value: str) -> None:
    """Type a value into a knob's field, and wait until the answer has been painted."""
    before = browser.run(TURNS)
    browser.run(UNFOLD)
    field = knob(browser, setting)
    browser.run("arguments[0].scrollIntoView({block: 'center'}); arguments[0].value = '';"
                "arguments[0].dispatchEvent(new Event('change', {bubbles: true}))", field)  # fmt: skip
    pressed(browser, f"[data-setting='{setting}'] input.value", value, "\ue007")  # Enter
    browser.wait("the turned answer", "return Number(document.body.dataset.turn || 0) > arguments[0]", before)
    browser.wait("the last turn", READY)
