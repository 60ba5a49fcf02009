"""Files are put in place whole, and only over those that the program wrote itself."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from commands import Command, in_a_process

from flowsheet import starters
from flowsheet.spec.text import safe_writing
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.written import put_files as putting
from flowsheet.spec.written.put_files import Request, check_targets, put_files
from flowsheet.spec.written.written_list import LIST, ListError, NewerListError, WrittenList

# A sheet of its own, invented: it runs at once.
SHEET = """
title: Quillfeather dump, a sack of factors
ore: {mass: 10 kg, grade: 20 g/t ± 5 g/t}
steps:
  part: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 2 % ± 0.5 %}, recovery: {a: 80 % ± 5 %}}
keep: con
weighed: {file: TABLE}
"""
TABLE = "stream,what,value,unit\ntails,mass,9.8,kg\ntails,grade,4.1,g/t\ncon,gold,0.161,g\n"
QUICK = str(starters.folder() / "quick.yaml")
RUN = Request("run sack.yaml", folder=True)


def put(folder: Path, request: Request = RUN, **files: str) -> list[str]:
    return put_files({folder / f"{name}.csv": text.encode() for name, text in files.items()}.items(), request)


def refused(do: Callable[[], Any]) -> list[Mistake]:
    with pytest.raises(SheetError) as caught:
        do()
    return list(caught.value.mistakes)


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def texts(folder: Path) -> dict[str, str]:
    return {path.stem: path.read_text() for path in folder.glob("*.csv")}


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def without_list(folder: Path) -> dict[str, bytes]:
    return {name: raw for name, raw in snapshot(folder).items() if LIST not in name}


@pytest.fixture
def sack(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with a sheet and its weigh sheet, in which commands are run."""
    (tmp_path / "sack.yaml").write_text(SHEET.replace("TABLE", "sack.csv"), encoding="utf-8")
    (tmp_path / "sack.csv").write_text(TABLE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


# ── whose a file is ─────────────────────────────────────────────────────────────────────────────────────────


def test_what_the_program_wrote_it_may_write_again(tmp_path: Path) -> None:
    assert put(tmp_path / "new" / "out", a="1", b="2") == []
    assert put(tmp_path / "new" / "out", a="3", b="4") == []
    assert texts(tmp_path / "new" / "out") == {"a": "3", "b": "4"}
    assert names(tmp_path / "new" / "out") == {"a.csv", "b.csv", LIST}


def test_a_file_of_the_users_is_left_alone_unless_told(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text("mine")
    (mistake,) = refused(lambda: put(tmp_path, a="1", b="2"))
    assert (mistake.file, mistake.code) == (str(tmp_path / "b.csv"), "file_of_the_user")
    assert "did not write it" in mistake.message
    assert all(cure in mistake.remedy for cure in ("another name", "replace=True"))
    assert snapshot(tmp_path) == {"b.csv": b"mine"}  # and a.csv was not written either
    put(tmp_path, Request("run", replace=True), a="1", b="2")
    assert texts(tmp_path) == {"a": "1", "b": "2"}
    put(tmp_path, a="3", b="4")  # it is the program's now


def test_a_file_that_was_changed_since_is_the_users(tmp_path: Path) -> None:
    put(tmp_path, a="1", b="2")
    (tmp_path / "a.csv").write_text("corrected by hand")
    before = snapshot(tmp_path)
    (mistake,) = refused(lambda: put(tmp_path, a="3", b="4"))
    assert "changed since" in mistake.message
    assert snapshot(tmp_path) == before
    (tmp_path / "a.csv").unlink()
    put(tmp_path, a="3", b="4")


def test_a_file_from_before_the_list_is_the_users(tmp_path: Path) -> None:
    put(tmp_path, a="1")
    (tmp_path / LIST).unlink()
    (mistake,) = refused(lambda: put(tmp_path, a="1"))  # were it the same to the last byte
    assert "did not write it" in mistake.message


def test_all_files_that_stand_in_the_way_are_named_at_once(tmp_path: Path) -> None:
    for name in "ac":
        (tmp_path / f"{name}.csv").write_text("mine")
    assert [Path(m.file).name for m in refused(lambda: put(tmp_path, a="1", b="2", c="3"))] == ["a.csv", "c.csv"]


@pytest.mark.parametrize("text", [
    "", "{", "[]", "null", '{"format": 0}', '{"format": "1", "runs": {}, "files": {}, "begun": {}}',
    '{"format": 1, "runs": {}, "files": {"a.csv": {"sha256": "abc", "run": "x"}}, "begun": {}}',
    '{"format": 1, "runs": {}, "files": {"a.csv": {"sha256": "' + "0" * 64 + '", "run": "x"}}, "begun": {}}',
    '{"format": 1, "runs": {"x": {"command": "run", "when": "", "folder": true}}, "begun": {}, '
    '"files": {"../a.csv": {"sha256": "' + "0" * 64 + '", "run": "x"}}}',
    '{"format": 1, "runs": {}, "files": [], "begun": {}}', "[" * 100_000, "\x00\xff",
])  # fmt: skip
def test_with_a_damaged_list_every_file_is_the_users(tmp_path: Path, text: str) -> None:
    put(tmp_path, a="1")
    (tmp_path / LIST).write_bytes(text.encode("latin-1"))
    with pytest.raises(ListError):
        WrittenList.read(tmp_path)
    before = snapshot(tmp_path)
    (mistake,) = refused(lambda: put(tmp_path, a="2"))
    assert LIST in mistake.message
    assert "damaged" in mistake.message
    assert snapshot(tmp_path) == before
    put(tmp_path, b="2")  # what is in nobody's way can be written, and a new list begins
    put(tmp_path, b="3")
    (mistake,) = refused(lambda: put(tmp_path, a="2"))
    put(tmp_path, Request("run", replace=True), a="2")
    put(tmp_path, a="3", b="4")


def test_a_list_of_a_newer_version_is_not_touched_unless_told(tmp_path: Path) -> None:
    put(tmp_path, a="1")
    newer = {**json.loads((tmp_path / LIST).read_text()), "format": 2, "files": ["told otherwise"]}
    (tmp_path / LIST).write_text(json.dumps(newer))
    with pytest.raises(NewerListError):
        WrittenList.read(tmp_path)
    before = snapshot(tmp_path)
    for files in ({"a": "2"}, {"b": "2"}):
        (mistake,) = refused(lambda files=files: put(tmp_path, **files))
        assert "newer version" in mistake.message
        assert "replace=True" in mistake.remedy
    assert snapshot(tmp_path) == before
    put(tmp_path, Request("run", replace=True), a="2")
    assert texts(tmp_path) == {"a": "2"}


def test_the_list_tells_name_digest_and_run(tmp_path: Path) -> None:
    put(tmp_path, a="1")
    put(tmp_path, Request("chance sack.yaml", folder=True), b="2")
    told = json.loads((tmp_path / LIST).read_text())
    assert {name: told["runs"][one["run"]]["command"] for name, one in told["files"].items()} == {
        "a.csv": "run sack.yaml", "b.csv": "chance sack.yaml",
    }  # fmt: skip
    digests = {name: one["sha256"] for name, one in told["files"].items()}
    assert digests["a.csv"] == "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b"  # of "1"
    assert told["begun"] == {}
    put(tmp_path, Request("chance sack.yaml", folder=True), a="1", b="2")
    (tmp_path / "b.csv").unlink()
    put(tmp_path, a="1")
    told = json.loads((tmp_path / LIST).read_text())
    assert (len(told["runs"]), set(told["files"])) == (1, {"a.csv"})  # what is gone is told no more


# ── what is never written over ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("way", ["itself", "dots", "link", "hard link", "link to the folder", "missing"])
def test_nothing_is_written_over_what_was_read(tmp_path: Path, replace: bool, way: str) -> None:
    read = tmp_path / "in" / "weighed.csv"
    read.parent.mkdir()
    read.write_text("weights")
    target = tmp_path / "out" / "weighed.csv"
    target.parent.mkdir()
    if way == "itself":
        target = read
    elif way == "dots":
        target = tmp_path / "out" / ".." / "in" / "weighed.csv"
    elif way == "link":
        target.symlink_to(read)
    elif way == "hard link":
        os.link(read, target)
    elif way == "link to the folder":
        target.parent.rmdir()
        target.parent.symlink_to(read.parent)
    else:
        read.unlink()  # gone since it was read
        target = read
    request = Request("run", (tmp_path / "sack.yaml", read), replace, True)
    before = snapshot(tmp_path)
    for do in (lambda: put_files({target: b"1", tmp_path / "other.csv": b"2"}.items(), request),
               lambda: check_targets([target], request)):  # fmt: skip
        (mistake,) = refused(do)
        assert (mistake.file, mistake.code) == (str(target), "never_written_over")
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize("name", [LIST, safe_writing.LOCK, safe_writing.part_of(Path("a.csv")).name])
def test_the_programs_own_names_are_nobodys(tmp_path: Path, name: str) -> None:
    (mistake,) = refused(lambda: put_files({tmp_path / name: b"1"}.items(), Request("fit", replace=True)))
    assert "the program's own" in mistake.message
    assert names(tmp_path) == set()


@pytest.mark.parametrize("name", [LIST, safe_writing.LOCK, safe_writing.part_of(Path("a.csv")).name, "link.yaml"])
def test_no_sheet_is_started_under_the_programs_own_names(sack: Path, flowsheet: Command, name: str) -> None:
    (sack / "link.yaml").symlink_to(LIST)
    before = names(sack)
    done = flowsheet("new", name, "--json")
    assert done.code == 2
    (mistake,) = done.json["mistakes"]
    assert (mistake["file"], mistake["message"]) == (name, putting.OWN_NAME)
    assert names(sack) == before


@pytest.mark.skipif(os.name != "posix", reason="only there are pipes files")
@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("what", ["pipe", "folder", "link to a pipe"])
def test_what_stands_where_the_list_belongs_is_named(tmp_path: Path, what: str, replace: bool) -> None:
    own = tmp_path / LIST
    if what == "folder":
        own.mkdir()
    elif what == "pipe":
        os.mkfifo(own)
    else:
        os.mkfifo(tmp_path / "pipe")
        own.symlink_to("pipe")
    before = names(tmp_path)
    (mistake,) = refused(lambda: put(tmp_path, Request("run", replace=replace), a="1"))
    assert (mistake.file, mistake.code) == (str(own), "list_in_the_way")
    assert mistake.remedy.startswith("Move it away")
    assert names(tmp_path) == before


@pytest.mark.parametrize("name", [safe_writing.LOCK, safe_writing.part_of(Path("balance.csv")).name])
def test_a_folder_where_the_program_writes_for_itself_is_named(sack: Path, flowsheet: Command, name: str) -> None:
    (sack / "out" / name).mkdir(parents=True)
    done = flowsheet("run", "sack.yaml", "--out", "out", "--json")
    assert done.code == 2
    (mistake,) = done.json["mistakes"]
    assert (Path(mistake["file"]).name, mistake["code"]) == (name, "cannot_be_written")
    assert names(sack / "out") == {name}


@pytest.mark.skipif(os.name != "posix", reason="only there are pipes files")
def test_what_is_no_plain_file_keeps_its_place(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.csv")
    (tmp_path / "b.csv").mkdir()
    told = refused(lambda: put(tmp_path, Request("run", replace=True), a="1", b="2"))
    assert ["plain file" in told[0].message, "folder" in told[1].message] == [True, True]
    (mistake,) = refused(lambda: put_files({Path(os.devnull): b"1"}.items(), Request("fit", replace=True)))
    assert "plain file" in mistake.message


def test_a_protected_file_keeps_its_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(tmp_path, a="1")
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write anything
    (mistake,) = refused(lambda: put(tmp_path, a="2"))
    assert "protected" in mistake.message


def test_a_link_is_written_through_and_its_file_is_the_programs(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "a.csv").symlink_to(tmp_path / "real" / "there.csv")
    put(tmp_path, a="1")
    put(tmp_path, a="2")
    assert (tmp_path / "a.csv").is_symlink()
    assert (tmp_path / "real" / "there.csv").read_text() == "2"
    assert (names(tmp_path), names(tmp_path / "real")) == ({"a.csv", "real"}, {"there.csv", LIST})
    (tmp_path / "real" / "there.csv").write_text("mine")
    (mistake,) = refused(lambda: put(tmp_path, a="3"))
    assert mistake.file == str(tmp_path / "a.csv")


# ── crashes and full disks ──────────────────────────────────────────────────────────────────────────────────


class Crash(BaseException):
    """Stands for a kill or a power cut: nobody catches it, and nothing is cleaned up behind it."""


OLD, NEW = {"a": "old a", "b": "old b", "c": "old c"}, {"a": "new a", "b": "new b", "c": "new c"}
CALLS = ("open", "fdopen", "fsync", "replace")


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> Callable[[int, BaseException], list[str]]:
    """Return a function that lets the ``at``-th call to the system fail; it returns the list of those made so far."""
    real = {name: getattr(os, name) for name in CALLS}
    real_open = os.open

    def let(at: int, fault: BaseException) -> list[str]:
        made: list[str] = []

        def counted(name: str) -> Callable[..., Any]:
            def call(*given: Any, **more: Any) -> Any:
                # What looks into a folder or locks it changes nothing.
                if name == "open" and not str(given[0]).endswith(".part"):
                    return real_open(*given, **more)
                made.append(name)
                if len(made) == at + 1:
                    raise fault
                return real[name](*given, **more)

            return call

        for name in CALLS:
            monkeypatch.setattr(os, name, counted(name))
        if isinstance(fault, Crash):
            monkeypatch.setattr(Path, "unlink", lambda *_, **__: None)
        return made

    return let


def count_calls(folder: Path, failing: Callable[[int, BaseException], list[str]], undo: Callable[[], None]) -> int:
    made = failing(10_000, Crash())
    put(folder, **NEW)
    undo()
    return len(made)


@pytest.mark.parametrize("before", [OLD, {}])
def test_whenever_it_crashes_no_file_is_torn_and_no_mixture_untold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: Callable[[int, BaseException], list[str]],
    before: dict[str, str],
) -> None:  # fmt: skip
    put(tmp_path / "count", **OLD)
    calls = count_calls(tmp_path / "count", failing, monkeypatch.undo)
    assert calls > 15
    mixtures = 0
    for at in range(calls):
        folder = tmp_path / f"{at} {len(before)}"
        if before:
            put(folder, **before)
        failing(at, Crash())
        with pytest.raises(Crash):
            put(folder, **NEW)
        monkeypatch.undo()
        found = texts(folder)
        new = {name for name, text in found.items() if text == NEW[name]}
        assert {name: text for name, text in found.items() if name not in new} == {
            name: text for name, text in before.items() if name not in new
        }
        notes = put(folder, **NEW)  # nothing of what is there is taken for the user's
        mixed = bool(new) and new != set(NEW)
        mixtures += mixed
        assert (len(notes) == 1 and "was cut off here" in notes[0]) is mixed, (at, notes)
        assert texts(folder) == NEW
        assert put(folder, **NEW) == []
        assert names(folder) == {*(f"{name}.csv" for name in NEW), LIST}
    assert mixtures == 2  # behind the first and the second of three files


@pytest.mark.slow
def test_on_a_full_disk_the_old_files_are_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: Callable[[int, BaseException], list[str]]
) -> None:
    put(tmp_path / "count", **OLD)
    calls = count_calls(tmp_path / "count", failing, monkeypatch.undo)
    outcomes = []
    for at in range(calls):
        folder = tmp_path / str(at)
        put(folder, **OLD)
        failing(at, OSError(errno.ENOSPC, "No space left on device"))
        try:
            put(folder, **NEW)
        except OSError:
            outcomes.append("old")
        except SheetError as wrong:
            outcomes.append("told" if "of this run already" in wrong.mistakes[0].message else "old")
        else:
            outcomes.append("new")
        monkeypatch.undo()
        found = texts(folder)
        assert not any(safe_writing.is_part(name) for name in names(folder))
        if outcomes[-1] == "told":
            assert all(found[name] in (OLD[name], NEW[name]) for name in OLD)
        else:
            assert found == (OLD if outcomes[-1] == "old" else NEW)
        notes = put(folder, **NEW)
        assert bool(notes) is (outcomes[-1] == "told")
        assert texts(folder) == NEW
    # Where room runs out while files are written beside, as it does, nothing has changed.
    assert outcomes.index("told") > 12
    assert set(outcomes) == {"old", "told", "new"}


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a file system of 64 kB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)], capture_output=True,
                             check=False) if shutil.which("mount") else None  # fmt: skip
    if mounted is None or mounted.returncode:
        pytest.skip("file systems cannot be mounted here: this takes root")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def fill(disk: Path) -> dict[str, bytes]:
    """Write files of one block each, so many that they cannot be written beside the old ones."""
    put_files({disk / "out" / f"{name}.csv": name.encode() * 3000 for name in "abcdefgh"}.items(), RUN)
    return snapshot(disk)


