"""The fitted sheet: the old one, letter for letter, but for the numbers that were fitted."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from flowsheet.solve.model import rebuild
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.yaml.marked_document import Document, Path_, parse
from flowsheet.study.common.uncertain_inputs import doubtful, places

MARK = '# Written by "flowsheet fit"'
"""How the first line of a fitted sheet begins."""

_BREAKS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


def fitted_text(document: Document, source: str, sheet: Sheet, fitted: Mapping[str, tuple[float, float]]) -> str:
    """Return the sheet's text with each number of ``fitted`` (name → value and sd, SI) in the place of the old one.

    Raises SheetError where a number cannot be replaced by itself.
    """
    where = places(document, sheet)
    starts = [0, *(found.end() for found in _BREAKS.finditer(source))]
    changes: dict[int, tuple[int, str, Path_]] = {}
    numbers = {name: number for name, number in doubtful(sheet).items() if name in fitted}
    for name, number in numbers.items():
        path = where[name]
        line, column = document.marks[path]
        start, end = _span(document, path, source, starts[line - 1] + column - 1)
        new = number.rewritten(*fitted[name]).text
        if start in changes and changes[start][1] != new:
            raise SheetError([document.mistake(
                path, f"this stands for {'.'.join(map(str, changes[start][2]))} as well (an alias, *), but they are "
                "fitted to different numbers", "Write both out", code="alias_fitted_apart"
            )])  # fmt: skip
        changes[start] = (end, new, path)
    for start, (end, new, _) in sorted(changes.items(), reverse=True):
        source = source[:start] + new + source[end:]
    newline = "\r\n" if "\r\n" in source else "\n"
    name = Path(document.file).name
    return f"{MARK} from {name}: numbers with ± are fitted to what was weighed.{newline}{source}"


def source_text(sheet: Sheet) -> tuple[Document, str]:
    """Return the document of a sheet and its text. Raises SheetError where that is not what the sheet says."""
    document = sheet.document
    if document is None:
        raise TypeError("this sheet was put together by hand; make one with flowsheet.read or flowsheet.parse")
    if document.settings:
        named = ", ".join(f"{name}: {value}" for name, value in document.settings.items())
        raise SheetError([Mistake(
            "some fields were set anew since the sheet was read, so its text cannot hold what was fitted",
            f"Write them into the sheet ({named}), and read it again", file=sheet.file, code="text_is_older",
        )])  # fmt: skip
    return document, document.text


def checked_text(document: Document, source: str, sheet: Sheet, fitted: Mapping[str, tuple[float, float]]) -> str:
    """Return the fitted sheet's text, sure to load. Raises SheetError where fitted numbers contradict each other."""
    text = fitted_text(document, source, sheet, fitted)
    try:
        rebuild(parse(text, document.file))
    except SheetError as wrong:
        raise SheetError([
            replace(mistake, message=f"the fitted number is no good: {mistake.message}",
                    remedy="Give it less doubt, or weigh something that tells of it. Nothing was written")
            for mistake in wrong.mistakes
        ]) from None  # fmt: skip
    return text


def _span(document: Document, path: Path_, source: str, start: int) -> tuple[int, int]:
    """Return where the text of a number begins and ends in the source, behind any anchor and within any quotes."""
    text = document.text_at(path) or ""
    pattern = r"(?:[&!]\S*\s+)*[\"']?(" + r"\s+".join(map(re.escape, text.split())) + ")"
    found = re.compile(pattern).match(source, start)
    if found is None:
        raise SheetError([document.mistake(
            path, "this number is written with signs that stand for others (\\), so it cannot be replaced",
            "Write it plainly, as 22 g/t ± 8 g/t", code="number_escaped"
        )])  # fmt: skip
    return found.start(1), found.end(1)


def refuse_twice(document: Document, first_line: str) -> None:
    """Raise SheetError for a sheet that a fit has written: what was weighed would be counted twice."""
    if first_line.startswith(MARK):
        raise SheetError([Mistake(
            "this sheet was fitted to its weights already; fitted again, they would count twice",
            "Fit the sheet that it was made from. If all its weights are new, delete its first line",
            file=document.file, line=1, column=1, code="fitted_already"
        )])  # fmt: skip
