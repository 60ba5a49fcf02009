"""Sheets from files or from text, and what is wrong with a price: for tests of any folder."""

from __future__ import annotations

from pathlib import Path

from flowsheet.solve.model import load, rebuild
from flowsheet.spec.blocks.money import price
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.numbers import NumberMistake
from flowsheet.spec.yaml.document import parse


def sheet_of(source: str | Path) -> Sheet:
    """Return the sheet of a file, or of the text of one."""
    if isinstance(source, Path):
        return load(source)[0]
    return rebuild(parse(source))


def price_fault(name: str, text: str) -> tuple[str, str] | None:
    """Return (message, remedy) of a price that cannot be read, None if it can."""
    try:
        price(name, text)
    except NumberMistake as wrong:
        return wrong.message, wrong.remedy
    return None
