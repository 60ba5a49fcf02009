"""YAML to plain data in which every scalar is text, with the line and column of every field.

YAML's own guesses (``no`` as false, ``1:30`` as ninety) have no place in a weigh sheet, so scalars stay
as written and the schema reads them. Anchors and aliases are allowed within bounds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import yaml

from flowsheet.spec.mistakes import SETTING, Mistake, SheetError, did_you_mean, nearest, shortened
from flowsheet.spec.yaml_faults import yaml_fault

Path_: TypeAlias = tuple[str | int, ...]

MOST_BYTES = 1_000_000
MOST_NODES = 20_000
MOST_DEPTH = 40

#: What YAML lets no text hold (YAML 1.1, section 5.1: all but the printable characters).
_NO_TEXT = re.compile("[^\\t\\n\\r\\x20-\\x7e\\x85\\xa0-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")

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
    #: Whether it was changed by settings after it was read: what is wrong then stands in them, not in the file.
    changed: bool = False

    def mistake(self, path: Path_, message: str, remedy: str, read: str | None = None) -> Mistake:
        """Return a mistake that names the field at ``path`` and where it (or its nearest parent) stands."""
        return self._mistake(self._place(path), path, message, remedy, self.text_at(path) if read is None else read)

    def name_mistake(self, path: Path_, message: str, remedy: str) -> Mistake:
        """Return a mistake in the name of a field, not in what stands behind the colon."""
        return self._mistake(self._name_place(path), path, message, remedy, str(path[-1]))

    def block_mistake(self, path: Path_, message: str, remedy: str) -> Mistake:
        """Return a mistake in a block as a whole, which stands where its name does."""
        return self._mistake(self._name_place(path), path, message, remedy, None)

    def _name_place(self, path: Path_) -> tuple[int, int]:
        return self.keys.get(path) or self._place(path)

    def _place(self, path: Path_) -> tuple[int, int]:
        while path and path not in self.marks:
            path = path[:-1]
        return self.marks.get(path, (0, 0))

    def _mistake(self, at: tuple[int, int], path: Path_, message: str, remedy: str, read: str | None) -> Mistake:
        field_name = ".".join(map(str, path))
        if self.changed:
            return Mistake(message, remedy, field_name, read, SETTING)
        return Mistake(message, remedy, field_name, read, self.file, *at)

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
        if Path(path).is_dir():
            raise _fault(name, "this is a folder, where a sheet is wanted", _others(Path(path) / "x"))
        with Path(path).open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise _fault(name, "there is no such file", _others(Path(path))) from None
    except OSError as wrong:
        raise _fault(name, f"the file cannot be read ({wrong.strerror})", "Check its name and rights") from None
    except ValueError:  # a NUL in the name
        raise _fault(shortened(name), "no file can have this name", "Name a sheet") from None
    if len(raw) > MOST_BYTES:
        raise _fault(name, f"the file is longer than {MOST_BYTES / 1e6:g} MB", "Name a sheet, which is a short text")
    return parse(_decode(raw, name), name)


def parse(text: str, file: str = "sheet") -> Document:
    """Turn YAML text into a Document. Raises SheetError with the place of every fault found."""
    _check_characters(text, file)
    try:
        _check_size(text, file)
        root = yaml.compose(text, Loader=_Loader)
    except yaml.YAMLError as wrong:
        raise yaml_fault(wrong, text, file) from None
    start = 'Start one with "flowsheet new FILE"'
    if root is None:
        raise _fault(file, "the sheet is empty", start)
    document = Document(file, {})
    walker = _Walker(document)
    data = walker.plain(root, ())
    if walker.mistakes:
        raise SheetError(walker.mistakes)
    if not isinstance(data, dict):
        raise _fault(file, "this is no sheet: a sheet begins with fields, as ore:, steps: and keep:", start, root)
    document.data = data
    return document


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
        if self.count > MOST_NODES or len(self.open) > MOST_DEPTH or any(node is outer for outer in self.open):
            # What was written out is within these bounds (see _check_size), so an alias passed them.
            if not self.mistakes:
                named = next((path[:n] for n in (3, 2, 1) if path[:n] in self.document.keys), ())
                message = "the aliases (*) in this field unfold without end"
                self.mistakes.append(self.document.block_mistake(named, message, "Write the values out instead"))
            return None
        if isinstance(node, yaml.ScalarNode):
            empty = not node.style and node.value in ("", "~", "null")
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
        for key, value in node.value:
            if self.count > MOST_NODES:
                break
            if not isinstance(key, yaml.ScalarNode):
                self._say(key, path, "a field's name must be plain text", "Write name: value")
                continue
            name = key.value
            at = (*path, name)
            if name in data:
                line = self.document.keys[at][0]
                self._say(key, at, f"written twice, first in line {line}", "Keep one of the two")
                continue
            self.document.marks[at] = self.document.keys[at] = _place(key)
            data[name] = self.plain(value, at)
            if data[name] is None and not key.style and (stuck := re.fullmatch(r"([^:]+):(\S.*)", name)):
                self._say(key, at, "a blank is missing behind the colon", f'Write "{stuck[1]}: {stuck[2]}"')
            if isinstance(value, yaml.ScalarNode) and value.value:
                self.document.marks[at] = _place(value)
        return data

    def _say(self, node: yaml.Node, path: Path_, message: str, remedy: str) -> None:
        line, column = _place(node)
        name = ".".join(map(str, path))
        read = shortened(node.value) if isinstance(node, yaml.ScalarNode) else None
        self.mistakes.append(Mistake(message, remedy, name, read, self.document.file, line, column))


def _place(node: yaml.Node) -> tuple[int, int]:
    return node.start_mark.line + 1, node.start_mark.column + 1


def _check_characters(text: str, file: str) -> None:
    """Refuse what no text holds, at its place."""
    if (found := _NO_TEXT.search(text)) is None:
        return
    line = text.count("\n", 0, found.start()) + 1
    column = found.start() - (text.rfind("\n", 0, found.start()) + 1) + 1
    message = f"a character that is no text stands here (code {ord(found[0])})"
    remedy = "Delete it, or save the sheet anew as plain text with the encoding UTF-8"
    raise SheetError([Mistake(message, remedy, file=file, line=line, column=column)])


def _check_size(text: str, file: str) -> None:
    """Refuse what no sheet is, before a tree is built of it."""
    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=_Loader)):
        if isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent)):
            depth += 1
        elif isinstance(event, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
            depth -= 1
        if depth > MOST_DEPTH or count > 4 * MOST_NODES:
            line, column = (event.start_mark.line + 1, event.start_mark.column + 1) if event.start_mark else (1, 1)
            what = "nested too deeply" if depth > MOST_DEPTH else "too long"
            remedy = 'See what a sheet looks like: "flowsheet new FILE" writes one'
            raise SheetError([Mistake(f"this is {what} for a sheet", remedy, file=file, line=line, column=column)])


def _decode(raw: bytes, name: str) -> str:
    start = raw[:200]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or start.count(0) > len(start) / 4:
        raise _fault(name, "the file is not UTF-8 text (it looks like UTF-16, or like no text at all)",
                     "Save it as plain text with the encoding UTF-8")  # fmt: skip
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        before = raw[: wrong.start]
        line = before.count(b"\n") + 1
        column = len(before.rsplit(b"\n", 1)[-1].decode("utf-8-sig")) + 1
        shown = raw[wrong.start : wrong.start + 1].decode("cp1252", errors="replace")
        message = f'the file is not UTF-8 text (this may be a "{shown}" in an older encoding)'
        remedy = "Save it as plain text with the encoding UTF-8"
        raise SheetError([Mistake(message, remedy, file=name, line=line, column=column)]) from None


def _fault(file: str, message: str, remedy: str, at: yaml.Node | None = None) -> SheetError:
    line, column = (1, 1) if at is None else _place(at)
    return SheetError([Mistake(message, remedy, file=file, line=line, column=column)])


def _others(path: Path) -> str:
    """Say which sheets lie where the missing one was looked for."""
    try:
        found = sorted(p for p in path.parent.iterdir() if p.suffix in (".yaml", ".yml"))
    except OSError:
        found = []
    like = nearest(path.stem, [p.stem for p in found])
    if like is not None:
        return did_you_mean(path.name, [p.name for p in found if p.stem == like])
    if found:
        return "The sheets beside it are: " + ", ".join(p.name for p in found[:12])
    return 'Name a sheet, or start one with "flowsheet new FILE"'
