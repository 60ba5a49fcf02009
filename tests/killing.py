"""Kill commands while they write, again and again, and look at what is left.

``python tests/killing.py COUNT SEED COMMAND…`` in an empty folder prints a line of JSON for each command. Each is run
with another sheet than the files there were written from, in a process of its own (forked, so that nothing has to be
loaded again), watched, and killed with SIGKILL once its output begins to change: after so long, or so many changes.
Then every file must be the old one or the new one, and whoever writes next must be told where they are some of each.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NoReturn

from flowsheet import cli
from flowsheet.spec.written.put_files import Request, put_files
from flowsheet.spec.written.written_list import LIST

# Invented, and quick to run.
SHEET = """
title: Quillfeather dump, a sack of factors
ore: {mass: 10 kg, grade: GRADE}
steps:
  part: {do: factors, takes: ore, gives: {a: con, b: tails}, split: {a: 2 % ± 0.5 %}, recovery: {a: 80 % ± 5 %}}
keep: con
weighed: {con: {gold: 0.161 g}, tails: {mass: 9.8 kg, grade: 4.1 g/t}}
"""
OLD, NEW = "20 g/t ± 5 g/t", "24 g/t ± 6 g/t"
COMMANDS: dict[str, tuple[str, ...]] = {
    "run": ("run", "sack.yaml", "--out", "out"),
    "try": ("try", "sack.yaml", "--set", "ore.grade=10 g/t,30 g/t", "--out", "out"),
    "draw": ("draw", "sack.yaml", "-o", "out/flow.svg"),
    "fit": ("fit", "sack.yaml", "-o", "out/sack.yaml", "--out", "out"),
    "report": ("report", "sack.yaml", "--day", "2026-05-04", "-o", "out/report.html"),
    "label": ("label", "sack.yaml", "-o", "out/label.html"),
    "dot": ("draw", "sack.yaml", "-o", "out/flow.dot"),
    "text": ("label", "sack.yaml", "-o", "out/label.txt"),
}
WHOLE = 8
"""Every so many kills the command itself writes next."""
PAUSE = 0.003
"""Seconds that a slow disk takes to move a file: else hardly a kill comes between two of them."""
LONGEST = 600.0
"""Seconds that a command may take before it is given up."""

OUT = Path("out")


def begin(arguments: tuple[str, ...], pause: float = 0.0) -> int:
    """Start a command in a process of its own, and return its number; it says what it says into a file.

    ``pause``: how long (s) the disk takes to move a file.
    """
    process = os.fork()
    if process == 0:
        if pause:
            os.replace = slowed(os.replace, pause)
        _become(arguments)
    return process


def slowed(move: Callable[..., None], pause: float) -> Callable[..., None]:
    def moved(*paths: Path) -> None:
        time.sleep(pause)
        move(*paths)

    return moved


def _become(arguments: tuple[str, ...]) -> NoReturn:
    said = os.open("said.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(said, 1)
    os.dup2(said, 2)
    sys.argv = ["flowsheet", *arguments]
    code = 1
    try:
        cli.main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def whole(arguments: tuple[str, ...]) -> str:
    """Run a command to its end; return what it said."""
    _, status = os.waitpid(begin(arguments), 0)
    said = Path("said.txt").read_text(encoding="utf-8")
    assert status == 0, said
    return said


def here(arguments: tuple[str, ...]) -> None:
    """Run a command to its end in this process, so that what it loads is there for all that are forked."""
    sys.argv = ["flowsheet", *arguments]
    with Path("said.txt").open("w", encoding="utf-8") as said, redirect_stdout(said), redirect_stderr(said):
        try:
            cli.main()
        except SystemExit as end:
            if end.code:
                raise RuntimeError(Path("said.txt").read_text(encoding="utf-8")) from end


def sheet(grade: str) -> None:
    text = SHEET.replace("GRADE", grade)
    if Path("sack.yaml").exists() and Path("sack.yaml").read_text(encoding="utf-8") == text:
        return
    Path("sack.yaml").write_text(text, encoding="utf-8")


def files() -> dict[str, bytes]:
    """Return the files that were written, without the program's own."""
    return {path.name: path.read_bytes() for path in OUT.iterdir() if not path.name.startswith(".")}


