"""The commands as a user types them: in this process, or in one of their own where the process is the point."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from flowsheet.spec.written.written_list import LIST

PNG = b"\x89PNG\r\n\x1a\n"


class Done(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out, parse_constant=pytest.fail)  # no NaN, no Infinity


Command = Callable[..., Done]


def in_a_process(*arguments: str | Path, cwd: Path, **environment: str) -> Done:
    """Run a command in a process of its own."""
    done = subprocess.run([sys.executable, "-m", "flowsheet", *map(str, arguments)], cwd=cwd, capture_output=True,
                          encoding="utf-8", check=False, timeout=60, env={**os.environ, **environment})  # fmt: skip
    return Done(done.returncode, done.stdout, done.stderr)


def files_in(folder: Path) -> set[str]:
    """Return the files below a folder, by their paths from there, without the lists of what was written."""
    return {str(path.relative_to(folder)) for path in folder.rglob("*")
            if path.is_file() and path.name != LIST}  # fmt: skip
