"""A ledger: a sheet with its weigh sheets, or a folder of them, read test by test. Of each test a few numbers are kept.

In a folder, every sheet brings the weigh sheets that it names; those that no sheet names are tests of the one sheet
there. What cannot be read is refused with its mistakes, or left out and named where that is asked for.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from flowsheet.spec.bench.one_test import Base
from flowsheet.spec.blocks.measurement import BEAD, DETECTED, GOLD, GRADE, MASS, PICKED, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.spec.text.wording import argument
from flowsheet.spec.weights.read_weighed import files_named
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.steps import kinds
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.balance.next_weighing import Choices
from flowsheet.study.balance.problem import USED, Problem
from flowsheet.study.balance.suspect_or_swapped_weights import chi2_tail

SHEETS, TABLES = (".yaml", ".yml"), (".csv", ".tsv")
FITTED = ".fitted"
MOST_TOLD = 20
"""Files whose mistakes are told; of the others only how many there are."""
DISAGREE = 0.01
"""Weights whose misfit chance makes more seldom than this are told of, as in ``reconcile``."""


@dataclass(frozen=True)
class Test:
    """What one test says: rock and gold with their doubts, kg."""

    __test__ = False

    name: str
    file: str
    mass: float
    #: Gold by the balance; where that does not determine it, what was found at least, and an sd of NaN.
    gold: float
    sd: float
    #: Relative doubt of the gold that all tests share: that of its fineness, where metal was weighed.
    common: float = 0.0
    #: The weight that disagrees with the others, "" where none does.
    suspect: str = ""
    #: What to weigh so that the balance determines the gold.
    weigh: tuple[tuple[str, str], ...] = ()

    @property
    def told(self) -> bool:
        """Whether the weights determine what it held."""
        return not math.isnan(self.sd)

    @property
    def below(self) -> bool:
        """Whether what it held cannot be told from no gold at all."""
        return self.told and self.gold < DETECTED * self.sd


@dataclass(frozen=True)
class LeftOut:
    """A file that was left out, and what is wrong with it."""

    file: str
    mistakes: tuple[Mistake, ...]


@dataclass(frozen=True)
class Ledger:
    """All tests, the sheet whose ore they are taken to come from, and what was left out."""

    sheet: Sheet
    tests: tuple[Test, ...]
    left: tuple[LeftOut, ...]
    notes: tuple[Note, ...]
    #: That sheet as it was written, for where its mistakes stand.
    document: Document | None = None
    #: Every file that was read: each sheet, followed by its weigh sheets; then those that were left out.
    sources: SourceFiles = field(default_factory=SourceFiles)


@dataclass(frozen=True)
class _Item:
    """One thing to read: a weigh sheet of a base, or (``path`` None) the weights in the base's own sheet."""

    base: Base
    path: Path | None
    at: tuple[str | int, ...] | None = None

    @property
    def file(self) -> str:
        return str(self.path) if self.path is not None else self.base.sheet.file

    def measured(self) -> tuple[list[Measurement], bytes]:
        """Return what was measured, and the bytes of its own file."""
        if self.path is None:
            return list(self.base.sheet.weighed), b""
        return self.base.test(self.path, self.at)


Progress = Callable[[Sequence[_Item]], Iterable[_Item]]


def read_ledger(source: Path | Sheet, skip: bool = False, progress: Progress = iter) -> Ledger:
    """Read a sheet with its weigh sheets, or a folder. Raises SheetError for what is wrong, unless it is to be skipped.

    ``source``: their path, or a sheet that was read already. ``skip``: leave out what cannot be read, and name it.
    """
    path = source if isinstance(source, Path) else Path(source.file)
    left: list[LeftOut] = []
    bases = list(_bases(source, left, skip))
    items = list(_items(path, bases, left))
    tests: list[Test] = []
    sources = {id(base): list(base.sheet.sources.read) for base in bases}
    for item in progress(items):
        try:
            found, raw = item.measured()
            if item.path is not None:
                sources[id(item.base)].append((item.path, raw))
            measured = [m for m in found if m.what in USED]
            if measured:
                tests.append(_test(item, measured))
            elif item.path is not None:
                like = "Add the line tails,mass,8.0 kg, and one for its grade"
                raise SheetError(
                    [
                        Mistake(
                            "nothing was weighed here that a balance can use",
                            like,
                            file=item.file,
                            code="nothing_measured",
                        )
                    ]
                )
        except SheetError as wrong:
            left.append(LeftOut(item.file, wrong.mistakes))
    if left and not skip:
        raise _refusal(path, left, len(items))
    if not tests:
        raise SheetError([_nothing(path, bases)])
    read = SourceFiles(tuple(one for base in bases for one in sources[id(base)]), tuple(_left_out(left)))
    return Ledger(bases[0].sheet, _numbered(tests), tuple(left), tuple(_notes(bases)), bases[0].document, read)


