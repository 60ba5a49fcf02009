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

from flowsheet.spec.mistakes import Mistake, SheetError

Path_: TypeAlias = tuple[str | int, ...]

MOST_BYTES = 1_000_000
MOST_NODES = 20_000
MOST_DEPTH = 40

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass
class Document:
    """A sheet as plain data (dict, list, str, None) and where each part of it stands."""

    file: str
    data: dict[str, Any]
    marks: dict[Path_, tuple[int, int]] = field(default_factory=dict)

    def mistake(self, path: Path_, message: str, remedy: str, read: str | None = None) -> Mistake:
        """Return a mistake that names the field at ``path`` and where it (or its nearest parent) stands."""
        spot = path
        while spot and spot not in self.marks:
            spot = spot[:-1]
        line, column = self.marks.get(spot, (1, 1))
        if read is None:
            read = self.text_at(path)
        return Mistake(message, remedy, ".".join(map(str, path)), read, self.file, line, column)

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
        size = Path(path).stat().st_size
        if size > MOST_BYTES:
            raise _fault(name, f"{size / 1e6:.0f} MB long", "Name a sheet, which is a short text file")
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise _fault(name, "there is no such file", _others(Path(path))) from None
    except IsADirectoryError:
        raise _fault(name, "this is a directory", _others(Path(path) / "x")) from None
    except OSError as wrong:
        raise _fault(name, f"the file cannot be read ({wrong.strerror})", "Check its name and rights") from None
    return parse(_decode(raw, name), name)


def parse(text: str, file: str = "sheet") -> Document:
    """Turn YAML text into a Document. Raises SheetError with the place of every fault found."""
    try:
        _check_size(text, file)
        root = yaml.compose(text, Loader=_Loader)
    except yaml.YAMLError as wrong:
        raise _yaml_fault(wrong, text, file) from None
    if root is None:
        raise _fault(file, "the sheet is empty", 'Start one with "flowsheet new FILE"')
    document = Document(file, {})
    walker = _Walker(document)
    data = walker.plain(root, ())
    if walker.mistakes:
        raise SheetError(walker.mistakes)
    if not isinstance(data, dict):
        raise _fault(file, "this is no sheet: it must be fields with a colon", 'See "flowsheet new FILE"')
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
        if self.count > MOST_NODES or any(node is outer for outer in self.open):
            if not self.mistakes:
                self._say(node, path, "the aliases (*) of this sheet unfold without end",
                          "Write the values out instead")  # fmt: skip
            return None
        if isinstance(node, yaml.ScalarNode):
            empty = node.style is None and node.value in ("", "~", "null")
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
            if name in data:
                line = self.document.marks[(*path, name)][0]
                self._say(key, (*path, name), f"written twice, first in line {line}", "Keep one of the two")
                continue
            self.document.marks[(*path, name)] = _place(key)
            data[name] = self.plain(value, (*path, name))
            if isinstance(value, yaml.ScalarNode) and value.value:
                self.document.marks[(*path, name)] = _place(value)
        return data

    def _say(self, node: yaml.Node, path: Path_, message: str, remedy: str) -> None:
        line, column = _place(node)
        name = ".".join(map(str, path))
        self.mistakes.append(Mistake(message, remedy, name, None, self.document.file, line, column))


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
        if depth > MOST_DEPTH or count > 4 * MOST_NODES:
            mark = event.start_mark
            what = "nested too deeply" if depth > MOST_DEPTH else "too long"
            raise SheetError([Mistake(f"the sheet is {what}", "Write a sheet by the grammar of the README",
                                      file=file, line=mark.line + 1, column=mark.column + 1)])  # fmt: skip


def _decode(raw: bytes, name: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in raw[:200]:
        raise _fault(name, "the file is not UTF-8 text (it looks like UTF-16 or no text at all)",
                     "Save it as plain text with the encoding UTF-8")  # fmt: skip
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        before = raw[: wrong.start]
        line = before.count(b"\n") + 1
        column = len(before.rsplit(b"\n", 1)[-1]) + 1
        shown = raw[wrong.start : wrong.start + 1].decode("cp1252", errors="replace")
        mistake = Mistake(f'the file is not UTF-8 text (first at what may be a "{shown}")',
                          "Save it with the encoding UTF-8", file=name, line=line, column=column)  # fmt: skip
        raise SheetError([mistake]) from None


def _fault(file: str, message: str, remedy: str) -> SheetError:
    return SheetError([Mistake(message, remedy, file=file)])


def _others(path: Path) -> str:
    """Say which sheets lie where the missing one was looked for."""
    try:
        found = sorted(p.name for p in path.parent.iterdir() if p.suffix in (".yaml", ".yml"))
    except OSError:
        found = []
    if found:
        return "Sheets beside it: " + ", ".join(found[:8])
    return 'Name a sheet, or start one with "flowsheet new FILE"'


def _yaml_fault(wrong: yaml.YAMLError, text: str, file: str) -> SheetError:
    """Say a YAML fault in the words of someone who edits a text file."""
    mark = getattr(wrong, "problem_mark", None) or getattr(wrong, "context_mark", None)
    problem = str(getattr(wrong, "problem", None) or wrong).splitlines()[0]
    line, column = (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)
    if mark is None and (place := getattr(wrong, "position", None)) is not None:
        line = text.count("\n", 0, place) + 1
        column = place - (text.rfind("\n", 0, place) + 1) + 1
    lines = text.splitlines() or [""]
    row = lines[min(line, len(lines)) - 1]
    message, remedy = f"the text cannot be read as YAML ({problem})", "Check colons, brackets and quotes here"
    tab = next(((i, r) for i, r in enumerate(lines, 1) if re.match(r"\s*\t", r)), None)
    comment = next(((i, r) for i, r in enumerate(lines, 1) if re.search(r"[{,:\[]\s+#\d", r)), None)
    if tab is not None and abs(tab[0] - line) <= 1:
        line, column = tab[0], tab[1].index("\t") + 1
        message, remedy = "a tab stands where blanks are wanted", "Indent with blanks, two for each step"
    elif comment is not None and comment[0] <= line:
        line, column = comment[0], comment[1].index("#") + 1
        message, remedy = "a # starts a comment here", 'Put a mesh number in quotes ("#20") or write 20 mesh'
    elif "single document" in str(wrong):
        message, remedy = "a second sheet starts here (---)", "Keep one sheet in a file"
    elif "undefined alias" in str(wrong):
        message, remedy = "an alias (*) to something that is not named", "Write the value out, or quote the *"
    elif "mapping values are not allowed" in str(wrong):
        message, remedy = "a colon too many", "Quote text that holds a colon; check the line's indent"
    elif "special characters" in str(wrong) or "control characters" in str(wrong):
        message, remedy = "a character that is no text", "Delete it, or save the file as plain text in UTF-8"
    elif re.search(r"[{\[]", row) and "expected" in problem:
        message, remedy = "a bracket or comma is missing", "Close every { with } and every [ with ]"
    return SheetError([Mistake(message, remedy, read=row.strip()[:60] or None, file=file, line=line, column=column)])
