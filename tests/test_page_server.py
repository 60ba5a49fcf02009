"""The page's server against what it may meet: foreign sheets, pages and programs, and files as they are left half done.

All sheets and numbers here are invented.
"""

from __future__ import annotations

import html
import http.client
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from commands import Command
from filelock import FileLock
from served import HOST, JSON, Served, free_port, serving, serving_here, text_of

from flowsheet.show.page import bench as bench_module
from flowsheet.show.page.app import Page
from flowsheet.show.page.bench import Bench
from flowsheet.show.page.guard import HEADERS, Guard
from flowsheet.show.page.log_view import log_parts, weight_parts
from flowsheet.solve.model import load
from flowsheet.spec.bench.bench_log import BenchLog, Entry
from flowsheet.spec.bench.sheet_with_log import counted
from flowsheet.spec.text import safe_writing
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document as yaml_document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.steps import kinds
from flowsheet.study.run.sliders import knobs

SACK = Path(__file__).parent.parent / "examples" / "sack_test"
POSIX = pytest.mark.skipif(os.name != "posix", reason="other systems have no such files, locks or signals")
NAME = "$(touch pwned)"
SHEET = f"""
title: screened twice
ore: {{mass: 10 kg, grade: 20 g/t, sizes: {{top: 50 mm, p80: 20 mm}}, gold: {{d50: 0.3 mm, d95: 1.5 mm}}}}
steps:
  sift: {{do: screen, takes: ore, gives: {{oversize: "{NAME}", undersize: tails}}, opening: 5 mm}}
keep: [tails]
"""
HEAD = "stream,what,value,unit,sd,when,note\n"


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """Return a sheet that names no weigh sheet."""
    path = tmp_path / "s.yaml"
    path.write_text(SHEET, encoding="utf-8")
    return path


@pytest.fixture
def sack(tmp_path: Path) -> Path:
    for name in ("sack3.yaml", "sack3.csv"):
        shutil.copy(SACK / name, tmp_path / name)
    return tmp_path / "sack3.yaml"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    path = tmp_path_factory.mktemp("served") / "s.yaml"
    path.write_text(SHEET, encoding="utf-8")
    with serving(path) as found:
        yield found


def naming(sheet: Path, name: str) -> Path:
    sheet.write_text(f"{SHEET}weighed: {{file: {json.dumps(name)}}}\n", encoding="utf-8")
    return sheet


def refused(sheet: Path, log: Path | None = None) -> str:
    with pytest.raises(SheetError) as wrong:
        Bench(sheet, log)
    return str(wrong.value)


def said_at_start(sheet: Path, *options: str) -> tuple[int | None, str, str]:
    """Start serve; return its code (None: it serves) and what it said on both ways out."""
    port = free_port()
    command = [sys.executable, "-m", "flowsheet", "serve", str(sheet), "--port", str(port), *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stderr is not None
    with process.stdout as out, process.stderr as err:
        serves = _answers(process, port)
        if serves:  # and so has said all that it says at the start
            process.terminate()
        said = out.read(), err.read()
    code = process.wait(60)
    return (None if serves else code), *said


def _answers(process: subprocess.Popen[str], port: int) -> bool:
    """Wait until a page answers; whether it does before its process ends."""
    while process.poll() is None:
        connection = http.client.HTTPConnection(HOST, port, timeout=60)
        try:
            connection.request("GET", "/favicon.ico")
            return connection.getresponse().status == 204
        except ConnectionError:
            time.sleep(0.05)
        finally:
            connection.close()
    return False


# ── which file a sheet may have written ─────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "name",
    ["home/.profile", ".log.csv", ".home/log.csv", "../log.csv", "home/../../log.csv", "home/profile", "log.sh",
     "log.csv.sh", "sub/../../other/log.csv", "/usr/log.csv"],
)  # fmt: skip
def test_a_log_that_a_sheet_names_lies_beside_it_and_is_a_table(tmp_path: Path, name: str) -> None:
    room = tmp_path / "room"
    for folder in (room / "home", room / ".home", room / "sub", tmp_path / "other"):
        folder.mkdir(parents=True)
    path = naming(room / "s.yaml", name)
    before = sorted(tmp_path.rglob("*"))
    told = refused(path)
    assert f"{path}:7:" in told
    assert "weighed.file" in told
    assert "--log" in told
    assert sorted(tmp_path.rglob("*")) == before


def test_serve_refuses_such_a_sheet_and_makes_nothing(sheet: Path) -> None:
    (sheet.parent / "home").mkdir()
    code, _, err = said_at_start(naming(sheet, "home/.profile"))
    assert code == 2
    assert "Name a weigh sheet beside the sheet" in err
    assert not (sheet.parent / "home" / ".profile").exists()