def _bases(path: Path | Sheet, left: list[LeftOut], skip: bool) -> Iterator[Base]:
    """Read the sheets. What is wrong with the only one there is told at once."""
    if isinstance(path, Sheet):
        yield Base.of(path.document, kinds()) if path.document is not None else Base.read(path.file, kinds())
        return
    if not path.is_dir():
        yield Base.read(path, kinds())
        return
    sheets = [sheet for sheet in _files(path, SHEETS) if not _is_fitted(sheet)]
    if not sheets:
        remedy = 'Put the sheet that they belong to into it, or start one with "flowsheet new FILE"'
        raise SheetError(
            [Mistake("there is no sheet (.yaml) in this folder", remedy, file=str(path), code="no_sheet_in_folder")]
        )
    wrong: list[SheetError] = []
    count = 0
    for sheet in sheets:
        try:
            base = Base.read(sheet, kinds())
        except SheetError as fault:
            wrong.append(fault)
            left.append(LeftOut(str(sheet), fault.mistakes))
            continue
        count += 1
        yield base
    if wrong and not count:
        raise SheetError([mistake for fault in wrong for mistake in fault.mistakes])


def _items(path: Path, bases: Sequence[Base], left: list[LeftOut]) -> Iterator[_Item]:
    """Go through what there is to read, each file once."""
    seen: set[Path] = set()
    for base in bases:
        if base.sheet.weighed:
            yield _Item(base, None)
        if base.joined is not None:
            seen.add(base.joined.path.resolve())
        for named in base.named:
            if named.path.resolve() in seen:
                message, remedy = "this weigh sheet is named twice", "Name each test once"
                left.append(
                    LeftOut(
                        str(named.path), (base.document.mistake(named.at, message, remedy, code="test_named_twice"),)
                    )
                )
                continue
            seen.add(named.path.resolve())
            yield _Item(base, named.path, named.at)
    if not path.is_dir():
        return
    strays = [table for table in _files(path, TABLES) if table.resolve() not in seen]
    for table in strays:
        if len(bases) == 1:
            yield _Item(bases[0], table)
        else:
            remedy = f"Name it in its sheet, as weighed: {{file: {table.name}}}"
            message = "several sheets lie here, and none of them names this weigh sheet"
            left.append(LeftOut(str(table), (Mistake(message, remedy, file=str(table), code="test_of_no_sheet"),)))


def _left_out(left: Sequence[LeftOut]) -> Iterator[Path]:
    """Go through the files that do not count, there or not, with what the sheets among them name."""
    for one in left:
        path = Path(one.file)
        yield path
        if path.suffix.lower() in SHEETS:
            yield from files_named(path)


def _is_fitted(sheet: Path) -> bool:
    """Whether a sheet is what ``fit`` made of another one there: the same tests once more."""
    name = sheet.stem.removesuffix(FITTED)
    return name != sheet.stem and any(sheet.with_name(name + ending).exists() for ending in SHEETS)


def _files(folder: Path, endings: tuple[str, ...]) -> list[Path]:
    try:
        found = [one for one in folder.iterdir() if one.suffix.lower() in endings and not one.name.startswith(".")]
    except OSError as wrong:
        message = f"the folder cannot be read ({wrong.strerror})"
        raise SheetError(
            [Mistake(message, "Check its name and rights", file=str(folder), code="folder_unreadable")]
        ) from None
    return sorted(found, key=_in_order)


