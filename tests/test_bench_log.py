"""The bench log: what a weigh sheet becomes line by line, what it refuses, and that nothing ever loses a weight."""

from __future__ import annotations

import csv
import errno
import io
import os
import random
import signal
import stat
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import filelock
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import sheet_of
from tiers import examples

from flowsheet.solve.model import rebuild
from flowsheet.spec.bench.bench_log import BenchLog, Entry, LogChange, Place
from flowsheet.spec.bench.log_text import LONGEST_CELL, LONGEST_NOTE, LogText
from flowsheet.spec.bench.sheet_with_log import build_with, counted, log_test
from flowsheet.spec.bench.weighable import choices, units_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import safe_writing
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.text_file import MOST_BYTES
from flowsheet.spec.weights import weigh_sheet
from flowsheet.spec.weights.weigh_table import COLUMNS
from flowsheet.spec.yaml import marked_document
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.steps import kinds

# All sheets and numbers here are invented.
SHEET = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t, sizes: {top: 60 mm, p80: 40 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  wash: {do: pan, takes: [lumps, fines], gives: {concentrate: con, tailings: tails}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}}
keep: button
"""
HEADER = "stream,what,value,unit,sd,when,note\n"
LUMPS = Entry("lumps", "mass", "9.1", "kg", "0.01", "day 1", "rinsed")
FINES = Entry("fines", "mass", "5.1", "kg")
WHEN = datetime(2026, 5, 4, 15, 2)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "sack.csv"


@pytest.fixture
def log(path: Path) -> BenchLog:
    return BenchLog(path, lambda: WHEN)


def of_text(path: Path, raw: str | bytes) -> BenchLog:
    path.write_bytes(raw.encode() if isinstance(raw, str) else raw)
    return BenchLog(path, lambda: WHEN)


def as_if(sheet: Document, path: Path, text: str) -> Sheet:
    """Return a sheet as if its log held a text."""
    return build_with(sheet, kinds(), path, text)


def refused(do: Callable[[], Any]) -> list[Mistake]:
    with pytest.raises(SheetError) as caught:
        do()
    assert all(mistake.message and mistake.remedy for mistake in caught.value.mistakes)
    return list(caught.value.mistakes)


def cells(entries: list[Entry]) -> list[tuple[str, ...]]:
    return [tuple(entry.cell(name) for name in COLUMNS) for entry in entries]


# ── what it writes ──────────────────────────────────────────────────────────────────────────────────────────


def test_a_log_that_is_not_there_yet_is_made_with_its_header(log, path):
    assert (log.text(), log.lines(), log.last) == ("", [], None)
    log.add(LUMPS)
    assert path.read_text() == f"{HEADER}lumps,mass,9.1,kg,0.01,day 1,rinsed\n"


def test_a_tsv_is_made_with_tabs(tmp_path):
    BenchLog(tmp_path / "sack.tsv").add(FINES)
    assert (tmp_path / "sack.tsv").read_bytes() == HEADER.replace(",", "\t").encode() + b"fines\tmass\t5.1\tkg\t\t\t\n"


@pytest.mark.parametrize(("before", "after"), [
    (b"", HEADER.encode() + b"fines,mass,5.1,kg,,,\n"),
    (b"# sack 7", b"# sack 7\n" + HEADER.encode() + b"fines,mass,5.1,kg,,,\n"),
    (b"\xef\xbb\xbfstream,what,value,unit\r\n", b"\xef\xbb\xbfstream,what,value,unit\r\nfines,mass,5.1,kg\r\n"),
    (b"stream,what,value,unit\rore,mass,14,kg", b"stream,what,value,unit\rore,mass,14,kg\rfines,mass,5.1,kg\r"),
    (b"unit;value;what;stream\n", b"unit;value;what;stream\nkg;5.1;mass;fines\n"),
    (b"sep=;\nstream;what;value;unit\n", b"sep=;\nstream;what;value;unit\nfines;mass;5.1;kg\n"),
    (b"Stream\tWhat\t Value\tUnit\tNote\n# x\n", b"Stream\tWhat\t Value\tUnit\tNote\n# x\nfines\tmass\t5.1\tkg\t\n"),
    (b"stream,what,value\n", b"stream,what,value,unit\nfines,mass,5.1,kg\n"),
    (b"stream,what,,value\r\nore,mass,,1 g\r\n", b"stream,what,,value,unit\r\nore,mass,,1 g\r\nfines,mass,,5.1,kg\r\n"),
    (b'"stream","what","value","unit"\n"ore","mass","1","kg"\n\n\n',
     b'"stream","what","value","unit"\n"ore","mass","1","kg"\n\n\nfines,mass,5.1,kg\n'),
])  # fmt: skip
def test_a_file_is_kept_as_it_was_found(path, before, after):
    log = of_text(path, before)
    change = log.add(FINES)
    assert path.read_bytes() == after
    assert cells(log.lines())[-1] == ("fines", "mass", "5.1", "kg", "", "", "")
    log.undo(change.token)
    assert path.read_bytes() == before


def test_cells_are_quoted_as_csv_has_it(log, path):
    log.add(Entry("lumps", "mass", "9.1", "kg", note='a "wet" lump, and\r\nanother'))
    rows = list(csv.reader(io.StringIO(path.read_text())))
    assert rows[1] == ["lumps", "mass", "9.1", "kg", "", "", 'a "wet" lump, and another']


@pytest.mark.parametrize("note", ["=1+1", "+1", "-1", "@x", '=HYPERLINK("x")'])
def test_a_spreadsheet_works_nothing_out(log, path, note):
    log.add(Entry("lumps", "mass", "9.1", "kg", when=note, note=f"\t{note}"))
    (row,) = list(csv.reader(io.StringIO(path.read_text())))[1:]
    assert row[5:] == [f"'{note}", f"'{note}"]


@pytest.mark.parametrize(("stream", "sound"), [
    ("+20 mm", True), ("-20 mm", True), ("- 0.5 mm", True), ("=1", False), ("@x", False), ("+A1", False),
    ("-2+cmd|' /C x'!A0", False), ("#1 tails", False), ('"quoted"', True), ("a,b", True), ("'tails", True),
])  # fmt: skip
def test_streams_that_a_weigh_sheet_can_and_cannot_name(log, stream, sound):
    entry = Entry(stream, "mass", "9.1", "kg")
    if sound:
        log.add(entry)
        assert log.lines()[0].stream == stream
    else:
        (mistake,) = refused(lambda: log.add(entry))
        assert (mistake.field, mistake.read) == ("stream", stream)


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]), max_size=40)


@given(TEXT, TEXT, st.sampled_from([",", ";", "\t"]), st.sampled_from(["\n", "\r\n", "\r"]), st.booleans())
@settings(max_examples=examples(300))
def test_whatever_is_taken_comes_back_as_it_was_and_touches_nothing_else(stream, note, separator, end, bom):
    before = f"{separator.join(COLUMNS)}{end}# so far{end}ore{separator}mass{separator}14 kg{end}"
    found = LogText.read(before, "sack.csv", bom)
    entry = Entry(stream.strip() or "x", "mass", "9.1", "kg", note=" ".join(note.split()))
    text, line = found.added(entry)
    assert text.startswith(before)
    read = LogText.read(text, "sack.csv")
    if (row := read.row_at(line)) is not None and not read.faults_of(entry, line):
        assert cells([read.entry(row)]) == cells([entry])
        assert len(read.rows) == 3
    else:
        assert read.faults_of(entry, line)


# ── what it refuses ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("entry", "field", "message", "remedy"), [
    (Entry("lumps", "mass", "9,1", "kg"), "value", "a comma stands inside the number", 'Write a point: "9.1 kg"'),
    (Entry("lumps", "mas", "9.1", "kg"), "what", "nothing known here", 'Did you mean "mass"?'),
    (Entry("lumps", "weight", "9.1", "kg"), "what", "nothing known here", 'Did you mean "mass"?'),
    (Entry("lumps", "", "9.1", "kg"), "what", "the line does not say", "Write one of mass"),
    (Entry("lumps", "mass", "9.1"), "unit", "a mass needs its unit", 'Write "9.1 kg"'),
    (Entry("lumps", "mass", "9.1", "kgg"), "unit", "", ""),
    (Entry("lumps", "mass", "9.1 kg", "g"), "unit", "the value has a unit of its own", "Keep one"),
    (Entry("lumps", "mass", "9.1", "kg", "0"), "sd", "no weight is free of doubt", "Leave the sd out"),
    (Entry("lumps", "mass", "9.1", "kg", "-1"), "sd", "the doubt after ± is negative", "Write how far"),
    (Entry("lumps", "mass", "9.1 ± 0.1", "kg", "1"), "sd", "the value has a doubt of its own", "Keep one"),
    (Entry("lumps", "mass", "", "kg"), "value", "nothing is written here", "Write something like"),
    (Entry("lumps", "mass", "heavy", "kg"), "value", "this is not a mass", "Write something like"),
    (Entry("lumps", "mass", "=9+1", "kg"), "value", "something stands before the number", ""),
    (Entry("lumps", "passing", "80", "%"), "what", "the sieve is missing", 'Write "passing 150 um"'),
    (Entry("", "mass", "9.1", "kg"), "stream", "the line names no stream", "Write the stream's name"),
    (Entry("lu\nmps", "mass", "9.1", "kg"), "stream", "a line break stands in it", "Write it on one line"),
    (Entry("lu\x07mps", "mass", "9.1", "kg"), "stream", "a character that is no text", "Delete it"),
    (Entry("lu\ud800mps", "mass", "9.1", "kg"), "stream", "a character that is no text", "Delete it"),
    (Entry("lumps", "mass", "9.1", "kg", note="\x00"), "note", "a character that is no text", "Delete it"),
    (Entry("x" * (LONGEST_CELL + 1), "mass", "9.1", "kg"), "stream", "longer than 120", "Write it shorter"),
    (Entry("lumps", "mass", "9.1", "kg", note="x" * (LONGEST_NOTE + 1)), "note", "longer than 500", "shorter"),
    (Entry("ore", "mass", "14", "kg"), "what", "measured twice, first in line 2", "change line 2"),
])  # fmt: skip
def test_an_entry_is_refused_with_the_field_that_is_at_fault(path, entry, field, message, remedy):
    log = of_text(path, before := f"{HEADER}ore,mass,14.2,kg,,,\n")
    (mistake,) = refused(lambda: log.add(entry))
    assert mistake.field == field
    assert message in mistake.message
    assert remedy in mistake.remedy
    assert mistake.file == str(path)
    assert path.read_text() == before
    assert log.last is None


@pytest.mark.parametrize(("entry", "field"), [
    (Entry("lumps", "mass", "91", "kg"), "value"),
    (Entry("lumps", "mass", "-9.1", "kg"), "value"),
    (Entry("lump", "mass", "9.1", "kg"), "stream"),
    (Entry("lumps", "mass", "9.1", "kg", "20"), "sd"),
    (Entry("lumps", "passing 150", "80", "%"), "what"),
    (Entry("lumps", "moisture", "3", "%"), "value"),
    (Entry("button", "gold", "200", "kg"), "value"),
])  # fmt: skip
def test_what_the_sheet_refuses_names_the_field_too(log, path, entry, field):
    sheet = marked_document.parse(SHEET, str(path.with_name("sack.yaml")))
    log.add(Entry("ore", "mass", "14.2", "kg"))
    mistakes = refused(lambda: log.add(entry, lambda text: as_if(sheet, path, text)))
    assert [m.field for m in mistakes] == [field]
    assert mistakes[0].line == 3
    assert len(log.lines()) == 1


def test_what_the_check_refuses_is_not_written(log, path):
    log.add(LUMPS)
    before, seen = path.read_bytes(), []

    def no(text: str) -> None:
        seen.append(text)
        raise SheetError([Mistake("no", "Ask somebody else", code="odd")])

    place = log.lines()[0].place
    again = Entry("lumps", "mass", "9.2", "kg")
    for do in (lambda: log.add(FINES, no), lambda: log.change(place, again, no), lambda: log.strike(place, no),
               lambda: log.would_change(place, again, no)):  # fmt: skip
        assert refused(do)[0].message == "no"
    assert path.read_bytes() == before
    assert seen[0] == before.decode() + "fines,mass,5.1,kg,,,\n"
    assert log.last is not None
    assert log.last.kind == "add"


@pytest.mark.parametrize("raw", [
    b"stream,what,valu\n", b"mass of lumps 9 kg\n", b'stream,what,value\n"lumps,mass,9 kg\n',
    b"stream,what,value\nlumps,mass,9,1,kg\n", "stream,what".encode("utf-16"), b"stream,what,value\nl\xfc,mass,9 kg\n",
])  # fmt: skip
def test_a_file_that_cannot_be_added_to_is_left_alone(path, raw):
    log = of_text(path, raw)
    refused(lambda: log.add(FINES))
    assert path.read_bytes() == raw


def test_a_log_does_not_grow_without_end(path):
    log = of_text(path, HEADER + "# " + "x" * (MOST_BYTES - len(HEADER) - 10))
    (mistake,) = refused(lambda: log.add(LUMPS))
    assert "longer than 1 MB" in mistake.message


def test_a_folder_that_is_not_there_is_told(tmp_path):
    (mistake,) = refused(lambda: BenchLog(tmp_path / "none" / "sack.csv").add(LUMPS))
    assert "cannot be written" in mistake.message


def test_a_folder_in_place_of_the_log_is_told(tmp_path):
    (tmp_path / "sack.csv").mkdir()
    (mistake,) = refused(BenchLog(tmp_path / "sack.csv").lines)
    assert "cannot be read" in mistake.message


def test_a_protected_log_is_told(path, monkeypatch):
    log = of_text(path, HEADER)
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write anything
    (mistake,) = refused(lambda: log.add(LUMPS))
    assert "protected" in mistake.message


# ── weighed again, struck, taken back ───────────────────────────────────────────────────────────────────────


def test_a_line_that_is_changed_stays_as_a_remark(path):
    log = of_text(path, f"{HEADER}lumps,mass,9.1,kg,0.01,day 1,rinsed\nfines,mass,5.1,kg,,,\n")
    change = log.change(log.lines()[0].place, Entry("lumps", "mass", "9.2", "kg", "0.01", "day 2"))
    assert path.read_text() == (
        f"{HEADER}lumps,mass,9.2,kg,0.01,day 2,\n"
        "# replaced 2026-05-04 15:02: lumps,mass,9.1,kg,0.01,day 1,rinsed\n"
        "fines,mass,5.1,kg,,,\n"
    )
    assert change.words == "changed: lumps, mass 9.1 kg ± 0.01 kg, to lumps, mass 9.2 kg ± 0.01 kg"
    assert change.entry == log.lines()[0]
    assert [entry.line for entry in log.lines()] == [2, 4]


def test_a_line_that_is_struck_stays_as_a_remark(path):
    log = of_text(path, f"{HEADER}lumps,mass,9.1,kg,,,\r\nfines,mass,5.1,kg,,,")
    change = log.strike(log.lines()[1].place)
    assert (
        path.read_bytes()
        == f"{HEADER}lumps,mass,9.1,kg,,,\r\n# struck 2026-05-04 15:02: fines,mass,5.1,kg,,,\n".encode()
    )
    assert change.words == "struck: fines, mass 5.1 kg"
    assert cells(log.lines()) == [("lumps", "mass", "9.1", "kg", "", "", "")]


@pytest.mark.parametrize(("other", "field"), [
    (Entry("tails", "mass", "9.2", "kg"), "stream"), (Entry("lumps", "grade", "3", "g/t"), "what"),
    (Entry("Lumps", "mass", "9.2", "kg"), "stream"), (Entry("tails", "grade", "3", "g/t"), "stream"),
])  # fmt: skip
def test_another_weight_takes_no_lines_place(log, path, other, field):
    log.add(LUMPS)
    before, place = path.read_bytes(), log.lines()[0].place
    for do in (lambda: log.change(place, other), lambda: log.would_change(place, other)):
        (mistake,) = refused(do)
        assert (mistake.field, mistake.read) == (field, other.cell(field))
        assert "another weight cannot take the place of lumps, mass 9.1 kg" in mistake.message
        assert "Write it as a new line; if the old one is wrong, strike that" in mistake.remedy
    assert path.read_bytes() == before
    log.change(place, Entry(" lumps", " Mass ", "9.2", "kg"))
    assert log.lines()[0].value == "9.2"


def test_what_would_be_refused_is_told_without_writing(log, path):
    log.add(LUMPS)
    before, place = path.read_bytes(), log.lines()[0].place
    for value in ("", "heavy", "0,268"):
        (mistake,) = refused(lambda value=value: log.would_change(place, Entry("lumps", "mass", value, "kg")))
        assert mistake.field == "value"
    log.would_change(place, Entry("lumps", "mass", "9.3", "kg"))
    assert path.read_bytes() == before


def test_a_line_that_stands_twice_cannot_be_changed_while_it_does(path):
    log = of_text(path, before := f"{HEADER}lumps,mass,9.1,kg,,,\nlumps,mass,9.2,kg,,,\n")
    for at, message, remedy in (
        (0, "another line tells this already", "Change or strike that line instead"),
        (1, "measured twice, first in line 2", "change line 2 instead of adding one"),
    ):
        again = Entry("lumps", "mass", "9.3", "kg")
        (mistake,) = refused(lambda at=at, again=again: log.change(log.lines()[at].place, again))
        assert (mistake.field, mistake.message) == ("what", message)
        assert remedy in mistake.remedy
    assert path.read_text() == before


def test_a_line_that_runs_over_several_is_changed_as_one(path):
    log = of_text(path, f'{HEADER}lumps,mass,9.1,kg,,,"wet,\nstill ""wet"""\nfines,mass,5.1,kg,,,\n')
    lumps, fines = log.lines()
    assert (lumps.line, fines.line) == (2, 4)
    log.strike(Place(lumps.line, lumps.text.replace("\n", "\r\n")))  # as a form sends it back
    assert path.read_text() == (
        f'{HEADER}# struck 2026-05-04 15:02: lumps,mass,9.1,kg,,,"wet, still ""wet"""\nfines,mass,5.1,kg,,,\n'
    )