def test_on_a_disk_of_64_kb_the_old_files_are_whole(small_disk: Path) -> None:
    before = fill(small_disk)
    with pytest.raises(OSError, match="No space left"):
        put_files({small_disk / name: b"new" * 1200 for name in before if LIST not in name}.items(), RUN)
    assert snapshot(small_disk) == before
    put_files({small_disk / "out" / "a.csv": b"new"}.items(), RUN)


@pytest.mark.slow
def test_on_a_disk_of_64_kb_every_command_leaves_the_old_files_whole(sack: Path, small_disk: Path) -> None:
    before, target = fill(small_disk), small_disk / "out"
    codes = []
    for arguments in (("run", "sack.yaml", "--out", target), ("draw", "sack.yaml", "-o", target / "flow.png"),
                      ("chance", QUICK, "--draws", "20", "--out", target),
                      ("fit", "sack.yaml", "--out", target), ("label", "sack.yaml", "-o", target / "l.html"),
                      ("report", "sack.yaml", "-o", target / "r.html")):  # fmt: skip
        done = in_a_process(*map(str, arguments), cwd=sack)
        found = snapshot(small_disk)
        codes.append(done.code)
        if done.code:
            assert "No space left on device" in done.err, done.err
            assert found == before, arguments
        else:
            kept = {name: raw for name, raw in before.items() if LIST not in name}
            assert {name: found[name] for name in kept} == kept
            before = found
    assert codes.count(2) >= 4


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """Return a folder with a file in it into which nothing can be written."""
    folder = tmp_path / "shut"
    folder.mkdir()
    if os.name == "posix" and os.geteuid():
        (folder / "flow.svg").write_text("old")
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)
        return
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)]
    if not shutil.which("mount") or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no folder can be protected here against the user who runs this")
    (folder / "flow.svg").write_text("old")
    subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_folder_that_is_read_only_is_told(sack: Path, read_only: Path, flowsheet: Command) -> None:
    for arguments in (("run", "sack.yaml", "--out", read_only), ("draw", "sack.yaml", "-o", read_only / "new.svg"),
                      ("draw", "sack.yaml", "-o", read_only / "flow.svg", "--replace"),
                      ("run", "sack.yaml", "--out", read_only / "deeper"), ("new", read_only / "a.yaml")):  # fmt: skip
        done = flowsheet(*arguments)
        assert (done.code, done.out) == (2, ""), arguments
        assert len(done.err.splitlines()) == 1
        assert ".flowsheet" not in done.err  # of that the user knows nothing
        assert "Read-only" in done.err or "ermission denied" in done.err or "protected" in done.err, done.err
    assert snapshot(read_only) == {"flow.svg": b"old"}


