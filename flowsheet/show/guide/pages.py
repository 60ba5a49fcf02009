"""The guide's pages, and the sections of them that are topics of their own.

A page is a Markdown file of ``flowsheet/guide``. Its first line is its title; a heading "## pan, sluice: washing" opens
a section that is told under each of these names, any other heading stays within the text around it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "guide"
ORDER = ("start", "sheet", "numbers", "weights", "answers", "sampling", "pile", "money", "rocks", "page", "files",
         "care", "python", "model")  # fmt: skip
"""The pages as one reads them; the file of each is NAME.md."""

_HEADING = re.compile(r"## (?P<names>[a-z_]+(?:, [a-z_]+)*): (?P<title>.+)")


@dataclass(frozen=True)
class Section:
    """A part of a page: the topics that it belongs to, its title, and its Markdown without the heading."""

    page: str
    names: tuple[str, ...]
    title: str
    text: str


@dataclass(frozen=True)
class Page:
    """A page of the guide: its title, its whole Markdown without that, and its sections."""

    name: str
    title: str
    text: str
    sections: tuple[Section, ...]


@cache
def pages() -> dict[str, Page]:
    """Return the guide, page by page, in the order of reading."""
    return {name: page_of(name, (FOLDER / f"{name}.md").read_text(encoding="utf-8")) for name in ORDER}


def page_of(name: str, markdown: str) -> Page:
    """Return a page from its text."""
    title, _, text = markdown.partition("\n")
    return Page(name, title.removeprefix("# "), text.strip("\n"), tuple(_sections(name, text)))


def _sections(page: str, text: str) -> Iterator[Section]:
    inside = re.split(r"^(?=## )", text, flags=re.MULTILINE)
    for part in inside[1:]:
        heading, _, below = part.partition("\n")
        if (found := _HEADING.fullmatch(heading)) is not None:
            yield Section(page, tuple(found["names"].split(", ")), found["title"], below.strip("\n"))