def test_a_struck_line_can_be_entered_anew(log):
    log.add(LUMPS)
    log.strike(log.lines()[0].place)
    log.add(LUMPS)
    assert len(log.lines()) == 1


@pytest.mark.parametrize("place", [
    Place(2, "lumps,mass,9.0,kg,0.01,day 1,rinsed"), Place(3, "x"), Place(1, HEADER[:-1]), Place(0, ""), Place(9, ""),
])  # fmt: skip
def test_a_line_that_is_gone_or_has_changed_is_not_touched(log, path, place):
    log.add(LUMPS)
    before = path.read_bytes()
    for do in (lambda: log.strike(place), lambda: log.change(place, FINES)):
        (mistake,) = refused(do)
        assert "Look at the log as it is now" in mistake.remedy
    assert path.read_bytes() == before


def test_changes_are_taken_back_one_by_one(log, path):
    states: list[bytes | None] = [None]
    changes: list[LogChange] = []
    for do in (
        lambda: log.add(LUMPS),
        lambda: log.add(FINES),
        lambda: log.change(log.lines()[0].place, Entry("lumps", "mass", "9.3", "kg")),
        lambda: log.strike(log.lines()[1].place),
    ):
        changes.append(do())
        assert log.last == changes[-1]
        states.append(path.read_bytes())
    assert len({change.token for change in changes}) == 4
    for change, state in zip(reversed(changes), reversed(states[:-1]), strict=True):
        assert log.undo(change.token) == change
        assert (path.read_bytes() if path.exists() else None) == state
    assert log.last is None
    assert "no change" in refused(lambda: log.undo(changes[0].token))[0].message


