"""Text files as people save them: found or not, UTF-8 or not, with what to do about it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from flowsheet.spec.text.mistakes import Mistake, SheetError, nearest, shortened

MOST_BYTES = 1_000_000

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f]")


class UnreadableError(Exception):
    """There is no such file, or it cannot be read; ``remedy`` says what to do."""

    def __init__(self, name: str, message: str, remedy: str, code: str) -> None:
        super().__init__(message)
        self.name, self.message, self.remedy, self.code = name, message, remedy, code


def read_bytes(path: str | Path, what: str, endings: Sequence[str], otherwise: str) -> bytes:
    """Return what a file holds. Raises UnreadableError.

    ``what`` the file is to be ("sheet") and its ``endings`` find those beside it that may be meant;
    ``otherwise`` is the remedy where there are none.
    """
    name = str(path)
    try:
        if Path(path).is_dir():
            message = f"this is a folder, where a {what} is wanted"
            raise UnreadableError(
                name, message, _others(Path(path) / "x", what, endings, otherwise), code="file_is_a_folder"
            )
        with Path(path).open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        remedy = _others(Path(path), what, endings, otherwise)
        raise UnreadableError(name, "there is no such file", remedy, code="file_missing") from None
    except OSError as wrong:
        message = f"the file cannot be read ({wrong.strerror})"
        raise UnreadableError(name, message, "Check its name and rights", code="file_unreadable") from None
    except ValueError:  # a NUL in the name
        raise UnreadableError(
            shortened(name), "no file can have this name", f"Name a {what}", code="file_unreadable"
        ) from None
    if len(raw) > MOST_BYTES:
        message = f"the file is longer than {MOST_BYTES / 1e6:g} MB"
        raise UnreadableError(name, message, f"Name a {what}, which is a short text", code="file_too_long")
    return raw


def decode(raw: bytes, name: str) -> str:
    """Return the text of a file. Raises SheetError where it is not UTF-8."""
    start = raw[:200]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or start.count(0) > len(start) / 4:
        message = "the file is not UTF-8 text (it looks like UTF-16, or like no text at all)"
        raise fault(name, message, "Save it as plain text with the encoding UTF-8", code="file_not_utf8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        before = raw[: wrong.start]
        line = before.count(b"\n") + 1
        column = len(before.rsplit(b"\n", 1)[-1].decode("utf-8-sig")) + 1
        shown = raw[wrong.start : wrong.start + 1].decode("cp1252", errors="replace")
        message = f'the file is not UTF-8 text (this may be a "{shown}" in an older encoding)'
        raise fault(
            name, message, "Save it as plain text with the encoding UTF-8", (line, column), code="file_not_utf8"
        ) from None


def _no_text(text: str) -> int | None:
    """Return where the first character stands that no text holds, None where there is none.

    Those are what YAML lets no text hold (YAML 1.1, section 5.1: all but the printable characters); a table needs no
    more. One pattern for all of them would take as long to compile as the rest of this room to load.
    """
    found = _CONTROL.search(text)
    places = [found.start()] if found is not None else []
    places += [at for no_character in "\ufffe\uffff" if (at := text.find(no_character)) >= 0]
    try:
        text.encode()
    except UnicodeEncodeError as half:  # of a character: a surrogate
        places.append(half.start)
    return min(places, default=None)


def check_characters(text: str, file: str, what: str) -> None:
    """Refuse what no text holds, at its place."""
    if (at := _no_text(text)) is None:
        return
    line = text.count("\n", 0, at) + 1
    column = at - (text.rfind("\n", 0, at) + 1) + 1
    message = f"a character that is no text stands here (code {ord(text[at])})"
    remedy = f"Delete it, or save the {what} anew as plain text with the encoding UTF-8"
    raise fault(file, message, remedy, (line, column), code="no_text")


def fault(file: str, message: str, remedy: str, place: tuple[int, int] = (1, 1), *, code: str) -> SheetError:
    """Return the error of a file with one mistake at ``place`` (line, column)."""
    line, column = place
    return SheetError([Mistake(message, remedy, file=file, line=line, column=column, code=code)])


def _others(path: Path, what: str, endings: Sequence[str], otherwise: str) -> str:
    """Say which files of the kind lie where the missing one was looked for."""
    try:
        found = sorted(p for p in path.parent.iterdir() if p.suffix.lower() in endings)
    except OSError:
        found = []
    like = nearest(path.stem, [p.stem for p in found])
    if like is not None:
        return f'Did you mean "{next(p.name for p in found if p.stem == like)}"?'
    if found:
        return f"The {what}s beside it are: " + ", ".join(p.name for p in found[:12])
    return otherwise