def look() -> frozenset[tuple[str, int, int]]:
    """Return what tells one state of the folder from another."""
    found = set()
    with os.scandir(OUT) as entries:
        for entry in entries:
            try:
                told = entry.stat()
            except FileNotFoundError:
                continue
            found.add((entry.name, told.st_ino, told.st_size))
    return frozenset(found)


def killed(arguments: tuple[str, ...], changes: int, delay: float, pause: float) -> bool:
    """Kill a command ``delay`` (s) behind so many changes of its output; say if it had not ended."""
    before, seen, since = look(), 0, None
    process = begin(arguments, pause)
    end = time.monotonic() + LONGEST
    while True:
        now = look()
        if now != before:
            before, seen = now, seen + 1
        if since is None and seen >= changes:
            since = time.monotonic()
        if since is not None and time.monotonic() - since >= delay:
            break
        if os.waitpid(process, os.WNOHANG)[0]:
            return False
        assert time.monotonic() < end, "it never wrote"
    os.kill(process, signal.SIGKILL)
    _, status = os.waitpid(process, 0)
    return os.WIFSIGNALED(status)


def measured(arguments: tuple[str, ...], pause: float = 0.0) -> tuple[float, int]:
    """Return how long a whole run writes (s), and how many changes are seen meanwhile."""
    before, seen, first, last = look(), 0, 0.0, 0.0
    process = begin(arguments, pause)
    while not os.waitpid(process, os.WNOHANG)[0]:
        now = look()
        if now != before:
            before, seen, last = now, seen + 1, time.monotonic()
            first = first or last
    return last - first, seen


def tried(name: str, count: int, seed: int) -> dict[str, int | str]:
    """Kill one command ``count`` times; return what was left how often."""
    arguments, rng = COMMANDS[name], random.Random(f"{name} {seed}")
    OUT.mkdir(exist_ok=True)
    sheet(OLD)
    here(arguments)
    old = files()
    shutil.copytree(OUT, "old")
    sheet(NEW)
    span, seen = measured(arguments)
    _, seen_slow = measured(arguments, PAUSE)
    new = files()
    assert old.keys() == new.keys()
    assert any(old[file] != new[file] for file in old)
    told = {"command": name, "files": len(old), "kills": 0, "late": 0, "old": 0, "new": 0, "mixed": 0, "damaged": 0,
            "untold": 0}  # fmt: skip
    while told["kills"] < count:
        shutil.rmtree(OUT)
        shutil.copytree("old", OUT)
        # A third of them a while after the first change, behind so many changes, and so on a slow disk.
        aims = ((1, rng.uniform(0, span), 0.0), (rng.randint(1, max(seen, 1)), 0.0, 0.0),
                (rng.randint(1, max(seen_slow, 1)), 0.0, PAUSE))  # fmt: skip
        if not killed(arguments, *aims[told["kills"] % 3]):
            told["late"] += 1
            told["kills"] += told["late"] > 20 * count  # else it would go on for ever
            continue
        told["kills"] += 1
        left = files()
        damaged = [file for file in old if left.get(file) not in (old[file], new[file])]
        changed = [file for file in old if old[file] != new[file]]
        mine = [file for file in changed if left.get(file) == new[file]]
        told["damaged"] += len(damaged) + len(left.keys() - old.keys())
        state = "old" if not mine else "new" if mine == changed else "mixed"
        told[state] += 1
        # Whoever writes next is told, and takes nothing there for the user's: the command, or what it writes by.
        said = whole(arguments) if told["kills"] % WHOLE == 0 else "".join(put_files(
            [(OUT / file, raw) for file, raw in new.items()], Request("run sack.yaml", [Path("sack.yaml")])
        ))  # fmt: skip
        assert files() == new
        told["untold"] += state == "mixed" and "was cut off here" not in said
        told["untold"] += state != "mixed" and "was cut off here" in said
        assert not [path.name for path in OUT.iterdir() if path.name.startswith(".") and path.name != LIST]
    return told


def main() -> None:
    count, seed, *names = sys.argv[1:]
    for name in names:
        with tempfile.TemporaryDirectory(dir=".") as folder:
            start = Path.cwd()
            os.chdir(folder)
            print(json.dumps(tried(name, int(count), int(seed))), flush=True)
            os.chdir(start)


if __name__ == "__main__":
    main()
