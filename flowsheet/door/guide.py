"""What a kind of step, a part of a sheet, a command or a page of the guide means: as text, as data, as a page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

from flowsheet.spec.text.brief import counted, one_line

if TYPE_CHECKING:
    from flowsheet.show.guide.topics import Topic

PROGRAM = "flowsheet"
"""The program as it is installed; this room must not know the one that it lies in."""


@dataclass(frozen=True, repr=False)
class Explained:
    """What was asked for of the guide: ``str`` gives the words, ``as_dict`` the data; it shows itself in a notebook.

    >>> import flowsheet as fs
    >>> fs.explain("magnet")
    <Explained magnet: lifts magnetic heavies out>
    >>> print(str(fs.explain("magnet")).splitlines()[0])
    magnet (kind of step): lifts magnetic heavies out
    """

    topics: tuple[Topic, ...]
    #: Whether these are all that there are, to be listed rather than told.
    listed: bool = False

    def __str__(self) -> str:
        from flowsheet.show.guide.words import unmarked

        return unmarked(self.terminal)

    def __repr__(self) -> str:
        if self.listed:
            return one_line("Explained", counted(len(self.topics), "topic"))
        told = self.topics[0].about if len(self.topics) == 1 else ""
        return one_line(f"Explained {', '.join(topic.name for topic in self.topics)}", told)

    @property
    def terminal(self) -> str:
        """The words with what makes headings bold on a terminal."""
        return "\n".join(self._lines()).strip("\n")

    def as_dict(self) -> dict[str, Any]:
        """Return plain data: of each topic its fields, outlets, example and text; of a list what each tells."""
        return {"topics": [topic.in_brief() if self.listed else topic.as_dict() for topic in self.topics]}

    def _lines(self) -> Iterator[str]:
        from flowsheet.show.guide import words

        if self.listed:
            yield from words.overview(self.topics)
        for topic in () if self.listed else self.topics:
            yield from (*words.told(topic), "")

    def _repr_html_(self) -> str:
        from flowsheet.show.guide.words import as_html

        return as_html(self.terminal)


def explain(*topics: str, commands: Mapping[str, str] | None = None) -> Explained:
    """Return what the guide tells of ``topics``, as ``flowsheet explain`` does; without one, the list of all.

    A topic is a kind of step ("pan"), one of its numbers ("pan.d50"), a part of a sheet ("gold"), a command, a page
    ("weights"), or the ``topic`` of a mistake. ``commands``: each command of the program and what it does in a line,
    in place of those of the program that is installed. Raises SheetError with the nearest topic.

    >>> import flowsheet as fs
    >>> "Fields" in str(fs.explain("pan"))
    True
    >>> fs.explain("pan", "gold"), fs.explain("pan.d50")
    (<Explained pan, gold>, <Explained pan.d50: size of free gold of which half is kept>)
    """
    from flowsheet.show.guide.topics import find
    from flowsheet.show.guide.topics import topics as all_topics

    known = all_topics(commands if commands is not None else _installed())
    asked = {topic.name: topic for topic in (find(name, known) for name in topics)}
    return Explained(tuple((asked or known).values()), listed=not asked)


def _installed() -> Mapping[str, str]:
    """Return the commands of the program that is installed; none where none is."""
    from importlib import import_module

    for point in entry_points(group="console_scripts", name=PROGRAM):
        found: Mapping[str, str] = import_module(point.module).commands()
        return found
    return {}
