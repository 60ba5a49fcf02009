"""Many invented tests of each cell, put to the program: resumable, each a line of JSON in ``results/``."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zlib
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from cells import Cell, invented

HERE = Path(__file__).parent
RESULTS = HERE / "results"
PROGRAM = HERE.parent.parent / "flowsheet"
SHARES = ("kept_share", "coarse_share")


def code_version() -> str:
    """Return a digest of all that the answers hang on: the program's sources, and how tests are invented."""
    digest = hashlib.sha256()
    inventing = [HERE / f"{name}.py" for name in ("invented_rock", "invented_test", "cells", "tool_answers")]
    for path in [*sorted(PROGRAM.rglob("*.py")), *inventing]:
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def one_test(cell: Cell, seed: int) -> dict[str, Any]:
    """Return the line of one test: its key, and [truth, low, high] of each answer; or what failed."""
    from tool_answers import answers

    line: dict[str, Any] = {"ore": cell.ore, "weighing": cell.weighing, "case": cell.case, "seed": seed}
    test = invented(cell, seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.yaml"
        path.write_text(test.sheet, encoding="utf-8")
        try:
            found = answers(path)
        except Exception as fault:
            return {**line, "failed": f"{type(fault).__name__}: {fault}".replace(folder, "")[:500]}
    return {**line, "answers": {name: [true, *found[name]] for name, true in test.truths.items() if name in found}}


def _work(job: tuple[Cell, int]) -> dict[str, Any]:
    return one_test(*job)


def lines(path: Path) -> Iterator[dict[str, Any]]:
    """Go through the lines of a file of results; one that a killed run left half written is passed over."""
    if path.exists():
        for text in path.read_text(encoding="utf-8").splitlines():
            try:
                yield json.loads(text)
            except json.JSONDecodeError:
                continue


def key(line: dict[str, Any]) -> tuple[str, str, str, int, str]:
    """Return what tells a line from all others."""
    return line["ore"], line["weighing"], line["case"], line["seed"], line["code"]


def repeat(cells: list[Cell], tests: int, processes: int = 2, folder: Path = RESULTS) -> list[dict[str, Any]]:
    """Return ``tests`` lines of each cell by the code as it stands; only those that are lacking are worked out."""
    code = code_version()
    folder.mkdir(exist_ok=True)
    path = folder / f"{code}.jsonl"
    done = {key(line): line for line in lines(path)}
    # Seed by seed, so that a run that is broken off has all cells about equally far.
    wanted = [(cell, seed) for seed in range(tests) for cell in cells]
    keys = [(cell.ore, cell.weighing, cell.case, seed, code) for cell, seed in wanted]
    lacking = [job for job, one in zip(wanted, keys, strict=True) if one not in done]
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with path.open("a", encoding="utf-8") as out:
        if path.stat().st_size and not path.read_bytes().endswith(b"\n"):
            out.write("\n")
        for line in _each(lacking, processes):
            line["code"] = code
            out.write(json.dumps(line) + "\n")
            out.flush()
            done[key(line)] = line
    return [done[one] for one in keys]


def _each(jobs: list[tuple[Cell, int]], processes: int) -> Iterator[dict[str, Any]]:
    if processes <= 1 or len(jobs) < 2:
        yield from map(_work, jobs)
        return
    with ProcessPoolExecutor(min(processes, 2)) as pool:
        yield from pool.map(_work, jobs)


@dataclass(frozen=True)
class Covered:
    """One answer in one cell: how often its interval held the truth, and how wide it was in the middle."""

    cell: str
    answer: str
    tests: int
    share: float
    #: Median of ln(high / low) for amounts (infinite where the low end is nought), of high − low for shares.
    width: float


def holds(true: float, low: float, high: float, coin: float) -> bool:
    """Return whether an interval holds the truth; ``coin``, even in 0 to 1, settles ties at nought.

    An amount that may well be nothing has a lump of chance at nought, in which an end may lie: half of the truths that
    tie with a low end there count as below it, and a tenth of those that tie with both ends as outside.
    """
    if true == 0 and low == 0:
        return coin < (0.9 if high == 0 else 0.5)
    return low <= true <= high


def coverage(found: Iterable[dict[str, Any]]) -> list[Covered]:
    """Return the table: each answer of each cell."""
    told: dict[tuple[str, str], list[tuple[bool, float]]] = {}
    for line in found:
        cell = f"{line['ore']}/{line['weighing']}/{line['case']}"
        for answer, (true, low, high) in line.get("answers", {}).items():
            coin = np.random.default_rng([line["seed"], zlib.crc32(f"{cell} {answer}".encode())]).random()
            wide = high - low if answer in SHARES else float(np.log(high / low)) if low > 0 else np.inf
            told.setdefault((cell, answer), []).append((holds(true, low, high, coin), wide))
    return [
        Covered(cell, answer, len(all_of), float(np.mean([hit for hit, _ in all_of])), _middle([w for _, w in all_of]))
        for (cell, answer), all_of in told.items()
    ]


def _middle(widths: list[float]) -> float:
    """Return the lower median: of infinite widths no mean is taken."""
    return sorted(widths)[(len(widths) - 1) // 2]


def table(found: list[dict[str, Any]]) -> str:
    """Return the table as text: a line each cell, coverage in % and the median width behind it, means below."""
    rows = coverage(found)
    names = list(dict.fromkeys(row.answer for row in rows))
    wide = max([len(row.cell) for row in rows] + [len("mean over the cells where the sheet is right")])
    by = {(row.cell, row.answer): row for row in rows}
    cells = list(dict.fromkeys(f"{line['ore']}/{line['weighing']}/{line['case']}" for line in found))
    failed = dict.fromkeys(cells, 0)
    for line in found:
        failed[f"{line['ore']}/{line['weighing']}/{line['case']}"] += "failed" in line
    text = [" " * wide + "".join(f"{name:>18}" for name in names) + "  tests"]
    for cell in cells:
        told = [by.get((cell, name)) for name in names]
        shown = "".join(f"{100 * one.share:10.1f} ({one.width:5.2f})" if one else f"{'–':>18}" for one in told)
        tests = max([one.tests for one in told if one], default=0)
        text.append(f"{cell:<{wide}}{shown}{tests:>7}" + (f"  {failed[cell]} failed" if failed[cell] else ""))
    for what, right in (("right", True), ("wrong", False)):
        held = [[r.share for r in rows if r.answer == n and r.cell.endswith("/right") is right] for n in names]
        if any(held):
            shown = "".join(f"{100 * np.mean(one):10.1f}        " if one else f"{'–':>18}" for one in held)
            text.append(f"{f'mean over the cells where the sheet is {what}':<{wide}}{shown}")
    text.append("coverage of 90 % intervals in %; behind it the median of ln(high/low), of shares of high - low")
    return "\n".join(text)
