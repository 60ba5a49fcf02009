"""Times of one run, told as ratios: machines differ, ratios less so. Nothing here fails for being slow.

Run: pytest -s -m benchmark
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from plain_quick import plain_quick

from flowsheet import starters
from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model, draw, load, rebuild
from flowsheet.solve.propagate import solve
from flowsheet.spec.yaml.marked_document import parse
from flowsheet.study.common.compound_poisson import RARE, spread
from flowsheet.study.common.monte_carlo import drawn
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with
from flowsheet.study.estimate.chance import chance

pytestmark = pytest.mark.benchmark

QUICK = starters.folder() / "quick.yaml"
LOOP = starters.folder() / "closed_circuit.yaml"
EXAMPLES = Path(__file__).parents[2] / "examples"
SACK, PILE = EXAMPLES / "sack_test" / "sack3.yaml", EXAMPLES / "pile" / "pile.yaml"
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
    print(f"\n{what}: {1e3 * ours:.3g} ms / {1e3 * theirs:.3g} ms = {ours / theirs:.3g}{wanted}")


def processor_time(*command: str | Path) -> float:
    """Return the seconds that a command keeps a processor busy: other programs on the machine hardly change that."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([str(part) for part in command], check=True, capture_output=True, timeout=120)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


COMMANDS = {
    ("--help",): 0.35,
    ("run", QUICK): 2.6,
    ("run", SACK): 4.5,
    ("chance", SACK): 5.5,
    ("plan", PILE): 9.0,
    ("worth", PILE): 9.0,
}
"""What is wanted of each: at most so many times the time that only to load what it is built on takes."""


def test_commands_against_the_imports_that_they_cannot_do_without() -> None:
    program = Path(sys.executable).with_name("flowsheet")
    start = [program] if program.exists() else [sys.executable, "-m", "flowsheet"]
    taken: list[list[float]] = []
    for _ in range(5):
        imports = processor_time(sys.executable, "-c", "import numpy, networkx, yaml, pydantic")
        taken.append([imports, *(processor_time(*start, *command) for command in COMMANDS)])
    theirs, *ours = (statistics.median(mine) for mine in zip(*taken, strict=True))
    for (command, target), mine in zip(COMMANDS.items(), ours, strict=True):
        tell(f"flowsheet {' '.join(Path(part).name for part in command)} / imports alone", mine, theirs, target)


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


SETTLING = """
ore:
  mass: 25 kg
  grade: 18 g/t ± 6 g/t
  sizes: {top: 60 mm, p80: 35 mm ± 4 mm, slope: 0.8}
  heavies: 5 % ± 1 %
  gold: {d50: 0.3 mm, d95: 1.4 mm, fineness: 880}
steps:
  mill: {do: pulverize, takes: [ore, coarse, mids], gives: ground, gap: 0.4 mm ± 0.03 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: fine}, opening: 1 mm, efficiency: 80 % ± 4 %}
  wash: {do: pan, takes: fine, gives: {concentrate: con, tailings: rest}, pull: 500 g ± 40 g, heavies: 80 %}
  part: {do: screen, takes: rest, gives: {oversize: mids, undersize: tails}, opening: 0.3 mm}
keep: [con]
"""
"""A loop with an efficiency and a pull in doubt."""


def test_draws_of_a_loop_that_settles_against_single_solves() -> None:
    draws, singly = 200, 10
    model = Model.of(rebuild(parse(SETTLING, "loop.yaml")))
    values = drawn_values(model, draws)

    def at_once() -> Array:
        return solve(model, inputs_with(model, values, draws)).kept_gold

    def one_by_one() -> list[float]:
        return [
            float(solve(model, inputs_with(model, {n: v[i] for n, v in values.items()}, None)).kept_gold)
            for i in range(singly)
        ]

    assert at_once()[:singly] == pytest.approx(one_by_one(), rel=1e-8)
    ours, theirs = times(3, at_once, one_by_one)
    tell(
        f"{draws} draws of a loop that settles / as many single solves (by {singly})",
        ours,
        theirs * draws / singly,
        0.1,
    )


