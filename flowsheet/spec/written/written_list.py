"""The list of what was written into a folder, which lies beside it: by it the program knows its own files again."""

from __future__ import annotations

import hashlib
import json
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

LIST = ".flowsheet-written.json"
FORMAT = 1
ABOUT = "What flowsheet wrote into this folder. A file that is not listed here, or was changed since, is yours."


class ListError(Exception):
    """The list cannot be read, so that nobody can tell what was written."""


class InTheWayError(ListError):
    """What has the list's name is no plain file, so that nothing can be noted there."""


class NewerListError(ListError):
    """It was written by a newer version, which may have told more in it."""


@dataclass(frozen=True)
class RunOf:
    """One command that wrote: what it was, and when (UTC)."""

    command: str
    when: str
    #: Whether it filled a folder, so that its files belong together.
    folder: bool


@dataclass(frozen=True)
class Mixed:
    """A run that was cut off: ``of_it`` are the files that it put in place, ``of_before`` those that it did not."""

    run: RunOf
    of_it: tuple[str, ...]
    of_before: tuple[str, ...]
    #: Those of ``of_before`` that are not there at all.
    missing: tuple[str, ...]


@dataclass
class WrittenList:
    """What was written into one folder. A run stands in ``begun`` before its first file is put in place.

    So whatever moment a run is killed at, each file is as ``files`` or as ``begun`` tells, or somebody else changed it.
    """

    runs: dict[str, RunOf] = field(default_factory=dict)
    #: Name → the digest of what was written, and the run that wrote it.
    files: dict[str, tuple[str, str]] = field(default_factory=dict)
    #: Run → name → the digest of what it was about to write.
    begun: dict[str, dict[str, str]] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path) -> WrittenList:
        """Read the list of a folder; an empty one where there is none. Raises ListError, OSError."""
        try:
            if not stat.S_ISREG((folder / LIST).stat().st_mode):  # a pipe would be waited for without end
                raise InTheWayError("it is no plain file")
            raw = (folder / LIST).read_bytes()
        except FileNotFoundError:
            return cls()
        try:
            return cls._of(json.loads(raw))
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as wrong:
            raise ListError(str(wrong)) from None

    @classmethod
    def _of(cls, data: dict[str, Any]) -> WrittenList:
        if not isinstance(data["format"], int) or data["format"] < FORMAT:
            raise ValueError("its format is unknown")
        if data["format"] > FORMAT:
            raise NewerListError
        runs = {
            str(run): RunOf(str(told["command"]), str(told["when"]), bool(told["folder"]))
            for run, told in data["runs"].items()
        }
        files = {name: (_digest(one["sha256"]), str(one["run"])) for name, one in data["files"].items()}
        begun = {run: {name: _digest(sha) for name, sha in names.items()} for run, names in data["begun"].items()}
        if any(Path(name).name != name for names in ([*files], *begun.values()) for name in names):
            raise ValueError("it names a file of another folder")
        if not {*begun, *(run for _, run in files.values())} <= runs.keys():
            raise ValueError("it names a run that it does not know")
        return cls(runs, files, begun)

    def raw(self) -> bytes:
        """Return the list as it is written; runs of which nothing is left are not."""
        named = {*self.begun, *(run for _, run in self.files.values())}
        data = {
            "about": ABOUT,
            "format": FORMAT,
            "runs": {run: vars(told) for run, told in self.runs.items() if run in named},
            "files": {name: {"sha256": sha, "run": run} for name, (sha, run) in sorted(self.files.items())},
            "begun": self.begun,
        }
        return f"{json.dumps(data, indent=1, ensure_ascii=False)}\n".encode()

    def wrote(self, name: str, sha256: str) -> bool:
        """Whether a file of this name with this digest was written by the program."""
        told = [names.get(name) for names in self.begun.values()]
        return sha256 in told or self.files.get(name, ("", ""))[0] == sha256

    def knows(self, name: str) -> bool:
        """Whether a file of this name was ever written by the program."""
        return name in self.files or any(name in names for names in self.begun.values())

    def settle(self, now: Mapping[str, str | None]) -> list[Mixed]:
        """Tell what became of the runs that were cut off, by the digests of the files as they are (None: not there).

        A run that got nowhere, or all the way, is told no more; the others stay in ``begun`` until nothing is mixed.
        """
        found = []
        for run, names in list(self.begun.items()):
            put = [name for name, sha in names.items() if now.get(name) == sha]
            rest = [name for name in names if name not in put]
            self.files.update({name: (names[name], run) for name in put})
            if put and rest:
                missing = tuple(name for name in rest if now.get(name) is None)
                found.append(Mixed(self.runs[run], tuple(put), tuple(rest), missing))
            else:
                del self.begun[run]
        self.files = {name: told for name, told in self.files.items() if now.get(name) is not None}
        return found

    def begin(self, run: str, told: RunOf, names: Mapping[str, str]) -> None:
        """Note what a run is about to write."""
        self.runs[run] = told
        self.begun[run] = dict(names)

    def finish(self, run: str) -> None:
        """Note that a run has put all its files in place."""
        mine = self.begun.pop(run)
        self.files.update({name: (sha, run) for name, sha in mine.items()})
        for other, names in list(self.begun.items()):
            left = {name: sha for name, sha in names.items() if name not in mine}
            put = [name for name, sha in left.items() if self.files.get(name) == (sha, other)]
            if put and len(put) < len(left):
                self.begun[other] = left
            else:
                del self.begun[other]

    def left_of_earlier(self, run: str, now: Mapping[str, str | None]) -> dict[str, RunOf]:
        """Return what earlier runs of the same command left in a folder that ``run`` is to fill anew: file → run."""
        told, mine = self.runs[run], self.begun[run]
        left = {}
        for name, (sha, other) in self.files.items():
            like = self.runs[other]
            same = like.folder and like.command.partition(" ")[0] == told.command.partition(" ")[0]
            if told.folder and same and name not in mine and now.get(name) == sha:
                left[name] = like
        return left

    def names(self) -> set[str]:
        """Return every file that it tells of."""
        return {*self.files, *(name for names in self.begun.values() for name in names)}


def digest_of(path: Path) -> str | None:
    """Return the SHA256 of a file; None where there is no plain file. Raises OSError."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would be waited for without end
            return None
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return None


def _digest(text: object) -> str:
    if not isinstance(text, str) or len(text) != 64 or set(text) - set("0123456789abcdef"):
        raise ValueError("a digest in it is none")
    return text
