"""Sheets: read from a file, from text or from a shipped one, and looked over."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from flowsheet.spec.blocks.schema import Sheet

if TYPE_CHECKING:
    from flowsheet.study.run.overview import Overview


def read(path: str | Path) -> Sheet:
    """Return the sheet that a file holds, checked; the weigh sheets that it names are read with it.

    Raises SheetError with every mistake found, each with its file, line, what was read and a remedy.

    >>> import flowsheet as fs
    >>> sheet = fs.read("sack3.yaml")
    >>> sheet.title, sheet.keep, sheet.ores["ore"].mass.value
    ('Quillfeather dump, sack 3', ('bead', 'specimens'), 14.2)
    >>> fs.read("sack4.yaml")
    Traceback (most recent call last):
    flowsheet.spec.text.mistakes.SheetError: sack4.yaml:1:1: there is no such file. Did you mean "sack3.yaml"?
    """
    from flowsheet.solve.model import load

    if not isinstance(path, (str, PathLike)):
        raise TypeError(f'the path of a sheet is wanted, as read("my.yaml"), not {path!r}')
    return load(path)[0]


def parse(text: str, file: str | Path = "sheet.yaml") -> Sheet:
    """Return the sheet that a text (YAML) is, checked as ``read`` does.

    ``file`` is what mistakes call it; the weigh sheets that it names are looked for beside it. Raises SheetError.

    >>> import flowsheet as fs
    >>> sheet = fs.parse('''
    ... ore: {mass: 10 kg, grade: 20 g/t}
    ... steps:
    ...   wash: {do: factors, takes: ore, gives: {con: con, rest: tails}, split: {con: 5 %}, recovery: {con: 80 %}}
    ... keep: con
    ... ''')
    >>> round(1e3 * float(fs.run(sheet).solution.kept_gold), 3)
    0.16
    """
    from flowsheet.solve.model import rebuild
    from flowsheet.spec.yaml import marked_document

    return rebuild(marked_document.parse(text, str(file)))


def starter(name: str = "quick") -> Sheet:
    """Return a shipped sheet, by the name that ``flowsheet new --like`` knows. Raises SheetError with the nearest name.

    Its text, to start from, is ``starter(name).document.text``.

    >>> import flowsheet as fs
    >>> fs.starter()
    <Sheet 'Quillfeather dump, quick bench test': ore 14.2 kg ± 20 g, 7 steps, keeps bead, specimens>
    """
    from flowsheet.starters import starter as text_of

    return parse(text_of(name), f"{name}.yaml")


def check(sheet: Sheet | str | Path) -> Overview:
    """Return how the steps of a sheet hang together: how many there are, its loops, its ends, and what to look at.

    Raises SheetError for what is wrong with the sheet, and where nothing can leave a loop.

    >>> import flowsheet as fs
    >>> fs.check("sack3.yaml").not_kept
    ('in the mill', 'tails', 'magnetics', 'slag', 'cupel loss')
    """
    from flowsheet.study.run.overview import overview

    return overview(as_sheet(sheet))


def as_sheet(sheet: Sheet | str | Path) -> Sheet:
    """Return a sheet as it is, or the one that lies at a path. Raises SheetError as ``read`` does."""
    return sheet if isinstance(sheet, Sheet) else read(sheet)