def test_only_the_last_change_is_taken_back(log, path):
    first = log.add(LUMPS)
    second = log.add(FINES)
    (mistake,) = refused(lambda: log.undo(first.token))
    assert second.words in mistake.remedy
    log.undo(second.token)
    assert "not the last change" in refused(lambda: log.undo(second.token))[0].message


def test_that_the_file_is_gone_comes_before_which_change_was_last(log, path):
    first = log.add(LUMPS)
    second = log.add(FINES)
    raw = path.read_bytes()
    path.unlink()
    for change in (first, second):
        assert "was there, and is gone" in refused(lambda change=change: log.undo(change.token))[0].message
    path.write_bytes(raw)
    log.undo(second.token)


def test_a_file_that_was_emptied_is_as_good_as_gone(log, path):
    change = log.add(LUMPS)
    raw = path.read_bytes()
    path.write_bytes(b"")
    for do in (log.lines, lambda: log.add(FINES), lambda: log.undo(change.token)):
        (mistake,) = refused(do)
        assert "it is empty now" in mistake.message
    assert path.read_bytes() == b""
    path.write_bytes(raw)
    log.add(FINES)


def test_a_file_that_was_empty_at_first_is_so_again_when_all_is_taken_back(path):
    log = of_text(path, "")
    log.undo(log.add(LUMPS).token)
    assert path.read_bytes() == b""
    log.add(FINES)


