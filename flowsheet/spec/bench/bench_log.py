"""A bench log: a weigh sheet that is written line by line while the test goes, and never loses one.

Each change goes to the disk as a whole new file that takes the place of the old one in one stroke, before it is
acknowledged. A line is never rubbed out: what was weighed again or struck stays in the file as a remark.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal, NoReturn, TypeAlias

from flowsheet.spec.bench.log_text import Entry, LogText, Place, refuse_if, tidied
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.safe_writing import alone, part_of, remove_file, replace_file
from flowsheet.spec.text.text_file import MOST_BYTES

__all__ = ["BenchLog", "Check", "Entry", "LogChange", "Place", "accept"]

Check: TypeAlias = Callable[[str], object]
"""Is called with the whole text as it would be, before anything is written; raises SheetError to refuse it."""

MOST_UNDONE = 200
"""So many changes can be taken back."""
PUT_BACK = "Put it back from a copy; to begin a new one, end what writes into it and start that again"


def accept(text: str) -> None:
    """Refuse nothing."""


@dataclass(frozen=True)
class LogChange:
    """A change of the log: what ``undo`` needs to take it back (its token), and the change in words."""

    token: str
    kind: Literal["add", "change", "strike"]
    words: str
    #: As it stands in the file now; of a struck line, as it stood.
    entry: Entry


@dataclass(frozen=True)
class _Done:
    """A change, the bytes before it (None: no file), and a digest of those that it left."""

    change: LogChange
    before: bytes | None
    left: bytes


class BenchLog:
    """The log in one file. All its methods are safe to call from many threads.

    Every mistake that they raise names the file as ``path`` does.
    """

    def __init__(self, path: str | Path, now: Callable[[], datetime] = datetime.now) -> None:
        self.path = Path(path)
        self._now = now
        self._lock = threading.RLock()
        self._done: deque[_Done] = deque(maxlen=MOST_UNDONE)
        #: Whether there was a file: one that is gone is not begun anew without a word.
        self._there = False
        #: Whether anything stood in it: one that was emptied is as good as gone.
        self._full = False
        # What a killed run has left of a change that it never acknowledged.
        with contextlib.suppress(OSError):
            if (left := part_of(self._target)).exists():
                with alone(self._target):
                    left.unlink(missing_ok=True)

    @property
    def _target(self) -> Path:
        """The file itself, where ``path`` is a link to it."""
        return Path(os.path.realpath(self.path))

    def text(self) -> str:
        """Return the whole text, "" where there is no file yet. Raises SheetError where it cannot be read."""
        return self._read()[1].text

    def lines(self) -> list[Entry]:
        """Return every line that tells a measurement, in the order of the file. Raises SheetError."""
        return self._read()[1].entries()

    def add(self, entry: Entry, check: Check = accept) -> LogChange:
        """Add a line at the end. Raises SheetError; mistakes in the entry have its column as their ``field``."""
        with self._writing():
            entry = tidied(entry, str(self.path))
            before, found = self._read()
            text, line = found.added(entry)
            written = self._accepted(found, text, entry, line, check)
            return self._write(before, found.raw(text), "add", f"added: {entry.said}", written)

    def change(self, place: Place, entry: Entry, check: Check = accept) -> LogChange:
        """Put an entry in the place of a line, which stays below it as a remark. Raises SheetError.

        Both must be of the same stream and of what was measured of it: else it is another weight.
        """
        with self._writing():
            before, found = self._read()
            old, text, written = self._changed(found, place, entry, check)
            words = f"changed: {old.said}, to {written.said}"
            return self._write(before, found.raw(text), "change", words, written)

    def would_change(self, place: Place, entry: Entry, check: Check = accept) -> None:
        """Raise SheetError where ``change`` would; nothing is written."""
        with self._lock:
            self._changed(self._read()[1], place, entry, check)

    def _changed(self, found: LogText, place: Place, entry: Entry, check: Check) -> tuple[Entry, str, Entry]:
        """Return a line as it stands, the text with an entry in its place, and the entry as it would stand."""
        entry = tidied(entry, str(self.path))
        row = found.find(place)
        old = found.entry(row)
        if other := next((name for name in ("stream", "what") if _plain(entry, name) != _plain(old, name)), ""):
            message = f"another weight cannot take the place of {old.said}"
            remedy = "Write it as a new line; if the old one is wrong, strike that"
            raise SheetError(
                [Mistake(message, remedy, other, entry.cell(other), str(self.path), code="other_weight_in_its_place")]
            )
        text, line = found.changed(row, entry, self._now())
        return old, text, self._accepted(found, text, entry, line, check)

    def strike(self, place: Place, check: Check = accept) -> LogChange:
        """Make a line a remark. Raises SheetError."""
        with self._writing():
            before, found = self._read()
            row = found.find(place)
            old, text = found.entry(row), found.struck(row, self._now())
            check(text)
            return self._write(before, found.raw(text), "strike", f"struck: {old.said}", old)

    def undo(self, token: str) -> LogChange:
        """Take back the last change that was made through this object, whose token must be this one.

        Raises SheetError where it is another, or the file is no longer as that change left it.
        """
        with self._writing():
            raw = self._bytes()  # that the file is gone comes first: nothing can be done before it is back
            if not self._done:
                self._refuse("there is no change to take back", "Strike the line, or change it", code="nothing_to_undo")
            done = self._done[-1]
            if done.change.token != token:
                last = f"Take back first what was done last ({done.change.words}), or change or strike the line"
                self._refuse("this is not the last change any more", last, code="not_the_last_change")
            if raw is None or _digest(raw) != done.left:
                message = "the file was changed by something else since, so that the change cannot be taken back"
                self._refuse(
                    message,
                    "Look at the log as it is now, and change or strike the line there",
                    code="log_changed_since",
                )
            with self._told():
                if done.before is None:
                    remove_file(self._target)
                    self._there = False
                else:
                    replace_file(self._target, done.before)
                self._full = bool(done.before)
            self._done.pop()
            return done.change

    @property
    def last(self) -> LogChange | None:
        """What ``undo`` would take back; None where that is nothing, or the file is no longer as it was left."""
        with self._lock:
            try:
                raw = self._bytes()
            except SheetError:
                return None
            done = self._done[-1] if self._done else None
            return done.change if done is not None and raw is not None and _digest(raw) == done.left else None

    def _accepted(self, found: LogText, text: str, entry: Entry, line: int, check: Check) -> Entry:
        """Return the entry as it stands in the new text, if that can be read and is not refused."""
        new = LogText.read(text, found.file, found.bom)
        refuse_if(new.faults_of(entry, line))
        try:
            check(text)
        except SheetError as wrong:
            mine = (str(self.path), str(self._target))
            raise SheetError(new.of_line(m, line) if m.file in mine else m for m in wrong.mistakes) from None
        row = new.row_at(line)
        assert row is not None  # else it was refused above
        return new.entry(row)

    def _write(
        self, before: bytes | None, raw: bytes, kind: Literal["add", "change", "strike"], words: str, entry: Entry
    ) -> LogChange:
        if len(raw) > MOST_BYTES:
            self._refuse(
                f"the log would be longer than {MOST_BYTES / 1e6:g} MB", "Begin another one", code="log_too_long"
            )
        if self._bytes() != before:
            self._refuse(
                "the file was changed by something else at the same moment",
                "Enter it once more",
                code="log_changed_at_once",
            )
        with self._told():
            replace_file(self._target, raw)
        self._there = self._full = True
        change = LogChange(secrets.token_hex(8), kind, words, entry)
        self._done.append(_Done(change, before, _digest(raw)))
        return change

    def _read(self) -> tuple[bytes | None, LogText]:
        raw = self._bytes()
        return raw, LogText.of(raw or b"", str(self.path))

    def _bytes(self) -> bytes | None:
        """Return what is in the file, None where there is none. Raises SheetError where it cannot be read."""
        target = self._target
        try:
            if target.exists() and not (target.is_file() or target.is_dir()):  # a pipe would be waited for without end
                self._refuse(
                    "this is no file that can be written line by line",
                    "Name a file that ends in .csv",
                    code="log_no_plain_file",
                )
            with target.open("rb") as file:
                raw = file.read(MOST_BYTES + 1)
        except FileNotFoundError:
            self._refuse_if_gone(target)
            return None
        except (OSError, ValueError) as wrong:
            self._refuse(
                f"the weigh sheet cannot be read ({_why(wrong)})", "Check its name and rights", code="log_unreadable"
            )
        if len(raw) > MOST_BYTES:
            self._refuse(
                f"the file is longer than {MOST_BYTES / 1e6:g} MB",
                "Name a weigh sheet: a short text",
                code="log_too_long",
            )
        if not raw:
            self._refuse_if_emptied(target)
        if not self._there or (raw and not self._full):
            with self._lock:  # it may have been taken back since it was opened
                self._there = target.exists()
                self._full = _size(target) > 0
        return raw

    def _refuse_if_gone(self, target: Path) -> None:
        if not self._there:
            return
        with self._lock:
            if self._there and not target.exists():
                self._refuse("the weigh sheet was there, and is gone", PUT_BACK, code="log_gone")

    def _refuse_if_emptied(self, target: Path) -> None:
        if not self._full:
            return
        with self._lock:  # a line may have been written since it was read
            if self._full and _size(target) == 0:
                self._refuse(
                    "there was something in the weigh sheet, and it is empty now", PUT_BACK, code="log_emptied"
                )

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        """Let one change be made at a time, where the file may be written at all."""
        with self._lock, contextlib.ExitStack() as held:
            target = self._target
            if target.exists() and not os.access(target, os.W_OK):
                self._refuse(
                    "the weigh sheet is protected against writing",
                    "Take the protection off the file",
                    code="log_protected",
                )
            with self._told():
                held.enter_context(alone(target))
            yield

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except OSError as wrong:
            message = f"the weigh sheet cannot be written ({_why(wrong)}): nothing was changed"
            self._refuse(
                message,
                "Check its folder, its rights and the space on the disk, then enter it once more",
                code="log_unwritable",
            )

    def _refuse(self, message: str, remedy: str, code: str) -> NoReturn:
        raise SheetError([Mistake(message, remedy, file=str(self.path), code=code)]) from None


def _why(wrong: OSError | ValueError) -> str:
    return (wrong.strerror if isinstance(wrong, OSError) else None) or str(wrong)


def _plain(entry: Entry, column: str) -> str:
    """Return a stream's name, or what was measured without regard to capitals and blanks."""
    cell = entry.cell(column).strip()
    return " ".join(cell.casefold().split()) if column == "what" else cell


def _size(path: Path) -> int:
    """Return how many bytes a file has; none where it is not there."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _digest(raw: bytes) -> bytes:
    return hashlib.sha256(raw).digest()