@POSIX
def test_a_link_is_followed_only_within_the_folder_and_to_a_file_that_is_there(tmp_path: Path) -> None:
    room = tmp_path / "room"
    room.mkdir()
    path = naming(room / "s.yaml", "link.csv")
    link = room / "link.csv"
    for target, there in (("target.sh", False), ("target.csv", False), ("../out.csv", True), ("../out.csv", False),
                          (".hidden.csv", True)):  # fmt: skip
        link.unlink(missing_ok=True)
        if there:
            (room / target).write_text(HEAD, encoding="utf-8")
        link.symlink_to(target)
        assert "link.csv" in refused(path)
        if there:
            (room / target).unlink()
    link.unlink()
    (room / "own.csv").write_text(HEAD, encoding="utf-8")
    link.symlink_to("own.csv")
    Bench(path).log.add(Entry("tails", "mass", "3", "kg"))
    assert "tails,mass,3" in (room / "own.csv").read_text(encoding="utf-8")
    assert link.is_symlink()


def test_what_its_user_names_may_lie_anywhere_but_is_a_table(sheet: Path, tmp_path: Path) -> None:
    far = tmp_path / "elsewhere"
    far.mkdir()
    assert Bench(sheet, far / "log.csv").log_path == far / "log.csv"
    assert Bench(sheet, far / "log.TSV").log_path == far / "log.TSV"
    for name in ("log", ".profile", "log.sh"):
        assert "ends in .csv" in refused(sheet, far / name)
    (far / "folder.csv").mkdir()
    assert "no file that can be written" in refused(sheet, far / "folder.csv")


def test_a_log_that_a_sheet_names_in_a_missing_folder_is_refused(sheet: Path) -> None:
    told = refused(naming(sheet, "sub/w.csv"))
    assert "there is no folder sub" in told
    assert "Make it first, or name a weigh sheet beside the sheet" in told
    assert f"{sheet}:7:" in told
    (sheet.parent / "sub").mkdir()
    Bench(sheet).log.add(Entry("tails", "mass", "3", "kg"))


def test_a_log_called_as_another_weigh_sheet_is_refused(sheet: Path, tmp_path: Path) -> None:
    far = tmp_path / "far"
    far.mkdir()
    (tmp_path / "w.csv").write_text(f"{HEAD}tails,mass,3,kg\n", encoding="utf-8")
    told = refused(naming(sheet, "w.csv"), far / "w.csv")
    assert 'two weigh sheets would be called "w"' in told
    assert f"--log {far / 'w_2.csv'}" in told
    for name in (tmp_path / "w.csv", far / "w_2.csv"):
        Bench(sheet, name).log.add(Entry("tails", "grade", "2", "g/t"))


def test_how_a_log_elsewhere_is_named_says_that_serve_still_wants_it(sheet: Path, tmp_path: Path) -> None:
    room, far = tmp_path / "room", tmp_path / "elsewhere.csv"
    room.mkdir()
    path = naming(room / "s.yaml", "w.csv")
    (room / "w.csv").write_text(f"{HEAD}tails,mass,3,kg\n", encoding="utf-8")
    for log, wanted in ((far, True), (room / "near.csv", False)):
        bench = Bench(path, log)
        told = text_of(log_parts(bench, bench.desk())["log-told"])
        assert "does not name that file" in told
        assert (f"and start serve with --log as now: --log {log}" in told) is wanted