def test_a_file_that_cannot_be_moved_is_told_with_those_that_were(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path, **OLD)
    real = os.replace

    def held_open(part: Path, path: Path) -> None:
        if path.name == "b.csv":
            raise PermissionError(errno.EACCES, "Permission denied")
        real(part, path)

    monkeypatch.setattr(os, "replace", held_open)
    (mistake,) = refused(lambda: put(tmp_path, **NEW))
    assert mistake.file == str(tmp_path / "b.csv")
    assert "a.csv is of this run already" in mistake.message
    monkeypatch.undo()
    (note,) = put(tmp_path, Request("chance sack.yaml", folder=True), d="4")
    assert "a.csv is of it, b.csv and c.csv are older. a.csv, b.csv and c.csv stay as they were" in note
    again, left = put(tmp_path, a="1")  # still of two runs, since neither b nor c was written again
    assert "was cut off here" in again
    assert 'b.csv and c.csv are of an earlier "run sack.yaml"' in left
    assert put(tmp_path, **NEW) == []


def test_files_left_of_an_earlier_run_of_the_same_command_are_told(tmp_path: Path) -> None:
    put(tmp_path, **OLD)
    assert put(tmp_path, Request("chance sack.yaml", folder=True), d="4") == []
    assert put(tmp_path, Request("label sack.yaml"), e="4") == []
    (note,) = put(tmp_path, Request("run other.yaml", folder=True), a="1", b="2")
    assert 'c.csv is of an earlier "run sack.yaml"' in note
    (tmp_path / "c.csv").write_text("mine")
    assert put(tmp_path, a="1", b="2") == []


