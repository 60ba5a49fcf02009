"""The page's own small server: fixed routes, solving off the event loop, the log in a lane of its own."""

from __future__ import annotations

import asyncio
import functools
import json
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from threading import Lock
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from flowsheet.show.page import asks, fragments, log_view, render
from flowsheet.show.page.asks import AskError
from flowsheet.show.page.bench import Bench, Desk, faults_by_knob
from flowsheet.show.page.guard import BROKEN, Guard
from flowsheet.show.page.knobs_view import groups
from flowsheet.show.page.slow import Slow
from flowsheet.show.text import markup
from flowsheet.spec.text.mistakes import SheetError

T = TypeVar("T")

SOLVERS = 2
MANY = 60
"""Streams from which on the weights are told by a process of their own: the balance grows with their cube."""
MOST_SLOW = 32
"""Slow answers that are remembered."""


class Page:
    """The page of one bench: what each route answers."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.solving = ThreadPoolExecutor(SOLVERS, "solve")
        self.slow = ThreadPoolExecutor(1, "slow")
        self.beside, self.weighing = Slow(), Slow()
        self.telling = ThreadPoolExecutor(1, "weights")
        self.writing = ThreadPoolExecutor(1, "log")
        self._known: OrderedDict[tuple[Any, ...], dict[str, str]] = OrderedDict()
        self._lock = Lock()
        own = files("flowsheet.show.page").joinpath("static")
        self.fixed = {
            "/page.css": (own.joinpath("page.css").read_text(encoding="utf-8"), "text/css"),
            "/page.js": (own.joinpath("page.js").read_text(encoding="utf-8"), "text/javascript"),
            "/theme.css": (markup.theme(), "text/css"),
        }

    def routes(self) -> list[Route]:
        """Return the routes: no path of a request is ever looked for on the disk."""
        return [
            Route("/", self.whole, methods=["GET"]),
            *(Route(path, self.static, methods=["GET"]) for path in self.fixed),
            Route("/favicon.ico", self.nothing, methods=["GET"]),
            Route("/pulse", self.pulse, methods=["GET"]),
            Route("/weights", self.weights, methods=["GET"]),
            Route("/turn", self.turn, methods=["POST"]),
            Route("/sure", self.sure, methods=["POST"]),
            Route("/weigh", self.weigh, methods=["POST"]),
        ]

    async def static(self, request: Request) -> Response:
        """Give the page's own style and script."""
        text, kind = self.fixed[request.url.path]
        return Response(text, media_type=kind)

    async def nothing(self, request: Request) -> Response:
        """Give no picture of the page."""
        return Response(status_code=204)

    async def whole(self, request: Request) -> Response:
        """Give the whole page, turned as its address says."""
        settings = asks.of_query(request.query_params.multi_items())
        return HTMLResponse(await _in(self.solving, self._whole, settings))

    async def pulse(self, request: Request) -> Response:
        """Say which reading of the files is the newest."""
        desk = await _in(self.solving, self.bench.desk)
        return JSONResponse({"stamp": desk.stamp, "files": fragments.file_faults(desk.mistakes)})

    async def weights(self, request: Request) -> Response:
        """Give the log, and what the weights say so far."""
        return JSONResponse(await _in(self.telling, self._weights))

    async def turn(self, request: Request) -> Response:
        """Solve with other settings."""
        ask = asks.turn(asks.read(await request.body()))
        return JSONResponse(await _in(self.solving, self._turn, ask))

    async def sure(self, request: Request) -> Response:
        """Work out how sure the answers are."""
        ask = asks.turn(asks.read(await request.body()))
        return JSONResponse(await _in(self.slow, self._sure, ask))

    async def weigh(self, request: Request) -> Response:
        """Write into the log; the answer comes when it is on the disk."""
        ask = asks.weigh(asks.read(await request.body()))
        return JSONResponse(await _in(self.writing, self._weigh, ask))

    # ── what is done off the loop ───────────────────────────────────────────────────────────────────────────

    def _whole(self, settings: dict[str, str]) -> str:
        desk = self.bench.desk()
        faults: dict[str, list[str]] = {}
        fault = ""
        try:
            turned = self.bench.turned(desk, settings)
        except SheetError as wrong:
            faults = faults_by_knob(wrong.mistakes, settings, desk.sheet.steps)
            fault = fragments.turn_faults(desk, settings, wrong)["fault"]
            turned = self.bench.turned(desk, {})
        parts = fragments.turn_parts(self.bench, desk, turned, "", ())
        log = {**log_view.log_parts(self.bench, desk), "closing": "", "beside": "", "suspect": ""}
        return render.page(
            title=desk.sheet.title,
            file=str(self.bench.path),
            key=self.bench.key,
            stamp=desk.stamp,
            settings=json.dumps(settings),
            parts={name: fragments.html(part) for name, part in parts.items()},
            knobs=fragments.html(render.part("knobs", groups=groups(desk, settings, faults))),
            fault=fragments.html(fault),
            files=fragments.html(fragments.file_faults(desk.mistakes)),
            streams=list(turned.run.streams),
            offered=log_view.offered(desk.sheet),
            log={name: fragments.html(part) for name, part in log.items()},
        )

    def _turn(self, ask: asks.Turn) -> dict[str, Any]:
        desk = self.bench.desk()
        found: dict[str, Any] = {"stamp": desk.stamp, "files": fragments.file_faults(desk.mistakes)}
        try:
            turned = self.bench.turned(desk, ask.settings)
        except SheetError as wrong:
            return {**found, "ok": False, **fragments.turn_faults(desk, ask.settings, wrong)}
        return {**found, "ok": True, "parts": fragments.turn_parts(self.bench, desk, turned, ask.stream, ask.pins)}

    def _sure(self, ask: asks.Turn) -> dict[str, Any]:
        desk = self.bench.desk()

        try:
            key = ("sure", desk.stamp, *sorted(ask.settings.items()))
            asked = (desk.document, desk.log_path, desk.counted_text, ask.settings)
            parts = self._once(key, lambda: self.beside.ask(asked))
        except SheetError:
            parts = {}  # a turn has told it beside its knob
        return {"stamp": desk.stamp, "parts": parts}

    def _weights(self) -> dict[str, Any]:
        desk = self.bench.desk()
        parts = self._once(("weights", desk.stamp), lambda: self._say_weights(desk))
        return {"stamp": desk.stamp, "parts": {**log_view.log_parts(self.bench, desk), **parts}}

    def _say_weights(self, desk: Desk) -> dict[str, str]:
        if len(desk.sheet.makers) <= MANY:  # it takes some milliseconds
            return log_view.weight_parts(desk.sheet, desk.test)
        return self.weighing.ask((desk.document, desk.log_path, desk.counted_text, desk.test))

    def _weigh(self, ask: asks.Weigh) -> dict[str, Any]:
        done = log_view.do(self.bench, ask)
        desk: Desk = self.bench.desk()
        return {**done, "stamp": desk.stamp, "parts": log_view.log_parts(self.bench, desk)}

    def _once(self, key: tuple[Any, ...], work: Callable[[], dict[str, str]]) -> dict[str, str]:
        """Work something out where that was not done before."""
        with self._lock:
            if key in self._known:
                self._known.move_to_end(key)
                return self._known[key]
        found = work()
        with self._lock:
            self._known[key] = found
            while len(self._known) > MOST_SLOW:
                self._known.popitem(last=False)
        return found

    def close(self) -> None:
        """End what runs beside."""
        self.beside.end()
        self.weighing.end()
        for pool in (self.solving, self.slow, self.telling, self.writing):
            pool.shutdown(wait=pool is self.writing, cancel_futures=pool is not self.writing)


async def _in(pool: ThreadPoolExecutor, work: Callable[..., T], *told: Any) -> T:
    return await asyncio.get_running_loop().run_in_executor(pool, functools.partial(work, *told))


async def _senseless(request: Request, wrong: Exception) -> Response:
    return PlainTextResponse(f"This cannot be read: {wrong}.", status_code=400)


async def _broken(request: Request, wrong: Exception) -> Response:
    return PlainTextResponse(BROKEN, status_code=500)


def application(page: Page, port: int) -> Guard:
    """Return a page behind its guard; ``port`` is what it is served on."""
    handlers: dict[Any, Any] = {AskError: _senseless, Exception: _broken}
    return Guard(Starlette(routes=page.routes(), exception_handlers=handlers), port)
