"""The command serve: the sheet and its weigh sheet as a living page on this machine alone."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from flowsheet.commands.common import Json, Sheet, fail, print_result

if TYPE_CHECKING:
    from socket import socket

PORT = 8137
HOST = "127.0.0.1"
WAITING = 512
"""So many browsers may wait to be answered."""


def serve(
    file: Sheet,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port of 127.0.0.1.")] = PORT,
    log: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            "--log",
            metavar="CSV",
            help="Weigh sheet to write into, .csv or .tsv (default: the last one that the sheet names, else NAME.csv "
            "beside it).",
        ),
    ] = None,
    show: Annotated[bool, typer.Option("--open", help="Open it in the browser, too.")] = False,
    as_json: Json = False,
) -> None:
    """Turn settings and enter weights on a page of your own machine: http://127.0.0.1:8137."""
    import asyncio

    import uvicorn

    from flowsheet.show.page.app import Page, application
    from flowsheet.show.page.bench import Bench
    from flowsheet.show.page.sealed_http import SealedProtocol
    from flowsheet.spec.weights.read_weighed import readable_sources

    if log is not None and not log.absolute().parent.is_dir():
        fail(str(log), f"there is no folder {log.parent}", "Make it first, or name another")
    if log is not None and log.exists() and file.exists() and log.samefile(file):
        fail(str(log), "this is no weigh sheet", "Name a file that ends in .csv")
    bench = Bench(file, log)
    own = _bound(port)
    page = Page(bench)
    config = uvicorn.Config(application(page, port), log_level="error", access_log=False, server_header=False,
                            lifespan="off", ws="none", http=SealedProtocol, timeout_keep_alive=15,
                            timeout_graceful_shutdown=3)  # fmt: skip
    server = uvicorn.Server(config)
    url = f"http://{HOST}:{port}/"
    desk = bench.desk()
    if as_json:
        print_result({"url": url, "log": str(bench.log_path), "new": bool(desk.new)}, readable_sources(file))
        sys.stdout.flush()
    else:
        told = [f"{url}  (weights go to {bench.log_path}; end it with Ctrl-C)", *([desk.new] if desk.new else [])]
        typer.echo("\n".join(told))
        for mistake in desk.mistakes:
            typer.echo(f"left out: {mistake}", err=True)
    if show:
        import webbrowser

        webbrowser.open(url)
    try:
        asyncio.run(server.serve(sockets=[own]))
    except KeyboardInterrupt:
        pass
    finally:
        page.close()
        own.close()


def _bound(port: int) -> socket:
    """Return a socket that listens at the port. Raises SheetError where another program has it."""
    import socket

    found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let two programs have one port
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        found.bind((HOST, port))
        found.listen(WAITING)
    except OSError as wrong:
        found.close()
        reason = "another program has this port already" if wrong.errno in _TAKEN else wrong.strerror or str(wrong)
        fail(f"--port {port}", reason, f"Name another one, as --port {port + 1 if port < 65535 else port - 1}")
    return found


_TAKEN = {48, 98, 10048}
"""EADDRINUSE on macOS, Linux and Windows."""
