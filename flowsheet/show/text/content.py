"""What a page says, before it is HTML or PDF: sections of words, pictures and tables."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.show.text.tables import Grid


@dataclass(frozen=True)
class Picture:
    """A picture as SVG, and what it shows in words; it shows itself in a notebook."""

    name: str
    svg: str
    #: What someone who can't see it must know: what is drawn, and what it says.
    alt: str

    def _repr_svg_(self) -> str:
        return self.svg


@dataclass(frozen=True)
class Section:
    """One part of a page, in its order: lines, a picture or several, tables, a list."""

    #: Anchor, as "losses"; a page's own, never a name from a sheet.
    key: str
    head: str
    #: Paragraphs; one may begin with the question that it answers, parted from the answer by a line break.
    lines: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    grids: tuple[Grid, ...] = ()
    items: tuple[str, ...] = ()
    #: Whether the lines are an answer, to be read first.
    answer: bool = False
    #: Shown behind a fold on a screen: long tables, the sheet's own text.
    folded: bool = False
