"""What is wrong with a sheet, said so that the miner can mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class Mistake:
    """One fault: where it stands, what was read, what is wrong with it and what would be right."""

    message: str
    remedy: str
    field: str = ""
    read: str | None = None
    file: str = ""
    line: int = 1
    column: int = 1

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}"
        field = f" {self.field}:" if self.field else ""
        read = "" if self.read is None else f' read "{self.read}":'
        return f"{where}:{field}{read} {self.message}. {self.remedy}."

    def as_dict(self) -> dict[str, object]:
        """Return the mistake as plain data, for ``--json``."""
        return asdict(self)


class SheetError(Exception):
    """The sheet (or a setting on the command line) is wrong; carries every mistake found, in file order."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(sorted(mistakes, key=lambda m: (m.line, m.column)))
        super().__init__("\n".join(map(str, self.mistakes)))


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name most like ``name``, or None where none is like it."""
    known = list(known)
    folded = {k.casefold(): k for k in reversed(known)}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return folded[found[0]] if found else None


def did_you_mean(name: str, known: Iterable[str], noun: str = "known names") -> str:
    """Say the nearest known name, or list them all (the first twelve)."""
    known = list(known)
    like = nearest(name, known)
    if like is not None:
        return f'Did you mean "{like}"'
    shown = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
    return f"The {noun} are: {shown}" if known else f"There are no {noun}"
