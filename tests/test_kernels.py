"""Each vectorised kernel against a slow twin that spells out the same sentence in plain Python."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import scipy.integrate
import scipy.stats

from flowsheet.ore import grains, liberation, sizes
from flowsheet.ore.feed import feed
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.steps._crusher import chance_broken, fragments, product_matrix
from flowsheet.steps._gravity_recovery import free_recovery, gold_share
from flowsheet.steps.base import Breakage, Site, Values
from flowsheet.steps.pulverize import Pulverize
from flowsheet.steps.saw import to_powder
from flowsheet.steps.screen import presentations_for, retained
from flowsheet.steps.sort import Sort, chance_seen
from flowsheet.steps.split import sampling_error

GRID = Grid.make(0.06, [0.02, 0.0123, 0.001, 3e-4])
SHORT = Grid(np.array([0.02, 0.011, 0.006, 0.002, 0.0004]))
WHITEN = {"k1": 0.7, "k2": 2.2, "k3": 2.3, "phi": 0.3, "gamma": 0.6, "beta": 4.0}


def at(**values: float | list[float]) -> Values:
    """Return a step's numbers, each as an array of shape () or (D,)."""
    return Values({name: np.asarray(value, dtype=float) for name, value in values.items()})


def site_of(grid: Grid, detach: float = 1.0, fineness: float = 0.9) -> Site:
    return Site(grid, liberation.locked_share(grid, np.asarray(detach)), np.asarray(fineness))


def some_material(grid: Grid, seed: int = 1, gold: float = 1e-5) -> Material:
    """Return a material with something in every class that can hold it."""
    rng = np.random.default_rng(seed)
    n = len(grid)
    can = liberation.locked_share(grid, np.ones(())) > 0
    return Material(rng.random(n), 0.1 * rng.random(n), gold * rng.random(n), gold * rng.random((n, n)) * can)


# ── screen ──────────────────────────────────────────────────────────────────────────────────────────────────


def stays_slowly(upper: float, lower: float, opening: float, f: float, n: float) -> float:
    """Average the chance of staying over a class, even in log size, by adaptive quadrature."""

    def chance(log_d: float) -> float:
        d = math.exp(log_d)
        return 1.0 if d >= opening else (1 - f * (1 - d / opening) ** 2) ** n

    low, high = math.log(lower), math.log(upper)
    area, _ = scipy.integrate.quad(chance, low, high, epsabs=1e-13, epsrel=1e-12, limit=400)
    return area / (high - low)


@pytest.mark.parametrize("opening", [0.02, 0.0123, 0.001, 3e-4])
@pytest.mark.parametrize(("f", "n"), [(0.6, 300.0), (0.3, 10_000.0), (1.0, 1.0), (0.45, 0.05)])
def test_screen_is_the_average_over_each_class(opening: float, f: float, n: float) -> None:
    stays = retained(GRID, np.asarray(opening), np.asarray(f), np.asarray(n))
    lower = [*GRID.upper[1:], GRID.upper[-1] / 4]
    slow = [stays_slowly(u, v, opening, f, n) for u, v in zip(GRID.upper, lower, strict=True)]
    assert stays == pytest.approx(slow, abs=2e-9)


def test_nothing_coarser_than_the_opening_passes_and_finer_rock_passes_more() -> None:
    stays = retained(GRID, np.asarray(0.02), np.asarray(0.6), np.asarray(300.0))
    assert np.all(stays[GRID.lower >= 0.02 * (1 - 1e-9)] == 1.0)
    assert np.all(np.diff(stays) <= 0)
    assert stays[-1] < 1e-12


@pytest.mark.parametrize("efficiency", [0.3, 0.8, 0.99])
def test_presentations_give_the_efficiency(efficiency: float) -> None:
    rock = some_material(GRID).rock_by_size
    n = presentations_for(rock, np.asarray(efficiency), np.asarray(0.0123), np.asarray(0.6), GRID)
    passed = under = 0.0
    for i, upper in enumerate(GRID.upper):
        if upper <= 0.0123 * (1 + 1e-9):
            lower = GRID.upper[i + 1] if i + 1 < len(GRID) else upper / 4
            under += rock[i]
            passed += rock[i] * (1 - stays_slowly(upper, lower, 0.0123, 0.6, float(n)))
    assert passed / under == pytest.approx(efficiency, abs=1e-8)


# ── breakage ────────────────────────────────────────────────────────────────────────────────────────────────


def chance_slowly(d: float, gap: float, w: dict[str, float]) -> float:
    low, high = w["k1"] * gap, w["k2"] * gap
    if d <= low:
        return 0.0
    if d >= high:
        return 1.0
    return 1 - ((high - d) / (high - low)) ** w["k3"]


def fragments_slowly(grid: Grid, w: dict[str, float]) -> np.ndarray:
    """Build B column by column: the cumulative law at the edges, then what would stay spread over the finer."""
    n = len(grid)
    b = np.zeros((n, n))
    for j in range(n - 1):
        y = grid.upper[j]

        def below(x: float, y: float = y) -> float:
            return w["phi"] * (x / y) ** w["gamma"] + (1 - w["phi"]) * (x / y) ** w["beta"]

        into = []
        for i in range(j, n):
            lower = below(grid.upper[i + 1]) if i + 1 < n else 0.0
            into.append(below(grid.upper[i]) - lower)
        stays = into[0]
        for i in range(j + 1, n):
            b[i, j] = into[i - j] + stays * into[i - j] / (1 - stays)
    return b


def broken_slowly(grid: Grid, gap: float, w: dict[str, float], mass: np.ndarray) -> np.ndarray:
    """Break what is caught, sort out what is done, and break the rest again, until nothing moves."""
    b = fragments_slowly(grid, w)
    c = [chance_slowly(d, gap, w) for d in grid.size]
    c[-1] = 0.0
    done, inside = np.zeros(len(grid)), mass.astype(float).copy()
    while inside.sum() > 0:
        caught = np.array([c[i] * inside[i] for i in range(len(grid))])
        done = done + (inside - caught)
        inside = np.array([sum(b[i, j] * caught[j] for j in range(len(grid))) for i in range(len(grid))])
        if inside.sum() < 1e-30:
            break
    return done


