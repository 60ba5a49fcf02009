"""Slow answers, worked out in a process of their own, so that they hold up no turning.

The page sends requests and the process its answers, pickled, over a pipe that no one else can reach; it ends with the
page that started it.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, BinaryIO, TypeAlias

from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.yaml.marked_document import Document

#: The sheet, the log's path and text, and what is asked: settings, or a test of which the weights are to be told.
Request: TypeAlias = tuple[Document, Path, str, dict[str, str] | str]


class Slow:
    """The process, started when it is first asked. One request at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def ask(self, request: Request) -> dict[str, str]:
        """Return parts of the page. Raises SheetError, and RuntimeError with the process's own traceback."""
        with self._lock:
            try:
                answer = self._answer(request)
            except (OSError, EOFError, pickle.UnpicklingError):
                self.end()  # it was ended from outside: once more, with a new one
                answer = self._answer(request)
        if isinstance(answer, dict):
            return answer
        if isinstance(answer, tuple):
            raise SheetError(answer)
        raise RuntimeError(answer)

    def _answer(self, request: Request) -> dict[str, str] | tuple[Mistake, ...] | str:
        if self._process is None:
            self._process = subprocess.Popen([sys.executable, "-m", __name__], stdin=subprocess.PIPE,
                                             stdout=subprocess.PIPE)  # fmt: skip
        to, back = self._process.stdin, self._process.stdout
        if to is None or back is None:
            raise EOFError
        pickle.dump(request, to)
        to.flush()
        found: dict[str, str] | tuple[Mistake, ...] | str = pickle.load(back)
        return found

    def end(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            process.wait()


def _parts(request: Request) -> dict[str, str]:
    from flowsheet.show.page.log_view import weight_parts
    from flowsheet.show.page.surely import sure_parts
    from flowsheet.spec.bench.sheet_with_log import build_with
    from flowsheet.spec.yaml.settings import with_settings
    from flowsheet.steps import kinds
    from flowsheet.study.trials.trials import pair

    document, path, text, asked = request
    sheet = build_with(document, kinds(), path, text)
    if isinstance(asked, str):
        return weight_parts(sheet, asked)
    turned = build_with(with_settings(document, asked), kinds(), path, text) if asked else sheet
    return sure_parts(pair(sheet, turned, asked))


def main(asked: BinaryIO, answers: BinaryIO) -> None:
    """Answer requests until there are no more."""
    import traceback

    while True:
        try:
            request: Request = pickle.load(asked)
        except (EOFError, pickle.UnpicklingError):
            return  # the page is gone, perhaps in the middle of a request
        answer: Any
        try:
            answer = _parts(request)
        except SheetError as wrong:
            answer = wrong.mistakes
        except Exception:
            answer = traceback.format_exc()
        try:
            pickle.dump(answer, answers)
            answers.flush()
        except BrokenPipeError:
            # The page was killed meanwhile. What is still to be flushed goes nowhere, and without a word.
            os.dup2(os.open(os.devnull, os.O_WRONLY), answers.fileno())
            return


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the page, which then closes the pipe
    own = sys.stdout.buffer
    sys.stdout = sys.stderr  # nothing else may get between the answers
    main(sys.stdin.buffer, own)
