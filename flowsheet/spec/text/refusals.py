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
    if found := re.match(r"[+-]?(?:\d{1,3}(?:,\d{3})+(?![\d,])|\d+(?=,\d))", text):
        return comma(text, found[0])
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


def comma(text: str, number: str) -> NumberMistake:
    """Return what is said of a comma inside a ``number`` at the beginning of ``text``.

    It may part thousands or decimals, so none is taken: ``1,400`` is refused with both readings.
    """
    if "," in number and not number.lstrip("+-").startswith("0"):
        plain = number.replace(",", "") + text[len(number) :]
        decimal = text.replace(",", ".", 1)
        either = number.count(",") == 1 and "." not in text
        remedy = f'Write "{plain}"' + (f' or "{decimal}", whichever you mean' if either else "")
        return NumberMistake("a comma stands inside the number", remedy, code="comma_in_number")
    return NumberMistake(
        "a comma stands inside the number", f'Write a point: "{text.replace(",", ".", 1)}"', code="comma_in_number"
    )