def test_a_change_is_not_taken_back_over_somebody_elses(log, path):
    change = log.add(LUMPS)
    path.write_text(theirs := path.read_text() + "fines,mass,5.1,kg,,,\n")
    (mistake,) = refused(lambda: log.undo(change.token))
    assert "changed by something else" in mistake.message
    assert path.read_text() == theirs
    assert log.last is None  # so that nothing is offered that would be refused
    path.unlink()
    assert log.last is None
    refused(lambda: log.undo(change.token))
    assert not path.exists()


@given(st.lists(st.tuples(st.sampled_from(["add", "change", "strike", "undo"]), st.integers(0, 20)), max_size=25))
@settings(max_examples=examples(60))
def test_any_turn_of_events_leaves_what_was_last_said_of_each_line(tmp_path_factory, events):
    path = tmp_path_factory.mktemp("log") / "sack.csv"
    log = BenchLog(path, lambda: WHEN)
    now: list[str] = []
    before: list[list[str]] = []
    for number, (how, at) in enumerate(events, 1):
        if how == "undo":
            if before:
                assert log.last is not None
                log.undo(log.last.token)
                now = before.pop()
            continue
        if how != "add" and not now:
            continue
        before.append(now)
        now = now.copy()
        if how == "add":
            log.add(replicate(number))
            now.append(str(number))
        elif how == "change":
            log.change(log.lines()[at % len(now)].place, replicate(number))
            now[at % len(now)] = str(number)
        else:
            gone = log.lines()[at % len(now)]
            log.strike(gone.place)
            assert gone.text in log.text()  # never rubbed out
            del now[at % len(now)]
        assert [entry.value for entry in log.lines()] == now
        assert not log.lines() or weigh_sheet.parse(log.text(), "x").mistakes == []


