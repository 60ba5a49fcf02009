"""What every request must pass, and what every answer carries: own host, own origin, JSON, no more than a megabyte."""

from __future__ import annotations

import asyncio
import sys
import traceback
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, TypeAlias

Message: TypeAlias = MutableMapping[str, Any]
Receive: TypeAlias = Callable[[], Awaitable[Message]]
Send: TypeAlias = Callable[[Message], Awaitable[None]]
App: TypeAlias = Callable[[Message, Receive, Send], Awaitable[None]]

LARGEST = 1_000_000
"""Bytes of a body."""
PATIENCE = 20.0
"""Seconds in which a body must have come."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}

BROKEN = "Something went wrong here, which is no fault of yours. What you have weighed is on the disk. Try once more."
ENOUGH = frozenset({"GET", "HEAD", "POST"})
USUAL_PORT = 80
"""Of HTTP."""
OWN = ("same-origin", "none")
"""Who asks, where that is the page itself, or its user by the address (Fetch Metadata Request Headers, W3C)."""


class _RefusedError(Exception):
    """A request that is not answered: its status, and why in plain words."""

    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self.status, self.why = status, why


class Guard:
    """Lets only requests from this machine's own page through to an application (ASGI)."""

    def __init__(self, app: App, port: int) -> None:
        self.app = app
        names = ("127.0.0.1", "localhost", "[::1]")
        self.hosts = {f"{name}:{port}" for name in names}
        if port == USUAL_PORT:
            self.hosts |= set(names)  # which a browser leaves out
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            return  # there are no sockets here, and nothing to start or stop
        started = False

        async def sealed(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                kept = [pair for pair in message.get("headers", []) if pair[0].decode("latin-1").lower() not in HEADERS]
                own = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
                message = {**message, "headers": [*kept, *own]}
            await send(message)

        try:
            self._check(scope)
            body = await _body(scope, receive)
            # Another page may lead here, but not say what is to be worked out.
            seen = {**scope, "query_string": b""} if _foreign(scope) else scope
            await self.app(seen, _replayed(body, receive), sealed)
        except _RefusedError as no:
            await _plain(sealed, no.status, no.why)
        except Exception:
            traceback.print_exc(file=sys.stderr)
            if not started:
                await _plain(sealed, 500, BROKEN)

    def _check(self, scope: Message) -> None:
        """Refuse a request by its head. Raises _RefusedError."""
        hosts = _all(scope, b"host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            raise _RefusedError(
                403, "This page answers to its own address only: open the one that flowsheet serve told."
            )
        if scope["method"] not in ENOUGH:
            raise _RefusedError(405, "This page knows no such request.")
        origins = [origin for origin in _all(scope, b"origin") if origin.lower() not in self.origins]
        if origins or (_foreign(scope) and not _leads_here(scope)):
            raise _RefusedError(403, "Another page asks this: it is refused.")
        if scope["method"] == "POST":
            kinds = [kind.partition(";")[0].strip().lower() for kind in _all(scope, b"content-type")]
            if kinds != ["application/json"]:
                raise _RefusedError(415, "What is sent here is JSON.")


def _foreign(scope: Message) -> bool:
    """Whether the browser says that another page asks."""
    return any(value.lower() not in OWN for value in _all(scope, b"sec-fetch-site"))


def _leads_here(scope: Message) -> bool:
    """Whether a request is a link that was followed, and opens this page as a whole."""
    mode, dest = _all(scope, b"sec-fetch-mode"), _all(scope, b"sec-fetch-dest")
    return scope["method"] == "GET" and scope["path"] == "/" and (mode, dest) == (["navigate"], ["document"])


def _all(scope: Message, name: bytes) -> list[str]:
    return [value.decode("latin-1").strip() for key, value in scope["headers"] if key.lower() == name]


async def _body(scope: Message, receive: Receive) -> bytes:
    """Return the whole body, however it comes. Raises _RefusedError for one that is too large, or never ends."""
    told = _all(scope, b"content-length")
    if any(not length.isdecimal() or int(length[:12]) > LARGEST for length in told):
        raise _RefusedError(413, "That is more than a megabyte: too much for this page.")
    body = bytearray()
    try:
        async with asyncio.timeout(PATIENCE):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    raise _RefusedError(400, "The request broke off.")
                body += message.get("body", b"")
                if len(body) > LARGEST:
                    raise _RefusedError(413, "That is more than a megabyte: too much for this page.")
                if not message.get("more_body", False):
                    return bytes(body)
    except TimeoutError:
        raise _RefusedError(408, "The request did not come to its end.") from None


def _replayed(body: bytes, receive: Receive) -> Receive:
    """Return what gives the body once more, and then what comes after it."""
    left: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return left.pop() if left else await receive()

    return again


async def _plain(send: Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    if status in (408, 413):
        headers.append((b"connection", b"close"))  # the rest of the body is not read
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