CLOSED = """
ore:
  mass: 25 kg ± 100 g
  grade: 18 g/t ± 6 g/t
  sizes: {top: 60 mm, p80: 35 mm ± 4 mm, slope: 0.8}
  heavies: 5 % ± 1 %
  gold: {d50: 0.3 mm ± 0.05 mm, d95: 1.4 mm, fineness: 880}
steps:
"""


def twenty_bent_steps(one_loop: bool) -> str:
    """Return a sheet of twenty steps, each with a number in doubt that its feed decides, in one loop or in seven."""
    lines, fed, size = [], "ore, back" if one_loop else "ore", 6.0
    for i in range(6):
        to, efficiency, pull = f"{size:.4g} mm ± {size / 15:.3g} mm", "85 % ± 4 %", f"{150 + 10 * i} g ± 15 g"
        over = f"gives: {{oversize: o{i}, undersize: u{i}}}, opening: {1.5 * size:.4g} mm"
        lines += [
            f"  mill{i}: {{do: pulverize, takes: [{fed}, o{i}], gives: g{i}, to: {{p80: {to}}}}}",
            f"  cut{i}: {{do: screen, takes: g{i}, {over}, efficiency: {efficiency}}}",
            f"  wash{i}: {{do: pan, takes: u{i}, gives: {{concentrate: c{i}, tailings: t{i}}}, pull: {pull}}}",
        ]
        fed, size = f"t{i}", 0.6 * size
    back = "back" if one_loop else "coarse"
    lines += [
        f"  last: {{do: screen, takes: {fed}, gives: {{oversize: lo, undersize: lu}}, opening: {size:.4g} mm,"
        " efficiency: 70 % ± 5 %}",
        f"  fin: {{do: pan, takes: lo, gives: {{concentrate: {back}, tailings: out}}, pull: 2 kg ± 200 g}}",
    ]
    return CLOSED + "\n".join(lines) + "\nkeep: [c0, c1, c2, c3, c4, c5]\n"


MEMORY = 1000
"""What twenty steps may take, MB."""


@pytest.mark.parametrize("one_loop", [True, False], ids=["one loop", "chain of loops"])
def test_twenty_steps_that_hang_on_what_they_are_fed(one_loop: bool, tmp_path: Path) -> None:
    (sheet := tmp_path / "twenty.yaml").write_text(twenty_bent_steps(one_loop), encoding="utf-8")
    imports = min(processor_time(sys.executable, "-c", "import numpy, networkx, yaml, pydantic") for _ in range(3))
    for command in ("check", "run", "label", "report"):
        writes = ["-o", tmp_path / f"{command}.html"] if command in ("label", "report") else []
        program = [sys.executable, "-m", "flowsheet", command, sheet, *writes]
        took, peak = processor_time(*program), most_memory(*program)
        told = f"{took:.3g} s of a processor (wanted: at most 8), {took / imports:.3g} times the imports"
        print(f"\n{command} of 20 steps that hang on what they are fed: {told}, {peak:.0f} MB")
        assert peak < MEMORY


def most_memory(*command: str | Path) -> float:
    """Return the most memory (MB) that a command ever held, as a process of its own tells it (Linux)."""
    start = "import resource, subprocess, sys; subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL)"
    told = f"{start}; print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    found = subprocess.run([sys.executable, "-c", told, *map(str, command)], check=True, capture_output=True,
                           encoding="utf-8", timeout=300)  # fmt: skip
    return int(found.stdout) / 1024


# ── many draws, and the luck of grains ──────────────────────────────────────────────────────────────────────

SINGLY = 200


def drawn_values(model: Model, draws: int) -> dict[str, Array]:
    rng = np.random.default_rng(1)
    return {name: draw(number, draws, rng) for name, number in doubtful(model.sheet).items()}