# ── several at once ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
def test_many_that_write_at_once_leave_the_files_of_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(safe_writing, "PATIENCE", 600.0)
    failed: list[BaseException] = []

    def write(number: int) -> None:
        try:
            for _ in range(3):
                put(tmp_path, **dict.fromkeys("abc", f"{number}"))
        except BaseException as wrong:
            failed.append(wrong)

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(set(texts(tmp_path).values())) == 1
    assert names(tmp_path) == {"a.csv", "b.csv", "c.csv", LIST}


@pytest.mark.slow
def test_two_commands_at_once_leave_the_files_of_one(sack: Path) -> None:
    for name, grade in (("one", "20 g/t ± 5 g/t"), ("two", "30 g/t ± 5 g/t")):
        text = SHEET.replace("TABLE", "sack.csv").replace("20 g/t ± 5 g/t", grade)
        (sack / f"{name}.yaml").write_text(text, encoding="utf-8")
        assert in_a_process("run", f"{name}.yaml", "--out", name, cwd=sack).code == 0
    begun = [subprocess.Popen([sys.executable, "-m", "flowsheet", "run", f"{name}.yaml", "--out", "both"], cwd=sack,
                              stdout=subprocess.DEVNULL) for name in ("one", "two")]  # fmt: skip
    assert [one.wait(timeout=300) for one in begun] == [0, 0]
    both = {path.name: path.read_bytes() for path in (sack / "both").glob("*.csv")}
    assert both in [{path.name: path.read_bytes() for path in (sack / name).glob("*.csv")} for name in ("one", "two")]


