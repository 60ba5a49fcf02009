"""The fitted sheet: the old one, letter for letter, but for the numbers that the weights moved; then the estimate."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from flowsheet.solve.model import rebuild
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate, FittedPile
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.text_file import MOST_BYTES
from flowsheet.spec.text.wording import asking
from flowsheet.spec.yaml.marked_document import Document, Path_, parse
from flowsheet.study.common.uncertain_inputs import places, told_numbers
from flowsheet.study.estimate.corrected_draws import MARK

_BREAKS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


def fitted_text(document: Document, source: str, sheet: Sheet, fitted: Mapping[str, tuple[float, float]]) -> str:
    """Return the sheet's text with each number of ``fitted`` (name → value and sd, SI) in the place of the old one.

    Raises SheetError where a number cannot be replaced by itself.
    """
    where = places(document, sheet, fitted)
    starts = [0, *(found.end() for found in _BREAKS.finditer(source))]
    changes: dict[int, tuple[int, str, Path_]] = {}
    numbers = {name: number for name, number in told_numbers(sheet).items() if name in where}
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
    return f"{MARK} from {name}: its numbers are those that the weights left.{newline}{source}"


def with_block(document: Document, text: str, block: FittedEstimate) -> str:
    """Return a sheet's text with the estimate behind it. Raises SheetError for a sheet that has no end to write at."""
    if min(column for _, column in document.keys.values()) > 1 or re.search(r"^(\.\.\.|---)", text, re.M):
        raise SheetError([Mistake(
            "the estimate cannot be written behind a sheet that stands in braces, is indented or has marks (---, ...)",
            "Let each field begin a line of its own, as ore:, steps: and keep: do elsewhere, without marks",
            file=document.file, line=1, column=1, code="no_end_to_write_at",
        )])  # fmt: skip
    newline = "\r\n" if "\r\n" in text else "\n"
    lines = [
        "",
        "# From here on: the estimate, which flowsheet reads in place of the weights. Change nothing in it by hand.",
        "fitted:",
        f"  of: {block.of}",
        f"  weights: {block.weights}",
        f"  effective: {block.effective!r}",
        f"  openings: {_row(block.openings)}",
        "  tests:",
        *(
            f"    - {{name: {_quoted(t.name)}, fed: {t.fed!r}, gold: {t.gold}, luck: {t.luck!r}"
            + (f", below: [{', '.join(map(_quoted, t.below))}]" if t.below else "")
            + "}"
            for t in block.tests
        ),
        *(_pile(block.pile) if block.pile is not None else ()),
        "  names:",
        *(f"    - {_quoted(name)}" for name in block.names),
        "  written:",
        *(f"    {_quoted(name)}: {_quoted(text)}" for name, text in block.written.items()),
        "  mean:",
        *(f"    - {one!r}" for one in block.mean),
        "  covariance:",
        *(f"    - {_row(row)}" for row in block.covariance),
        "  draws: |",
        *(f"    {line}" for line in block.draws.split("\n")),
        "",
    ]
    return text.rstrip("\r\n") + newline + newline.join(lines)


def _pile(pile: FittedPile) -> list[str]:
    return ["  pile:", f"    grade: {_row(pile.grade)}", f"    spread: {_row(pile.spread)}"]


def _row(numbers: Sequence[float]) -> str:
    return f"[{', '.join(map(repr, numbers))}]"


def _quoted(text: str) -> str:
    """Return a text as YAML reads it, whatever signs it holds."""
    return json.dumps(text, ensure_ascii=False)


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


def checked_text(text: str, document: Document) -> Sheet:
    """Return the sheet that a fitted text makes. Raises SheetError where fitted numbers contradict each other."""
    if len(text.encode()) > MOST_BYTES:
        raise SheetError([Mistake(
            "the estimate of so many tests is longer than a sheet may be",
            f"Fit fewer weigh sheets at once; {asking('lot')} tells of all of them together",
            file=document.file, code="estimate_too_long",
        )])  # fmt: skip
    try:
        return rebuild(parse(text, document.file))
    except SheetError as wrong:
        raise SheetError([
            replace(mistake, message=f"the fitted number is no good: {mistake.message}",
                    remedy="Give it less doubt, or weigh something that tells of it. Nothing was written")
            for mistake in wrong.mistakes
        ]) from None  # fmt: skip


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


def refuse_twice(document: Document) -> None:
    """Raise SheetError for a sheet that a fit has written: what was weighed would be counted twice."""
    source = document.text
    if source.startswith(MARK) or "fitted" in document.data:
        raise SheetError([Mistake(
            "this sheet was fitted to its weights already; fitted again, they would count twice",
            "Fit the sheet that it was made from. If all its weights are new, delete its first line and the block "
            "fitted: at its end", file=document.file, line=1, column=1, code="fitted_already"
        )])  # fmt: skip
