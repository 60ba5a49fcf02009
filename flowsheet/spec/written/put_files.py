"""Files put in place: all of them checked first, then written beside, then each moved into its place in one stroke.

Nothing takes the place of what the user wrote: not of the sheet or its weigh sheets, ever, and of no other file that
the list beside it (``written_list``) does not know unless that is asked for. The order in which the list and the files
are replaced makes the list true whatever moment the program is killed at: first it tells what is about to be written,
then the files are put in place, then it tells that they are.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import stat
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.safe_writing import LOCK, alone, is_part, part_of, replace_file, sync_folder, write_part
from flowsheet.spec.text.wording import argument, by_asker, listed
from flowsheet.spec.written.written_list import (
    LIST,
    InTheWayError,
    ListError,
    Mixed,
    NewerListError,
    RunOf,
    WrittenList,
    digest_of,
)

OWN_NAME = "this name is the program's own, for the list of what it wrote"


def _other() -> str:
    return by_asker("Give another name with -o, or another folder with --out", 'Give another name, as "other.svg"')


def _anyway() -> str:
    return f"{_other()}; {argument('replace', True)} writes over it all the same"


@dataclass(frozen=True)
class Request:
    """Who writes, and what it may do: ``replace`` lets it write over files of the user's that are no ``inputs``."""

    command: str
    #: What was read, the sheet (or what else ``reads`` says) first: nothing is ever written over these.
    inputs: Sequence[Path] = ()
    replace: bool = False
    #: Whether it fills a folder, so that its files belong together.
    folder: bool = False
    reads: str = "sheet"


def check_targets(paths: Iterable[Path], request: Request) -> None:
    """Raise SheetError for every file that may not be written; OSError for what cannot be looked into."""
    for place in _places((path, b"") for path in paths):
        place.check(request)


def put_files(files: Iterable[tuple[Path, bytes]], request: Request) -> list[str]:
    """Put files in place, making their folders; return what is to be told of it, in sentences.

    Raises SheetError for every file that may not be written, and for two that would go to one place; OSError where the
    system refuses: then nothing was put in place, or what was is noted as the begun run that it is.
    """
    places = _places(files)
    for place in places:  # before a folder is made
        place.check(request)
    for place in places:
        place.folder.mkdir(parents=True, exist_ok=True)
    with contextlib.ExitStack() as held:
        for place in places:
            locked = held.enter_context(alone(place.folder / LIST))
            held.callback(place.sweep, locked)
        for place in places:
            place.check(request)
        for place in places:
            place.write_parts()
        told = [line for place in places for line in place.begin(request)]
        for place in places:
            place.move()
        for place in places:
            place.finish()
    return told