def test_a_folder_that_another_keeps_locked_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flowsheet: Command
) -> None:
    monkeypatch.setattr(safe_writing, "PATIENCE", 0.05)
    script = (f"import time\nfrom pathlib import Path\nfrom flowsheet.spec.text.safe_writing import alone\n"
              f"with alone(Path({str(tmp_path / 'x')!r})):\n    print(1, flush=True)\n    time.sleep(600)")  # fmt: skip
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        done = flowsheet("new", "mine.yaml")
        assert done.code == 2
        assert "another program keeps its folder locked" in done.err
        other.kill()
    assert flowsheet("new", "mine.yaml").code == 0  # the lock went with the program that held it


# ── the commands ────────────────────────────────────────────────────────────────────────────────────────────

PAGES = [("draw", "x.svg"), ("draw", "x.dot"), ("label", "x.html"), ("label", "x.txt"), ("fit", "x.yaml")]
FOLDERS = {
    "run": ("sack.yaml",), "reconcile": ("sack.yaml",), "chance": (QUICK, "--draws", "20"),
    "try": ("sack.yaml", "--set", "ore.grade=10 g/t,30 g/t"),
    "cut": ("--rock", "120mm", "--band", "6mm", "--slab", "3mm", "--kerf", "1mm"),
    "specimen": ("--air", "96g", "--water", "74.5g", "--draws", "200"),
}  # fmt: skip


