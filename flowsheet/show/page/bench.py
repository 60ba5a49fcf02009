"""What the page stands on: the sheet and the log as they are on the disk now, and turns of the sheet's settings."""

from __future__ import annotations

import copy
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias, TypeVar

from flowsheet.spec.bench import log_file
from flowsheet.spec.bench.bench_log import BenchLog
from flowsheet.spec.bench.sheet_with_log import Counted, build_with, counted, log_test
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError, shortened
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weighed_test import tables_named
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.steps import kinds
from flowsheet.study.run.run import Run, answered
from flowsheet.study.run.sliders import Knob, idle, knobs
from flowsheet.study.trials.trials import Pair, Trial, pair

T = TypeVar("T")
_Key: TypeAlias = tuple[str, tuple[tuple[str, str], ...]]

MOST_KEPT = 64
"""Turns that are remembered: a slider is often turned back."""


@dataclass(frozen=True, eq=False)
class Desk:
    """One reading of the sheet and of the log."""

    #: Another whenever a file has changed; up to the first / only with another sheet that is right.
    stamp: str
    document: Document
    #: As written, with what counts of the log.
    sheet: Sheet
    log_path: Path
    log_text: str
    #: The same without the lines that don't count: those at fault, and those that wait for another one.
    counted_text: str
    #: What is still to be measured before a line counts, in sentences.
    still_open: tuple[str, ...]
    #: Says that the log is not there yet; "" where it is.
    new: str
    #: The log's test in the sheet: the sheet's own ("") as long as nothing counts in the log.
    test: str
    #: Whether the sheet names the log, so that the other commands read it too.
    named: bool
    knobs: tuple[Knob, ...]
    #: Block → (field, as written) of what the sheet gives and that moves nothing.
    idle: Mapping[str, list[tuple[str, str]]]
    #: What is wrong with the files as they are now; all else goes by what is right in the log, and where another
    #: file is at fault, by the last one of it that was right.
    mistakes: tuple[Mistake, ...] = ()
    #: Names of other files at fault, for which nothing counts that is new in the log.
    held_by: tuple[str, ...] = ()

    def build(self, document: Document) -> Sheet:
        """Check a document with the log as it was read. Raises SheetError."""
        return build_with(document, kinds(), self.log_path, self.counted_text)


@dataclass(frozen=True, eq=False)
class Turned:
    """The sheet with settings, beside the sheet as written."""

    settings: Mapping[str, str]
    pair: Pair
    run: Run

    @property
    def trial(self) -> Trial:
        """What is kept and lost with the settings."""
        return self.pair.trial


class Bench:
    """The sheet and its log. Reads them again whenever they have changed; safe to use from many threads."""

    def __init__(self, path: Path, log: Path | None = None) -> None:
        """Read the sheet; ``log`` is what its user writes into. Raises SheetError with every mistake found.

        Lines of the log that are at fault are none: they are told, and count in nothing.
        """
        self.path = path
        document = yaml_document.read(path)
        self.log_path = log or default_log(document)
        self._others = tables_named(document)
        if log is None:
            log_file.check_named(document, self.log_path)
        else:
            log_file.check_given(log, self._others)
        self.log = BenchLog(self.log_path)
        log_file.check_text(self.log.text(), str(self.log_path))
        self._lock = threading.Lock()
        self._turns: OrderedDict[_Key, Turned] = OrderedDict()
        self._trials: OrderedDict[_Key, Trial | SheetError] = OrderedDict()
        #: What was read last, with the stamp of the sheet alone: a weight more changes neither.
        self._document = ("", document)
        self._knobs: tuple[str, tuple[Knob, ...], Mapping[str, list[tuple[str, str]]]] = ("", (), {})
        #: Of the files, when they were last looked into.
        self._seen = ""
        self._desk = self._read()

    @property
    def key(self) -> str:
        """Return what tells this sheet from others in a browser's own store."""
        return hashlib.sha256(str(self.path.resolve()).encode()).hexdigest()[:16]

    def desk(self) -> Desk:
        """Return the sheet as it is now; where it is at fault, the last one that was right, with the mistakes."""
        with self._lock:
            if self._stamp() != self._seen:
                try:
                    self._desk = self._read()
                except SheetError as wrong:
                    self._desk = self._with_faults(wrong.mistakes)
            return self._desk

    def turned(self, desk: Desk, settings: Mapping[str, str]) -> Turned:
        """Return the sheet with settings. Raises SheetError with what is wrong with them."""
        return self._once(self._turns, desk, settings, lambda: self._solve(desk, settings))

    def trial(self, desk: Desk, settings: Mapping[str, str]) -> Trial:
        """Return what settings give, without the answers. Raises SheetError."""
        found = self._once(self._trials, desk, settings, lambda: _tried(desk, dict(settings)))
        if isinstance(found, SheetError):
            raise found
        return found

    def _once(self, kept: OrderedDict[_Key, T], desk: Desk, settings: Mapping[str, str], work: Callable[[], T]) -> T:
        """Work something out where it is not among what was kept of this reading."""
        key = (desk.stamp, tuple(sorted(settings.items())))
        with self._lock:
            known = kept.get(key)
            if known is not None:
                kept.move_to_end(key)
                return known
        found = work()
        with self._lock:
            kept[key] = found
            while len(kept) > MOST_KEPT:
                kept.popitem(last=False)
        return found

    def _solve(self, desk: Desk, settings: Mapping[str, str]) -> Turned:
        told = dict(settings)
        sheet = desk.build(with_settings(desk.document, told)) if told else desk.sheet
        both = pair(desk.sheet, sheet, told)
        return Turned(told, both, answered(both.after, certain=False))

    def _read(self) -> Desk:
        """Read everything. Raises SheetError with every mistake that is not one of the log's lines."""
        own = _told(self.path)
        self._seen = self._stamp(own)
        document = self._document[1] if self._document[0] == own else yaml_document.read(self.path)
        # Before anything is found amiss: else a file that is named anew, and then mended, would not be looked at.
        self._others = tables_named(document)
        self._seen = self._stamp(own)
        text = self.log.text()
        found = counted(document, kinds(), self.log_path, text)
        self._document = (own, document)
        if self._knobs[0] != own:
            bare = _unweighed(document)
            turned = knobs(bare, found.sheet)
            self._knobs = (own, tuple(turned), idle(bare, found.sheet, turned))
        named = any(path.resolve() == self.log_path.resolve() for path in self._others)
        new = log_file.told_new(self.log_path, named)
        test = self._test(document, found)
        return Desk(f"{own}/{self._seen}", document, found.sheet, self.log_path, text, found.text, found.still_open,
                    new, test, named, *self._knobs[1:], mistakes=found.mistakes)  # fmt: skip

    def _with_faults(self, mistakes: tuple[Mistake, ...]) -> Desk:
        """Return the last reading with what is wrong now, and with the log as far as that can be read."""
        used = self._desk.stamp.partition("/")[0]
        desk = replace(self._desk, stamp=f"{used}/{self._seen}", mistakes=mistakes, held_by=())
        try:
            text = self.log.text()
        except SheetError:
            return desk  # which is among the mistakes
        desk = replace(desk, log_text=text, new=log_file.told_new(self.log_path, desk.named))
        try:
            found = counted(desk.document, kinds(), self.log_path, text)
        except SheetError as wrong:
            files = {Path(m.file).name: None for m in wrong.mistakes if m.file != str(self.log_path)}
            return replace(desk, held_by=tuple(files))
        return replace(desk, sheet=found.sheet, counted_text=found.text, still_open=found.still_open,
                       test=self._test(desk.document, found),
                       mistakes=(*mistakes, *(m for m in found.mistakes if m not in mistakes)))  # fmt: skip

    def _test(self, document: Document, found: Counted) -> str:
        return "" if weigh_sheet.holds_nothing(found.text) else log_test(document, self.log_path)

    def _stamp(self, own: str = "") -> str:
        """Return what changes with the sheet, with the log, and with any other weigh sheet that the sheet names."""
        return "/".join((own or _told(self.path), *(_told(path) for path in (self.log_path, *self._others))))