@POSIX
def test_a_pipe_is_no_log(sheet: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    assert "no file that can be written" in refused(sheet, tmp_path / "pipe.csv")
    assert "no file that can be written" in refused(naming(sheet, "pipe.csv"))
    with pytest.raises(SheetError, match="no file that can be written"):
        BenchLog(tmp_path / "pipe.csv").lines()


@pytest.mark.parametrize(
    ("text", "told"),
    [("# my remarks\n# only\n", "the weigh sheet is empty"), ("date,price\n1,2\n", "the header is missing"),
     ("alias ll=ls\n", "the header is missing"), ("stream,wat,value\n", 'Did you mean "what"?'),
     ("stream,what\ntails,mass\n", 'the column "value" is missing')],
)  # fmt: skip
def test_a_file_that_is_no_weigh_sheet_is_not_written_into(sheet: Path, text: str, told: str) -> None:
    log = sheet.with_suffix(".csv")
    log.write_text(text, encoding="utf-8")
    said = refused(sheet)
    assert told in said
    assert "--log" in said
    assert log.read_text(encoding="utf-8") == text


@pytest.mark.slow
def test_a_log_that_is_not_there_yet_is_announced(sheet: Path, sack: Path) -> None:
    code, out, _ = said_at_start(sheet)
    assert code is None
    assert f"{sheet.with_suffix('.csv')} is not there yet: it will be made with the first weight" in out
    code, out, _ = said_at_start(sack)
    assert code is None
    assert "not there" not in out
    code, out, _ = said_at_start(sheet, "--json")
    assert json.loads(out)["new"] is True


def test_a_mistyped_name_of_a_log_is_told_at_start_and_on_the_page(sack: Path) -> None:
    sack.write_text(sack.read_text(encoding="utf-8").replace("file: sack3.csv", "file: sacc3.csv"), encoding="utf-8")
    code, out, _ = said_at_start(sack)
    assert code is None
    told = "sacc3.csv is not there yet: it will be made with the first weight. Beside it is sack3.csv"
    assert told in out
    with serving_here(sack) as page:
        assert told in text_of(page.get("/").text)
        done = page.weigh("tails", "mass", "13", "kg")
        assert done["ok"]
        assert "not there yet" not in text_of(done["parts"]["log-notes"])


# ── lines that wait for others, and lines that are at fault ─────────────────────────────────────────────────

ASSAY = {
    "plus mass": ("2.1", "g"),
    "plus gold": ("0.9", "mg"),
    "minus mass": ("310", "g"),
    "minus grade": ("2.2", "g/t"),
}


def test_a_screen_assay_comes_line_by_line_in_any_order(sheet: Path) -> None:
    log = sheet.with_suffix(".csv")
    with serving_here(sheet) as page:
        for order in [*permutations(ASSAY)][::5]:
            for i, what in enumerate(order):
                done = page.weigh("tails", what, *ASSAY[what])
                assert done["ok"], (order, what, done)
                notes = text_of(done["parts"]["log-notes"])
                left = order[i + 1 :]
                assert ("tails: the screen assay still wants" in notes) == bool(left)
                assert all(name in notes for name in left)
            told = page.get("/weights").json["parts"]
            assert "grade" in text_of(told["beside"])  # now it is one grade of the tails
            assert page.get("/pulse").json["files"] == ""
            log.write_text(HEAD, encoding="utf-8")


def test_a_screen_assay_counts_in_nothing_until_it_is_whole(sheet: Path, flowsheet: Command) -> None:
    with serving_here(sheet) as page:
        assert page.weigh("tails", "mass", "4.2", "kg")["ok"]
        before = page.get("/weights").json["parts"]
        assert page.weigh("tails", "plus gold", "0.9", "mg")["ok"]
        after = page.get("/weights").json["parts"]
        for part in ("closing", "suspect", "beside"):
            assert after[part] == before[part]
        assert "plus gold" in text_of(after["log-lines"])
        # Knobs, turns and bands go on as before.
        assert page.turn({"ore.grade": "30 g/t"})["ok"]
        assert page.post("/sure", {"settings": {}}).json["parts"]["sure"]
        # Two grades of one stream are refused at once, not with the last part.
        assert not page.weigh("tails", "grade", "3", "g/t")["ok"]
    # The other commands refuse what is left so.
    sheet.write_text(f"{SHEET}weighed: {{file: s.csv}}\n", encoding="utf-8")
    done = flowsheet("run", sheet)
    assert done.code == 2
    assert 'of the screen assay, "plus mass" is missing' in done.err


def test_the_mass_of_an_assay_may_come_before_its_grade(sheet: Path) -> None:
    with serving_here(sheet) as page:
        first = page.weigh("tails", "assay mass", "50", "g")
        assert first["ok"], first
        assert "tails: its assay mass still wants the grade" in text_of(first["parts"]["log-notes"])
        second = page.weigh("tails", "grade", "3", "g/t")
        assert second["ok"], second
        assert text_of(second["parts"]["log-notes"]) == ""


def test_moisture_may_come_before_its_mass(sheet: Path) -> None:
    with serving_here(sheet) as page:
        first = page.weigh("tails", "moisture", "10", "%")
        assert first["ok"], first
        assert "tails: its moisture still wants the mass" in text_of(first["parts"]["log-notes"])
        assert page.weigh(NAME, "mass", "6", "kg")["ok"]
        second = page.weigh("tails", "mass", "5", "kg")
        assert second["ok"], second
        assert text_of(second["parts"]["log-notes"]) == ""
        # 5 kg less a tenth of water
        assert "10.5" in text_of(page.get("/weights").json["parts"]["closing"])
        token = re.search(r'data-token="(\w+)"', second["parts"]["undo-part"])
        assert token is not None
        assert page.log({"do": "undo", "token": token[1]})["ok"]
        assert "still wants the mass" in text_of(page.get("/weights").json["parts"]["log-notes"])


def test_knobs_are_those_of_the_sheet_while_a_line_waits(sheet: Path) -> None:
    sheet.write_text(f"{SHEET}weighed: {{file: s.csv}}\n", encoding="utf-8")
    whole = Bench(sheet).desk().knobs
    sheet.with_suffix(".csv").write_text(f"{HEAD}tails,plus gold,0.9,mg,,,\n", encoding="utf-8")
    assert Bench(sheet).desk().knobs == whole
    document = yaml_document.read(SACK / "sack3.yaml")
    sack = Bench(SACK / "sack3.yaml").desk()
    assert list(sack.knobs) == knobs(document, sack.sheet)


def test_a_faulty_line_elsewhere_keeps_no_weight_from_being_written(sack: Path) -> None:
    log = sack.with_suffix(".csv")
    with serving_here(sack) as page:
        log.write_text(log.read_text(encoding="utf-8") + "nosuch,mass,1,kg,,,\ncrushed,mass,heavy,kg,,,\n", "utf-8")
        done = page.weigh("powder", "mass", "13.4", "kg")
        assert done["ok"], done
        assert "powder,mass,13.4" in log.read_text(encoding="utf-8")
        told = text_of(page.get("/pulse").json["files"])
        assert "no stream has this name" in told
        assert "heavy" in told
        # What the new line makes wrong is refused all the same.
        wrong = page.weigh("fines", "mass", "5000", "kg")
        assert not wrong["ok"]
        assert "value" in wrong["faults"]
        assert "fines" not in log.read_text(encoding="utf-8")


@pytest.mark.slow
def test_a_log_with_faulty_lines_opens_and_the_others_count(sack: Path) -> None:
    log = sack.with_suffix(".csv")
    log.write_text(log.read_text(encoding="utf-8") + "nosuch,mass,1,kg,,,\nfines,mass,5.08,kg,,,\n", encoding="utf-8")
    with serving_here(sack) as page:
        told = text_of(page.get("/").text)
        assert "is wrong with the files" in told
        assert f"{log}:15:" in told
        assert "Scalp: 14.20 kg in, 14.18 kg out" in text_of(page.get("/weights").json["parts"]["closing"])
        assert page.weigh("powder", "mass", "13.4", "kg")["ok"]
        # Another sheet is seen meanwhile.
        first = page.get("/pulse").json["stamp"].split("/")[0]
        text = sack.read_text(encoding="utf-8")
        sack.write_text(text.replace("opening: 20 mm", "opening: 21 mm"), encoding="utf-8")
        assert page.get("/pulse").json["stamp"].split("/")[0] != first
        sack.write_text(text.replace("opening: 20 mm", "opening: 21"), encoding="utf-8")
        faulty = page.get("/pulse").json
        assert "21" in text_of(faulty["files"])
        assert page.weigh("crushed", "mass", "13.6", "kg")["ok"]
        assert "crushed" in text_of(page.get("/weights").json["parts"]["log-lines"])


def test_a_quote_that_nothing_closes_leaves_the_log_out(sack: Path) -> None:
    log = sack.with_suffix(".csv")
    text = log.read_text(encoding="utf-8")
    found = counted(yaml_document.read(sack), kinds(), log, text + '"fines,mass,5.08,kg\n')
    assert found.mistakes
    assert found.sheet.title


def test_a_column_more_is_added_beside_a_faulty_line(sheet: Path) -> None:
    log = sheet.with_suffix(".csv")
    log.write_text("stream,what,value\nnosuch,mass,1 kg\n", encoding="utf-8")
    bench = Bench(sheet)
    assert bench.desk().mistakes
    bench.log.add(Entry("tails", "mass", "3 kg", note="dry"))
    assert log.read_text(encoding="utf-8") == "stream,what,value,note\nnosuch,mass,1 kg\ntails,mass,3 kg,dry\n"


def test_a_mended_weigh_sheet_is_seen(sack: Path) -> None:
    other = sack.with_name("b.csv")
    with serving_here(sack) as page:
        other.write_text("stream,what,value\ntails,mass,oops\n", encoding="utf-8")
        text = sack.read_text(encoding="utf-8").replace("file: sack3.csv", "file: [b.csv, sack3.csv]")
        sack.write_text(text, encoding="utf-8")
        assert "oops" in text_of(page.get("/pulse").json["files"])
        other.write_text("stream,what,value\ntails,mass,13.4 kg\n", encoding="utf-8")
        assert page.get("/pulse").json["files"] == ""


def test_a_log_that_is_gone_is_told_and_not_begun_anew(sack: Path) -> None:
    log = sack.with_suffix(".csv")
    with serving_here(sack) as page:
        raw = log.read_bytes()
        log.unlink()
        assert "was there, and is gone" in text_of(page.get("/pulse").json["files"])
        told = text_of(page.get("/").text)
        assert "was there, and is gone" in told
        assert "dried on the stove" in told  # its lines are shown, so that they can be typed again
        done = page.weigh("powder", "mass", "13.4", "kg")
        assert not done["ok"]
        assert "is gone" in done["others"][0]
        assert not log.exists()
        log.write_bytes(raw)
        assert page.get("/pulse").json["files"] == ""
        assert page.weigh("powder", "mass", "13.4", "kg")["ok"]


def test_a_log_that_was_taken_back_is_not_gone(sheet: Path) -> None:
    with serving_here(sheet) as page:
        done = page.weigh("tails", "mass", "3", "kg")
        token = re.search(r'data-token="(\w+)"', done["parts"]["undo-part"])
        assert token is not None
        assert page.log({"do": "undo", "token": token[1]})["ok"]
        assert not sheet.with_suffix(".csv").exists()
        assert page.get("/pulse").json["files"] == ""
        assert page.weigh("tails", "mass", "3", "kg")["ok"]


def test_a_log_that_was_emptied_is_told_and_not_begun_anew(sack: Path) -> None:
    log = sack.with_suffix(".csv")
    with serving_here(sack) as page:
        raw = log.read_bytes()
        log.write_bytes(b"")
        assert "it is empty now" in text_of(page.get("/pulse").json["files"])
        assert "dried on the stove" in text_of(page.get("/").text)
        done = page.weigh("powder", "mass", "13.4", "kg")
        assert not done["ok"]
        assert "it is empty now" in done["others"][0]
        assert log.read_bytes() == b""
        log.write_bytes(raw)
        assert page.get("/pulse").json["files"] == ""
        assert page.weigh("powder", "mass", "13.4", "kg")["ok"]


def notes_of(bench: Bench) -> str:
    return text_of(log_parts(bench, bench.desk())["log-notes"])


@pytest.mark.parametrize(
    ("weighed", "remedy"),
    [("{file: w.csv}", "take weighed: out of the sheet"), ("{file: [w.csv], tails: {grade: 2 g/t}}", "take file: out"),
     ("{file: [a.csv, w.csv]}", "take w.csv out of file:")],
)  # fmt: skip
def test_a_log_without_a_line_is_told_where_the_sheet_names_it(sheet: Path, weighed: str, remedy: str) -> None:
    sheet.with_name("a.csv").write_text(f"{HEAD}tails,mass,3,kg\n", encoding="utf-8")
    sheet.write_text(f"{SHEET}weighed: {weighed}\n", encoding="utf-8")
    bench = Bench(sheet)
    assert "not there yet" in notes_of(bench)
    assert "No weight is left" not in notes_of(bench)
    bench.log.add(Entry("tails", "mass", "3", "kg"))
    assert "No weight is left" not in notes_of(bench)
    (line,) = bench.log.lines()
    bench.log.strike(line.place)
    told = notes_of(bench)
    assert "No weight is left in w.csv, so the other commands refuse it" in told
    assert remedy in told
    with pytest.raises(SheetError, match="there is no line below the header"):
        load(sheet)


def test_a_log_without_a_line_that_the_sheet_does_not_name_is_in_nobodys_way(sheet: Path) -> None:
    sheet.with_suffix(".csv").write_text(HEAD, encoding="utf-8")
    assert notes_of(Bench(sheet)) == ""


def test_weights_wait_for_another_file_that_is_at_fault(sheet: Path) -> None:
    other = sheet.with_name("a.csv")
    other.write_text(f"{HEAD}tails,mass,3,kg\n", encoding="utf-8")
    sheet.write_text(f"{SHEET}weighed: {{file: [a.csv, b.csv]}}\n", encoding="utf-8")
    bench = Bench(sheet)
    bench.log.add(Entry("tails", "mass", "3", "kg"))
    assert notes_of(bench) == ""
    other.write_text(f"{HEAD}tails,mass,oops,kg\n", encoding="utf-8")
    told = "New weights are kept in b.csv, and count once what is wrong in a.csv is mended."
    assert told in notes_of(bench)
    bench.log.add(Entry("tails", "grade", "2", "g/t"))
    assert told in notes_of(bench)
    assert not any(m.what == "grade" for m in bench.desk().sheet.weighed)
    other.write_text(f"{HEAD}tails,mass,3.1,kg\n", encoding="utf-8")
    assert notes_of(bench) == ""
    assert any(m.what == "grade" for m in bench.desk().sheet.weighed)


# ── what the page says of the sheet's own weights ───────────────────────────────────────────────────────────


def own_weights(sack: Path, weighed: str) -> str:
    """Return a sheet's text with weights of its own in the place of its weigh sheet's name."""
    text = sack.read_text(encoding="utf-8")
    return text[: text.index("weighed:")] + weighed


def test_the_sheets_own_weights_count_before_the_log_has_a_line(sack: Path) -> None:
    sack.with_suffix(".csv").unlink()
    sack.write_text(own_weights(sack, "weighed:\n  lumps: {mass: 9.1 kg}\n  fines: {mass: 5.08 kg}\n"), "utf-8")
    desk = Bench(sack).desk()
    assert "scalp: 14.20 kg in, 14.18 kg out" in text_of(weight_parts(desk.sheet, desk.test)["closing"]).lower()
    bench = Bench(sack)
    bench.log.add(Entry("tails", "mass", "13.4", "kg"))
    desk = bench.desk()
    told = text_of(weight_parts(desk.sheet, desk.test)["closing"]).lower()
    assert "scalp: 14.20 kg in, 14.18 kg out" in told


def test_beside_the_entry_stands_the_rock_by_the_miners_own_sieves(sack: Path) -> None:
    bench = Bench(sack)
    assert "own sieves" not in text_of(weight_parts(bench.desk().sheet, bench.desk().test)["suspect"])
    bench.log.add(Entry("powder", "passing 150 um", "80", "%", "1"))
    desk = bench.desk()
    told = text_of(weight_parts(desk.sheet, desk.test)["suspect"])
    assert "Rock by your own sieves" in told
    assert "Nothing checks the sieves of powder: sieve both" in told
    assert "powder -0.150 mm 10.9 kg" in told


@pytest.mark.slow
def test_beside_the_entry_stands_what_the_weights_say_without_a_suspect_and_with_it(sack: Path) -> None:
    bench = Bench(sack)
    asked = "What do the weights say without it, and with it?"
    assert asked not in text_of(weight_parts(bench.desk().sheet, bench.desk().test)["suspect"])
    bench.log.add(Entry("plain lumps", "mass", "7.48", "kg", "0.01"))
    desk = bench.desk()
    told = text_of(weight_parts(desk.sheet, desk.test)["suspect"])
    assert asked in told
    assert "taken as doubtful: the mass of lumps" in told
    assert "With every weight as it is written" in told


@pytest.mark.parametrize(
    "weighed",
    ["", "weighed:\n  tails: {mass: 13.4 kg}\n", "weighed:\n    tails:\n        mass: 13.4 kg\n",
     "weighed: {tails: {mass: 13.4 kg}}\n", "weighed: {file: a.csv}\n", "weighed:\n  file: a.csv\n",
     "weighed: {file: [a.csv, b.csv]}\n"],
)  # fmt: skip
def test_what_is_to_be_added_to_the_sheet_makes_it_read_the_log(sack: Path, weighed: str, flowsheet: Command) -> None:
    text = own_weights(sack, weighed)
    for name in ("a.csv", "b.csv"):
        shutil.copy(sack.with_suffix(".csv"), sack.with_name(name))
    sack.write_text(text, encoding="utf-8")
    log = sack.with_name("log, of mine.csv")
    page = Page(Bench(sack, log))
    try:
        page.bench.log.add(Entry("con", "mass", "180", "g"))
        told = html.unescape(page._whole({}))
    finally:
        page.close()
    shown = re.search(r'<div id="log-told">.*?</div>', told, re.S)
    assert shown is not None
    codes = re.findall(r"<code>(.*?)</code>", shown[0])
    if len(codes) == 2:
        assert text.count(codes[0]) == 1
        line = re.search(r"In line (\d+)", shown[0])
        assert line is not None
        assert codes[0] in text.splitlines()[int(line[1]) - 1]
        mended = text.replace(*codes)
    else:
        head = "weighed:\n"
        mended = text.replace(head, f"{head}{codes[0]}\n") if head in text else f"{text}{codes[0]}\n"
    sack.write_text(mended, encoding="utf-8")
    document = yaml_document.read(sack)
    assert Bench(sack, log).desk().named
    assert any(
        m.stream == "con" and m.value == 0.18 for m in counted(document, kinds(), log, log.read_text()).sheet.weighed
    )
    assert flowsheet("check", sack).err == ""


# ── other programs ──────────────────────────────────────────────────────────────────────────────────────────


@POSIX
def test_a_folder_that_another_program_locks_is_not_waited_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(safe_writing, "PATIENCE", 0.1)
    log = BenchLog(tmp_path / "log.csv")
    with FileLock(tmp_path / safe_writing.LOCK), pytest.raises(SheetError) as wrong:
        log.add(Entry("tails", "mass", "3", "kg"))
    assert "another program keeps its folder locked: end that one" in str(wrong.value)
    assert "nothing was changed" in str(wrong.value)
    log.add(Entry("tails", "mass", "3", "kg"))
    assert len(log.lines()) == 1


@pytest.mark.slow
@POSIX
def test_a_killed_page_leaves_no_process_and_no_traceback(sack: Path) -> None:
    with serving(sack) as page:
        assert page.post("/sure", {"settings": {}}).status == 200
        (child,) = children(page.process.pid)
        body = json.dumps({"settings": {"look.care": "0.3"}}).encode()
        with socket.create_connection((HOST, page.port)) as raw:
            heads = f"Host: {HOST}:{page.port}\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
            raw.sendall(f"POST /sure HTTP/1.1\r\n{heads}".encode() + body)
            before = used(child)
            until = time.monotonic() + 30
            while used(child) <= before and time.monotonic() < until:
                time.sleep(0.005)  # until it is at work
            page.kill()
        while Path(f"/proc/{child}").exists() and time.monotonic() < until:
            time.sleep(0.02)
        assert not Path(f"/proc/{child}").exists()
        assert (sack.parent / f"served-{page.port}.txt").read_text(encoding="utf-8") == ""


def children(pid: int) -> list[int]:
    told = Path(f"/proc/{pid}/task/{pid}/children")
    found = {int(one) for task in told.parent.parent.iterdir() for one in (task / "children").read_text().split()}
    return sorted(found)


def used(pid: int) -> int:
    """Return the processor time that a process has used, in ticks."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return int(fields[11]) + int(fields[12])


# ── other pages, and what is no request ─────────────────────────────────────────────────────────────────────

LED = {"Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/", {"Origin": "http://evil.example"}, 403),
        ("/pulse", {"Origin": "null"}, 403),
        ("/", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors", "Sec-Fetch-Dest": "image"}, 403),
        ("/", {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, 403),
        ("/", {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, 403),
        ("/weights", {"Sec-Fetch-Site": "cross-site", **LED}, 403),
        ("/", {"Sec-Fetch-Site": "cross-site", **LED}, 200),
        ("/", {"Sec-Fetch-Site": "same-site", **LED}, 200),
        ("/", {"Sec-Fetch-Site": "none", **LED}, 200),
        ("/pulse", {"Sec-Fetch-Site": "same-origin", "Sec-Fetch-Mode": "cors", "Sec-Fetch-Dest": "empty"}, 200),
        ("/pulse", {"Origin": "http://127.0.0.1:PORT"}, 200),
    ],
    ids=str,
)
def test_another_page_may_lead_here_and_do_nothing_else(
    served: Served, path: str, headers: dict[str, str], status: int
) -> None:
    told = {name: value.replace("PORT", str(served.port)) for name, value in headers.items()}
    assert served.get(path, **told).status == status
    if status == 403:
        assert served.ask("HEAD", path, None, told).status == 403


def test_who_is_led_here_sees_the_sheet_as_written(served: Served) -> None:
    path = "/?sift.opening=9+mm"
    assert "9 mm" in text_of(served.get(path, **{"Sec-Fetch-Site": "none", **LED}).text)
    led = served.get(path, **{"Sec-Fetch-Site": "cross-site", **LED})
    assert led.status == 200
    assert led.text == served.get("/").text


@pytest.mark.parametrize(
    ("port", "host", "passes"),
    [(80, "127.0.0.1", True), (80, "localhost", True), (80, "127.0.0.1:80", True), (80, "[::1]", True),
     (80, "evil.example", False), (8137, "127.0.0.1", False), (8137, "127.0.0.1:8137", True)],
)  # fmt: skip
def test_the_usual_port_is_left_out_of_the_host(port: int, host: str, passes: bool) -> None:
    import asyncio

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": b"{}", "more_body": False}

    heads = [(b"host", host.encode()), (b"content-type", b"application/json")]
    heads.append((b"origin", f"http://{host}".encode()))
    scope = {"type": "http", "method": "POST", "path": "/turn", "query_string": b"", "headers": heads}
    asyncio.run(Guard(app, port)(scope, receive, send))
    assert (sent[0]["status"] == 200) == passes


@pytest.mark.parametrize(
    "data",
    [b"GARBAGE\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n", b"GET / HTTP/1.1\r\nHost: HOST\r\nHost: evil.example\r\n\r\n",
     b"POST /turn HTTP/1.1\r\nHost: HOST\r\nContent-Length: -2\r\n\r\n",
     b"GET / HTTP/1.1\r\nHost: HOST\r\nbad header\r\n\r\n"],
    ids=lambda one: one[:30].decode(),
)  # fmt: skip
def test_what_is_no_request_is_refused_with_the_headers(served: Served, data: bytes) -> None:
    with socket.create_connection((HOST, served.port), timeout=20) as raw:
        raw.sendall(data.replace(b"HOST", f"{HOST}:{served.port}".encode()))
        said = b"".join(iter(lambda: raw.recv(65536), b"")).decode().lower()
    assert re.match(r"http/1\.1 400 ", said)
    for name, value in HEADERS.items():
        assert f"{name}: {value}".lower() in said


# ── what settings may be called ─────────────────────────────────────────────────────────────────────────────


def test_a_step_with_a_long_name_can_be_turned(tmp_path: Path) -> None:
    long = "sift " * 60 + "twice"
    path = tmp_path / "long.yaml"
    path.write_text(SHEET.replace("sift:", f'"{long}":'), encoding="utf-8")
    with serving_here(path) as page:
        turned = page.turn({f"{long}.opening": "7 mm"}, pins=[{"name": "p", "settings": {f"{long}.opening": "6 mm"}}])
        assert turned["ok"]
        assert "7 mm" in text_of(turned["parts"]["turned"])
        faulty = page.turn({f"{long}.opening": "7"})
        assert set(faulty["faults"]) == {f"{long}.opening"}
        assert "7 mm" in text_of(page.get(f"/?{'+'.join(long.split(' '))}.opening=7+mm").text)


def test_settings_that_the_sheet_does_not_have_are_told_as_faults(served: Served) -> None:
    for name in ("x" * 3000 + ".y", "nowhere.opening", "plain"):
        answer = served.turn({name: "3"})
        assert not answer["ok"]
        assert text_of(answer["fault"])


HALF = "\\ud800"


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/turn", f'{{"settings": {{"sift.opening{HALF}": "1 mm"}}}}'),
        ("/turn", f'{{"settings": {{"sift.opening": "1{HALF}"}}}}'),
        ("/turn", f'{{"pins": [{{"name": "x", "settings": {{"sift.p{HALF}": "1"}}}}]}}'),
        ("/turn", f'{{"pins": [{{"name": "{HALF}", "settings": {{}}}}]}}'),
        ("/turn", f'{{"stream": "{HALF}"}}'),
        ("/sure", f'{{"settings": {{"sift.p{HALF}": "1"}}}}'),
        ("/weigh", f'{{"do": "add", "entry": {{"stream": "tails", "what": "mass", "note": "{HALF}"}}}}'),
        ("/weigh", f'{{"do": "strike", "line": 2, "text": "{HALF}"}}'),
    ],
)
def test_half_a_character_is_refused_in_words(served: Served, path: str, body: str) -> None:
    answer = served.ask("POST", path, body.encode(), JSON)
    assert answer.status == 400
    assert answer.text == "This cannot be read: half a character stands in it, which no text holds."


def test_half_a_character_on_the_command_line_is_a_mistake(sheet: Path) -> None:
    with pytest.raises(SheetError):
        Bench(sheet).desk().build(with_settings(yaml_document.read(sheet), {"sift.p\ud800": "1"}))


def test_a_whole_character_beyond_the_basic_ones_is_none_of_those(served: Served) -> None:
    assert served.turn({}, "\U0001f600", [{"name": "\U0001f600", "settings": {}}])["ok"]


# ── pins ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_pin_is_solved_once_as_long_as_nothing_is_read_anew(sack: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(sack)
    solved: list[dict[str, str]] = []
    solve = vars(bench_module)["pair"]

    def counting(base: Any, other: Any, told: dict[str, str]) -> Any:
        solved.append(told)
        return solve(base, other, told)

    monkeypatch.setattr(bench_module, "pair", counting)
    pins = [{"wash.passes": "2"}, {"scalp.opening": "12 mm"}]
    first = [bench.trial(bench.desk(), pin) for pin in pins]
    assert [bench.trial(bench.desk(), dict(pin)) for pin in pins for _ in range(3)] == [
        f for f in first for _ in range(3)
    ]
    assert solved == pins
    for _ in range(2):
        with pytest.raises(SheetError):
            bench.trial(bench.desk(), {"wash.passes": "half"})
    bench.log.add(Entry("powder", "mass", "13.4", "kg"))
    assert bench.trial(bench.desk(), pins[0]) == first[0]
    assert solved == [*pins, pins[0]]


def test_a_request_for_a_socket_prints_no_advice_of_the_server(sheet: Path) -> None:
    asked = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
             "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA=="}  # fmt: skip
    port = free_port()
    command = [sys.executable, "-m", "flowsheet", "serve", str(sheet), "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert _answers(process, port)
        Served(port).ask("GET", "/", None, asked)
    finally:
        process.terminate()
        _, err = process.communicate(timeout=60)
    assert err == ""
