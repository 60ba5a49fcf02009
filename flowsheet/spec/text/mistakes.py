"""What is wrong with a sheet, said so that the miner can mend it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import KW_ONLY, asdict, dataclass

from flowsheet.spec.text.notes import CODE, NOTHING, Subject
from flowsheet.spec.text.wording import argument

SETTINGS = "settings"
"""The argument that sets fields anew; it stands for the file where one of them is wrong."""

LONGEST_SHOWN = 60
"""Characters of what was read that a mistake repeats."""

ALIKE, VERY_ALIKE = 0.6, 0.75
"""From where on two names are like each other (difflib's ratio): enough to ask, and enough to be taken for a slip."""

LONGEST_NAME = 80
"""Longer names are not compared with the known ones: no name of a sheet is that long."""


@dataclass(frozen=True)
class Mistake:
    """One fault: where it stands, what was read, what is wrong with it and what would be right.

    >>> import flowsheet as fs
    >>> print(fs.Mistake("no such field here", 'Did you mean "opening"?', "scalp.openng", "20 mm", "sack3.yaml", 14, 3,
    ...                  code="no_such_field"))
    sack3.yaml:14:3: scalp.openng: read "20 mm": no such field here. Did you mean "opening"?
    """

    message: str
    remedy: str
    field: str = ""
    read: str | None = None
    #: Where an argument is wrong, as whoever asks calls it: ``--set`` on a command line, ``settings`` from Python.
    file: str = ""
    #: Counted from one; 0 where the mistake stands in no file.
    line: int = 0
    column: int = 0
    _: KW_ONLY
    #: Which fault it is (stable, snake_case): logic asks for it, and for the subject, never for words of the message.
    code: str
    #: What it is about, where the fields above do not tell.
    subject: Subject = NOTHING
    #: What to ask ``flowsheet explain`` for to read more, where a topic of the guide tells it.
    topic: str = ""

    def __post_init__(self) -> None:
        if not CODE.fullmatch(self.code):
            raise ValueError(f"{self.code!r} is no code: write it in snake_case")

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        field = f" {self.field}:" if self.field else ""
        read = "" if self.read is None else f' read "{shortened(self.read)}":'
        said = f"{where}:{field}{read} {_sentence(self.message)} {_sentence(self.remedy)}"
        return "".join(c if c.isprintable() else "\ufffd" for c in said)

    @property
    def of_setting(self) -> bool:
        """Whether a field that was set anew is wrong, rather than the sheet."""
        return not self.line and self.file == argument(SETTINGS)

    def as_dict(self) -> dict[str, object]:
        """Return the mistake as plain data, for ``--json``."""
        told = {name: value for name, value in asdict(self).items() if name != "subject"}
        return {**told, "topic": self.topic or None}


class SheetError(Exception):
    """The sheet (or a setting of it) is wrong; carries every mistake, file by file, in order.

    >>> import flowsheet as fs
    >>> try:
    ...     fs.read("sack3.yaml").with_({"scalp.openng": "12 mm"})
    ... except fs.SheetError as wrong:
    ...     print(wrong.mistakes[0].remedy)
    Did you mean "opening"?
    """

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        found = list(mistakes)
        files = list(dict.fromkeys(mistake.file for mistake in found))
        self.mistakes = tuple(sorted(found, key=lambda m: (files.index(m.file), m.line, m.column)))
        super().__init__("\n".join(map(str, self.mistakes)))


def _sentence(text: str) -> str:
    """Close a sentence that is not closed already."""
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."


def shortened(text: str) -> str:
    """Return a text on one line, cut where it is too long to be shown whole."""
    line = " ".join(text.split())
    return line if len(line) <= LONGEST_SHOWN else f"{line[: LONGEST_SHOWN - 1]}…"


def nearest(name: str, known: Iterable[str], alike: float = ALIKE) -> str | None:
    """Return the known name most like ``name``, or None where none is as much ``alike`` (1: the same)."""
    if len(name) > LONGEST_NAME:
        return None
    folded = {k.casefold(): k for k in reversed([k for k in known if len(k) <= LONGEST_NAME])}
    found = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=alike)
    return folded[found[0]] if found else None


def meant_by(name: str, synonyms: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the known names of which one of the ``synonyms`` is ``name``, or is all but ``name``."""
    folded = " ".join(re.split(r"[\s_-]+", name.casefold()))
    same = [known for known, others in synonyms.items() if folded in others]
    if same:
        return same
    like = nearest(folded, [other for others in synonyms.values() for other in others], VERY_ALIKE)
    return [known for known, others in synonyms.items() if like in others]


def did_you_mean(name: str, known: Iterable[str], noun: str = "known names") -> str:
    """Say the nearest known name, or list them all (the first twelve)."""
    known = list(known)
    like = nearest(name, known)
    if like is not None:
        return f'Did you mean "{like}"?'
    shown = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
    return f"The {noun} are: {shown}" if known else f"There are no {noun}"
