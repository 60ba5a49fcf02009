"""YAML to plain data in which every scalar is text, with the line and column of every field.

YAML's own guesses (``no`` as false, ``1:30`` as ninety) have no place in a weigh sheet, so scalars stay
as written and the schema reads them. Anchors and aliases are allowed within bounds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeAlias

import yaml

from flowsheet.spec.text.mistakes import SETTINGS, Mistake, SheetError, shortened
from flowsheet.spec.text.notes import NOTHING, Subject
from flowsheet.spec.text.refusals import comma
from flowsheet.spec.text.text_file import UnreadableError, check_characters, decode, fault, read_bytes
from flowsheet.spec.text.wording import argument
from flowsheet.spec.yaml.faults import yaml_fault

Path_: TypeAlias = tuple[str | int, ...]

MOST_PARTS = 80_000
"""Names, values, brackets and beginnings of blocks in a sheet, aliases unfolded; a step is some twenty of them."""
STEPS_IN_A_SHEET = MOST_PARTS // 20
MOST_DEPTH = 40

LIKE_A_SHEET = (".yaml", ".yml", ".txt", "")
"""Endings that people give to sheets: what is wrong in such a file is told line by line."""
START = 'Start one with "flowsheet new FILE"'

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass
class Document:
    """A sheet as plain data (dict, list, str, None) and where each part of it stands.

    ``marks`` leads to the values (of a block: to its name), ``keys`` to the names of the fields.
    """

    file: str
    data: dict[str, Any]
    marks: dict[Path_, tuple[int, int]] = field(default_factory=dict)
    keys: dict[Path_, tuple[int, int]] = field(default_factory=dict)
    #: Where a bare null or ~ stands, which is nothing to YAML, and which of them.
    nulls: dict[Path_, str] = field(default_factory=dict)
    #: Whether it was changed by settings after it was read: what is wrong then stands in them, not in the file.
    changed: bool = False
    #: As it was read, without a byte order mark; and the fields that were set anew since.
    text: str = ""
    settings: dict[str, str] = field(default_factory=dict)
    #: What stood in the file.
    raw: bytes = b""

    def mistake(
        self, path: Path_, message: str, remedy: str, read: str | None = None, *, code: str, subject: Subject = NOTHING
    ) -> Mistake:
        """Return a mistake that names the field at ``path`` and where it (or its nearest parent) stands."""
        read = self.text_at(path) if read is None else read
        return self._mistake(self._place(path), path, message, remedy, read, code=code, subject=subject)

    def name_mistake(self, path: Path_, message: str, remedy: str, *, code: str) -> Mistake:
        """Return a mistake in the name of a field, not in what stands behind the colon."""
        return self._mistake(self._name_place(path), path, message, remedy, str(path[-1]), code=code)

    def block_mistake(self, path: Path_, message: str, remedy: str, *, code: str) -> Mistake:
        """Return a mistake in a block as a whole, which stands where its name does."""
        return self._mistake(self._name_place(path), path, message, remedy, None, code=code)

    def _name_place(self, path: Path_) -> tuple[int, int]:
        return self.keys.get(path) or self._place(path)

    def _place(self, path: Path_) -> tuple[int, int]:
        while path and path not in self.marks:
            path = path[:-1]
        return self.marks.get(path, (0, 0))

    def _mistake(
        self,
        at: tuple[int, int],
        path: Path_,
        message: str,
        remedy: str,
        read: str | None,
        *,
        code: str,
        subject: Subject = NOTHING,
    ) -> Mistake:
        if self.changed:
            return Mistake(message, remedy, self.field_at(path), read, argument(SETTINGS), code=code, subject=subject)
        return Mistake(message, remedy, self.field_at(path), read, self.file, *at, code=code, subject=subject)

    def field_at(self, path: Path_) -> str:
        """Return how a mistake calls the field at ``path``."""
        return ".".join(map(str, path))

    def remarks_at(self, path: Path_) -> tuple[str, str]:
        """Return (when, note) of the field at ``path`` alone; a sheet has them by block, so none."""
        return "", ""

    def line_at(self, path: Path_) -> int:
        """Return the line of the field at ``path``, 0 where it stands in no file."""
        return self._place(path)[0]

    def text_at(self, path: Path_) -> str | None:
        """Return the scalar at ``path`` as it was written, None if there is no scalar there."""
        node: Any = self.data
        for part in path:
            try:
                node = node[part]
            except (KeyError, IndexError, TypeError):
                return None
        return node if isinstance(node, str) else None


def read(path: str | Path) -> Document:
    """Read a sheet file. Raises SheetError for what cannot be read as one YAML mapping."""
    name = str(path)
    try:
        raw = read_bytes(path, "sheet", (".yaml", ".yml"), 'Name a sheet, or start one with "flowsheet new FILE"')
    except UnreadableError as wrong:
        raise fault(wrong.name, wrong.message, wrong.remedy, code=wrong.code) from None
    text = decode(raw, name)
    try:
        found = parse(text, name)
    except SheetError as wrong:
        ending = Path(path).suffix
        if ending.lower() in LIKE_A_SHEET or not all(mistake.code == "yaml_unreadable" for mistake in wrong.mistakes):
            raise
        message = f"this is no sheet: a sheet is text whose name ends in .yaml, and this one ends in {ending}"
        raise fault(name, message, f"Name a sheet. {START}", code="no_sheet") from None
    found.raw = raw
    return found


def parse(text: str, file: str = "sheet") -> Document:
    """Turn YAML text into a Document. Raises SheetError with the place of every fault found."""
    check_characters(text, file, "sheet")
    try:
        _check_size(text, file)
        root = yaml.compose(text, Loader=_Loader)
    except yaml.YAMLError as wrong:
        raise yaml_fault(wrong, text, file) from None
    if root is None:
        raise fault(file, "the sheet is empty", START, code="sheet_empty")
    document = Document(file, {}, text=text, raw=text.encode())
    walker = _Walker(document)
    data = walker.plain(root, ())
    if walker.mistakes:
        raise SheetError(walker.mistakes)
    if not isinstance(data, dict):
        message = "this is no sheet: a sheet begins with fields, as ore:, steps: and keep:"
        raise fault(file, message, START, _place(root), code="no_sheet")
    document.data = data
    return document


def null_names(document: Document, mistakes: Iterable[Mistake]) -> Iterator[Mistake]:
    """Go through the mistakes; a stream that is called null is told of once, where it is first named."""
    nulls = {document.field_at(path): read for path, read in document.nulls.items() if _names_a_stream(path)}
    found = [mistake for mistake in mistakes if mistake.field in nulls]
    first = min(found, key=lambda mistake: (mistake.line, mistake.column), default=None)
    yield from (mistake for mistake in mistakes if mistake.field not in nulls)
    if first is not None:
        read = nulls[first.field]
        remedy = f'If it is the name of a stream, put it in quotes wherever it stands: "{read}"'
        yield replace(
            first, message=f"a bare {read} is nothing, not a name", remedy=remedy, read=read, code="bare_null"
        )


def _names_a_stream(path: Path_) -> bool:
    return path[0] == "keep" or (path[0] == "steps" and path[2:3] in (("takes",), ("gives",)))


class _Walker:
    """Turns YAML nodes into plain data, noting marks, double keys and bombs."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.mistakes: list[Mistake] = []
        self.count = 0
        self.open: list[yaml.Node] = []

    def plain(self, node: yaml.Node, path: Path_) -> Any:
        self.count += 1
        self.document.marks.setdefault(path, _place(node))
        if self.count > MOST_PARTS or len(self.open) > MOST_DEPTH or any(node is outer for outer in self.open):
            # What was written out is within these bounds (see _check_size: every node is one event or more), so it was
            # an alias that passed them.
            if not self.mistakes:
                named = next((path[:n] for n in (3, 2, 1) if path[:n] in self.document.keys), ())
                message = "the aliases (*) in this field unfold without end"
                self.mistakes.append(
                    self.document.block_mistake(
                        named, message, "Write the values out instead", code="aliases_without_end"
                    )
                )
            return None
        if isinstance(node, yaml.ScalarNode):
            empty = not node.style and node.value in ("", "~", "null")
            if empty and node.value:
                self.document.nulls[path] = node.value
            return None if empty else node.value
        self.open.append(node)
        try:
            if isinstance(node, yaml.SequenceNode):
                return [self.plain(item, (*path, i)) for i, item in enumerate(node.value)]
            return self._mapping(node, path)
        finally:
            self.open.pop()

    def _mapping(self, node: yaml.Node, path: Path_) -> dict[str, Any]:
        data: dict[str, Any] = {}
        rests = 0
        for i, (key, value) in enumerate(node.value):
            if rests:  # of a number that a comma parts, which is told already
                rests -= 1
                continue
            if self.count > MOST_PARTS:
                break
            if not isinstance(key, yaml.ScalarNode):
                self._say(
                    key, path, "a field's name must be plain text", "Write name: value", code="field_name_no_text"
                )
                continue
            name = key.value
            at = (*path, name)
            if name in data:
                line = self.document.keys[at][0]
                self._say(key, at, f"written twice, first in line {line}", "Keep one of the two", code="field_twice")
                continue
            self.document.marks[at] = self.document.keys[at] = _place(key)
            parts = _parted_by_comma(node.value, i)
            if parts and (wrong := comma(split := ",".join(parts))):
                rests = len(parts) - 1
                self._say(value, at, wrong.message, wrong.remedy, wrong.code, split)
                continue
            data[name] = self.plain(value, at)
            if data[name] is None and not key.style and (stuck := re.fullmatch(r"([^:]+):(\S.*)", name)):
                self._say(
                    key,
                    at,
                    "a blank is missing behind the colon",
                    f'Write "{stuck[1]}: {stuck[2]}"',
                    code="blank_missing",
                )
            if isinstance(value, yaml.ScalarNode) and value.value:
                self.document.marks[at] = _place(value)
        return data

    def _say(self, node: yaml.Node, path: Path_, message: str, remedy: str, code: str, told: str = "") -> None:
        line, column = _place(node)
        name = ".".join(map(str, path))
        read = told or (shortened(node.value) if isinstance(node, yaml.ScalarNode) else None)
        self.mistakes.append(Mistake(message, remedy, name, read, self.document.file, line, column, code=code))