# ── on the disk ─────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.skipif(os.name != "posix", reason="other systems keep rights otherwise")
def test_rights_are_kept(log, path):
    log.add(LUMPS)
    plain = path.with_name("plain")
    plain.touch()
    assert path.stat().st_mode == plain.stat().st_mode
    path.chmod(0o640)
    log.add(FINES)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.skipif(os.name != "posix", reason="other systems make links otherwise")
def test_a_link_is_written_through(tmp_path):
    real, link = tmp_path / "real" / "sack.csv", tmp_path / "sack.csv"
    real.parent.mkdir()
    link.symlink_to(real)
    log = BenchLog(link)
    log.add(LUMPS)
    log.add(FINES)
    assert link.is_symlink()
    assert real.read_text() == link.read_text()
    assert len(log.lines()) == 2
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


class Crash(BaseException):
    """Stands for a power cut: nobody catches it."""


@pytest.mark.parametrize("at", ["open", "write", "fsync", "replace", "after"])
@pytest.mark.parametrize("there", [True, False])
def test_whenever_it_crashes_the_old_file_is_there_or_the_new_one(path, monkeypatch, at, there):
    log = of_text(path, HEADER) if there else BenchLog(path)
    old = path.read_bytes() if there else None
    with monkeypatch.context() as broken:
        # What has been left of a power cut: nothing is cleaned up behind it.
        broken.setattr(Path, "unlink", lambda *_, **__: None)
        real = {name: getattr(os, name) for name in ("open", "fsync", "replace", "fdopen")}

        def crash(*_: Any, **__: Any) -> Any:
            raise Crash

        def replace_then_crash(*arguments: Any) -> None:
            real["replace"](*arguments)
            raise Crash

        name = {"write": "fdopen", "after": "replace"}.get(at, at)
        if at == "open":
            broken.setattr(
                os, "open", lambda p, *a, **k: crash() if str(p).endswith(".part") else real["open"](p, *a, **k)
            )
        else:
            broken.setattr(os, name, replace_then_crash if at == "after" else crash)
        with pytest.raises(Crash):
            log.add(LUMPS)
    new = f"{HEADER}lumps,mass,9.1,kg,0.01,day 1,rinsed\n".encode()
    assert (path.read_bytes() if path.exists() else None) == (new if at == "after" else old)
    again = BenchLog(path)
    assert [p.name for p in path.parent.iterdir()] == ([path.name] if path.exists() else [])
    again.add(FINES)
    assert len(again.lines()) == (2 if at == "after" else 1)


