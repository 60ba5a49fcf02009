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

from flowsheet.spec.mistakes import SETTING, Mistake, SheetError, did_you_mean, shortened

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
        spot = path
        while spot and spot not in self.marks:
            spot = spot[:-1]
        if read is None:
            read = self.text_at(path)
        return self._mistake(self.marks.get(spot, (0, 0)), path, message, remedy, read)

    def name_mistake(self, path: Path_, message: str, remedy: str) -> Mistake:
        """Return a mistake in the name of a field, not in what stands behind the colon."""
        if path not in self.keys:
            return self.mistake(path, message, remedy, str(path[-1]))
        return self._mistake(self.keys[path], path, message, remedy, str(path[-1]))

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
        raise _yaml_fault(wrong, text, file) from None
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
                self._say(node, path[:3], "the aliases (*) of this sheet unfold without end",
                          "Write the values out instead")  # fmt: skip
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
        found = sorted(p.name for p in path.parent.iterdir() if p.suffix in (".yaml", ".yml"))
    except OSError:
        found = []
    if found:
        return did_you_mean(path.name, found, "sheets beside it")
    return 'Name a sheet, or start one with "flowsheet new FILE"'


#: What YAML's reader says (both of its builds) → what it means to someone who edits a text file.
_YAML_FAULTS: tuple[tuple[str, str, str], ...] = (
    ("single document|but found another document", "a second sheet starts here (---)", "Keep one sheet in a file"),
    ("undefined alias", "a * stands for something named elsewhere by &, and nothing has this name",
     "Write the value out, or put it in quotes if you mean a *"),
    ("second occurrence", "two values are named alike by &", "Name one of them anew"),
    ("scanning an? (alias|anchor)|alphabetic or numeric", "a value cannot begin with * or &", "Put it in quotes"),
    ("mapping values are not allowed", "a colon stands where none can",
     "See that the line above is whole and that fields of one block begin in one column; quote text with a colon"),
    ("could not find expected ':'", "the line above has no colon with a blank behind it", "Write it as name: value"),
    ("cannot start any token", "a value cannot begin with this character", "Put the value in quotes"),
    ("scanning a block scalar", "a value cannot begin with | or >", "Put the value in quotes"),
    ("(block )?sequence entries are not allowed", "a list cannot begin here", "Write it as name: [one, another]"),
    ("scanning a double-quoted|unknown escape", "a backslash in double quotes means something else here",
     "Use single quotes"),
    ("expected (<block end>|key)|did not find expected '-'", "the line does not fit those above",
     "Let the fields of one block begin in one column, and close every bracket"),
    ("<?document start>?", "the line does not fit those above", "Let the fields of one block begin in one column"),
)  # fmt: skip


def _yaml_fault(wrong: yaml.YAMLError, text: str, file: str) -> SheetError:
    """Say a YAML fault in the words of someone who edits a text file."""
    lines = text.splitlines() or [""]
    line, column, message, remedy = (
        _tab(wrong, lines)
        or _comment(wrong, lines)
        or _left_open(wrong)
        or _bracket_too_many(wrong, lines)
        or _other_fault(wrong)
    )
    row = lines[min(line, len(lines)) - 1]
    return SheetError([Mistake(message, remedy, read=shortened(row) or None, file=file, line=line, column=column)])


_Fault: TypeAlias = tuple[int, int, str, str]


def _spot(wrong: yaml.YAMLError, which: str = "problem_mark") -> tuple[int, int]:
    mark = getattr(wrong, which, None)
    return (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)


def _tab(wrong: yaml.YAMLError, lines: list[str]) -> _Fault | None:
    """Find a tab that indents the faulty line or the one above."""
    line, _ = _spot(wrong)
    for at in (line, line - 1):
        if 1 <= at <= len(lines) and (found := re.match(r" *\t", lines[at - 1])):
            return at, found.end(), "a tab stands where blanks are wanted", "Indent with blanks, two for each step"
    return None


def _comment(wrong: yaml.YAMLError, lines: list[str]) -> _Fault | None:
    """Find a mesh number without quotes: its # turned the rest of a bracket into a comment."""
    if "expected" not in str(wrong):
        return None
    line, _ = _spot(wrong)
    for at in range(min(line, len(lines)), 0, -1):
        row = lines[at - 1]
        found = re.search(r"[{,:\[]\s+(#)\d", row)
        if found and sum(map(row[: found.start(1)].count, "{[")) > sum(map(row[: found.start(1)].count, "}]")):
            return at, found.start(1) + 1, "a # behind a blank starts a comment, so the rest of the line is not read", (
                'Put a mesh number in quotes ("#20") or write 20 mesh')  # fmt: skip
    return None


def _left_open(wrong: yaml.YAMLError) -> _Fault | None:
    """Find the bracket or quote that was left open."""
    context, (line, column), noticed = str(getattr(wrong, "context", "")), _spot(wrong, "context_mark"), _spot(wrong)
    if "quoted scalar" in context and "end of stream" in str(wrong):
        return line, column, "a quote is not closed", "Put the same quote at the end of the text"
    if "flow" not in context:
        return None
    if noticed[0] == line:
        return *noticed, "a comma or bracket is missing before this place", "Close every { with } and every [ with ]"
    return line, column, f"this bracket is not closed, or a comma is missing before line {noticed[0]}", (
        "Close every { with } and every [ with ]")  # fmt: skip


def _bracket_too_many(wrong: yaml.YAMLError, lines: list[str]) -> _Fault | None:
    line, column = _spot(wrong)
    here = lines[line - 1][column - 1 : column] if line <= len(lines) else ""
    return (line, column, "a bracket too many", "Delete it, or open it before") if here in ("]", "}") else None


def _other_fault(wrong: yaml.YAMLError) -> _Fault:
    told = " ".join(str(getattr(wrong, part, None) or "") for part in ("context", "problem")).strip() or str(wrong)
    for pattern, message, remedy in _YAML_FAULTS:
        if re.search(pattern, told):
            return *_spot(wrong), message, remedy
    return *_spot(wrong), f"this cannot be read ({shortened(told)})", "Check colons, brackets and quotes here"