@pytest.mark.parametrize(
    "command", [pytest.param(name, marks=pytest.mark.slow if name not in ("run", "try") else ()) for name in FOLDERS]
)
def test_a_folder_is_filled_again_and_never_over_a_users_file(sack: Path, flowsheet: Command, command: str) -> None:
    arguments = (command, *FOLDERS[command], "--out", "out")
    assert flowsheet(*arguments).code == 0
    first = without_list(sack / "out")
    assert flowsheet(*arguments).code == 0
    table = next(name for name in first if name.endswith(".csv"))
    (sack / "out" / table).write_text("mine")
    done = flowsheet(*arguments)
    assert (done.code, done.out) == (2, "")
    assert f"{Path('out') / table}: this file was changed since flowsheet wrote it" in done.err
    assert "--replace" in done.err
    assert without_list(sack / "out") == {**first, table: b"mine"}
    assert flowsheet(*arguments, "--replace").code == 0
    assert (sack / "out" / table).read_bytes() == first[table]


@pytest.mark.parametrize(("command", "name"), PAGES)
def test_a_page_is_written_again_and_never_over_a_users_file(
    sack: Path, flowsheet: Command, command: str, name: str
) -> None:
    arguments = (command, "sack.yaml", "-o", name)
    for _ in range(2):
        assert flowsheet(*arguments).code == 0
    page = (sack / name).read_bytes()
    (sack / name).write_text("mine")
    before = snapshot(sack)
    done = flowsheet(*arguments)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith(f"{name}: this file was changed since")
    assert snapshot(sack) == before
    assert flowsheet(*arguments, "--replace").code == 0
    assert (sack / name).read_bytes() == page


