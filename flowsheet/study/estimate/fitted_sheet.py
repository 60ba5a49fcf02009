"""The fitted sheet: the old one, letter for letter, but for the numbers that were fitted."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from flowsheet.solve.model import rebuild
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import units
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.numbers import Number
from flowsheet.spec.yaml.document import Document, Path_, parse
from flowsheet.study.common.uncertain_inputs import doubtful, places

MARK = '# Written by "flowsheet fit"'
"""How the first line of a fitted sheet begins."""

DIGITS = 3
"""Significant digits of a fitted value, at least; more where its doubt is finer, so that two of its own are told."""

_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)"
_HALF = re.compile(rf"\s*(?P<number>[+-]?\s*{_NUMBER})\s*(?P<unit>[^\d\s.,/+–—-].*)?")
_DOUBT = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_RANGE = re.compile(r"\s+to\s+", re.IGNORECASE)
_BREAKS = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


def as_written(number: Number, value: float, sd: float) -> str:
    """Return ``value`` ± ``sd`` (SI) as text, in the units in which ``number`` was written."""
    (unit, factor), (sd_unit, sd_factor) = _units(number)
    if unit == sd_unit:
        decimals = _decimals(value / factor, sd / factor)
        told = f"{_fixed(value / factor, decimals)}{_behind(unit)}"
        return f"{told} ± {_fixed(sd / factor, _decimals_of(sd / factor, 2))}{_behind(unit)}"
    told = f"{_fixed(value / factor, _decimals(value / factor, sd / factor))}{_behind(unit)}"
    return f"{told} ± {_fixed(sd / sd_factor, _decimals_of(sd / sd_factor, 2))}{_behind(sd_unit)}"


def in_unit(number: Number, value: float, sd: float) -> str:
    """Return a value (SI) as text in the unit in which ``number`` was written, as finely as its ``sd`` is known."""
    (unit, factor), _ = _units(number)
    return f"{_fixed(value / factor, _decimals(value / factor, sd / factor))}{_behind(unit)}"


def _units(number: Number) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return (unit, SI per unit) of a number's value and of its doubt."""
    text = number.text.strip()
    halves = _DOUBT.split(text) if _DOUBT.search(text) else _RANGE.split(text)
    first, second = (_HALF.fullmatch(half.replace("\u2212", "-")) for half in (halves[0], halves[-1]))
    fallback = _plain_unit(number)
    if len(halves) != 2 or first is None or second is None:
        return fallback, fallback
    if (first["unit"] or "").strip().casefold() == "mesh":
        return fallback, fallback
    written = [_value(half["number"]) for half in (first, second)]
    names = [(half["unit"] or "").strip() for half in (first, second)]
    unit = names[0] or names[1]
    values = (number.value, number.sd) if number.low is None else (number.low, number.high or 0.0)
    if names[1] == "%" and unit != "%":
        # A doubt as a share of the value: the new one is told in the value's own unit.
        if written[0] == 0:
            return fallback, fallback
        return (unit, values[0] / written[0]), (unit, values[0] / written[0])
    own = [v / w if w else 0.0 for v, w in zip(values, written, strict=True)]
    if number.low is not None or names[0] == names[1] or not all(names):
        factor = own[1] or own[0]
        return ((unit, factor), (unit, factor)) if factor else (fallback, fallback)
    return ((names[0], own[0]), (names[1], own[1])) if all(own) else (fallback, fallback)


def _plain_unit(number: Number) -> tuple[str, float]:
    """Return a unit for what was written as a mesh number (mm) or with a sign for a fraction (its own unit)."""
    if re.search(r"#|mesh|no\.|E11", number.text, re.IGNORECASE):
        return "mm", units.factor("mm", units.LENGTH)
    found = re.match(r"[^A-Za-zµμ%‰]*(?P<unit>[A-Za-zµμ%‰][^±+]*?)\s*(?:±|\+|\bto\b|$)", number.text)
    unit = found["unit"] if found is not None else ""
    for dimension in (units.LENGTH, units.MASS, units.GRADE, units.SHARE, units.FINENESS) if unit else ():
        try:
            return unit, units.factor(unit, dimension)
        except units.UnitMistake:
            continue
    return "", 1.0


def _value(text: str) -> float:
    total = 0.0
    for part in text.replace("+", "").replace("-", "").split():
        top, _, bottom = part.partition("/")
        total += float(top) / float(bottom or 1)
    return total


def _behind(unit: str) -> str:
    return f" {unit}" if unit else ""


def _decimals(value: float, sd: float) -> int:
    """Return the decimals that tell the value to three digits, and to the second digit of its doubt."""
    return max(_decimals_of(value, DIGITS), _decimals_of(sd, 2))


def _decimals_of(value: float, digits: int) -> int:
    return digits - 1 - math.floor(math.log10(abs(value))) if value else 0


def _fixed(value: float, decimals: int) -> str:
    return f"{round(value, decimals):.{max(decimals, 0)}f}"


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
        new = as_written(number, *fitted[name])
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
