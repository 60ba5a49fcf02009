"""The log on the page: its form, its lines, what they say so far, and what is done with them."""

from __future__ import annotations

import json
from datetime import datetime
from os.path import relpath
from pathlib import Path
from typing import Any

from flowsheet.show.balance import closure, reconciled, sieved
from flowsheet.show.page import render
from flowsheet.show.page.asks import Weigh
from flowsheet.show.page.bench import Bench, Desk
from flowsheet.show.page.off_view import against_sheet
from flowsheet.show.run.by_weights import without_and_with
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.bench import log_file
from flowsheet.spec.bench.bench_log import Entry, Place
from flowsheet.spec.bench.log_text import LogText, refuse_if
from flowsheet.spec.bench.sheet_with_log import new_mistakes
from flowsheet.spec.bench.weighable import choices, units_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.checks.upstream import metals
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import texts
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weigh_table import COLUMNS
from flowsheet.spec.weights.weighed_test import FILE
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.steps import kinds
from flowsheet.study.balance.closure import closing
from flowsheet.study.balance.problem import USED
from flowsheet.study.balance.reconcile import reconcile
from flowsheet.study.estimate.confidence import sure

WHEN = "%Y-%m-%d %H:%M"
OFTEN = ("minus grade",)
"""What may be told several times of one stream in one test."""
WITH_AND_WITHOUT = "What do the weights say without it, and with it?"


def offered(sheet: Sheet) -> str:
    """Return, as JSON, what can be weighed of each stream, each with its usual units."""
    metal = metals(sheet.steps)
    told = {
        stream: [[what, list(units_of(what, stream in metal))] for what in names]
        for stream, names in choices(sheet).items()
    }
    return json.dumps(told)


def log_parts(bench: Bench, desk: Desk) -> dict[str, str]:
    """Return the lines as they stand in the file, the newest first, and what undo would take back."""
    lines = LogText.read(desk.log_text, str(desk.log_path)).entries()
    return {
        "log-lines": render.part("lines", lines=lines[::-1], file=desk.log_path.name),
        "undo-part": render.part("undo", last=bench.log.last),
        "log-notes": render.part("log_notes", notes=_notes(desk)),
        "log-told": render.part("log_told", file=str(desk.log_path), named=desk.named, add=_to_add(desk)),
    }


def _notes(desk: Desk) -> list[str]:
    """Return what there is to know of the log: what waits for another line, and gold that can hardly be meant.

    Before that what keeps the other commands from reading it, or its new lines from counting.
    """
    odd = [note.text for note in desk.sheet.notes if note.subject.file == str(desk.log_path) and note.subject.line]
    said = [note for note in (desk.new, _emptied(desk), _held(desk)) if note]
    return [*said, *desk.still_open, *odd]


def _emptied(desk: Desk) -> str:
    """Say that a log with a header and no line is refused by the other commands where the sheet names it."""
    text = desk.log_text
    if not (desk.named and text.strip() and weigh_sheet.holds_nothing(text) and desk.log_path.exists()):
        return ""
    weighed = desk.document.data["weighed"]
    if isinstance(weighed[FILE], list) and len(weighed[FILE]) > 1:
        out = f"take {desk.log_path.name} out of {FILE}: in the sheet"
    else:
        out = f"take {FILE}: out of the sheet" if len(weighed) > 1 else "take weighed: out of the sheet"
    return (f"No weight is left in {desk.log_path.name}, so the other commands refuse it: "
            f"weigh something, or {out}.")  # fmt: skip


def _held(desk: Desk) -> str:
    """Say that new lines count in nothing as long as another file is at fault."""
    if not desk.held_by:
        return ""
    return (f"New weights are kept in {desk.log_path.name}, and count once what is wrong in "
            f"{' and '.join(desk.held_by)} is mended.")  # fmt: skip


def _to_add(desk: Desk) -> list[tuple[str, str]]:
    """Say how the log comes to be named: words, each with what to type (or to look for) behind them."""
    document = desk.document
    folder = Path(document.file).parent
    name = relpath(desk.log_path.resolve(), folder.resolve())
    told = _to_write(document, name)
    try:
        log_file.check_named(document, folder / name)
    except SheetError:  # its user may name it, its sheet alone may not
        path = str(desk.log_path)
        told.append(("and start serve with --log as now:", f"--log {json.dumps(path) if ' ' in path else path}"))
    return told


