"""Times of one run, told as ratios: machines differ, ratios less so. Nothing here fails for being slow.

Run: pytest -s -m benchmark
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from plain_quick import plain_quick

from flowsheet import starters
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model, load
from flowsheet.solve.propagate import solve

pytestmark = pytest.mark.benchmark

QUICK = starters.folder() / "quick.yaml"
LOOP = starters.folder() / "closed_circuit.yaml"
PASSES = 2000


def times(rounds: int, *tasks: Callable[[], object]) -> list[float]:
    """Return the median time of each task in seconds, all of them taken by turns."""
    taken: list[list[float]] = [[] for _ in tasks]
    for _ in range(rounds):
        for task, mine in zip(tasks, taken, strict=True):
            start = time.perf_counter()
            task()
            mine.append(time.perf_counter() - start)
    return [statistics.median(mine) for mine in taken]


def tell(what: str, ours: float, theirs: float, target: float | None = None) -> None:
    wanted = "" if target is None else f" (target: at most {target:g})"
    print(f"\n{what}: {1e3 * ours:.3g} ms / {1e3 * theirs:.3g} ms = {ours / theirs:.2f}{wanted}")


def started(*command: str | Path) -> Callable[[], object]:
    return lambda: subprocess.run([str(part) for part in command], check=True, capture_output=True, timeout=60)


def test_start_against_the_imports_that_it_cannot_do_without() -> None:
    program = Path(sys.executable).with_name("flowsheet")
    command = [program] if program.exists() else [sys.executable, "-m", "flowsheet"]
    ours, help_, theirs = times(
        10,
        started(*command, "run", QUICK),
        started(*command, "--help"),
        started(sys.executable, "-c", "import numpy, networkx, yaml, pydantic, pint"),
    )
    tell("flowsheet run quick.yaml / imports alone", ours, theirs, 2.5)
    tell("flowsheet --help / imports alone", help_, theirs)


def test_one_solve_against_a_plain_script() -> None:
    sheet, _ = load(QUICK)
    solution = solve(Model.of(sheet))
    for stream, (rock, gold) in plain_quick().items():
        material = solution.streams[stream]
        assert float(material.solids) == pytest.approx(rock, rel=1e-9, abs=1e-15)
        assert float(material.gold) == pytest.approx(gold, rel=1e-9)
    model = Model.of(sheet)

    def fed_anew() -> object:
        vars(model).pop("plain", None)  # the feed and all numbers as arrays, but not the graph and the grid
        return solve(model)

    alone, fed, whole, theirs = times(
        300, lambda: solve(model), fed_anew, lambda: solve(Model.of(sheet)), plain_quick
    )  # fmt: skip
    tell("solve with graph, grid and feed made anew / plain numpy script with grid and feed", whole, theirs)
    tell("solve with the feed made anew / plain numpy script with grid and feed", fed, theirs, 2)
    tell("one solve of a loaded sheet / plain numpy script with grid and feed", alone, theirs)


def test_an_exact_loop_against_plain_passes() -> None:
    sheet, _ = load(LOOP)
    model = Model.of(sheet)
    inputs = model.plain
    solution = solve(model)
    crushed = solution.streams["crushed"]

    def passes() -> Material:
        """Send what comes back round and round, with the operators made once."""
        plates, sieve = (model.step(n).operator(crushed, inputs.values[n], inputs.site) for n in ("plates", "sieve"))
        back = Material.nothing(len(model.grid))
        for _ in range(PASSES):
            parted = sieve(plates(crushed + back)["product"])
            back, powder = parted["oversize"], parted["undersize"]
        return powder

    powder = passes()
    assert float(powder.solids) == pytest.approx(float(solution.streams["powder"].solids), rel=1e-9)
    assert float(powder.gold) == pytest.approx(float(solution.streams["powder"].gold), rel=1e-9)
    (ours,) = times(20, lambda: solve(model))
    (theirs,) = times(3, passes)
    tell(f"the whole closed circuit, solved exactly / {PASSES} plain passes of its loop", ours, theirs)