def _in_order(path: Path) -> tuple[list[tuple[int, int, str]], str]:
    """Sort sack10 behind sack9."""
    parts = re.findall(r"\d+|\D+", path.stem)
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part.casefold()) for part in parts], path.name


def _refusal(path: Path, left: Sequence[LeftOut], files: int) -> SheetError:
    mistakes = [mistake for one in left[:MOST_TOLD] for mistake in one.mistakes]
    more = f" ({MOST_TOLD} of them are told above)" if len(left) > MOST_TOLD else ""
    message = f"of {max(files, len(left)):,} tests and sheets, {len(left):,} cannot be used{more}"
    remedy = f"Mend them, or leave them out with {argument('skip', True)}"
    mistakes.append(Mistake(message, remedy, file=str(path), code="tests_unusable"))
    return SheetError(mistakes)


def _nothing(path: Path, bases: Sequence[Base]) -> Mistake:
    remedy = "Write what was weighed into weighed:, or into a table beside the sheet: weighed: {file: [sack1.csv]}"
    return Mistake(
        "no test is left to read" if path.is_dir() else "nothing was weighed",
        remedy,
        file=str(path),
        code="no_test_left",
    )


def _numbered(tests: Sequence[Test]) -> tuple[Test, ...]:
    """Return the tests with names that tell them apart: where two files are called alike, by the whole name."""
    count = Counter(test.name for test in tests)
    return tuple(replace(test, name=test.file) if count[test.name] > 1 else test for test in tests)


def _notes(bases: Sequence[Base]) -> Iterator[Note]:
    first = bases[0].sheet
    other = [base.sheet.file for base in bases[1:] if _grains(base.sheet) != _grains(first)]
    if other:
        told = ", ".join(Path(file).name for file in other[:3]) + (", …" if len(other) > 3 else "")
        sentence = "The grains of the gold are those of {first}; {others} tell others."
        yield note("grains_differ", sentence, Subject(file=first.file), first=Path(first.file).name, others=told)


def _grains(sheet: Sheet) -> list[object]:
    return [(ore.gold, ore.sizes) for ore in sheet.ores.values()]


def _test(item: _Item, measured: Sequence[Measurement]) -> Test:
    """Return what one test says. Raises SheetError where its balance cannot be set up."""
    sheet = item.base.sheet
    problem = Problem.of(sheet, measured)
    found = problem.solve()
    suspect = ""
    if chi2_tail(found.chi2, found.dof) < DISAGREE:
        written = replace(sheet, weighed=tuple(measured))
        tests = balanced(written)
        named = next(iter(tests.values())).suspect
        suspect = named.name if named is not None else "no single weight"
        problem = Problem.of(sheet, [m for m in believed(written, tests)[0].weighed if m.what in USED])
        found = problem.solve()
    slope = np.zeros(len(found.x))
    slope[[problem.gold[ore] for ore in sheet.ores]] = 1.0
    mass = float(sum(found.x[problem.rock[ore]] for ore in sheet.ores))
    sd = found.known.sd(slope)
    common = problem.fine_sd / problem.fine if any(problem.is_metal(m) for m in measured) else 0.0
    name = item.path.stem if item.path is not None else measured[0].test or sheet.title
    if not math.isnan(sd):
        return Test(name, item.file, mass, float(slope @ found.x), max(sd, 1e-12), common, suspect)
    choices = Choices(problem, found)
    weigh = tuple(one for ore in sheet.ores for one in choices.to_know(ore))
    return Test(name, item.file, mass, _at_least(problem, measured), math.nan, common, "", weigh)


def _at_least(problem: Problem, measured: Sequence[Measurement]) -> float:
    """Return the gold (kg) that was picked, and found in streams which end, each by one measurement of its own."""
    total = sum(m.value * problem.fine for m in measured if m.what == PICKED)
    for stream in problem.sheet.ends:
        told = {m.what: m for m in measured if m.stream == stream}
        direct = [m for m in told.values() if m.what in (GOLD, BEAD) or problem.is_metal(m)]
        if direct:
            total += direct[0].value * (problem.fine if problem.is_metal(direct[0]) else 1.0)
        elif MASS in told and GRADE in told:
            total += told[MASS].value * told[GRADE].value
    return total
