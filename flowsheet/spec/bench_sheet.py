"""A sheet as it is with a weigh sheet that is being written: with its text as it would be, before it is on the disk."""

from __future__ import annotations

import copy
import os
from pathlib import Path
from typing import Any

from flowsheet.spec import weigh_sheet
from flowsheet.spec.document import Document
from flowsheet.spec.read import Kinds, build
from flowsheet.spec.schema import Sheet
from flowsheet.spec.weighed_test import FILE


def build_with(document: Document, kinds: Kinds, path: Path, text: str) -> Sheet:
    """Check a document as if the weigh sheet ``path`` held ``text``. Raises SheetError with every mistake found.

    A weigh sheet that the sheet does not name is added to those that it does; one that holds nothing is left out.
    """
    real = Path(os.path.realpath(path))
    return build(_naming(document, real, not weigh_sheet.holds_nothing(text)), kinds, {real: (str(path), text)})


def log_test(document: Document, path: Path) -> str:
    """Return the test that a weigh sheet is in this sheet: its name without the ending."""
    return Path(next((name for name in _names(document) if _is(document, name, path)), str(path))).stem


def _naming(document: Document, real: Path, wanted: bool) -> Document:
    """Return the document, naming the weigh sheet where it is ``wanted`` and not where it is not."""
    weighed = document.data.get("weighed", {})
    if not isinstance(weighed, dict):
        return document  # a mistake, which is told
    given = weighed.get(FILE)
    names = _names(document)
    if FILE in weighed and not names:
        return document  # one, too
    is_named = any(_is(document, name, real) for name in names)
    if is_named == wanted:
        return document
    left: Any = [*names, str(real)] if wanted else [name for name in names if not _is(document, name, real)]
    if len(left) == 1 and not isinstance(given, list):
        left = left[0]
    changed = copy.copy(document)
    changed.data = {name: block for name, block in document.data.items() if name != "weighed"}
    rest = {name: block for name, block in weighed.items() if name != FILE}
    if left or rest:
        changed.data["weighed"] = {**({FILE: left} if left else {}), **rest}
    return changed


def _names(document: Document) -> list[str]:
    """Return the weigh sheets that a document names; none where that is at fault."""
    weighed = document.data.get("weighed")
    given = weighed.get(FILE) if isinstance(weighed, dict) else None
    names = given if isinstance(given, list) else [given]
    told = [name.strip() for name in names if isinstance(name, str) and name.strip()]
    return told if len(told) == len(names) else []


def _is(document: Document, name: str, path: Path) -> bool:
    return os.path.realpath(Path(document.file).parent / name) == os.path.realpath(path)
