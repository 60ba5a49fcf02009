"""HTTP/1.1 of which the refusals carry the page's headers too: of what is no request, no application hears."""

from __future__ import annotations

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from flowsheet.show.page.guard import HEADERS

SENSELESS = b"This is no request that can be read."


class SealedProtocol(H11Protocol):
    """The server's own protocol, but for what it says to garbage, to two lengths and to a request without a host."""

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no request, and hang up."""
        told = {"content-type": "text/plain; charset=utf-8", "connection": "close", **HEADERS}
        headers = [(name.encode(), value.encode()) for name, value in told.items()]
        for event in (
            h11.Response(status_code=400, headers=headers, reason=b"Bad Request"),
            h11.Data(data=SENSELESS),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event) or b"")
        self.transport.close()
