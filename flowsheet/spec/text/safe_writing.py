"""Files that are replaced as a whole: after a crash at any moment, either the old one is there or the new one."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from collections.abc import Iterator
from pathlib import Path

try:
    import fcntl
except ImportError:  # no POSIX system: threads are kept apart, other programs are not
    fcntl = None  # type: ignore[assignment]


PATIENCE = 5.0
"""Seconds that another program may keep files to itself."""
_PAUSE = 0.02


def part_of(path: Path) -> Path:
    """Return where the new text of a file is written before it takes its place."""
    return path.with_name(f".{path.name}.part")


@contextlib.contextmanager
def alone(path: Path) -> Iterator[None]:
    """Keep other programs that ask so, too, from changing files in the folder of ``path``, where the system can.

    Raises OSError where another program does so for longer than ``PATIENCE``.
    """
    if fcntl is None:
        yield
        return
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        _lock(folder)
        yield
    finally:
        os.close(folder)  # which gives the lock back


def _lock(folder: int) -> None:
    assert fcntl is not None
    until = time.monotonic() + PATIENCE
    while True:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() >= until:
                message = "another program keeps its folder locked: end that one"
                raise TimeoutError(errno.ETIMEDOUT, message) from None
            time.sleep(_PAUSE)
        except OSError:  # some network drives know no locks
            return
        else:
            return


def replace_file(path: Path, raw: bytes) -> None:
    """Put new bytes in the place of a file (or make it), flushed to the disk before that. Raises OSError.

    The rights of the file are kept.
    """
    part = part_of(path)
    part.unlink(missing_ok=True)  # of a run that was killed
    try:
        old = path.stat()
    except FileNotFoundError:
        old = None
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    made = os.open(part, flags, 0o666 if old is None else 0o600)
    try:
        with os.fdopen(made, "wb") as file:
            file.write(raw)
            file.flush()
            if old is not None:
                _keep_rights(part, old)
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def remove_file(path: Path) -> None:
    """Remove a file, also after a crash. Raises OSError."""
    path.unlink()
    _sync_folder(path.parent)


def _keep_rights(part: Path, old: os.stat_result) -> None:
    with contextlib.suppress(OSError, AttributeError):  # only root may give files away; other systems have no owners
        os.chown(part, old.st_uid, old.st_gid)
    part.chmod(stat.S_IMODE(old.st_mode))


def _sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