def test_what_another_program_left_behind_is_in_nobodys_way(log, path):
    safe_writing.part_of(path).write_text("half a li")
    log.add(LUMPS)
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("name", ["fsync", "replace"])
def test_a_full_disk_is_told_and_changes_nothing(path, monkeypatch, name):
    log = of_text(path, HEADER)

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, name, full)
        (mistake,) = refused(lambda: log.add(LUMPS))
    assert "No space left on device" in mistake.message
    assert path.read_text() == HEADER
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    assert log.last is None
    log.add(LUMPS)


def test_each_change_is_flushed_to_the_disk_before_it_takes_its_place(log, path, monkeypatch):
    done: list[str] = []
    real = {name: getattr(os, name) for name in ("fsync", "replace")}
    for name, do in real.items():
        monkeypatch.setattr(os, name, lambda *a, name=name, do=do: (done.append(name), do(*a))[1])
    log.add(LUMPS)
    assert done == ["fsync", "replace", "fsync"]


def test_a_system_without_locks_or_open_folders_will_do(log, monkeypatch):
    def refusing(wrong: Exception) -> Callable[..., None]:
        def refuse(*_: Any, **__: Any) -> None:
            raise wrong

        return refuse

    for wrong in (OSError(errno.ENOLCK, "No locks available"), NotImplementedError()):
        monkeypatch.setattr(filelock.FileLock, "acquire", refusing(wrong))
        log.add(replicate(len(log.lines()) + 1))
    assert len(log.lines()) == 2


# ── nothing is lost ─────────────────────────────────────────────────────────────────────────────────────────


def replicate(number: int) -> Entry:
    """Return one of many lines that may stand beside each other."""
    return Entry("lumps", "minus grade", f"{number}", "g/t")


@pytest.mark.slow
def test_many_threads_lose_nothing(log, path, monkeypatch):
    monkeypatch.setattr(safe_writing, "PATIENCE", 600.0)  # many wait for each other, maybe on a busy machine
    others = [BenchLog(path), BenchLog(path)] if os.name == "posix" else []
    logs = [log, *others]
    failed: list[BaseException] = []

    def enter(thread: int) -> None:
        for i in range(4):
            try:
                logs[thread % len(logs)].add(replicate(10 * thread + i + 1))
            except SheetError as wrong:
                failed.append(wrong)

    threads = [threading.Thread(target=enter, args=(i,)) for i in range(50)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert sorted(int(entry.value) for entry in log.lines()) == sorted(
        10 * t + i + 1 for t in range(50) for i in range(4)
    )
    assert weigh_sheet.parse(log.text(), "x").mistakes == []


def test_many_threads_that_change_and_strike_one_line_do_it_once(log):
    log.add(LUMPS)
    place = log.lines()[0].place
    done, refusals = [], []

    def turn(number: int) -> None:
        try:
            if number % 2:
                log.strike(place)
            else:
                log.change(place, Entry("lumps", "mass", f"9.{number}", "kg"))
            done.append(number)
        except SheetError as wrong:
            refusals.append(wrong)

    threads = [threading.Thread(target=turn, args=(i,)) for i in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(done), len(refusals)) == (1, 19)


WRITER = """
import sys
from flowsheet.spec.bench.sheet_with_log import build_with, log_test
from flowsheet.spec.bench.bench_log import BenchLog, Entry
log, first = BenchLog(sys.argv[1]), int(sys.argv[2])
for number in range(first, first + int(sys.argv[3])):
    log.add(Entry("lumps", "minus grade", str(number), "g/t"))
    print(number, flush=True)
"""


def writer(path: Path, first: int, count: int) -> subprocess.Popen[str]:
    script = textwrap.dedent(WRITER)
    return subprocess.Popen(
        [sys.executable, "-c", script, str(path), str(first), str(count)], stdout=subprocess.PIPE, text=True
    )


@pytest.mark.skipif(os.name != "posix", reason="other systems have no locks that two programs share here")
def test_two_programs_lose_nothing(path):
    programs = [writer(path, first, 20) for first in (1, 101)]
    said = [program.communicate(timeout=60)[0].split() for program in programs]
    assert [len(numbers) for numbers in said] == [20, 20]
    assert sorted(int(entry.value) for entry in BenchLog(path).lines()) == [*range(1, 21), *range(101, 121)]


def killed(path: Path, times: int, seed: int) -> tuple[int, int]:
    """Kill a program that enters weights, again and again.

    Returns how many times it was in the middle of a write, and how many weights were written, but not acknowledged.
    """
    rng = random.Random(seed)
    kept: list[int] = []
    unsaid = amid = 0
    for turn in range(times):
        first = 5 * turn + 1
        program = writer(path, first, 5)
        assert program.stdout is not None
        said: list[int] = []
        for _ in range(rng.randint(0, 4)):
            said.append(int(program.stdout.readline()))
        if not said:
            time.sleep(rng.uniform(0, 0.6))
        else:
            time.sleep(rng.uniform(0, 0.004))
        program.send_signal(signal.SIGKILL)
        said += map(int, program.stdout.read().split())
        program.stdout.close()
        program.wait(timeout=60)
        amid += safe_writing.part_of(path).exists()
        log = BenchLog(path)
        text = log.text()
        assert text == "" or text.endswith("\n")
        assert weigh_sheet.parse(text, "x").mistakes == [] or not log.lines()
        found = [int(entry.value) for entry in log.lines()]
        new = found[len(kept) :]
        assert found[: len(kept)] == kept
        assert new == list(range(first, first + len(new)))
        assert len(new) >= len(said)
        unsaid += len(new) - len(said)
        kept = found
        assert {p.name for p in path.parent.iterdir() if p != path} <= {
            safe_writing.LOCK
        }  # whoever writes next takes it
    return amid, unsaid


@pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL")
def test_what_was_acknowledged_survives_a_kill(path):
    killed(path, 4, 1)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL")
def test_what_was_acknowledged_survives_a_hundred_kills(path):
    amid, unsaid = killed(path, 100, 2)
    count = len(BenchLog(path).lines())
    print(f"\n100 kills, {amid} of them amid a write: {count} weights, {unsaid} of them not acknowledged yet")


@pytest.mark.benchmark
def test_adds_a_second(tmp_path):
    def each(count: int, check: Callable[[str], object]) -> float:
        log = BenchLog(tmp_path / f"{count} {random.random()}.csv")
        start = time.perf_counter()
        for number in range(1, count + 1):
            log.add(replicate(number), check)
        return (time.perf_counter() - start) / count

    sheet = marked_document.parse(SHEET, str(tmp_path / "sack.yaml"))
    parts = "".join(f"lumps,{what}\n" for what in ("plus mass,12,g", "plus gold,3,mg", "minus mass,480,g"))
    path = tmp_path / "x.csv"
    checked = each(30, lambda text: as_if(sheet, path, text + parts))
    alone = each(30, lambda text: None)
    print(f"\na bench log of 30 lines: an add, flushed to the disk, {1e3 * alone:.2f} ms ({1 / alone:.0f} a second); "
          f"with the sheet checked, {1e3 * checked:.2f} ms ({1 / checked:.0f} a second)")  # fmt: skip


# ── the sheet with it ───────────────────────────────────────────────────────────────────────────────────────


def streams(sheet: Any) -> list[tuple[str, str]]:
    return [(m.stream, m.test) for m in sheet.weighed]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "old.csv").write_text(f"{HEADER}tails,mass,13.9,kg,,,\n")
    return tmp_path


