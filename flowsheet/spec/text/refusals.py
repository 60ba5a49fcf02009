"""Texts that are no number: what is wrong with them, as well as can be told, and what to write."""

from __future__ import annotations

import re

from flowsheet.spec.text.units import LENGTH, Dimension

LONGEST = 100
"""Characters; what is longer is no number, and is not searched for one."""

_CURLY = "“”„‟‘’‚‛«»"


class NumberMistake(ValueError):  # noqa: N818 (a mistake of the sheet, no error of ours)
    """The text is not a number of the wanted kind; ``remedy`` says what to write."""

    def __init__(self, message: str, remedy: str, code: str) -> None:
        super().__init__(message)
        self.message, self.remedy, self.code = message, remedy, code


def like(wanted: Dimension) -> str:
    """Return the remedy that says what a number of the wanted kind looks like."""
    return f"Write something like {wanted.example}"


def no_number(text: str, wanted: Dimension) -> NumberMistake:
    """Say why a text is no number, as well as can be told."""
    text = text[:LONGEST]
    if re.match(r"[+-]?\.?(?:nan|inf(?:inity)?)\b", text, re.IGNORECASE):
        return NumberMistake("this is no number that a scale or a sieve can show", like(wanted), code="no_number")
    if parted := comma(text):
        return parted
    if found := re.match(r"(\d+)-(\d+/\d+)(.*)", text):
        return NumberMistake(
            "a hyphen stands inside the number", f'Write "{found[1]} {found[2]}{found[3]}"', code="no_number"
        )
    if found := re.match(r"([\d.]+)\s*[-–—]\s*(\d.*)", text):
        return NumberMistake(
            "a range is written with the word to", f'Write "{found[1]} to {found[2]}"', code="no_number"
        )
    if found := re.match(rf"[{_CURLY}]+(.*?)[{_CURLY}]*$", text):
        return NumberMistake(
            "curly quotes are no quotes here", f'Write "{found[1].strip()}" with straight quotes', code="curly_quotes"
        )
    if found := re.match(r"[+-]?\d{1,3}(?:\s\d{3})+(?!\s*\d)", text):
        plain = re.sub(r"\s", "", found[0])
        return NumberMistake(
            "a blank stands inside the number", f'Write "{plain}{text[found.end() :]}"', code="blank_in_number"
        )
    if re.match(r"[+-]?\d+\s+\d", text):
        return NumberMistake(
            "a blank stands inside the number", "Write it without: 1400 and not 1 400", code="blank_in_number"
        )
    if re.match(r"[^\d]+\d", text) and (wanted is not LENGTH or not re.match(r"E11", text, re.IGNORECASE)):
        return NumberMistake(
            "something stands before the number", f"{like(wanted)}; doubt goes behind it, after ±", code="no_number"
        )
    if re.match(r"E11", text, re.IGNORECASE):
        return NumberMistake(
            "this is no name of a sieve", 'Write E11 and the inches, as "E11 1/2 in"', code="no_such_sieve"
        )
    return NumberMistake(f"this is not {wanted}", like(wanted), code="no_number")


def comma(text: str) -> NumberMistake | None:
    """Return what is said of commas inside the numbers of ``text``, value and doubt alike; None where there are none.

    A comma may part thousands or decimals, so none is taken: ``1,400`` is refused with both readings, ``12,5`` with the
    only one that it has.
    """
    numbers = _COMMAS.findall(text)
    if not numbers or not re.match(r"\s*[+-]?\d", text):
        return None
    read = {number: _readings(number) for number in numbers}
    if not all(read.values()):
        remedy = "Write it with one point at most, and no comma"
    else:
        first = _COMMAS.sub(lambda one: read[one[0]][0], text).strip()
        last = _COMMAS.sub(lambda one: read[one[0]][-1], text).strip()
        remedy = f'Write "{first}" or "{last}", whichever you mean' if first != last else f'Write "{first}"'
        if last == text.strip().replace(",", ".") and first == last:
            remedy = f'Write a point: "{last}"'
    return NumberMistake("a comma stands inside the number", remedy, code="comma_in_number")


_COMMAS = re.compile(r"\d[\d.]*(?:,\d+)+(?:\.\d*)?")


def _readings(number: str) -> list[str]:
    """Return what a number with commas can be: first with commas between thousands, then with one before decimals."""
    found = []
    if re.fullmatch(r"[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?", number):
        found.append(number.replace(",", ""))
    if re.fullmatch(r"(?:\d+|\d{1,3}(?:\.\d{3})+),\d+", number):  # half of the world has points between thousands
        found.append(number.replace(".", "").replace(",", "."))
    return found