@dataclass
class _Place:
    """What goes into one folder: name → how the user calls the file, and its new bytes."""

    folder: Path
    files: dict[str, tuple[Path, bytes]] = field(default_factory=dict)
    #: The list as it is to be, and the run that writes.
    known: WrittenList = field(default_factory=WrittenList)
    run: str = ""

    def check(self, request: Request) -> None:
        """Raise SheetError for what may not be written."""
        mistakes = list(self._mistakes(request))
        if mistakes:
            raise SheetError(mistakes)

    def _mistakes(self, request: Request) -> Iterator[Mistake]:
        known: WrittenList | ListError
        try:
            known = WrittenList.read(self.folder)
        except ListError as wrong:
            known = wrong
        except NotADirectoryError:
            known = WrittenList()
        if isinstance(known, InTheWayError):
            message = (
                "this is no plain file, and flowsheet keeps its list of what it wrote into the folder by this name"
            )
            remedy = "Move it away or delete it, or name another folder"
            yield Mistake(message, remedy, file=str(self.folder / LIST), line=0, code="list_in_the_way")
            return
        if isinstance(known, NewerListError) and not request.replace:
            message = "a newer version of flowsheet has written into this folder, and its list is not understood here"
            anew = f"{argument('replace', True)} begins a new list ({LIST})"
            remedy = f"Name another folder, or bring flowsheet up to date; {anew}"
            yield Mistake(message, remedy, file=str(self.folder / LIST), line=0, code="written_by_newer_version")
            return
        for name, (path, _) in self.files.items():
            fault = _fault(self.folder / name, request)
            if fault is not None:
                yield Mistake(*fault, file=str(path), line=0, code="never_written_over")
            elif not request.replace and (why := self._whose(name, known)):
                yield Mistake(why, _anyway(), file=str(path), line=0, code="file_of_the_user")

    def _whose(self, name: str, known: WrittenList | ListError) -> str:
        """Return why a file is the user's, "" where it is not."""
        now = digest_of(self.folder / name)
        if now is None:
            return ""
        if isinstance(known, ListError):
            return f"there is such a file already, and {LIST} is damaged, so that nobody can tell who wrote it"
        if known.wrote(name, now):
            return ""
        if known.knows(name):
            return "this file was changed since flowsheet wrote it, so it is yours"
        return "there is such a file already, and flowsheet did not write it"

    def write_parts(self) -> None:
        """Write everything beside its place: where the disk is full that shows here, and all is as it was."""
        for name, (_, raw) in self.files.items():
            write_part(self.folder / name, raw)

    def begin(self, request: Request) -> list[str]:
        """Let the list tell what is about to be written; return what is to be told of what lies there."""
        try:
            self.known = known = WrittenList.read(self.folder)
        except ListError:
            known = self.known
        now = {name: digest_of(self.folder / name) for name in known.names()}
        notes = [self._told(one) for one in known.settle(now)]
        when = datetime.now(UTC).isoformat(timespec="seconds")
        self.run, told = secrets.token_hex(6), RunOf(request.command, when, request.folder)
        known.begin(self.run, told, {name: hashlib.sha256(raw).hexdigest() for name, (_, raw) in self.files.items()})
        replace_file(self.folder / LIST, known.raw())
        if left := known.left_of_earlier(self.run, now):
            notes.append(f"{self.folder}: {_are(list(left))} of an earlier {_named(next(iter(left.values())))}, and no "
                         "part of this one. Delete what you do not need")  # fmt: skip
        return notes

    def move(self) -> None:
        """Move each file into its place. Raises SheetError where one cannot be, naming those that were."""
        done: list[str] = []
        for name, (path, _) in self.files.items():
            try:
                os.replace(part_of(self.folder / name), self.folder / name)
            except OSError as wrong:
                message = f"this cannot be put in place ({wrong.strerror or wrong})"
                if done:
                    message += f"; {_are(done)} of this run already, the others as they were"
                remedy = "Close what holds it open, check its rights, then run this again"
                raise SheetError([Mistake(message, remedy, file=str(path), line=0, code="cannot_be_written")]) from None
            done.append(name)
        sync_folder(self.folder)

    def finish(self) -> None:
        """Let the list tell that all is in place; where it cannot, it tells of a begun run with all files there."""
        self.known.finish(self.run)
        with contextlib.suppress(OSError):
            replace_file(self.folder / LIST, self.known.raw())

    def _told(self, mixed: Mixed) -> str:
        """Say that a folder held files of two runs, and whether it still does."""
        begin = f"{self.folder}: {_named(mixed.run)} was cut off here: {_are(mixed.of_it)} of it"
        old = [name for name in mixed.of_before if name not in mixed.missing]
        begin += f", {_are(old)} older" if old else ""
        begin += f", {_are(mixed.missing)} missing" if mixed.missing else ""
        left = [name for name in (*mixed.of_it, *mixed.of_before) if name not in self.files]
        if not left:
            return f"{begin}. All of them are of this run now."
        return f"{begin}. {listed(left)} stay as they were: run that again to have them of one run."

    def sweep(self, locked: bool) -> None:
        """Remove what was written beside and never put in place; of killed runs too, where nobody else writes now."""
        with contextlib.suppress(OSError):
            mine = {part_of(self.folder / name) for name in self.files}
            for path in list(self.folder.iterdir()):
                if is_part(path.name) and (locked or path in mine):
                    path.unlink(missing_ok=True)


def is_own(name: str) -> bool:
    """Whether a file of this name is the program's own: its list, its lock, or what is to take a file's place."""
    return name in (LIST, LOCK) or is_part(name)


def _are(names: Sequence[str]) -> str:
    return f"{listed(list(names))} {'is' if len(names) == 1 else 'are'}"


def _named(run: RunOf) -> str:
    return f'"{run.command}" ({run.when.replace("T", " ").removesuffix("+00:00")} UTC)'


def _places(files: Iterable[tuple[Path, bytes]]) -> list[_Place]:
    """Return the folders in which files really lie, in the order in which they are locked.

    Raises SheetError where two files would go to one place: only the later one would be left.
    """
    found: dict[Path, _Place] = {}
    mistakes = []
    for path, raw in files:
        real = Path(os.path.realpath(path))
        place = found.setdefault(real.parent, _Place(real.parent))
        if real.name in place.files:
            first, _ = place.files[real.name]
            also = "" if first == path else f", the other as {first}"
            message = f"two files of this command would go to this one place{also}"
            mistakes.append(Mistake(message, _other(), file=str(path), line=0, code="two_files_in_one_place"))
        else:
            place.files[real.name] = (path, raw)
    if mistakes:
        raise SheetError(mistakes)
    return [found[folder] for folder in sorted(found)]


def _fault(real: Path, request: Request) -> tuple[str, str] | None:
    """Return why a file is never written, whatever is asked for, and what to do."""
    if is_own(real.name):
        return OWN_NAME, _other()
    for i, read in enumerate(request.inputs):
        if _is_same(real, read):
            what = f"the {request.reads} itself" if i == 0 else "a file that was read for it"
            return f"this is {what}, and nothing is written over that", _other()
    try:
        mode = real.stat().st_mode
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(mode):
        return "this is a folder, where a file is to be written", "Name another file, or move that folder"
    if not stat.S_ISREG(mode):
        return "this is no plain file, so that nothing can take its place", _other()
    if not os.access(real, os.W_OK):
        return "this file is protected against writing", f"Take the protection off. {_other()}"
    return None


def _is_same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return one == Path(os.path.realpath(other))