def with_log(folder: Path, weighed: str, text: str, name: str = "sack.csv") -> Any:
    (folder / "sack.yaml").write_text(SHEET + (f"weighed: {weighed}\n" if weighed else ""), encoding="utf-8")
    return as_if(marked_document.read(folder / "sack.yaml"), folder / name, text)


ONE = f"{HEADER}lumps,mass,9.1,kg,,,\n"


@pytest.mark.parametrize(("weighed", "expected"), [
    ("", [("lumps", "sack")]),
    ("{file: sack.csv}", [("lumps", "sack")]),
    ("{file: [sack.csv]}", [("lumps", "sack")]),
    ("{file: old.csv}", [("tails", "old"), ("lumps", "sack")]),
    ("{file: [sack.csv, old.csv]}", [("lumps", "sack"), ("tails", "old")]),
    ("{tails: {mass: 13.9 kg}}", [("tails", "sack"), ("lumps", "sack")]),
    ("{file: ./sack.csv, tails: {mass: 13.9 kg}}", [("tails", "sack"), ("lumps", "sack")]),
])  # fmt: skip
def test_the_log_stands_in_for_the_file_or_is_added(folder, weighed, expected):
    sheet = with_log(folder, weighed, ONE)
    assert streams(sheet) == expected
    told = next(m for m in sheet.weighed if m.stream == "lumps")
    assert (told.file, told.line) == (str(folder / "sack.csv"), 2)


@pytest.mark.parametrize("text", ["", HEADER, "# nothing yet\n", f"{HEADER}# struck: lumps,mass,9.1 kg\n", "\n\n"])
@pytest.mark.parametrize(("weighed", "expected"), [
    ("", []), ("{file: sack.csv}", []), ("{file: [sack.csv]}", []), ("{file: [old.csv, sack.csv]}", [("tails", "old")]),
    ("{file: sack.csv, tails: {mass: 13.9 kg}}", [("tails", "")]),
])  # fmt: skip
def test_an_empty_log_is_none(folder, text, weighed, expected):
    assert streams(with_log(folder, weighed, text)) == expected


def test_what_the_log_tells_is_what_the_file_would(folder):
    (folder / "sack.csv").write_text(ONE)
    there = with_log(folder, "{file: sack.csv}", ONE)
    (folder / "sack.csv").write_text("this is not looked at")
    assert with_log(folder, "{file: sack.csv}", ONE).weighed == there.weighed
    (folder / "sack.csv").write_text(ONE)
    assert sheet_of(folder / "sack.yaml").weighed == there.weighed


def test_the_document_is_left_as_it_was(folder):
    (folder / "sack.yaml").write_text(f"{SHEET}weighed: {{file: old.csv}}\n")
    read = marked_document.read(folder / "sack.yaml")
    as_if(read, folder / "sack.csv", ONE)
    assert read.data["weighed"] == {"file": "old.csv"}
    assert streams(rebuild(read)) == [("tails", "old")]


