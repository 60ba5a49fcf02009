"""What was weighed, read from the sheet and from the weigh sheets that it names, test by test."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Protocol, TypeAlias

from flowsheet.spec.blocks.schema import Weighed
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.spec.text.text_file import UnreadableError, read_bytes
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weigh_table import WeighSheet
from flowsheet.spec.weights.weighed_test import FILE, WeighedTest, tables_named
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.block_reader import BlockReader
from flowsheet.spec.yaml.marked_document import Document, Path_

ONCE = ("mass", "grade", "assay_mass", "gold", "bead", "picked_metal", "moisture", "metallics", "sizes")
"""Fields that hold one measurement."""

Texts: TypeAlias = Mapping[Path, tuple[str, str]]
"""Real path → how mistakes call the file, and its text, which need not be that on the disk."""


class Shape(BlockReader, Protocol):
    """What reads the blocks of a document, and those of a weigh sheet beside it."""

    hurt: set[Path_]
    texts: Texts

    def beside(self, sheet: WeighSheet) -> Shape:
        """Return what reads the blocks of a weigh sheet."""


def read_weighed(shape: Shape) -> list[WeighedTest]:
    """Return the weights of the sheet itself, then those of each weigh sheet; what is wrong is noted by ``shape``.

    With one weigh sheet, its lines and the sheet's own weights are one test.
    """
    document = shape.document
    if "weighed" not in document.data:
        return []
    own = WeighedTest("", document, ("weighed",), hurt=shape.hurt)
    names = [name for name in shape.names("weighed", "stream: {mass: …}") if name != FILE]
    blocks = {name: shape.block(Weighed, ("weighed", name)) for name in names}
    own.blocks = {name: block for name, block in blocks.items() if block is not None}
    tests: list[WeighedTest] = []
    given = list(_weigh_sheets(shape))
    for path, name in given:
        test = _weigh_sheet(shape, path, name) if name else None
        if test is not None and test.name in [other.name for other in tests]:
            shape.say(
                path,
                f'two weigh sheets are called "{test.name}"',
                "Name each once, and each otherwise",
                code="tests_called_alike",
            )
        elif test is not None:
            tests.append(test)
    if names and len(given) > 1:
        message = "several weigh sheets are named, and nothing tells in which of these tests this was weighed"
        told = names[0] if len(names) == 1 else "what stands under weighed: beside file:"
        remedy = f"Put {told} into one of the files, a line for each weight, as {names[0]},mass,8.0 kg"
        shape.mistakes.append(document.name_mistake(own.path(names[0]), message, remedy, code="test_not_told"))
    elif names and tests:
        own.join(tests[0])
        shape.mistakes.extend(_measured_twice(own, tests[0]))
    return [own, *tests]


def source_files(*documents: Document) -> SourceFiles:
    """Return the files that documents were read from, a sheet's own first."""
    return SourceFiles(tuple((Path(document.file), document.raw) for document in documents))


def readable_sources(path: str | Path) -> SourceFiles:
    """Return the files of a sheet as far as they can be read, whatever is wrong with them."""
    try:
        document = yaml_document.read(path)
    except SheetError:
        with contextlib.suppress(UnreadableError):
            return SourceFiles(((Path(path), read_bytes(path, "sheet", (), "")),))
        return SourceFiles()
    tables = []
    for table in tables_named(document):
        with contextlib.suppress(SheetError, UnreadableError):
            tables.append(weigh_sheet.read(table))
    return source_files(document, *tables)


def files_named(path: str | Path) -> list[Path]:
    """Return the weigh sheets that a sheet names, whatever else is wrong with it; none where it cannot be read."""
    try:
        return tables_named(yaml_document.read(path))
    except SheetError:
        return []


def _weigh_sheets(shape: Shape) -> Iterator[tuple[Path_, str]]:
    """Go through the names of weigh sheets ("" for what is none) and where they stand."""
    block = shape.document.data["weighed"]
    if not isinstance(block, dict) or FILE not in block:
        return
    given, path = block[FILE], ("weighed", FILE)
    for i, name in enumerate(given if isinstance(given, list) and given else [given]):
        at: Path_ = (*path, i) if isinstance(given, list) and given else path
        sound = isinstance(name, str) and bool(name.strip())
        if not sound:
            like = "Write file: sack3.csv, or file: [sack3.csv, sack4.csv]"
            shape.say(at, "the name of a weigh sheet is wanted", like, code="weigh_sheet_wanted")
        yield at, name.strip() if sound else ""


def _weigh_sheet(shape: Shape, path: Path_, name: str) -> WeighedTest | None:
    path_of = Path(shape.document.file).parent / name
    try:
        unsaved = shape.texts.get(Path(os.path.realpath(path_of))) if shape.texts else None
        sheet = weigh_sheet.parse(unsaved[1], unsaved[0]) if unsaved else weigh_sheet.read(path_of)
    except UnreadableError as wrong:
        shape.say(path, wrong.message, wrong.remedy, code=wrong.code)
        return None
    except SheetError as wrong:
        shape.mistakes.extend(wrong.mistakes)
        return None
    test = table_test(Path(name).stem, sheet, shape.beside(sheet))
    shape.mistakes.extend(sheet.mistakes)
    return test


def table_test(name: str, sheet: WeighSheet, shape: Shape) -> WeighedTest:
    """Return the test that a weigh sheet tells, its blocks read by ``shape``."""
    blocks = {stream: shape.block(Weighed, (stream,)) for stream in sheet.data}
    found = {stream: block for stream, block in blocks.items() if block is not None}
    return WeighedTest(name, sheet, (), found, shape.hurt)


def _measured_twice(own: WeighedTest, table: WeighedTest) -> Iterator[Mistake]:
    """Go through what the sheet and its one weigh sheet both tell: told in the weigh sheet, naming the sheet's line."""
    for stream, block in own.blocks.items():
        other = table.blocks.get(stream)
        if other is None:
            continue
        for one in (one for one in ONCE if getattr(other, one) is not None):
            mine = next((like for like in _like(one) if getattr(block, like) is not None), None)
            if mine is not None:
                yield _twice(own, table, (stream, mine), (stream, one))
        for many in ("passing", "grains"):
            keys = {row.size: row.key for row in getattr(block, many) or ()}
            for row in getattr(other, many) or ():
                if row.size in keys:
                    yield _twice(own, table, (stream, many, keys[row.size]), (stream, many, row.key))


def _like(one: str) -> tuple[str, ...]:
    """Return the fields that tell the same of a stream: a screen assay is a grade too."""
    return {"grade": ("grade", "metallics"), "metallics": ("metallics", "grade")}.get(one, (one,))


def _twice(own: WeighedTest, table: WeighedTest, mine: tuple[str, ...], theirs: tuple[str, ...]) -> Mistake:
    document, at = own.document, own.path(*mine)
    message = f"measured twice, first in {Path(document.file).name}, line {document.line_at(at)}"
    remedy = "Keep one of the two: with one weigh sheet, its lines and the sheet's own are one test"
    tell = table.document.block_mistake if theirs[-1] == "metallics" else table.document.name_mistake
    return tell(theirs, message, remedy, code="measured_in_the_sheet_too")
