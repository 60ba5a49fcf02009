"""Weigh sheets of a sheet that is read already, one by one: thousands of them cost no more than their own lines."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.checks.weighed import WEIGHED_CHECKS, told_once
from flowsheet.spec.read import Kinds, _Shape, build
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.text_file import UnreadableError
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.read_weighed import table_test
from flowsheet.spec.weights.weighed_test import FILE
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.marked_document import Document, Path_


@dataclass(frozen=True)
class Named:
    """A weigh sheet that a sheet names, and where."""

    path: Path
    at: Path_


@dataclass(frozen=True)
class Base:
    """A sheet without the weigh sheets that it names; one that is half of the sheet's own test is in it."""

    sheet: Sheet
    #: As it was written.
    document: Document
    #: Without the names of its weigh sheets.
    plain: Document
    kinds: Kinds
    named: tuple[Named, ...]
    #: The one that stands beside weights of the sheet's own.
    joined: Named | None = None

    @classmethod
    def read(cls, path: str | Path, kinds: Kinds) -> Base:
        """Read a sheet, but none of the weigh sheets that it names. Raises SheetError with every mistake found."""
        return cls.of(yaml_document.read(path), kinds)

    @classmethod
    def of(cls, document: Document, kinds: Kinds) -> Base:
        """Check a sheet's document, but none of the weigh sheets that it names. Raises SheetError."""
        plain, named = _without_files(document)
        if named and "weighed" in plain.data:
            # One test together; of several, that is a mistake.
            return cls(build(document, kinds), document, document, kinds, (), named[0])
        return cls(build(plain, kinds), document, plain, kinds, named)

    def test(self, path: Path, at: Path_ | None = None) -> tuple[list[Measurement], bytes]:
        """Return what one weigh sheet of this sheet tells, and its bytes. Raises SheetError with every mistake in it.

        ``at``: where the sheet names it, None where it does not.
        """
        try:
            table = weigh_sheet.read(path)
        except UnreadableError as wrong:
            where = self.document.mistake(at, wrong.message, wrong.remedy, code=wrong.code) if at else None
            raise (SheetError([where]) if where else _unreadable(wrong)) from None
        test = table_test(path.stem, table, _Shape(table, {}, table.mistakes, table.hurt))
        draft = Draft(self.plain, dict(self.sheet.ores), dict(self.sheet.steps), [test], list(self.sheet.keep))
        mistakes = [*table.mistakes, *(m for check in WEIGHED_CHECKS for m in check(draft) if not draft.unread(m))]
        if mistakes:
            raise SheetError(dict.fromkeys(told_once(draft, mistakes)))
        return list(test.measurements()), table.raw


def _unreadable(wrong: UnreadableError) -> SheetError:
    from flowsheet.spec.text.mistakes import Mistake

    return SheetError([Mistake(wrong.message, wrong.remedy, file=wrong.name, code=wrong.code)])


def _without_files(document: Document) -> tuple[Document, tuple[Named, ...]]:
    """Return the document without the names of its weigh sheets, and those; as it is where they cannot be read."""
    weighed = document.data.get("weighed")
    given = weighed.get(FILE) if isinstance(weighed, dict) else None
    names = list(_names(given))
    if not isinstance(weighed, dict) or not names or any(name is None for _, name in names):
        return document, ()
    plain = copy.copy(document)
    plain.data = {name: block for name, block in document.data.items() if name != "weighed"}
    rest = {name: block for name, block in weighed.items() if name != FILE}
    if rest:
        plain.data["weighed"] = rest
    folder = Path(document.file).parent
    return plain, tuple(Named(folder / name, ("weighed", FILE, *at)) for at, name in names if name is not None)


def _names(given: object) -> Iterator[tuple[tuple[int, ...], str | None]]:
    """Go through the names of weigh sheets, and their places in the list; None for what is no name."""
    if isinstance(given, list):
        for i, name in enumerate(given):
            yield (i,), name.strip() if isinstance(name, str) and name.strip() else None
    elif given is not None:
        yield (), given.strip() if isinstance(given, str) and given.strip() else None