def _parted_by_comma(pairs: list[tuple[yaml.Node, yaml.Node]], at: int) -> list[str]:
    """Return the parts of the number that one of some fields has, where commas part it; else nothing.

    Of ``{gold: 0,33 g ± 0,1 g}`` they are "0", "33 g ± 0" and "1 g": to YAML, "1 g" is a field with nothing in it.
    """
    first = pairs[at][1]
    if not (isinstance(first, yaml.ScalarNode) and not first.style and re.fullmatch(r"[+-]?\d(?:.*\d)?", first.value)):
        return []
    parts, end = [first.value], first.end_mark.index
    for key, value in (pairs[k] for k in range(at + 1, len(pairs))):
        bare = all(isinstance(one, yaml.ScalarNode) and not one.style for one in (key, value))
        if not bare or value.value or key.start_mark.index != end + 1 or not re.match(r"\d", key.value):
            break
        parts.append(key.value)
        end = key.end_mark.index
    return parts if len(parts) > 1 else []


def _place(node: yaml.Node) -> tuple[int, int]:
    return node.start_mark.line + 1, node.start_mark.column + 1


def _check_size(text: str, file: str) -> None:
    """Refuse what no sheet is, before a tree is built of it."""
    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=_Loader)):
        if isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            depth += 1
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            depth -= 1
        if depth > MOST_DEPTH or count > MOST_PARTS:
            line, column = (event.start_mark.line + 1, event.start_mark.column + 1) if event.start_mark else (1, 1)
            if depth > MOST_DEPTH:
                what, limit = "nested too deeply", f"more than {MOST_DEPTH} blocks within each other"
                remedy = 'See what a sheet looks like: "flowsheet new FILE" writes one'
            else:
                what, limit = "too long", f"more than {MOST_PARTS:,} names, values and brackets"
                remedy = (
                    f"A sheet has room for some {STEPS_IN_A_SHEET:,} steps: part it at a stream, and let what the "
                    "first sheet says of this be the ore of the second"
                )
            raise SheetError(
                [
                    Mistake(
                        f"this is {what} for a sheet ({limit})",
                        remedy,
                        file=file,
                        line=line,
                        column=column,
                        code="sheet_too_large",
                    )
                ]
            )
