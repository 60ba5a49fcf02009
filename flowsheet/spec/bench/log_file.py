"""Where a bench log may be written: what a sheet names only beside it, what its user names anywhere.

A sheet may come from somebody else, and what it names is written into: so that it can be no more than a table beside
the sheet, and never a file that some other program obeys.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from flowsheet.spec.bench.log_text import refuse_if
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, SheetError, nearest
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weighed_test import FILE
from flowsheet.spec.yaml.marked_document import Document, Path_

ENDINGS = (".csv", ".tsv")
MEANT = "name it with --log if you mean it"
MOST_BESIDE = 5


def check_named(document: Document, path: Path) -> None:
    """Refuse a log that a sheet names, or that is called as the sheet is, where it may not be written. SheetError."""
    folder = Path(document.file).parent
    real, root = Path(os.path.realpath(path)), Path(os.path.realpath(folder))
    within = path.parts[len(folder.parts) :] if path.is_relative_to(folder) else path.parts
    fault, otherwise = _fault(path), MEANT
    if fault is not None:
        otherwise = "another one with --log"
    elif not real.is_relative_to(root):
        fault = "this weigh sheet lies outside of the sheet's folder, and weights would be written into it"
    elif any(part.startswith(".") for part in (*within, *real.relative_to(root).parts)):
        fault = "a name that begins with a dot is hidden, and weights would be written into it"
    remedy = f"Name a weigh sheet beside the sheet, as sack3.csv, or {otherwise}"
    if fault is None and not path.parent.is_dir():
        fault = f"there is no folder {Path(*within).parent}"
        remedy = "Make it first, or name a weigh sheet beside the sheet, as sack3.csv"
    if fault is None:
        return
    at: Path_ = ("weighed", FILE)
    if at in document.marks:
        given = document.data["weighed"][FILE]
        last = (*at, len(given) - 1) if isinstance(given, list) else at  # the one that is written into
        raise SheetError([document.mistake(last, fault, remedy, code="log_not_allowed")])
    raise SheetError([Mistake(fault, remedy, file=str(path), code="log_not_allowed")])


def check_given(path: Path, named: Sequence[Path]) -> None:
    """Refuse a log that the user names and that is no weigh sheet, or is called as one of those ``named`` by the sheet.

    Raises SheetError.
    """
    fault = _fault(path)
    if fault is not None:
        raise SheetError([Mistake(fault, "Name a file that ends in .csv", file=str(path), code="log_not_allowed")])
    real = Path(os.path.realpath(path))
    if real in (Path(os.path.realpath(one)) for one in named):
        return
    other = next((one for one in named if one.stem == real.stem), None)
    if other is not None:
        message = f'two weigh sheets would be called "{real.stem}": the sheet names {other}, too'
        remedy = f"Name the log otherwise, as --log {path.with_name(f'{real.stem}_2{path.suffix}')}"
        raise SheetError([Mistake(message, remedy, file=str(path), code="tests_called_alike")])


def check_text(text: str, file: str) -> None:
    """Refuse a file that holds something and is no weigh sheet. Raises SheetError."""
    if text.strip():
        faults = weigh_sheet.header_faults(text, file)
        refuse_if(replace(m, remedy=f"{m.remedy}, or name another weigh sheet with --log") for m in faults)


def told_new(path: Path, named: bool) -> str:
    """Say that a log is not there yet, and what lies beside it where the sheet names it; "" where it is there."""
    if path.exists():
        return ""
    said = f"{path} is not there yet: it will be made with the first weight."
    beside = _beside(path)
    like = nearest(path.stem, [Path(name).stem for name in beside], VERY_ALIKE)
    if like is not None:
        meant = next(name for name in beside if Path(name).stem == like)
        return f"{said} Beside it is {meant}: did you mean that?"
    if named and beside:
        return f"{said} Beside it: {', '.join(beside[:MOST_BESIDE])}{', …' if len(beside) > MOST_BESIDE else ''}."
    return said


def _beside(path: Path) -> list[str]:
    try:
        found = sorted(one.name for one in path.parent.iterdir() if one.suffix.lower() in ENDINGS)
    except OSError:
        return []
    return [name for name in found if not name.startswith(".")]


def _fault(path: Path) -> str | None:
    """Return why nothing may be written into a file, whoever names it."""
    real = Path(os.path.realpath(path))
    if path.suffix.lower() not in ENDINGS or real.suffix.lower() not in ENDINGS:
        return "this is no weigh sheet: its name ends in .csv or .tsv"
    if not _plain(real):
        return "this is no file that can be written line by line"
    if path.is_symlink() and not real.exists():
        return "this is a link to a file that is not there"
    return None


def _plain(path: Path) -> bool:
    """Whether there is a regular file, or nothing yet."""
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except FileNotFoundError:
        return True
    except (OSError, ValueError):
        return False