def test_many_draws_against_as_many_single_solves() -> None:
    draws = 10_000
    sheet, _ = load(QUICK)
    model = Model.of(sheet)
    values = drawn_values(model, draws)

    def singly() -> list[float]:
        return [
            float(solve(model, inputs_with(model, {n: v[i] for n, v in values.items()}, None)).kept_gold)
            for i in range(SINGLY)
        ]

    def at_once() -> Array:
        return drawn(model, values, draws).kept

    assert at_once()[:SINGLY] == pytest.approx(singly(), rel=1e-9)
    ours, whole, theirs = times(5, at_once, lambda: chance(sheet, draws), singly)
    theirs *= draws / SINGLY
    tell(f"{draws:,} draws of the quick sheet / as many single solves (by {SINGLY} of them)", ours, theirs, 1 / 50)
    tell(f"the whole of chance, laws and all, with {draws:,} draws / the same", whole, theirs)


PEAK = """
import sys
from pathlib import Path
from flowsheet.solve.model import load
from flowsheet.study.estimate.chance import chance
chance(load(sys.argv[1])[0], int(sys.argv[2]))
print(*(line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")))
"""
"""A process of its own tells the most memory that it ever held (Linux; getrusage would count its parent's)."""


def test_time_and_memory_of_a_hundred_times_the_draws() -> None:
    few, many = 1000, 100_000
    sheet, _ = load(QUICK)
    model = Model.of(sheet)

    def draws_alone(draws: int) -> Callable[[], object]:
        values = drawn_values(model, draws)
        return lambda: drawn(model, values, draws)

    little, all_little = times(5, draws_alone(few), lambda: chance(sheet, few))
    much, all_much = times(1, draws_alone(many), lambda: chance(sheet, many))
    tell(f"{many:,} draws / {many // few} times {few:,} draws", much, little * many / few)
    tell(
        f"the whole of chance with {many:,} draws / {many // few} times with {few:,}", all_much, all_little * many / few
    )
    small, large = (
        int(subprocess.run([sys.executable, "-c", PEAK, str(QUICK), str(draws)], check=True, capture_output=True,
                           encoding="utf-8", timeout=300).stdout)
        for draws in (few, many)
    )  # fmt: skip
    print(f"\npeak memory of {many:,} draws / of {few:,}: {large / small:.3g} (target: at most 1.2)")


#: Invented ores: size (mm) that half, and 95 %, of the gold is finer than, and gold in a sack, g.
#: As in test_compound_poisson.
ORES = {
    "fine": (0.05, 0.2, 0.3),
    "medium": (0.3, 1.0, 0.3),
    "coarse": (0.5, 2.0, 0.3),
    "nuggety": (1.0, 4.0, 0.3),
    "very nuggety": (1.5, 5.0, 0.25),
}
SACKS = 1_000_000


@pytest.mark.parametrize("name", ORES)
def test_an_exact_law_against_a_million_sacks(name: str) -> None:
    grid = Grid.make(0.05)
    mass = grains.grain_mass(grid.size, np.asarray(0.87))
    d50, d95, gold_g = ORES[name]
    shares = grains.lognormal_shares(grid, np.asarray(d50 / 1e3), np.asarray(d95 / 1e3))
    number = 1e-3 * gold_g * shares / mass
    number = np.where(number >= RARE, number, 0.0)

    def simulated() -> Array:
        rng = np.random.default_rng(3)
        total = np.zeros(SACKS)
        for m, n in zip(mass, number, strict=True):
            if n > 0:
                total += m * rng.poisson(n, SACKS)
        return total

    law = spread(mass, number)
    assert law.mean == pytest.approx(simulated().mean(), rel=0.01)
    (ours,) = times(100, lambda: spread(mass, number))
    (theirs,) = times(2, simulated)
    tell(f"exact law of the gold in a sack, {name} / a million sacks drawn", ours, theirs, 1 / 100)