@pytest.mark.parametrize("name", ["balance.csv", "losses.csv", "weighed.csv"])
def test_a_weigh_sheet_that_is_called_as_a_table_is_not_written_over(sack: Path, flowsheet: Command, name: str) -> None:
    (sack / "sack.csv").rename(sack / name)
    (sack / "sack.yaml").write_text(SHEET.replace("TABLE", name), encoding="utf-8")
    before = snapshot(sack)
    for more in ((), ("--replace",)):
        done = flowsheet("run", "sack.yaml", "--out", ".", *more, "--json")
        assert done.code == 2
        (mistake,) = done.json["mistakes"]
        assert (mistake["file"], mistake["code"]) == (name, "never_written_over")
        assert snapshot(sack) == before
    assert flowsheet("run", "sack.yaml", "--out", "out").code == 0


@pytest.mark.parametrize("way", ["faulty", "missing", "of a sheet that is left out"])
def test_a_weigh_sheet_that_lot_leaves_out_is_not_written_over(
    tmp_path: Path, flowsheet: Command, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    folder = tmp_path / "pile"
    shutil.copytree(Path(__file__).parents[1] / "examples" / "pile", folder)
    monkeypatch.chdir(folder)
    sheet, first = (folder / "pile.yaml").read_text(encoding="utf-8"), (folder / "sack1.csv").read_bytes()
    assert sheet.count("sack2.csv") == 1
    asked: tuple[str, ...] = ("pile.yaml", "--out", ".")
    if way == "of a sheet that is left out":
        (folder / "out").mkdir()
        other = sheet.replace("sack1.csv", "out/pile.csv").replace("sacks:", "sakcs:")
        assert other != sheet.replace("sack1.csv", "out/pile.csv")
        (folder / "other.yaml").write_text(other, encoding="utf-8")
        (folder / "out" / "pile.csv").write_bytes(first)
        asked = (".", "--out", "out")
    else:
        (folder / "pile.yaml").write_text(sheet.replace("sack2.csv", "pile.csv"), encoding="utf-8")
    if way == "faulty":
        (folder / "pile.csv").write_text("stream,what,value\ntails,mass,heavy\n")
    before = snapshot(folder)
    done = flowsheet("lot", *asked, "--skip", "--replace", "--json")
    assert done.code == 2, done.err
    (mistake,) = done.json["mistakes"]
    assert (Path(mistake["file"]).name, mistake["code"]) == ("pile.csv", "never_written_over")
    assert snapshot(folder) == before


@pytest.mark.parametrize("target", ["sack.yaml", "sack.csv", "link", "hard"])
@pytest.mark.parametrize("command", ["draw", "label", "report", "fit"])
def test_no_page_is_written_over_the_sheet_or_its_weights(
    sack: Path, flowsheet: Command, command: str, target: str
) -> None:
    ending = {"draw": ".svg", "label": ".html", "report": ".html", "fit": ".yaml"}[command]
    path = sack / target
    if target in ("link", "hard"):
        path = sack / f"page{ending}"
        path.symlink_to(sack / "sack.csv") if target == "link" else os.link(sack / "sack.csv", path)
    elif command != "fit":  # a sheet may be called anything
        path = sack / f"{target}{ending}"
        (sack / target).rename(path)
        text = SHEET.replace("TABLE", f"sack.csv{ending}" if target == "sack.csv" else "sack.csv")
        (sack / "sack.yaml").write_text(text, encoding="utf-8")
    sheet = path if target == "sack.yaml" else sack / "sack.yaml"
    if target == "sack.yaml":
        path.write_text(SHEET.replace("TABLE", "sack.csv"), encoding="utf-8")
    before = snapshot(sack)
    for more in ((), ("--replace",)):
        done = flowsheet(command, sheet, "-o", path, *more)
        assert (done.code, done.out) == (2, ""), done.err
        assert "nothing is written over that" in done.err
        assert "Give another name with -o" in done.err
        assert snapshot(sack) == before


def test_a_folder_that_is_a_file_is_told(sack: Path, flowsheet: Command) -> None:
    before = snapshot(sack)
    for out in ("sack.csv", "sack.csv/deeper"):
        done = flowsheet("run", "sack.yaml", "--out", out, "--replace")
        assert (done.code, done.out) == (2, "")
        assert snapshot(sack) == before


def test_fit_writes_all_of_its_files_or_none(sack: Path, flowsheet: Command) -> None:
    (sack / "out").mkdir()
    (sack / "out" / "fitted.csv").write_text("mine")
    before = snapshot(sack)
    done = flowsheet("fit", "sack.yaml", "--out", "out")
    assert done.code == 2
    assert str(Path("out") / "fitted.csv") in done.err
    assert snapshot(sack) == before


@pytest.mark.parametrize("page", ["out/fitted.csv", "out/../out/fitted.csv", "link/fitted.csv"])
@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.slow
def test_a_page_that_goes_where_a_table_goes_is_refused(
    sack: Path, flowsheet: Command, page: str, replace: bool
) -> None:
    text = SHEET.replace("{file: TABLE}", "{tails: {mass: 9.8 kg, grade: 4.1 g/t}, con: {gold: 161 mg}}")
    (sack / "sack.yaml").write_text(text, encoding="utf-8")
    (sack / "out").mkdir()
    (sack / "link").symlink_to("out")
    before = snapshot(sack)
    done = flowsheet("fit", "sack.yaml", "-o", page, "--out", "out", "--json", *["--replace"] * replace)
    assert done.code == 2, done.err
    (mistake,) = done.json["mistakes"]
    assert (mistake["file"], mistake["code"]) == (str(Path("out") / "fitted.csv"), "two_files_in_one_place")
    assert mistake["remedy"].startswith("Give another name with -o")
    assert snapshot(sack) == before
    assert flowsheet("fit", "sack.yaml", "-o", "sack2.yaml", "--out", "out").code == 0


def test_a_folder_that_mixes_two_runs_is_told_by_the_next_command(
    sack: Path, flowsheet: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert flowsheet("run", "sack.yaml", "--out", "out").code == 0
    old = snapshot(sack / "out")
    text = SHEET.replace("TABLE", "sack.csv").replace("9.8", "9.7").replace("20 g/t", "40 g/t")
    (sack / "sack.yaml").write_text(text, encoding="utf-8")
    real, moved = os.replace, []

    def killed(part: Any, path: Any) -> None:
        moved.append(path)
        if len(moved) == 4:  # the list, and two files
            raise KeyboardInterrupt
        real(part, path)

    with monkeypatch.context() as broken:
        broken.setattr(putting.os, "replace", killed)
        flowsheet("run", "sack.yaml", "--out", "out")
    now = snapshot(sack / "out")
    assert sum(now[name] != old[name] for name in old if name != LIST) == 2
    done = flowsheet("run", "sack.yaml", "--out", "out")
    assert done.code == 0
    assert "Note: " in done.err
    assert '"run sack.yaml"' in done.err
    assert "was cut off here" in done.err
    assert "All of them are of this run now" in done.err
    assert "Note" not in flowsheet("run", "sack.yaml", "--out", "out").err