def _to_write(document: Document, name: str) -> list[tuple[str, str]]:
    """Say what a sheet must hold to name a log."""
    weighed, at = document.data.get("weighed"), ("weighed", FILE)
    if not isinstance(weighed, dict):
        return [("Add to the sheet:", f"weighed: {{{FILE}: {_quoted(name)}}}")]
    if FILE in weighed:
        given = weighed[FILE]
        names = [str(one) for one in (given if isinstance(given, list) else [given])]
        line = document.keys[at][0]
        first, *more = map(_quoted, names)
        now = f"{FILE}: [{', '.join([first, *more])}]" if isinstance(given, list) else f"{FILE}: {first}"
        return [(f"In line {line} of the sheet, in the place of", now),
                ("write", f"{FILE}: [{', '.join([first, *more, _quoted(name)])}]")]  # fmt: skip
    line = document.keys["weighed",][0]
    first_at = min((place for path, place in document.keys.items() if len(path) == 2 and path[0] == "weighed"),
                   default=(line, 0))  # fmt: skip
    if first_at[0] == line:
        brace = "weighed: {"
        return [(f"In line {line} of the sheet, in the place of", brace),
                ("write", f"{brace}{FILE}: {_quoted(name)}, ")]  # fmt: skip
    indent = " " * (first_at[1] - 1)
    return [(f"Below weighed:, which is line {line} of the sheet, add the line", f"{indent}{FILE}: {_quoted(name)}")]


def _quoted(name: str) -> str:
    """Return a file's name as YAML takes it, within braces too."""
    return json.dumps(name, ensure_ascii=False) if set(name) & set(",:#[]{}'\"&*!|>%@`") else name


def weight_parts(sheet: Sheet, test: str) -> dict[str, str]:
    """Return what the weights say so far: closure, the suspect, the head grade, and what to weigh next."""
    measured = [m for m in sheet.weighed if m.test == test]
    balances = closure.sentences(closing(sheet, test)) if measured else []
    told: list[tuple[str, str]] = []
    notes: list[str] = []
    unknown = None
    by_sieve = []
    if any(m.what in USED for m in measured):
        found = reconcile(sheet, measured)
        told, notes = reconciled.answers(found), texts(found.notes)
        if found.suspect is not None and (both := _without_and_with(sheet)):
            told.insert(1, (WITH_AND_WITHOUT, both))
        unknown = reconciled.unknown(found) if found.to_know else None
        by_sieve = sieved.grids(found.sieved)
    return {
        "closing": render.part("closing", lines=balances),
        "beside": against_sheet(sheet, measured),
        "suspect": render.part("suspect", told=told, sieved=by_sieve, unknown=unknown, notes=notes),
    }


def _without_and_with(sheet: Sheet) -> str:
    """Return what the estimate is without what contradicts the other weights, and with it."""
    found = sure(solve(Model.of(sheet)))
    return without_and_with(found) if found is not None else ""


def do(bench: Bench, ask: Weigh) -> dict[str, Any]:
    """Do what is asked with the log; what comes back says what was done, or what is wrong by field."""
    desk = bench.desk()

    def check(text: str) -> None:
        # What was wrong before is told, and keeps no weight from being written.
        refuse_if(new_mistakes(desk.document, kinds(), desk.log_path, bench.log.text(), text))

    try:
        if ask.what == "undo":
            return {"ok": True, "said": f"Taken back: {bench.log.undo(ask.token).words}."}
        if ask.what == "strike":
            bench.log.strike(Place(ask.line, ask.text), check)
            return {"ok": True, "said": "Struck: the line stays in the file as a remark."}
        entry = _entry(ask.entry)
        if ask.what == "change":
            change = bench.log.change(Place(ask.line, ask.text), entry, check)
        else:
            stands = _standing(bench, entry)
            if stands is not None:
                bench.log.would_change(stands.place, entry, check)  # what is wrong with the entry comes first
                return {"ok": False, "stands": {"line": stands.line, "text": stands.text, "said": stands.said}}
            change = bench.log.add(entry, check)
    except SheetError as wrong:
        return {"ok": False, **_faults(wrong.mistakes)}
    return {"ok": True, "said": f"In the file: {change.entry.said}."}


def _entry(told: dict[str, str]) -> Entry:
    stream, what, value, unit, sd, when, note = (told.get(name, "").strip() for name in COLUMNS)
    return Entry(stream, what, value, unit, sd, when or datetime.now().strftime(WHEN), note)


def _standing(bench: Bench, entry: Entry) -> Entry | None:
    """Return the line that tells the same already, None where there is none."""
    key = _key(entry)
    if key[1] in OFTEN:
        return None
    return next((line for line in reversed(bench.log.lines()) if _key(line) == key), None)


def _key(entry: Entry) -> tuple[str, str]:
    return entry.stream.strip(), " ".join(entry.what.casefold().split())


def _faults(mistakes: tuple[Mistake, ...]) -> dict[str, Any]:
    """Return what is wrong, by the field of the form, and what belongs to none."""
    found: dict[str, str] = {}
    others: list[str] = []
    for mistake in mistakes:
        said = f"{_closed(mistake.message)} {_closed(mistake.remedy)}"
        said = said[:1].upper() + said[1:]
        if mistake.field in COLUMNS:
            found[mistake.field] = f"{found[mistake.field]} {said}" if mistake.field in found else said
        else:
            others.append(str(mistake))
    return {"faults": found, "others": others}


def _closed(text: str) -> str:
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."
