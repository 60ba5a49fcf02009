"""How a command writes: where to, what it may write over, and what it says of it. No command writes in another way."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from flowsheet.commands.common import fail

if TYPE_CHECKING:
    from flowsheet.spec.text.source_files import SourceFiles
    from flowsheet.spec.written.put_files import Request

Replace = Annotated[
    bool, typer.Option("--replace", help="Write over files of these names too that are yours (never what is read).")
]


@dataclass(frozen=True)
class Writer:
    """What one command writes: pages where ``-o`` says, tables and pictures where ``--out`` says.

    ``asked`` is the file that it was asked of, ``read`` all that it was read from and what was left out of it: nothing
    is written over these.
    """

    command: str
    asked: Path | None
    read: SourceFiles | None = None
    replace: bool = False
    reads: str = "sheet"

    def check_page(self, path: Path) -> Path:
        """Return a path that a page can go to, or fail at once with what to do."""
        from flowsheet.spec.written.put_files import check_targets

        with _told(path):
            _check_parent(path)
            check_targets([path], self._request())
        return path

    def put_page(self, path: Path, page: bytes) -> None:
        """Put a page in place."""
        self.put([(path, page)])

    def put_folder(self, folder: Path, files: Mapping[str, bytes]) -> None:
        """Put files into a folder, and tell which."""
        say_written(self.put(in_folder(folder, files), folder))

    def put(self, files: Sequence[tuple[Path, bytes]], folder: Path | None = None) -> list[Path]:
        """Put files in place, all or none, and return them; ``folder`` is what some of them fill.

        Pairs, for nothing may be lost where two of them go to one place: that is refused.
        """
        from flowsheet.spec.written.put_files import put_files

        with _told(folder or files[0][0]):
            notes = put_files(files, self._request(folder is not None))
        for note in notes:
            print(f"Note: {note}", file=sys.stderr)
        return [path for path, _ in files]

    def _request(self, folder: bool = False) -> Request:
        from flowsheet.spec.written.put_files import Request

        inputs = (
            list(self.read.never_written) if self.read is not None else [self.asked] if self.asked is not None else []
        )
        name = f"{self.command} {self.asked.name}" if self.asked is not None else self.command
        return Request(name, inputs, self.replace, folder, self.reads)


def in_folder(folder: Path, files: Mapping[str, bytes]) -> list[tuple[Path, bytes]]:
    """Return where files of a folder go, or fail where there is none and can be none."""
    if folder.exists() and not folder.is_dir():
        fail(str(folder), "this is a file, where a folder is wanted", "Name a folder; it is made if it is not there")
    return [(folder / name, raw) for name, raw in files.items()]


def put_new(path: Path, raw: bytes) -> None:
    """Put a file in place where there is none yet, or fail."""
    from flowsheet.spec.text.safe_writing import alone, replace_file
    from flowsheet.spec.written.put_files import OWN_NAME, is_own

    with _told(path):
        _check_parent(path)
    if is_own(Path(os.path.realpath(path)).name):
        fail(str(path), OWN_NAME, "Give another name")
    with _told(path), alone(path):
        if path.exists() or path.is_symlink():
            fail(str(path), "there is such a file already", "Name another, or delete it first")
        replace_file(path, raw)


def say_written(paths: Iterable[Path]) -> None:
    """Tell on stderr what was written."""
    for path in paths:
        print(f"Wrote {path}", file=sys.stderr)


def _check_parent(path: Path) -> None:
    if path.is_dir():
        fail(str(path), "this is a directory", "Name a file in it")
    if not path.parent.is_dir():
        fail(str(path), f"there is no folder {path.parent}", "Make it first, or name another")


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Say what the system refuses to write as a mistake of the command, not as a bug."""
    try:
        yield
    except OSError as wrong:
        from flowsheet.spec.written.put_files import is_own

        named, reason = wrong.filename, wrong.strerror or str(wrong)
        # A file that the program writes for itself is nothing to the user, but what he put in its place is.
        at = Path(os.fsdecode(named)) if named else path
        name = path if is_own(at.name) and not at.is_dir() else at
        fail(str(name), f"this cannot be written ({reason})", "Check its name, its rights and the room on the disk",
             "cannot_be_written")  # fmt: skip