def test_the_test_that_the_log_is_has_the_files_name(folder):
    for weighed, expected in (("", "sack"), ("{file: ./sack.csv}", "sack"), ("{file: link.csv}", "link")):
        (folder / "sack.yaml").write_text(SHEET + (f"weighed: {weighed}\n" if weighed else ""))
        if not (folder / "link.csv").is_symlink():
            (folder / "link.csv").symlink_to(folder / "sack.csv")
        read = marked_document.read(folder / "sack.yaml")
        assert log_test(read, folder / "sack.csv") == expected
        assert {m.test for m in as_if(read, folder / "sack.csv", ONE).weighed} == {expected}


def test_a_link_to_the_log_is_the_log(folder):
    (folder / "link.csv").symlink_to(folder / "sack.csv")
    assert streams(with_log(folder, "{file: link.csv}", ONE)) == [("lumps", "link")]


def test_every_mistake_names_the_log_and_its_line(folder):
    bad = f"{HEADER}# x\nlumps,mass,91,kg,,,\nlump,mass,9,kg,,,\nfines,mass,5\n"
    mistakes = refused(lambda: with_log(folder, "", bad))
    assert [(m.file, m.line) for m in mistakes] == [(str(folder / "sack.csv"), line) for line in (3, 4, 5)]


@pytest.mark.parametrize("weighed", ["9", "{file: {a: b}}", "{file: [9, {}]}", "{file: []}"])
def test_a_fault_of_the_sheet_is_told_as_ever(folder, weighed):
    mistakes = refused(lambda: with_log(folder, weighed, ONE))
    assert mistakes[0].file == str(folder / "sack.yaml")


def test_weights_of_the_sheet_beside_two_files_are_told(folder):
    (mistake,) = refused(lambda: with_log(folder, "{file: old.csv, con: {mass: 100 g}}", ONE))
    assert "several weigh sheets" in mistake.message


# ── what can be weighed ─────────────────────────────────────────────────────────────────────────────────────


def test_choices_are_in_the_order_of_the_sheet_and_all_can_be_entered(folder):
    sheet = sheet_of(SHEET)
    found = choices(sheet)
    assert list(found) == ["ore", "lumps", "fines", "con", "tails", "button", "slag"]
    assert found["button"] == ["mass", "gold"]
    assert "passing 20 mm" in found["lumps"]
    assert {"mass on 20 mm", "mass on pan", "grade on 20 mm", "grade on pan"} <= set(found["lumps"])
    assert (units_of("mass on pan")[0], units_of("grade on 20 mm")[0]) == ("kg", "g/t")
    for stream, whats in found.items():
        assert len(set(whats)) == len(whats)
        lines = []
        for what in whats:
            usual = units_of(what, stream == "button")
            lines.append(
                f"{stream},{what},{'0.002' if what != 'grains' and usual else '3'},{usual[0] if usual else ''}"
            )
        # Beside a screen assay stands no other grade, nor what another assay took; a stream is sieved in one way.
        lines = [line for line in lines if not (",grade," in line or ",assay mass," in line) or stream == "button"]
        lines = [line for line in lines if "grains," not in line or "+0.3" in line]
        sieved = [line for line in lines if " on " in line]
        shares = [line for line in lines if line not in sieved]
        assert streams(with_log(folder, "", "stream,what,value,unit\n" + "\n".join(shares) + "\n"))
        if sieved:
            assert streams(with_log(folder, "", "stream,what,value,unit\n" + "\n".join(sieved) + "\n"))


def test_without_sizes_no_sieve_is_offered():
    plain = "ore: {mass: 9 kg, grade: 9 g/t}\nsteps: {cut: {do: split, takes: ore, gives: {a: a, b: b}}}\nkeep: a\n"
    found = choices(sheet_of(plain))
    assert not any(what.startswith(("passing", "grains")) for what in found["a"])
    assert found["a"][0] == "mass"
    assert units_of("mass")[0] == "kg"
    assert units_of("grains") == ()


def test_the_grade_of_a_slag_waits_for_its_mass(path):
    document = marked_document.parse(SHEET, "s.yaml")
    for grade in ("slag,grade,27,g/t\n", "slag,plus mass,2.1,g\nslag,plus gold,0.9,mg\nslag,minus mass,310,g\n"
                  "slag,minus grade,2.2,g/t\n"):  # fmt: skip
        lines = f"stream,what,value,unit\nlumps,mass,9.1,kg\n{grade}"
        waiting = counted(document, kinds(), path, lines)
        assert not waiting.mistakes
        assert [m.stream for m in waiting.sheet.weighed] == ["lumps"]
        assert len(waiting.still_open) == 1
        assert waiting.still_open[0].startswith("slag: its grade still wants its mass, as weighed after the fire")
        whole = counted(document, kinds(), path, f"{lines}slag,mass,300,g\n")
        assert not whole.still_open
        assert {(m.stream, m.what) for m in whole.sheet.weighed} > {("slag", "grade"), ("slag", "mass")}
