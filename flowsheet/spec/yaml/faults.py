"""What YAML's reader complains of, in the words of someone who edits a text file."""

from __future__ import annotations

import re
from typing import TypeAlias

import yaml

from flowsheet.spec.text.mistakes import Mistake, SheetError, shortened

#: What YAML's reader says (both of its builds) → what it means to someone who edits a text file.
_YAML_FAULTS: tuple[tuple[str, str, str], ...] = (
    ("single document|but found another document", "a second sheet starts here (---)", "Keep one sheet in a file"),
    ("undefined alias", "a * stands for something named elsewhere by &, and nothing has this name",
     "Write the value out, or put it in quotes if you mean a *"),
    ("second occurrence", "two values are named alike by &", "Name one of them anew"),
    ("scanning an? (alias|anchor)|alphabetic or numeric", "a value cannot begin with * or &", "Put it in quotes"),
    ("cannot start any token", "a value cannot begin with this character", "Put the value in quotes"),
    ("scanning a block scalar", "a value cannot begin with | or >", "Put the value in quotes"),
    ("(block )?sequence entries are not allowed", "a list cannot begin here", "Write it as name: [one, another]"),
    ("scanning a double-quoted|unknown escape", "a backslash in double quotes means something else here",
     "Use single quotes"),
    ("expected (<block end>|key)|did not find expected '-'", "the line does not fit those above",
     "Let the fields of one block begin in one column, and close every bracket"),
    ("<?document start>?", "the line does not fit those above", "Let the fields of one block begin in one column"),
)  # fmt: skip


def yaml_fault(wrong: yaml.YAMLError, text: str, file: str) -> SheetError:
    """Say a YAML fault in the words of someone who edits a text file."""
    lines = text.splitlines() or [""]
    line, column, message, remedy = (
        _tab(wrong, lines)
        or _comment(wrong, lines)
        or _left_open(wrong, lines)
        or _bracket_too_many(wrong, lines)
        or _colon(wrong, lines)
        or _other_fault(wrong)
    )
    row = lines[min(line, len(lines)) - 1]
    return SheetError(
        [
            Mistake(
                message,
                remedy,
                read=shortened(row) or None,
                file=file,
                line=line,
                column=column,
                code="yaml_unreadable",
            )
        ]
    )


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
    if "flow" not in str(getattr(wrong, "context", "")):
        return None
    (first, _), (last, _) = _spot(wrong, "context_mark"), _spot(wrong)
    if first == last:  # the bracket's own beginning is not always told
        first = max(1, last - 10)
    for before in (r":\s", r"[{,\[]\s"):
        for at in range(min(last, len(lines)), first - 1, -1):
            if found := re.search(before + r"\s*(#)\d", lines[at - 1]):
                message = "a # behind a blank starts a comment, so the rest of the line is not read"
                return at, found.start(1) + 1, message, 'Put a mesh number in quotes ("#20") or write 20 mesh'
    return None


def _left_open(wrong: yaml.YAMLError, lines: list[str]) -> _Fault | None:
    """Find the bracket or quote that was left open."""
    context, (line, column), noticed = str(getattr(wrong, "context", "")), _spot(wrong, "context_mark"), _spot(wrong)
    begun = lines[line - 1][column - 1 : column] if line <= len(lines) else ""
    if begun in ("'", '"') and noticed > (len(lines), len(lines[-1])):  # its other half was sought to the very end
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


def _colon(wrong: yaml.YAMLError, lines: list[str]) -> _Fault | None:
    """Say why a colon cannot stand where it does: one too many, a wrong indent, or one that is missing above."""
    problem = str(getattr(wrong, "problem", ""))
    if not re.search("mapping values are not allowed|could not find expected ':'", problem):
        return None
    line, column = _spot(wrong)
    above = next((i for i in range(min(line - 1, len(lines)), 0, -1) if lines[i - 1].strip(" #")), None)
    row = lines[line - 1] if line <= len(lines) else ""
    if "mapping values" in problem and re.search(r":\s", row[: column - 1]):
        return (
            line,
            column,
            "a second colon in one line",
            "Put text with a colon in quotes; give each field a line of its own",
        )
    if above is not None and "mapping values" in problem and re.search(r":\s+\S", lines[above - 1]):
        return line, _indent(row) + 1, "this line is indented further than the one above, which is whole", (
            "Let the fields of one block begin in one column")  # fmt: skip
    if above is None:
        return line, column, "a colon stands where none can", "Write name: value"
    return above, _indent(lines[above - 1]) + 1, "this line has no colon with a blank behind it", "Write name: value"


def _indent(row: str) -> int:
    return len(row) - len(row.lstrip())


def _other_fault(wrong: yaml.YAMLError) -> _Fault:
    told = " ".join(str(getattr(wrong, part, None) or "") for part in ("context", "problem")).strip() or str(wrong)
    for pattern, message, remedy in _YAML_FAULTS:
        if re.search(pattern, told):
            begun = re.search("scanning a|quoted scalar", told) and getattr(wrong, "context_mark", None) is not None
            return *_spot(wrong, "context_mark" if begun else "problem_mark"), message, remedy
    return *_spot(wrong), f"this cannot be read ({shortened(told)})", "Check colons, brackets and quotes here"
