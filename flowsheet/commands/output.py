"""Standard output that says when nobody can take what is written."""

from __future__ import annotations

import os
import sys
from typing import Any, TextIO

from flowsheet.commands.common import WRONG_INPUT

CLOSED_PIPE = 141
"""How a shell tells that a filter ended since its reader had closed the pipe (128 + SIGPIPE): not 0, for not all of the
answer was taken; not 1 or 2, for nothing is wrong with the program or the sheet. Nothing is said, as filters do."""


class OutputError(Exception):
    """What was to be printed cannot be; ``wrong`` is the system's reason."""

    def __init__(self, wrong: OSError) -> None:
        super().__init__(str(wrong))
        self.wrong = wrong


class Output:
    """A text stream whose faults are no OSError, so that no library that prints ends the program in its own way."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write. Raises OutputError where the stream cannot be written to."""
        try:
            return self._stream.write(text)
        except OSError as wrong:
            raise OutputError(wrong) from None

    def flush(self) -> None:
        """Write what is still held. Raises OutputError where the stream cannot be written to."""
        try:
            self._stream.flush()
        except OSError as wrong:
            raise OutputError(wrong) from None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def end_without(output: Output, fault: OutputError) -> int:
    """Let go of an output that cannot be written to, say why if it matters, and return the exit code."""
    # What is still held goes nowhere: the interpreter would try to write it once more at its end, and complain.
    os.dup2(os.open(os.devnull, os.O_WRONLY), output.fileno())
    if isinstance(fault.wrong, BrokenPipeError):
        return CLOSED_PIPE
    print(
        f"The answer cannot be written ({fault.wrong.strerror or fault.wrong}). Make room on the disk, or let it go "
        "elsewhere.",
        file=sys.stderr,
    )
    return WRONG_INPUT