def _tried(desk: Desk, settings: dict[str, str]) -> Trial | SheetError:
    try:
        return pair(desk.sheet, desk.build(with_settings(desk.document, settings)), settings).trial
    except SheetError as wrong:
        return wrong


def _unweighed(document: Document) -> Document:
    """Return a document without what was weighed, which moves no knob, and may be half written."""
    bare = copy.copy(document)
    bare.data = {name: block for name, block in document.data.items() if name != "weighed"}
    return bare


def _told(path: Path) -> str:
    try:
        found = path.stat()
    except OSError:
        return "-"
    return f"{found.st_mtime_ns:x}.{found.st_size:x}.{found.st_ino:x}"


def default_log(document: Document) -> Path:
    """Return the last weigh sheet that a sheet names, else one of its own name beside it."""
    named = tables_named(document)
    return named[-1] if named else Path(document.file).with_suffix(".csv")


def faults_by_knob(mistakes: Iterable[Mistake], settings: Iterable[str], steps: Iterable[str]) -> dict[str, list[str]]:
    """Return setting → what is wrong with it; "" has what belongs to no setting that was turned."""
    names = set(steps)
    whole = {name: f"steps.{name}" if name.partition(".")[0] in names else name for name in settings}
    found: dict[str, list[str]] = {}
    for mistake in mistakes:
        near = [name for name, field in whole.items() if _concerns(mistake.field, field, name)]
        said = f"{_closed(mistake.message)} {_closed(mistake.remedy)}"
        if near:
            found.setdefault(max(near, key=len), []).append(_begun(said))
            continue
        if mistake.of_setting:
            read = "" if mistake.read is None else f' ("{shortened(mistake.read)}")'
            said = f"{mistake.field.removeprefix('steps.')}{read}: {said}" if mistake.field else _begun(said)
        else:
            said = str(mistake)
        for name in _beside(mistake.field, whole) or [""]:
            found.setdefault(name, []).append(said)
    return found


def _beside(field: str, whole: Mapping[str, str]) -> list[str]:
    """Return the settings nearest to a field that was not turned itself, but is at odds with one that was.

    Those that share most of the field's path, at least its block: d50 for d95, of all that was turned in the ore.
    """
    path = field.split(".")
    shared = {name: _shared(path, other.split(".")) for name, other in whole.items()}
    most = max(shared.values(), default=0)
    least = 2 if path[0] in ("steps", "ores") else 1
    return [name for name, count in shared.items() if count == most] if most >= least else []


def _shared(one: Sequence[str], other: Sequence[str]) -> int:
    return next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))


def _begun(text: str) -> str:
    """Begin a sentence with a capital, but for a field's name ("d95 is smaller than d50")."""
    word = text.partition(" ")[0]
    return text[:1].upper() + text[1:] if word.isalpha() else text


def _concerns(field: str, whole: str, name: str) -> bool:
    return field in (whole, name) or whole.startswith(f"{field}.") or field.startswith(f"{whole}.")


def _closed(text: str) -> str:
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."
