"""A served page for tests, asked by plain HTTP: in a thread of this process, or in one of its own, ended by its id."""

from __future__ import annotations

import http.client
import json
import os
import pickle
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import uvicorn

from flowsheet.show.page import slow
from flowsheet.show.page.app import Page, application
from flowsheet.show.page.bench import Bench
from flowsheet.show.page.sealed_http import SealedProtocol
from flowsheet.show.page.slow import Slow
from flowsheet.spec.text.mistakes import SheetError

HOST = "127.0.0.1"
PATIENCE = 60.0
JSON = {"Content-Type": "application/json"}


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8")

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Served:
    port: int

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}/"

    def ask(self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None) -> Answer:
        connection = http.client.HTTPConnection(HOST, self.port, timeout=PATIENCE)
        try:
            connection.request(method, path, body, headers or {})
            found = connection.getresponse()
            named = {name.lower(): value for name, value in found.getheaders()}
            return Answer(found.status, named, found.read())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, None, headers)

    def post(self, path: str, data: Any, **headers: str) -> Answer:
        return self.ask("POST", path, json.dumps(data).encode(), {**JSON, **headers})

    def turn(self, settings: dict[str, str], stream: str = "", pins: Any = ()) -> Any:
        answer = self.post("/turn", {"settings": settings, "stream": stream, "pins": list(pins)})
        assert answer.status == 200, answer.text
        return answer.json

    def weigh(self, stream: str, what: str, value: str, unit: str = "", **more: str) -> Any:
        entry = {"stream": stream, "what": what, "value": value, "unit": unit, **more}
        return self.log({"do": "add", "entry": entry})

    def log(self, data: Any) -> Any:
        answer = self.post("/weigh", data)
        assert answer.status == 200, answer.text
        return answer.json


@dataclass
class Process(Served):
    process: subprocess.Popen[str]

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(PATIENCE)


def free_port() -> int:
    with socket.socket() as found:
        found.bind((HOST, 0))
        return int(found.getsockname()[1])


@contextmanager
def serving(sheet: Path, *options: str) -> Iterator[Process]:
    """Serve a sheet in a process of its own until the block is left."""
    port = free_port()
    command = [sys.executable, "-m", "flowsheet", "serve", str(sheet), "--port", str(port), *options]
    quiet = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    log = sheet.parent / f"served-{port}.txt"
    with log.open("w") as errors:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors, text=True, env=quiet)
        served = Process(port, process)
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            assert line.startswith(served.url), (line, log.read_text())
            until = time.monotonic() + PATIENCE
            while time.monotonic() < until:
                try:
                    if served.get("/pulse").status == 200:
                        break
                except OSError:
                    time.sleep(0.05)
            yield served
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGKILL)
                process.wait(PATIENCE)
            if process.stdout is not None:
                process.stdout.close()


class _Here(Slow):
    """What the page works out beside it, worked out at once; request and answer are pickled all the same."""

    def _answer(self, request: Any) -> Any:
        try:
            return pickle.loads(pickle.dumps(slow._parts(pickle.loads(pickle.dumps(request)))))
        except SheetError as wrong:
            return wrong.mistakes


@contextmanager
def serving_here(sheet: Path) -> Iterator[Served]:
    """Serve a sheet from this process until the block is left: for tests that ask the page and not its process."""
    page = Page(Bench(sheet))
    page.beside, page.weighing = _Here(), _Here()
    with socket.socket() as own:
        own.bind((HOST, 0))
        own.listen()
        port = int(own.getsockname()[1])
        config = uvicorn.Config(application(page, port), log_config=None, access_log=False, lifespan="off", ws="none",
                                http=SealedProtocol, timeout_graceful_shutdown=3)  # fmt: skip
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [own]})
        thread.start()
        try:
            yield Served(port)
        finally:
            server.should_exit = True
            thread.join(PATIENCE)
            page.close()
    assert not thread.is_alive()


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.parts: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th", "li", "p", "tr", "h2", "h3", "option"):
            self.parts.append(" ")

    def handle_data(self, data: str) -> None:
        self.parts.append(data)


def text_of(html: str) -> str:
    """Return what a reader sees of a piece of HTML, on one line."""
    parser = _Text()
    parser.feed(html)
    return " ".join("".join(parser.parts).split())


def tags_of(html: str) -> list[tuple[str, dict[str, str | None]]]:
    """Return every tag of a piece of HTML with its attributes."""
    parser = _Text()
    parser.feed(html)
    return parser.tags
