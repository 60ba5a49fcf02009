"""Notes beside an answer: what was assumed, left out, or can hardly be meant; nothing that stops anybody.

Logic asks for a note's code, its subject and its numbers, never for words of its sentence: that is for the reader.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

CODE = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
"""How the code of a note or a mistake is spelled."""


@dataclass(frozen=True)
class Subject:
    """What a note or a mistake is about; "" and 0 where it is about nothing of the kind."""

    test: str = ""
    ore: str = ""
    step: str = ""
    stream: str = ""
    #: What of it: a measurement, a field, a part.
    what: str = ""
    file: str = ""
    #: Counted from one.
    line: int = 0


NOTHING = Subject()


@dataclass(frozen=True)
class Note:
    """One note: ``code`` says which (stable, snake_case), ``subject`` of what, ``numbers`` what stands in it.

    ``sentence`` is a template of the numbers and the subject's names, as ``str.format`` has it. What is put in is
    text, whatever braces it holds.
    """

    code: str
    sentence: str
    subject: Subject = NOTHING
    #: Numbers, and names that are no subject, by the words that the template has for them; units in those words.
    numbers: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        if not CODE.fullmatch(self.code):
            raise ValueError(f"{self.code!r} is no code: write it in snake_case")

    @property
    def text(self) -> str:
        """Return the sentence, to be read by people only."""
        return self.sentence.format_map({**asdict(self.subject), **self.numbers})


def note(code: str, sentence: str, subject: Subject = NOTHING, **numbers: Any) -> Note:
    """Return a note; what is given by name fills its template."""
    return Note(code, sentence, subject, numbers)


def texts(notes: Iterable[Note]) -> list[str]:
    """Return the sentences of notes."""
    return [one.text for one in notes]
