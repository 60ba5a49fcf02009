"""What the page stands on: the sheet and the log as they are on the disk now, and turns of the sheet's settings."""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from flowsheet.spec import document as yaml_document
from flowsheet.spec.bench_log import BenchLog
from flowsheet.spec.bench_sheet import build_with, log_test
from flowsheet.spec.document import Document
from flowsheet.spec.mistakes import Mistake, SheetError
from flowsheet.spec.read import with_settings
from flowsheet.spec.schema import Sheet
from flowsheet.spec.weighed_test import FILE
from flowsheet.steps import kinds
from flowsheet.study.knobs import Knob, idle, knobs
from flowsheet.study.run import Run, answered
from flowsheet.study.trials import Pair, Trial, pair

MOST_KEPT = 64
"""Turns that are remembered: a slider is often turned back."""


@dataclass(frozen=True, eq=False)
class Desk:
    """One reading of the sheet and of the log."""

    #: Another whenever a file has changed.
    stamp: str
    document: Document
    #: As written, with what the log holds.
    sheet: Sheet
    log_path: Path
    log_text: str
    #: The log's test in the sheet.
    test: str
    #: Whether the sheet names the log, so that the other commands read it too.
    named: bool
    knobs: tuple[Knob, ...]
    #: Block → (field, as written) of what the sheet gives and that moves nothing.
    idle: Mapping[str, list[tuple[str, str]]]
    #: What is wrong with the files as they are now; all else is then of the last reading that was right.
    mistakes: tuple[Mistake, ...] = ()

    def build(self, document: Document) -> Sheet:
        """Check a document with the log as it was read. Raises SheetError."""
        return build_with(document, kinds(), self.log_path, self.log_text)


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
        """Read the sheet. Raises SheetError with every mistake found."""
        self.path = path
        document = yaml_document.read(path)
        self.log = BenchLog(log or default_log(document))
        self.log_path = log or default_log(document)
        self._others = _files(document)
        self._lock = threading.Lock()
        self._turns: OrderedDict[tuple[str, tuple[tuple[str, str], ...]], Turned] = OrderedDict()
        #: What was read last, with the stamp of the sheet alone: a weight more changes neither.
        self._document = ("", document)
        self._knobs: tuple[str, tuple[Knob, ...], Mapping[str, list[tuple[str, str]]]] = ("", (), {})
        self._desk = self._read(self._stamp())

    @property
    def key(self) -> str:
        """Return what tells this sheet from others in a browser's own store."""
        return hashlib.sha256(str(self.path.resolve()).encode()).hexdigest()[:16]

    def desk(self) -> Desk:
        """Return the sheet as it is now; where it is at fault, the last one that was right, with the mistakes."""
        with self._lock:
            stamp = self._stamp()
            if stamp != self._desk.stamp:
                try:
                    self._desk = self._read(stamp)
                except SheetError as wrong:
                    self._desk = replace(self._desk, stamp=stamp, mistakes=wrong.mistakes)
            return self._desk

    def turned(self, desk: Desk, settings: Mapping[str, str]) -> Turned:
        """Return the sheet with settings. Raises SheetError with what is wrong with them."""
        key = (desk.stamp, tuple(sorted(settings.items())))
        with self._lock:
            known = self._turns.get(key)
            if known is not None:
                self._turns.move_to_end(key)
                return known
        found = self._solve(desk, settings)
        with self._lock:
            self._turns[key] = found
            while len(self._turns) > MOST_KEPT:
                self._turns.popitem(last=False)
        return found

    def trial(self, desk: Desk, settings: Mapping[str, str]) -> Trial:
        """Return what settings give, without the answers. Raises SheetError."""
        told = dict(settings)
        return pair(desk.sheet, desk.build(with_settings(desk.document, told)), told).trial

    def _solve(self, desk: Desk, settings: Mapping[str, str]) -> Turned:
        told = dict(settings)
        sheet = desk.build(with_settings(desk.document, told)) if told else desk.sheet
        both = pair(desk.sheet, sheet, told)
        return Turned(told, both, answered(both.after, certain=False))

    def _read(self, stamp: str) -> Desk:
        """Read everything. Raises SheetError with every mistake found."""
        own = stamp.partition("/")[0]
        document = self._document[1] if self._document[0] == own else yaml_document.read(self.path)
        text = self.log.text()
        sheet = build_with(document, kinds(), self.log_path, text)
        self._document, self._others = (own, document), _files(document)
        if self._knobs[0] != own:
            found = knobs(document, sheet)
            self._knobs = (own, tuple(found), idle(document, sheet, found))
        named = any(path.resolve() == self.log_path.resolve() for path in _files(document))
        test = log_test(document, self.log_path)
        return Desk(stamp, document, sheet, self.log_path, text, test, named, *self._knobs[1:])

    def _stamp(self) -> str:
        """Return what changes with the sheet, with the log, and with any other weigh sheet that the sheet names."""
        return "/".join(_told(path) for path in (self.path, self.log_path, *self._others))


def _told(path: Path) -> str:
    try:
        found = path.stat()
    except OSError:
        return "-"
    return f"{found.st_mtime_ns:x}.{found.st_size:x}.{found.st_ino:x}"


def _files(document: Document) -> list[Path]:
    """Return the weigh sheets that a document names."""
    weighed = document.data.get("weighed")
    given = weighed.get(FILE) if isinstance(weighed, dict) else None
    names = given if isinstance(given, list) else [given]
    folder = Path(document.file).parent
    return [folder / name.strip() for name in names if isinstance(name, str) and name.strip()]


def default_log(document: Document) -> Path:
    """Return the last weigh sheet that a sheet names, else one of its own name beside it."""
    named = _files(document)
    return named[-1] if named else Path(document.file).with_suffix(".csv")


def faults_by_knob(mistakes: Iterable[Mistake], settings: Iterable[str], steps: Iterable[str]) -> dict[str, list[str]]:
    """Return setting → what is wrong with it; "" has what belongs to no setting that was turned."""
    names = set(steps)
    whole = {name: f"steps.{name}" if name.partition(".")[0] in names else name for name in settings}
    found: dict[str, list[str]] = {}
    for mistake in mistakes:
        near = [name for name, field in whole.items() if _concerns(mistake.field, field, name)]
        said = f"{_closed(mistake.message)} {_closed(mistake.remedy)}" if near else str(mistake)
        found.setdefault(max(near, key=len) if near else "", []).append(said[:1].upper() + said[1:])
    return found


def _concerns(field: str, whole: str, name: str) -> bool:
    return field in (whole, name) or whole.startswith(f"{field}.") or field.startswith(f"{whole}.")


def _closed(text: str) -> str:
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."
