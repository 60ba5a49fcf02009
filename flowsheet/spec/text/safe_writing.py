"""Files that are replaced as a whole: after a crash at any moment, either the old one is there or the new one."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

PATIENCE = 5.0
"""Seconds that another program may keep files to itself."""
LOCK = ".flowsheet.lock"
"""The file by which programs that write into a folder wait for each other; it is there only as long as one does."""
_PAUSE = 0.02
_NO_LOCKS = {errno.ENOSYS, errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOTSUP}
"""What file systems say that know no locks, as some network drives do: there programs are not kept apart."""
_PART = (".flowsheet-", ".part")


def part_of(path: Path) -> Path:
    """Return where the new text of a file is written before it takes its place."""
    begin, end = _PART
    return path.with_name(f"{begin}{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:16]}{end}")


def is_part(name: str) -> bool:
    """Whether a file of this name is one that was to take another's place."""
    begin, end = _PART
    return name.startswith(begin) and name.endswith(end)


@contextlib.contextmanager
def alone(path: Path) -> Iterator[bool]:
    """Keep other programs that ask so, too, from changing files in the folder of ``path``; give whether the system can.

    Raises OSError where another program does so for longer than ``PATIENCE``, or the folder cannot be written to.
    """
    from filelock import FileLock, Timeout  # takes a while to load, and most commands write nothing

    path.parent.stat()  # a folder that is not there would be made
    place = path.parent / LOCK
    lock = FileLock(place, timeout=PATIENCE, poll_interval=_PAUSE, fallback_to_soft=False)
    try:
        lock.acquire()
    except Timeout:
        message = "another program keeps its folder locked: end that one"
        raise TimeoutError(errno.ETIMEDOUT, message, str(path.parent)) from None
    except NotImplementedError:
        pass
    except OSError as wrong:
        if wrong.errno not in _NO_LOCKS:
            raise
    try:
        yield lock.is_locked
    finally:
        if lock.is_locked:
            # Whoever waits for it looks whether it is still there. (Windows refuses, and removes it when it is let go.)
            with contextlib.suppress(OSError):
                os.unlink(place)
            lock.release()


def replace_file(path: Path, raw: bytes) -> None:
    """Put new bytes in the place of a file (or make it), flushed to the disk before that. Raises OSError.

    The rights of the file are kept.
    """
    write_part(path, raw)
    try:
        os.replace(part_of(path), path)
    except BaseException:
        part_of(path).unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_part(path: Path, raw: bytes) -> None:
    """Write what is to take the place of a file beside it (``part_of``), flushed to the disk. Raises OSError."""
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
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def remove_file(path: Path) -> None:
    """Remove a file, also after a crash. Raises OSError."""
    path.unlink()
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


def _keep_rights(part: Path, old: os.stat_result) -> None:
    with contextlib.suppress(OSError, AttributeError):  # only root may give files away; other systems have no owners
        os.chown(part, old.st_uid, old.st_gid)
    part.chmod(stat.S_IMODE(old.st_mode))