@pytest.mark.parametrize("grid", [SHORT, Grid.make(0.02, [0.0123])])
@pytest.mark.parametrize("gap", [0.001, 0.004, 0.03, 1e-6])
def test_crusher_is_breaking_until_nothing_moves(grid: Grid, gap: float) -> None:
    w = at(**WHITEN)
    assert chance_broken(grid.size, np.asarray(gap), w) == pytest.approx(
        [chance_slowly(d, gap, WHITEN) for d in grid.size], abs=1e-14
    )
    assert fragments(grid, w) == pytest.approx(fragments_slowly(grid, WHITEN), abs=1e-14)
    product = product_matrix(grid, np.asarray(gap), w)
    mass = some_material(grid).light
    assert product @ mass == pytest.approx(broken_slowly(grid, gap, WHITEN, mass), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("gap", [1e-6, 1e-4, 0.003, 0.05, 10.0])
def test_columns_of_the_crusher_make_one(gap: float) -> None:
    product = product_matrix(GRID, np.asarray(gap), at(**WHITEN))
    assert product.sum(axis=0) == pytest.approx(np.ones(len(GRID)), rel=1e-13)
    assert np.all(product >= 0)
    assert np.all(np.triu(product, 1) == 0)


def test_draws_of_k1_and_k2_that_cross_still_break_rock() -> None:
    w = at(**{**WHITEN, "k1": [0.7, 2.5, 2.2], "k2": [2.2, 2.2, 2.2]})
    product = product_matrix(GRID, np.asarray(0.003), w)
    assert product.sum(axis=-2) == pytest.approx(np.ones((3, len(GRID))), rel=1e-13)
    assert np.all(product >= 0)


def test_breaking_moves_rock_with_its_class_and_frees_gold_by_the_new_host() -> None:
    site = site_of(SHORT, detach=0.8)
    material = some_material(SHORT)
    product = product_matrix(SHORT, np.asarray(0.002), at(**WHITEN))
    broken = Breakage(product, site.locked_share)(material)
    n = len(SHORT)
    locked, free = np.zeros((n, n)), material.free.copy()
    for host in range(n):
        for grain in range(n):
            held = material.locked[host, grain]
            for new in range(n):
                moved = held * product[new, host]
                stays = _locked(SHORT, new, grain, 0.8) / _locked(SHORT, host, grain, 0.8)
                locked[new, grain] += moved * stays
                free[grain] += moved * (1 - stays)
    assert broken.locked == pytest.approx(locked, rel=1e-12, abs=1e-22)
    assert broken.free == pytest.approx(free, rel=1e-12, abs=1e-22)
    assert broken.light == pytest.approx([sum(product[i] * material.light) for i in range(n)], rel=1e-13)


def _locked(grid: Grid, host: int, grain: int, detach: float) -> float:
    x = grid.size[host] / grid.size[grain]
    lattice = ((x - 1) / x) ** 3 if x > 1 else 0.0
    return 1 - detach * (1 - lattice)


def test_what_breaking_frees_does_not_depend_on_the_path(solved: Callable[..., Solution]) -> None:
    """Whatever way the rock took, the locked share of what lies in a host class is that of its size."""
    ore = "ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 50 mm, p80: 30 mm}, gold: {d50: 0.4 mm, d95: 2 mm}}\n"
    by_stages = solved(
        ore
        + """
steps:
  a: {do: jaw_crush, takes: ore, gives: a, setting: 20 mm}
  b: {do: jaw_crush, takes: a, gives: b, setting: 6 mm}
  c: {do: jaw_crush, takes: b, gives: end, setting: 2 mm}
keep: [end]
"""
    )
    at_once = solved(
        ore
        + """
steps:
  c: {do: jaw_crush, takes: ore, gives: end, setting: 2 mm}
keep: [end]
"""
    )
    grid = by_stages.model.grid
    assert list(grid.upper) == list(at_once.model.grid.upper)
    share = by_stages.model.plain.site.locked_share
    fed = by_stages.streams["ore"]
    # All gold of a grain class, however it is spread over the hosts: at first λ of it is locked in each host.
    for solution in (by_stages, at_once):
        product = _route(solution)
        began = fed.locked / np.where(share > 0, share, np.inf)
        assert solution.streams["end"].locked == pytest.approx(share * (product @ began), rel=1e-11, abs=1e-20)
        total = fed.free + fed.locked.sum(axis=0)
        end = solution.streams["end"]
        assert end.free + end.locked.sum(axis=0) == pytest.approx(total, rel=1e-12)


def _route(solution: Solution) -> np.ndarray:
    """Return the product matrix of all steps one behind the other."""
    grid, inputs = solution.model.grid, solution.model.plain
    product = np.eye(len(grid))
    for name in solution.model.sheet.steps:
        values = inputs.values[name]
        product = product_matrix(grid, values.setting, values) @ product
    return product


def test_two_routes_to_the_same_sizes_leave_the_same_gold_locked() -> None:
    """Two breakages, and the one that is both of them."""
    site = site_of(GRID)
    first, second = (product_matrix(GRID, np.asarray(gap), at(**WHITEN)) for gap in (0.01, 0.002))
    began = some_material(GRID)
    in_two = Breakage(second, site.locked_share)(Breakage(first, site.locked_share)(began))
    in_one = Breakage(second @ first, site.locked_share)(began)
    for array in ("light", "free", "locked"):
        assert getattr(in_two, array) == pytest.approx(getattr(in_one, array), rel=1e-11, abs=1e-18)


def test_p80_target_finds_the_gap(model_of: Callable[..., Model]) -> None:
    model = model_of("""
ore: {mass: 1 kg, grade: 10 g/t, sizes: {top: 20 mm, p80: 12 mm}}
steps:
  grind: {do: pulverize, takes: ore, gives: powder, to: {p80: 700 um}, passes: 2}
keep: [powder]
""")
    powder = solve(model).streams["powder"]
    assert _passing_slowly(model.grid.upper, powder.rock_by_size, 0.8) == pytest.approx(700e-6, rel=1e-9)
    step = model.step("grind")
    assert isinstance(step, Pulverize)
    values, site = model.plain.values["grind"], model.plain.site
    assert list(step.warnings(solve(model).feeds["grind"], values, site)) == []


# ── liberation and what shows ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("x", [0.5, 1.0, 1.3, 2.0, 3.5, 10.0])
def test_locked_share_is_that_of_cubes_in_a_lattice_of_cracks(x: float) -> None:
    """Drop a cube of size 1 at random into a lattice of planes x apart: how often does no plane touch it?"""
    rng = np.random.default_rng(7)
    start = rng.uniform(0, x, (200_000, 3))
    untouched = np.all(start + 1 < x, axis=1).mean()
    assert float(liberation.lattice_share(np.asarray(x))) == pytest.approx(untouched, abs=0.004)


@pytest.mark.parametrize("x", [0.5, 1.0, 2.0, 2.5, 4.0, 15.0])
def test_a_grain_shows_if_it_lies_within_its_size_of_a_face(x: float) -> None:
    rng = np.random.default_rng(8)
    centre = rng.uniform(0, x, (200_000, 3))
    shows = np.any((centre < 1) | (centre > x - 1), axis=1).mean()
    assert float(liberation.showing_share(np.asarray(x))) == pytest.approx(shows, abs=0.004)


def test_shares_of_the_grid_one_by_one() -> None:
    locked = liberation.locked_share(GRID, np.asarray(0.7))
    showing = liberation.showing_share(liberation.ratios(GRID))
    for i, host in enumerate(GRID.size):
        for j, grain in enumerate(GRID.size):
            x = host / grain
            assert locked[i, j] == pytest.approx(_locked(GRID, i, j, 0.7), abs=1e-15)
            assert showing[i, j] == pytest.approx(1 - ((x - 2) / x) ** 3 if x > 2 else 1.0, abs=1e-15)


# ── sort ────────────────────────────────────────────────────────────────────────────────────────────────────


def sorted_slowly(material: Material, grid: Grid, sees: float, care: float, cluster: float) -> dict[str, Any]:
    """Return what is left behind, by the Poisson law, term by term."""
    n = len(grid)
    left: dict[str, Any] = {"light": np.zeros(n), "free": np.zeros(n), "locked": np.zeros((n, n))}
    for i in range(n):
        volume = material.light[i] / 2650 + material.heavy[i] / 5000
        number = volume / (math.pi / 6 * grid.size[i] ** 3)
        unseen_rock, unseen = 1.0, []
        for j in range(n):
            density = 1 / (0.9 / 19300 + 0.1 / 10490)
            each = math.pi / 6 * grid.size[j] ** 3 * density * 0.9
            clusters = material.locked[i, j] / each / number / cluster
            x = grid.size[i] / grid.size[j]
            shows = 1 - ((x - 2) / x) ** 3 if x > 2 else 1.0
            seen = shows * (care if grid.size[j] >= sees else 0.0)
            unseen.append((1 - seen) ** cluster)
            unseen_rock *= math.exp(-clusters * (1 - unseen[j]))
        left["light"][i] = material.light[i] * unseen_rock
        left["free"][i] = material.free[i] * (1 - (care if grid.size[i] >= sees else 0.0))
        for j in range(n):
            left["locked"][i, j] = material.locked[i, j] * unseen[j] * unseen_rock
    return left


def sort_step(**knobs: Any) -> Sort:
    return Sort.model_validate({"do": "sort", "takes": "a", "gives": {"picked": "p", "left": "l"}, **knobs})


@pytest.mark.parametrize(("sees", "care", "cluster"), [(3e-4, 0.8, 1.0), (1e-3, 0.5, 4.0), (1e-4, 1.0, 1.0)])
def test_sort_by_the_poisson_law(sees: float, care: float, cluster: float) -> None:
    material, site = some_material(SHORT, gold=1e-4), site_of(SHORT)
    operator = sort_step().model(material, at(sees=sees, care=care, cluster=cluster), site)
    out = operator(material)
    slow = sorted_slowly(material, SHORT, sees, care, cluster)
    for array, values in slow.items():
        assert getattr(out["left"], array) == pytest.approx(values, rel=1e-11, abs=1e-25)
        both = getattr(out["left"], array) + getattr(out["picked"], array)
        assert both == pytest.approx(getattr(material, array), rel=1e-14)


@pytest.mark.parametrize("cluster", [1, 5])
def test_sort_by_a_simulation_of_rocks(cluster: int) -> None:
    """Make rocks, strew grains of two sizes into them (in clusters), look each rock over, and weigh what is left."""
    grid = Grid(np.array([0.02, 0.012, 0.003, 0.0015, 0.0007]))
    site, care, sees = site_of(grid), 0.7, 0.001
    rocks, rng = 60_000, np.random.default_rng(11)
    host, grain = grid.size[0], grid.size
    means = {2: 0.5, 3: 1.5}  # grains a rock, by grain class
    each = grains.grain_mass(grain, site.fineness)
    locked = np.zeros((5, 5))
    for j, mean in means.items():
        locked[0, j] = rocks * mean * each[j]
    light = np.array([rocks * math.pi / 6 * host**3 * grains.QUARTZ, 0, 0, 0, 0])
    material = Material(light, np.zeros(5), np.zeros(5), locked)
    left = sort_step().model(material, at(sees=sees, care=care, cluster=float(cluster)), site)(material)["left"]

    number, seen = {}, np.zeros(rocks, dtype=bool)
    for j, mean in means.items():
        number[j] = rng.poisson(mean / cluster, rocks) * cluster
        x = host / grain[j]
        shows = 1 - ((x - 2) / x) ** 3
        noticed = shows * care if grain[j] >= sees else 0.0
        seen |= rng.binomial(number[j], noticed) > 0
    assert left.light[0] / light[0] == pytest.approx((~seen).mean(), abs=4 * 0.5 / math.sqrt(rocks))
    for j, mean in means.items():
        simulated = number[j][~seen].sum() / (rocks * mean)
        assert left.locked[0, j] / locked[0, j] == pytest.approx(simulated, abs=5 * math.sqrt(cluster / mean / rocks))


def test_rocks_and_grains_are_counted_as_spheres() -> None:
    material, fineness = some_material(SHORT), 0.85
    number, held = grains.rocks(material, SHORT), grains.grains_per_rock(material, SHORT, np.asarray(fineness))
    for i, d in enumerate(SHORT.size):
        rocks = (material.light[i] / 2650 + material.heavy[i] / 5000) / (math.pi / 6 * d**3)
        assert number[i] == pytest.approx(rocks, rel=1e-13)
        for j, g in enumerate(SHORT.size):
            one = math.pi / 6 * g**3 * fineness / (fineness / 19300 + (1 - fineness) / 10490)
            assert held[i, j] == pytest.approx(material.locked[i, j] / one / rocks, rel=1e-13)
    assert np.all(grains.grains_per_rock(Material.nothing(5), SHORT, np.asarray(0.9)) == 0)


# ── washing ─────────────────────────────────────────────────────────────────────────────────────────────────

PAN = """
ore: {{mass: 10 kg, grade: 30 g/t, heavies: 10 %, sizes: {{top: 2 mm, p80: 1 mm}}, gold: {{d50: 0.2 mm, d95: 1 mm}}}}
steps:
  wash: {{do: pan, takes: ore, gives: {{concentrate: con, tailings: tails}}, {knobs}}}
keep: [con]
"""


@pytest.mark.parametrize("kind", ["pan", "sluice"])
def test_drawn_passes_are_whole_and_one_at_least(kind: str, model_of: Callable[..., Model]) -> None:
    text = f"""
ore: {{mass: 10 kg, grade: 20 g/t, sizes: {{top: 2 mm, p80: 1 mm}}, heavies: 5 %, gold: {{d50: 0.1 mm, d95: 1 mm}}}}
steps: {{wash: {{do: {kind}, takes: ore, gives: {{concentrate: con, tailings: tails}}, passes: PASSES}}}}
keep: con
"""
    kept = {n: float(solve(model_of(text.replace("PASSES", str(n)))).kept_gold) for n in range(1, 8)}
    model = model_of(text.replace("PASSES", "2 ± 1"))
    inputs = model.drawn(40, 1)
    drawn = inputs.values["wash"].passes
    assert np.any(drawn != np.round(drawn))
    assert np.any(drawn < 0.5)
    found = solve(model, inputs).kept_gold
    assert found == pytest.approx([kept[max(1, round(float(n)))] for n in drawn], rel=1e-12)


@pytest.mark.parametrize("passes", [1, 3])
def test_pan_class_by_class(passes: int, solved: Callable[..., Solution]) -> None:
    knobs = f"r_max: 95 %, d50: 80 um, m: 1.7, heavies: 40 %, light: 2 %, passes: {passes}"
    solution = solved(PAN.format(knobs=knobs))
    ore, con, size = solution.streams["ore"], solution.streams["con"], solution.model.grid.size

    def again(share: float) -> float:
        kept, left = 0.0, 1.0
        for _ in range(passes):
            kept, left = kept + left * share, left * (1 - share)
        return kept

    def free(d: float) -> float:
        return again(0.95 / (1 + (80e-6 / d) ** 1.7))

    for i, d in enumerate(size):
        assert con.light[i] == pytest.approx(again(0.02) * ore.light[i], rel=1e-12)
        assert con.heavy[i] == pytest.approx(again(0.4) * ore.heavy[i], rel=1e-12)
        assert con.free[i] == pytest.approx(free(d) * ore.free[i], rel=1e-12)
        for j, g in enumerate(size):
            gold = min(g / d, 1.0) ** 3
            density = gold * 19300 + (1 - gold) * 2650
            between = (density - 2650) / (19300 - 2650)
            share = again(0.02) + between * max(free(d) - again(0.02), 0.0)
            assert con.locked[i, j] == pytest.approx(share * ore.locked[i, j], rel=1e-12, abs=1e-30)


@pytest.mark.parametrize(
    ("pull", "heavy", "light"),
    # 1 kg heavies of which 40 % may stay, 9 kg light.
    [("0.1 kg", 0.1, 0.0), ("0.4 kg", 0.4, 0.0), ("1.4 kg", 0.4, 1.0), ("9.7 kg", 0.7, 9.0), ("20 kg", 1.0, 9.0)],
    # Of all of something a millionth is spilled.
)
def test_the_mass_to_stop_at(pull: str, heavy: float, light: float, solved: Callable[..., Solution]) -> None:
    con = solved(PAN.format(knobs=f"heavies: 40 %, pull: {pull}")).streams["con"]
    assert con.heavy.sum() == pytest.approx(min(heavy, 1 - 1e-6), rel=1e-12)
    assert con.light.sum() == pytest.approx(min(light, 9 * (1 - 1e-6)), rel=1e-12, abs=1e-15)


# ── size laws, tables, grains ───────────────────────────────────────────────────────────────────────────────


def test_size_laws_point_by_point() -> None:
    p80, slope = 0.013, 0.62
    gates = sizes.gates_gaudin_schuhmann(GRID.upper, np.asarray(p80), np.asarray(slope))
    rosin = sizes.rosin_rammler(GRID.upper, np.asarray(p80), np.asarray(slope))
    for d, one, other in zip(GRID.upper, gates, rosin, strict=True):
        assert one == pytest.approx(min(1.0, 0.8 * (d / p80) ** slope), rel=1e-14)
        assert other == pytest.approx(1 - math.exp(-((d / p80) ** slope)), rel=1e-13)
    x63 = sizes.x63_from_p80(np.asarray(p80), np.asarray(slope))
    assert sizes.rosin_rammler(np.array([p80]), x63, np.asarray(slope)) == pytest.approx([0.8], rel=1e-14)


def table_slowly(d: float, rows: list[tuple[float, float]]) -> float:
    """Read a sieve table, coarsest first, at a size."""
    if d >= rows[0][0]:
        return rows[0][1]
    for (above, p_above), (below, p_below) in pairwise(rows):
        if d >= below:
            t = (math.log(d) - math.log(below)) / (math.log(above) - math.log(below))
            return p_below + t * (p_above - p_below)
    (above, p_above), (last, p_last) = rows[-2:]
    if p_last == 0:
        return 0.0
    slope = math.log(p_above / p_last) / math.log(above / last)
    return p_last * (d / last) ** min(max(slope, 0.2), 3.0)


@pytest.mark.parametrize(
    "rows",
    [
        [(0.06, 1.0), (0.02, 0.7), (0.004, 0.3), (0.0005, 0.05)],
        [(0.02, 0.9), (0.01, 0.9), (0.002, 0.0)],
        [(0.06, 1.0), (0.05, 0.2), (0.04, 0.001)],
    ],
)
def test_sieve_table_point_by_point(rows: list[tuple[float, float]]) -> None:
    at_, passing = (np.array(column) for column in zip(*rows, strict=True))
    read = sizes.table(GRID.upper, at_, passing)
    assert read == pytest.approx([table_slowly(d, rows) for d in GRID.upper], rel=1e-12, abs=1e-15)
    assert np.all(np.diff(read) <= 0)


def test_a_table_whose_draws_cross_still_rises() -> None:
    passing = np.array([[1.0, 0.6, 0.65, 0.1], [1.0, 0.6, 0.5, 0.1]])
    read = sizes.table(GRID.upper, np.array([0.06, 0.02, 0.01, 0.001]), passing)
    assert np.all(np.diff(read, axis=-1) <= 0)


def _passing_slowly(upper: np.ndarray, mass: np.ndarray, share: float) -> float:
    """Walk up from the finest class to where ``share`` of the mass is below, linear in log size."""
    target, below = share * mass.sum(), 0.0
    for i in range(len(upper) - 1, -1, -1):
        lower = upper[i + 1] if i + 1 < len(upper) else upper[i] / 2
        if below + mass[i] >= target:
            t = (target - below) / mass[i]
            return math.exp(math.log(lower) + t * (math.log(upper[i]) - math.log(lower)))
        below += mass[i]
    return float(upper[0])


@pytest.mark.parametrize("share", [0.05, 0.5, 0.8, 0.95])
def test_the_size_that_a_share_passes(share: float) -> None:
    for seed in range(5):
        mass = some_material(GRID, seed).light
        found = sizes.size_passing(GRID.upper, mass, share)
        assert found == pytest.approx(_passing_slowly(GRID.upper, mass, share), rel=1e-12)
    assert math.isnan(sizes.size_passing(GRID.upper, np.zeros(len(GRID)), share))


@pytest.mark.parametrize(("d50", "d95"), [(3e-4, 1.5e-3), (2e-5, 4e-5), (0.02, 0.5), (1e-3, 1.0001e-3)])
def test_lognormal_grains_against_scipy(d50: float, d95: float) -> None:
    law = scipy.stats.lognorm(s=math.log(d95 / d50) / scipy.stats.norm.ppf(0.95), scale=d50)
    shares = grains.lognormal_shares(GRID, np.asarray(d50), np.asarray(d95))
    lower = GRID.lower
    slow = [law.cdf(u) - law.cdf(v) for u, v in zip(GRID.upper, lower, strict=True)]
    slow[0] += law.sf(GRID.upper[0])  # what lies beyond the grid
    assert shares == pytest.approx(slow, abs=1e-12)
    assert shares.sum() == pytest.approx(1.0, abs=1e-14)


def test_grains_of_one_size_are_in_one_class() -> None:
    shares = grains.lognormal_shares(GRID, np.asarray(5e-3), np.asarray(5e-3))
    assert sorted(shares)[-2:] == [0.0, 1.0]
    at_ = int(np.argmax(shares))
    assert GRID.lower[at_] <= 5e-3 < GRID.upper[at_]


# ── feed ────────────────────────────────────────────────────────────────────────────────────────────────────

GRADED = """
ore:
  mass: 12 kg
  grade: 22 g/t
  heavies: 4 %
  sizes:
    - {sieve: 63 mm, passing: 100 %}
    - {sieve: 20 mm, passing: 60 %, grade: 30 g/t}
    - {sieve: 4 mm, passing: 25 %}
    - {sieve: 0.5 mm, passing: 5 %, grade: 12 g/t}
  gold: {d50: 0.4 mm, d95: 3 mm}
steps:
  part: {do: split, takes: ore, gives: {a: a, b: b}}
keep: [a]
"""


def test_a_row_holds_what_was_assayed_and_the_rest_makes_the_grade(solved: Callable[..., Solution]) -> None:
    solution = solved(GRADED)
    ore, grid = solution.streams["ore"], solution.model.grid
    gold = ore.free + ore.locked_by_host

    def row(upper: float, lower: float) -> np.ndarray:
        return (grid.upper <= upper * (1 + 1e-9)) & (grid.lower >= lower * (1 - 1e-9))

    for upper, lower, mass, grade in ((0.063, 0.02, 12 * 0.40, 30e-6), (0.004, 5e-4, 12 * 0.20, 12e-6)):
        inside = row(upper, lower)
        assert ore.rock_by_size[inside].sum() == pytest.approx(mass, rel=1e-12)
        assert gold[inside].sum() == pytest.approx(mass * grade, rel=1e-12)
    assert gold.sum() == pytest.approx(12 * 22e-6, rel=1e-12)
    left = row(0.02, 0.004) | row(5e-4, 0.0)
    assert gold[left].sum() == pytest.approx(12 * 22e-6 - 12 * 0.4 * 30e-6 - 12 * 0.2 * 12e-6, rel=1e-12)


def test_free_and_locked_in_a_row_are_in_the_proportion_of_an_even_grade(solved: Callable[..., Solution]) -> None:
    solution = solved(GRADED)
    ore, grid = solution.streams["ore"], solution.model.grid
    shares = grains.lognormal_shares(grid, np.asarray(4e-4), np.asarray(3e-3))
    n = len(grid)
    even_free, even_locked = np.zeros(n), np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            there = ore.rock_by_size[i] * shares[j]
            even_locked[i, j] = there * _locked(grid, i, j, 1.0)
            even_free[j] += there - even_locked[i, j]
    with np.errstate(invalid="ignore", divide="ignore"):
        of_free, of_locked = ore.free / even_free, ore.locked / even_locked
    for i in range(n):
        scales = [of_free[i], *of_locked[i]]
        scales = [s for s in scales if np.isfinite(s) and s > 0]
        assert scales == pytest.approx([scales[0]] * len(scales), rel=1e-9)


def test_an_even_grade_class_by_class(model_of: Callable[..., Model]) -> None:
    model = model_of("""
ore: {mass: 5 kg, grade: 8 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.3 mm, d95: 1 mm, detach: 0.6}}
steps:
  part: {do: split, takes: ore, gives: {a: a, b: b}}
keep: [a]
""")
    ore, grid = model.plain.feeds["ore"], model.grid
    shares = grains.lognormal_shares(grid, np.asarray(3e-4), np.asarray(1e-3))
    slow = np.zeros(len(grid))
    for i, rock in enumerate(ore.rock_by_size):
        for j, share in enumerate(shares):
            locked = rock * 8e-6 * share * _locked(grid, i, j, 0.6)
            assert ore.locked[i, j] == pytest.approx(locked, rel=1e-12, abs=1e-25)
            slow[j] += rock * 8e-6 * share - locked
    assert ore.free == pytest.approx(slow, rel=1e-11, abs=1e-20)


def test_a_complete_table_of_grades_needs_no_grade_of_the_ore_and_overrides_it(
    solved: Callable[..., Solution], model_of: Callable[..., Model]
) -> None:
    table = "sizes: [{sieve: 5 mm, passing: 40 %, grade: 10 g/t}, LAST]"
    rest = "steps: {part: {do: split, takes: ore, gives: {a: a, b: b}}}\nkeep: [a]\n"
    pan, sieve = "{sieve: pan, passing: 0, grade: 30 g/t}", "{sieve: 1 mm, passing: 0 %, grade: 30 g/t}"
    for last, grade in ((pan, ""), (pan, ", grade: 50 g/t"), (sieve, ""), (sieve, ", grade: 50 g/t")):
        sheet = f"ore: {{mass: 2 kg{grade}, gold: {{d50: 0.5 mm, d95: 2 mm}}, {table.replace('LAST', last)}}}\n{rest}"
        assert solved(sheet).streams["ore"].gold == pytest.approx(2 * (0.6 * 10e-6 + 0.4 * 30e-6), rel=1e-12)
        notes = [note for note in model_of(sheet).notes() if note.code == "grade_of_the_table"]
        assert [note.numbers["table_g_per_t"] for note in notes] == pytest.approx([18.0] if grade else [])


def test_a_table_of_grains_that_does_not_tell_its_largest(model_of: Callable[..., Model]) -> None:
    model = model_of("""
ore:
  mass: 2 kg
  grade: 10 g/t
  sizes: {top: 50 mm, p80: 30 mm}
  gold: {sizes: [{sieve: 1 mm, passing: 90 %}, {sieve: 0.2 mm, passing: 20 %}]}
steps: {part: {do: split, takes: ore, gives: {a: a, b: b}}}
keep: [a]
""")
    ore, grid = model.plain.feeds["ore"], model.grid
    by_grain = (ore.free + ore.locked.sum(axis=0)) / ore.gold
    assert by_grain[grid.lower >= 2e-3 * (1 - 1e-9)].sum() == pytest.approx(0.0, abs=1e-15)
    assert by_grain[grid.lower >= 1e-3 * (1 - 1e-9)].sum() == pytest.approx(0.1, rel=1e-9)
    assert [note.numbers["top_mm"] for note in model.notes() if note.code == "largest_grain_taken"] == [2.0]


# ── split and saw ───────────────────────────────────────────────────────────────────────────────────────────


def test_the_luck_of_a_split_by_a_simulation() -> None:
    """Part a lot grain by grain and rock by rock a few thousand times and look how far its grade is off."""
    grid = Grid(np.array([0.03, 0.02, 0.004, 0.002, 0.001]))
    site, rng = site_of(grid), np.random.default_rng(3)
    each = grains.grain_mass(grid.size, site.fineness)
    rock = math.pi / 6 * grid.size**3 * grains.QUARTZ
    rocks = {0: 80, 1: 400}
    held = {0: (2, 0.3), 1: (2, 0.05)}  # host: (grain class, grains a rock)
    light, locked = np.zeros(5), np.zeros((5, 5))
    for i, number in rocks.items():
        light[i] = number * rock[i]
        j, mean = held[i]
        locked[i, j] = number * mean * each[j]
    free = np.array([0.0, 0.0, 0.0, 60 * each[3], 0.0])
    lot = Material(light, np.zeros(5), free, locked)
    share, found = 0.25, []
    for _ in range(6000):
        gold = rng.binomial(60, share) * each[3]
        mass = 0.0
        for i, number in rocks.items():
            j, mean = held[i]
            taken = rng.binomial(number, share)
            gold += rng.poisson(mean * taken) * each[j]
            mass += taken * rock[i]
        found.append((gold, mass))
    gold_found, mass_found = np.array(found).T
    grade = lot.gold / lot.solids
    # To first order, the error of a grade: of the gold, less what the mass of the part explains.
    simulated = np.std(gold_found - grade * mass_found) / (share * lot.gold)
    # The lot's own grains are fixed once it is there, while here each trial strews them anew: the part of the
    # Poisson variance that a lot shares with its parts is share/(1 - share) of what the split adds.
    strewn = (rocks[0] * 0.3 * each[2] ** 2 + rocks[1] * 0.05 * each[2] ** 2) * share * share
    of_split = math.sqrt(simulated**2 - strewn / (share * lot.gold) ** 2)
    assert sampling_error(lot, share, site) == pytest.approx(of_split, rel=0.03)


def test_saw_sends_coarse_swarf_to_the_class_of_its_powder() -> None:
    for size in (0.0005, 0.002, 0.005, 0.03, 1e-6):
        matrix = to_powder(SHORT, np.asarray(size))
        for j, lower in enumerate(SHORT.lower):
            to = j
            if lower >= size * (1 - 1e-9):
                to = next((k for k in range(len(SHORT)) if SHORT.lower[k] < size * (1 - 1e-9)), len(SHORT) - 1)
            assert list(matrix[:, j]) == [1.0 if k == to else 0.0 for k in range(len(SHORT))]


# ── draws ───────────────────────────────────────────────────────────────────────────────────────────────────

DRAWS = 4
_SPREAD = [1.0, 0.8, 1.1, 1.3]


def _times(value: float) -> list[float]:
    return [value * s for s in _SPREAD]


def _drawn_material(draws: int) -> Material:
    many = [some_material(GRID, seed) for seed in range(draws)]
    return Material(*(np.stack([getattr(m, a) for m in many]) for a in ("light", "heavy", "free", "locked")))


KERNELS: dict[str, tuple[Callable[..., np.ndarray], dict[str, list[float]]]] = {
    "retained": (
        lambda v: retained(GRID, v.h, v.f, v.n),
        {"h": _times(0.0123), "f": _times(0.5), "n": _times(250.0)},
    ),
    "presentations": (
        lambda v: presentations_for(some_material(GRID).light, v.e, v.h, v.f, GRID),
        {"e": _times(0.6), "h": [0.0123] * DRAWS, "f": _times(0.5)},
    ),
    "chance_broken": (
        lambda v: chance_broken(GRID.size, v.gap, v),
        {"gap": _times(0.004), **{k: _times(x) for k, x in WHITEN.items()}},
    ),
    "fragments": (lambda v: fragments(GRID, v), {k: _times(x) for k, x in WHITEN.items()}),
    "product_matrix": (
        lambda v: product_matrix(GRID, v.gap, v),
        {"gap": _times(0.004), **{k: _times(x) for k, x in WHITEN.items()}},
    ),
    "locked_share": (lambda v: liberation.locked_share(GRID, v.eta), {"eta": _times(0.7)}),
    "chance_seen": (
        lambda v: chance_seen(site_of(GRID), v.sees, v.care),
        {"sees": _times(4e-4), "care": _times(0.7)},
    ),
    "free_recovery": (
        lambda v: free_recovery(GRID.size, v),
        {"r_max": _times(0.7), "d50": _times(1e-4), "m": _times(2.0)},
    ),
    "gates": (
        lambda v: sizes.gates_gaudin_schuhmann(GRID.upper, v.p80, v.slope),
        {"p80": _times(0.02), "slope": _times(0.7)},
    ),
    "rosin": (
        lambda v: sizes.rosin_rammler(GRID.upper, v.x63, v.slope),
        {"x63": _times(0.02), "slope": _times(0.9)},
    ),
    "lognormal": (
        lambda v: grains.lognormal_shares(GRID, v.d50, v.d95),
        {"d50": _times(3e-4), "d95": _times(2e-3)},
    ),
    "grain_mass": (lambda v: grains.grain_mass(GRID.size, v.fineness), {"fineness": _times(0.7)}),
    "to_powder": (lambda v: to_powder(GRID, v.size), {"size": [1e-4, 1e-3, 0.02, 0.1]}),
}


@pytest.mark.parametrize("name", KERNELS)
def test_a_kernel_on_draws_is_the_kernel_on_each(name: str) -> None:
    kernel, values = KERNELS[name]
    together = kernel(at(**values))
    assert len(together) == DRAWS
    for i in range(DRAWS):
        one = kernel(at(**{key: value[i] for key, value in values.items()}))
        assert together[i] == pytest.approx(one, rel=1e-13, abs=1e-300)


def test_kernels_of_materials_on_draws_are_those_on_each() -> None:
    many = _drawn_material(DRAWS)
    fineness = np.array(_times(0.7))
    locked_share = liberation.locked_share(GRID, np.array(_times(0.7)))
    product = product_matrix(GRID, np.array(_times(0.004)), at(**WHITEN))
    broken = Breakage(product, locked_share)(many)
    held = grains.grains_per_rock(many, GRID, fineness)
    p80 = sizes.size_passing(GRID.upper, many.rock_by_size, 0.8)
    passing = np.stack([np.array([1.0, s * 0.5, s * 0.1]) for s in _SPREAD])
    read = sizes.table(GRID.upper, np.array([0.05, 0.01, 0.001]), passing)
    for i in range(DRAWS):
        one = some_material(GRID, i)
        alone = Breakage(product[i], locked_share[i])(one)
        for array in ("light", "heavy", "free", "locked"):
            assert getattr(broken, array)[i] == pytest.approx(getattr(alone, array), rel=1e-13, abs=1e-25)
        assert held[i] == pytest.approx(grains.grains_per_rock(one, GRID, fineness[i]), rel=1e-13)
        assert p80[i] == pytest.approx(sizes.size_passing(GRID.upper, one.rock_by_size, 0.8), rel=1e-13)
        assert read[i] == pytest.approx(sizes.table(GRID.upper, np.array([0.05, 0.01, 0.001]), passing[i]), rel=1e-13)


ALL_DOUBTFUL = """
ores:
  vein:
    mass: 20 kg ± 1 kg
    grade: 25 g/t ± 5 g/t
    sizes:
      - {sieve: 60 mm, passing: 100 %}
      - {sieve: 20 mm, passing: 55 % ± 5 %, grade: 30 g/t ± 3 g/t}
      - {sieve: 2 mm, passing: 15 % ± 3 %}
    heavies: 5 % ± 1 %
    gold: {d50: 0.4 mm ± 0.05 mm, d95: 2 mm ± 0.2 mm, fineness: 870 ± 20, detach: 0.8 to 0.9}
  wall:
    mass: 5 kg ± 1 kg
    grade: 2 g/t ± 1 g/t
    sizes: {top: 50 mm, p80: 30 mm ± 3 mm, slope: 0.7 ± 0.05}
    gold: {d50: 0.2 mm ± 0.02 mm, d95: 1 mm ± 0.1 mm, fineness: 900 ± 10, detach: 0.8 to 0.9}
steps:
  scalp: {do: screen, takes: [vein, wall], gives: {oversize: lumps, undersize: fines}, opening: 20 mm,
          open_area: 0.5 to 0.7, presentations: 300 ± 30}
  look: {do: sort, takes: lumps, gives: {picked: specimens, left: plain}, sees: 0.3 mm ± 0.1 mm, care: 0.8 ± 0.1,
         cluster: 2 ± 0.5}
  cut: {do: saw, takes: specimens, gives: {slabs: slabs, swarf: swarf}, kerf: 2 mm ± 0.2 mm, slab: 8 mm ± 1 mm,
        swarf_size: 0.05 mm to 0.5 mm}
  break: {do: jaw_crush, takes: [plain, fines], gives: {product: crushed, held_up: jaws}, setting: 6 mm ± 0.5 mm,
          k1: 0.7 ± 0.05, held_up: 1 % ± 0.2 %}
  mill: {do: pulverize, takes: [crushed, coarse], gives: powder, gap: 0.4 mm ± 0.05 mm}
  sieve: {do: screen, takes: powder, gives: {oversize: coarse, undersize: sand}, opening: 0.5 mm}
  trough: {do: sluice, takes: sand, gives: {concentrate: rich, tailings: poor}, light: 3 % ± 1 %}
  wash: {do: pan, takes: rich, gives: {concentrate: con, tailings: back}, d50: 60 um ± 10 um, pull: 200 g ± 20 g}
  lift: {do: magnet, takes: con, gives: {magnetics: magnetics, rest: clean}, heavies: 50 % ± 5 %}
  part: {do: split, takes: poor, gives: {sample: sample, reject: reject}, split: {sample: 10 % ± 1 %}}
  test: {do: factors, takes: sample, gives: {a: a, b: b}, split: {a: {"+0.1 mm": 30 % ± 3 %, "-0.1 mm": 60 %}},
         recovery: {a: {free: 80 % ± 5 %, locked: 20 %}}}
  melt: {do: smelt, takes: clean, gives: {button: button, slag: slag}, gold: 99 % ± 0.3 %}
  fire: {do: cupel, takes: button, gives: {bead: bead, absorbed: absorbed}, gold_loss: 0.4 % ± 0.1 %}
keep: [bead, slabs]
"""


def inputs_of(model: Model, draws: int, only: int | None = None) -> Inputs:
    """Return drawn inputs; with ``only``, those of that draw alone, without an axis of draws."""
    from flowsheet.solve.model import draw

    rng = np.random.default_rng(5)

    def take(number: Any) -> np.ndarray:
        drawn = draw(number, draws, rng)
        return drawn if only is None or drawn.ndim == 0 else drawn[only]

    return model.inputs(take)


def test_a_sheet_of_all_kinds_on_draws_is_the_sheet_on_each(model_of: Callable[..., Model]) -> None:
    model = model_of(ALL_DOUBTFUL)
    together = solve(model, inputs_of(model, DRAWS))
    assert len({step.kind for step in model.sheet.steps.values()}) >= 12
    for i in range(DRAWS):
        alone = solve(model, inputs_of(model, DRAWS, only=i))
        for name, material in alone.streams.items():
            for array, axes in (("light", 1), ("heavy", 1), ("free", 1), ("locked", 2)):
                drawn = getattr(together.streams[name], array)
                mine = drawn[i] if drawn.ndim > axes else drawn
                assert mine == pytest.approx(getattr(material, array), rel=1e-9, abs=1e-16), (name, array)
            silver = np.broadcast_to(together.silver.streams[name], (DRAWS,))[i]
            assert silver == pytest.approx(float(alone.silver.streams[name]), rel=1e-9, abs=1e-18)


def test_draws_in_parts_are_the_draws_in_one(model_of: Callable[..., Model], monkeypatch: pytest.MonkeyPatch) -> None:
    """A loop is solved for some draws at a time: how many makes no difference."""
    from flowsheet.solve.loop import stage as loop_stage

    model = model_of(ALL_DOUBTFUL)
    whole = solve(model, model.drawn(7, 3))
    monkeypatch.setattr(loop_stage, "DRAWS_AT_ONCE", 3)
    parted = solve(model, model.drawn(7, 3))
    for name, material in whole.streams.items():
        for array in ("light", "heavy", "free", "locked"):
            assert getattr(parted.streams[name], array) == pytest.approx(getattr(material, array), rel=1e-12, abs=1e-20)
    assert whole.caught[0].material.gold == pytest.approx(parted.caught[0].material.gold, rel=1e-12)


def test_draws_stay_within_what_a_number_can_be(model_of: Callable[..., Model]) -> None:
    model = model_of("""
ore: {mass: 1 kg ± 2 kg, grade: 10 g/t ± 30 g/t, sizes: {top: 20 mm, p80: 10 mm}, heavies: 2 % ± 5 %}
steps:
  part: {do: factors, takes: ore, gives: {a: a, b: b}, split: {a: 95 % ± 20 %}}
keep: [a]
""")
    inputs = model.drawn(500)
    ore = inputs.feeds["ore"]
    assert np.all(ore.light >= 0)
    assert np.all(ore.heavy >= 0)
    assert np.all(ore.gold > 0)
    a = solve(model, inputs).streams["a"].solids / ore.solids
    assert np.all((a >= 0) & (a <= 1))


def test_feed_on_draws_is_the_feed_on_each(model_of: Callable[..., Model]) -> None:
    model = model_of(ALL_DOUBTFUL)
    together = inputs_of(model, DRAWS)
    for i in range(DRAWS):
        alone = inputs_of(model, DRAWS, only=i)
        for name in ("vein", "wall"):
            for array in ("light", "heavy", "free", "locked"):
                many, one = getattr(together.feeds[name], array), getattr(alone.feeds[name], array)
                assert many[i] == pytest.approx(one, rel=1e-12, abs=1e-25)


def test_gold_share_of_a_composite_is_that_of_its_volume() -> None:
    share = gold_share(SHORT)
    for i, host in enumerate(SHORT.size):
        for j, grain in enumerate(SHORT.size):
            assert share[i, j] == pytest.approx(min(grain / host, 1.0) ** 3, rel=1e-12)


def test_feed_is_what_the_room_hands_on() -> None:
    """The function behind ``Model.plain``: it needs a grid, a locked share and a way to take numbers."""
    from flowsheet.spec.blocks.schema import Ore

    ore = Ore.model_validate({"mass": "3 kg", "grade": "5 g/t"})
    material = feed(ore, Grid.unsized(), np.ones((1, 1)), lambda number: np.asarray(number.value))
    assert material.solids == pytest.approx(3.0)
    assert material.locked == pytest.approx(np.array([[15e-6]]))
    assert material.free == pytest.approx([0.0])
