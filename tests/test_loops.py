"""Loops: the exact answer against sending a batch round and round, what is caught, and how much goes round."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import networkx as nx
import numpy as np
import pytest
import sheets
import strategies
from checker import check
from hypothesis import given, settings
from tiers import examples

from flowsheet.ore.material import Material
from flowsheet.solve.loop.absorb import absorb
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import stages
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.text.mistakes import SheetError

ARRAYS = ("light", "heavy", "free", "locked")
ORE = """
ore:
  mass: 25 kg
  grade: 18 g/t
  sizes: {top: 60 mm, p80: 35 mm, slope: 0.8}
  heavies: 5 %
  gold: {d50: 0.3 mm, d95: 1.4 mm, fineness: 880}
"""
FINE = ORE.replace("d50: 0.3 mm, d95: 1.4 mm", "sizes: [{sieve: 0.1 mm, passing: 1}, {sieve: 0.04 mm, passing: 50 %}]")
"""The same ore with gold so fine that no screen holds it back for long."""

CLOSED = """
steps:
  break: {do: jaw_crush, takes: ore, gives: crushed, setting: 5 mm}
  mill: {do: pulverize, takes: [crushed, coarse], gives: ground, gap: 0.5 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 0.5 mm, presentations: 40}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
keep: [con]
"""
NESTED = """
steps:
  break: {do: jaw_crush, takes: [ore, big, too coarse], gives: crushed, setting: 8 mm}
  scalp: {do: screen, takes: crushed, gives: {oversize: big, undersize: small}, opening: 12 mm, presentations: 20}
  mill: {do: pulverize, takes: small, gives: ground, gap: 1 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: too coarse, undersize: powder}, opening: 1 mm}
keep: [powder]
"""
TWO_CUTS = """
steps:
  mill: {do: pulverize, takes: [ore, coarse, mids], gives: ground, gap: 1 mm, held_up: 1 %}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 1 mm}
  trough: {do: sluice, takes: powder, gives: {concentrate: rich, tailings: poor}, heavies: 40 %, light: 10 %}
  wash: {do: pan, takes: rich, gives: {concentrate: con, tailings: back}}
  lift: {do: magnet, takes: back, gives: {magnetics: iron, rest: mids}}
keep: [con]
"""
BY_SIZE = """
steps:
  mill: {do: pulverize, takes: [ore, back], gives: ground, gap: 1 mm}
  cone:
    do: factors
    takes: ground
    gives: {under: back, over: out}
    split: {under: {"+2 mm": 90 %, "2 mm to 0.2 mm": 55 %, "-0.2 mm": 10 %}}
    recovery: {under: {free: {"+0.1 mm": 70 %, "-0.1 mm": 20 %}, locked: {"+1 mm": 95 %, "-1 mm": 40 %}}}
keep: [out]
"""
SELF = """
steps:
  again:
    do: factors
    takes: [ore, back]
    gives: {back: back, on: on}
    split: {back: {"+10 mm": 70 %, "-10 mm": 30 %}}
    recovery: {back: 45 %}
keep: [on]
"""
TWO_IN_A_ROW = """
steps:
  one: {do: screen, takes: [ore, a], gives: {oversize: b, undersize: c}, opening: 10 mm, presentations: 5}
  two: {do: jaw_crush, takes: b, gives: a, setting: 9 mm}
  three: {do: factors, takes: [c, d], gives: {again: d, on: e}, split: {again: 35 %}}
keep: [e]
"""
LINEAR = {
    "one loop": CLOSED, "nested": NESTED, "two cuts": TWO_CUTS, "by size": BY_SIZE, "self": SELF,
    "two in a row": TWO_IN_A_ROW,
}  # fmt: skip


def batch(model: Model, inputs: Inputs, rounds: int) -> tuple[dict[str, Material], dict[str, Material]]:
    """Feed the sheet once and then nothing, and go through all its steps ``rounds`` times in the order of the sheet.

    Return what went through each stream in all, and what went through it in the last round.
    """
    sheet = model.sheet
    nothing = Material.nothing(len(model.grid))
    now = {stream: nothing for step in sheet.steps.values() for stream in step.outlets.values()}
    total = dict(now)
    operators = {name: model.step(name).operator(nothing, inputs.values[name], inputs.site) for name in sheet.steps}
    for turn in range(rounds):
        now.update(inputs.feeds if turn == 0 else dict.fromkeys(inputs.feeds, nothing))
        for name, step in sheet.steps.items():
            given = operators[name](Material.total(now[s] for s in step.takes))
            now.update({step.outlets[outlet]: material for outlet, material in given.items()})
        total = {stream: total[stream] + now[stream] for stream in total}
    return {**total, **inputs.feeds}, now


def assert_same_but_for_the_caught(
    solution: Solution, total: dict[str, Material], last: dict[str, Material], rel: float
) -> None:
    """Compare all streams where nothing goes round any more, and what is caught with what does."""
    fed = solution.streams["ore"]
    scale = {a: float(np.max(fed.solids if a in ("light", "heavy") else fed.gold)) for a in ARRAYS}
    for name, material in solution.streams.items():
        for array in ARRAYS:
            mine, plain = getattr(material, array), getattr(total[name], array)
            moves = getattr(last[name], array) if name in last else np.zeros_like(plain)
            mine, plain, moves = np.broadcast_arrays(mine, plain, moves)
            still = moves < 1e-11 * scale[array]
            assert still.any()
            assert mine[still] == pytest.approx(plain[still], rel=rel, abs=rel * scale[array]), (name, array)
    # What is caught may still go round from cut to cut.
    held = Material.total(caught.material for caught in solution.caught)
    rest = Material.total(last[caught.stream] for caught in solution.caught)
    for array in ARRAYS:
        one, other = np.broadcast_arrays(getattr(held, array), getattr(rest, array))
        assert one == pytest.approx(other, rel=rel, abs=rel * scale[array]), array


@pytest.mark.smoke
@pytest.mark.parametrize("name", LINEAR)
def test_the_exact_answer_is_two_thousand_rounds(name: str, solved: Callable[..., Solution]) -> None:
    solution = solved(ORE + LINEAR[name])
    total, last = batch(solution.model, solution.inputs, 2000)
    assert_same_but_for_the_caught(solution, total, last, 1e-9)


def test_the_exact_answer_is_two_thousand_rounds_on_draws(solved: Callable[..., Solution]) -> None:
    sheet = (ORE + CLOSED).replace("18 g/t", "18 g/t ± 5 g/t").replace("gap: 0.5 mm", "gap: 0.5 mm ± 0.04 mm")
    solution = solved(sheet.replace("presentations: 40", "presentations: 30 to 50"), draws=3)
    total, last = batch(solution.model, solution.inputs, 2000)
    assert solution.streams["coarse"].light.shape[0] == 3
    assert_same_but_for_the_caught(solution, total, last, 1e-9)


def test_without_sizes(solved: Callable[..., Solution]) -> None:
    solution = solved("""
ore: {mass: 25 kg, grade: 18 g/t}
steps:
  a: {do: factors, takes: [ore, mids], gives: {con: con, rest: rest}, split: {con: 10 %}, recovery: {con: 60 %}}
  b: {do: factors, takes: rest, gives: {mids: mids, tails: tails}, split: {mids: 30 %}, recovery: {mids: 50 %}}
keep: [con]
""")
    # x = 0.9 (25 + 0.3 x) of rock, 0.4 (g + 0.5 x) of gold.
    assert solution.streams["rest"].solids == pytest.approx(0.9 * 25 / (1 - 0.27), rel=1e-14)
    assert solution.streams["rest"].gold == pytest.approx(0.4 * 25 * 18e-6 / (1 - 0.2), rel=1e-14)
    total, last = batch(solution.model, solution.inputs, 2000)
    assert_same_but_for_the_caught(solution, total, last, 1e-12)


# ── what is caught ──────────────────────────────────────────────────────────────────────────────────────────


def test_coarse_free_gold_is_caught_and_told_by_size(solved: Callable[..., Solution]) -> None:
    solution = solved(ORE + CLOSED)
    (caught,) = solution.caught
    grid = solution.model.grid
    assert caught.loop == ("mill", "sieve")
    assert caught.stream == "coarse"
    too_coarse = grid.lower >= 0.5e-3 * (1 - 1e-9)
    held = caught.material
    assert held.solids == 0
    assert held.free[too_coarse].sum() == pytest.approx(float(held.gold), rel=1e-12)
    assert held.gold > 0.2 * solution.fed_gold
    # Of the grains that can never pass, all end here: a batch is fed once, so what is caught is what was fed.
    ore = solution.streams["ore"]
    fed = ore.free + ore.locked.sum(axis=0)
    passed = {n: solution.streams[n].free + solution.streams[n].locked.sum(axis=0) for n in ("con", "tails")}
    assert held.free[too_coarse] == pytest.approx((fed - passed["con"] - passed["tails"])[too_coarse], rel=1e-9)
    assert solution.streams["coarse"].free[too_coarse] == pytest.approx(0, abs=1e-20)


def test_rock_that_neither_breaks_nor_passes_is_caught(solved: Callable[..., Solution]) -> None:
    # Nothing below 0.7 x 30 = 21 mm ever breaks, nothing above 5 mm ever passes.
    solution = solved(
        ORE
        + """
steps:
  break: {do: jaw_crush, takes: [ore, big], gives: crushed, setting: 30 mm}
  scalp: {do: screen, takes: crushed, gives: {oversize: big, undersize: small}, opening: 5 mm}
keep: [small]
"""
    )
    (caught,) = solution.caught
    grid = solution.model.grid
    between = (grid.lower >= 5e-3 * (1 - 1e-9)) & (grid.size < 21e-3)
    assert caught.material.light[between].sum() == pytest.approx(caught.material.light.sum(), rel=1e-12)
    assert 1 < caught.material.solids < 25
    # Gold locked in what is caught is caught with it; the rest of the same rock went round and left.
    assert caught.material.locked.sum() > 0
    total, last = batch(solution.model, solution.inputs, 2000)
    assert_same_but_for_the_caught(solution, total, last, 1e-9)


@pytest.mark.parametrize(
    "steps",
    [
        """
  mill: {do: pulverize, takes: [ore, back], gives: ground, gap: 1 mm}
  part: {do: split, takes: ground, gives: {a: back, b: out}, split: {b: 0 %}}
""",
        """
  mill: {do: factors, takes: [ore, back, more], gives: {a: x, b: out}, split: {a: 100 %}}
  part: {do: split, takes: x, gives: {a: back, b: more}}
""",
        """
  mill: {do: jaw_crush, takes: [ore, back], gives: ground, setting: 500 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: back, undersize: out}, opening: 0.02 mm, presentations: 0.01,
          split: {undersize: 0}, recovery: {undersize: 0}}
""",
    ],
)
def test_a_loop_that_nothing_leaves_is_an_error_that_names_it(steps: str, model_of: Callable[..., Model]) -> None:
    with pytest.raises(SheetError, match=r"nothing ever leaves the loop mill → .* → mill"):
        solve(model_of(f"{ORE}steps:{steps}keep: [out]\n"))


def test_a_loop_that_is_fed_nothing_is_no_error(solved: Callable[..., Solution]) -> None:
    solution = solved(
        ORE
        + """
steps:
  part: {do: split, takes: ore, gives: {a: some, b: out}, split: {a: 0 %}}
  turn: {do: factors, takes: [some, back], gives: {a: back, b: none}, split: {a: 100 %}}
keep: [out]
"""
    )
    assert solution.streams["out"].solids == pytest.approx(25)
    assert solution.caught[0].circulating_load == 0


@pytest.mark.parametrize("escape", [1e-3, 1e-7, 1.1e-9])
def test_what_hardly_leaves_still_closes(escape: float, solved: Callable[..., Solution]) -> None:
    stays = f"{1 - escape:.15f}"
    solution = solved(
        ORE
        + f"""
steps:
  mill: {{do: pulverize, takes: [ore, back, more], gives: ground, gap: 1 mm}}
  turn: {{do: factors, takes: ground, gives: {{a: x, b: out}}, split: {{a: {stays}}}}}
  part: {{do: split, takes: x, gives: {{a: back, b: more}}}}
keep: [out]
"""
    )
    assert solution.streams["out"].solids == pytest.approx(25.0, rel=1e-12)
    assert solution.streams["out"].gold == pytest.approx(25 * 18e-6, rel=1e-12)
    load = (1 - escape) / escape
    assert solution.caught[0].circulating_load == pytest.approx(load, rel=1e-6)
    assert sum(c.material.solids for c in solution.caught) == 0


def test_a_share_below_a_milliardth_is_none(solved: Callable[..., Solution]) -> None:
    solution = solved(
        ORE
        + """
steps:
  turn: {do: factors, takes: [ore, back], gives: {a: back, b: out}, split: {a: {"+10 mm": 0.9999999999, "-10 mm": 0.5}}}
keep: [out]
"""
    )
    coarse = solution.model.grid.lower >= 10e-3 * (1 - 1e-9)
    (caught,) = solution.caught
    # What gets out in the first round has left; the rest is caught.
    assert caught.material.light[coarse] == pytest.approx(solution.streams["ore"].light[coarse], rel=1e-9)
    assert caught.material.light[~coarse].sum() == 0


def test_what_draws_catch_differs_from_draw_to_draw(solved: Callable[..., Solution]) -> None:
    sheet = (ORE + CLOSED).replace("d50: 0.3 mm", "d50: 0.1 mm to 0.4 mm").replace("opening: 0.5 mm", "opening: 0.5 mm")
    solution = solved(sheet, draws=20)
    (caught,) = solution.caught
    assert caught.material.gold.shape == (20,)
    assert caught.material.gold.max() > 1.5 * caught.material.gold.min()


# ── how much goes round ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("returned", "load"), [("60 %", 1.5), ("50 %", 1.0), ("0 %", 0.0), ("71.428571428571 %", 2.5)])
def test_circulating_load_of_a_given_share(returned: str, load: float, solved: Callable[..., Solution]) -> None:
    # r/(1 - r) of what is fed goes round: 250 % is the usual figure of ball mills (common practice, no source).
    solution = solved(f"""
ore: {{mass: 40 t, grade: 3 g/t}}
steps:
  mill: {{do: factors, takes: [ore, back], gives: ground, split: {{out: 1}}}}
  cone: {{do: factors, takes: ground, gives: {{under: back, over: out}}, split: {{under: {returned}}}}}
keep: [out]
""")
    (caught,) = solution.caught
    assert caught.circulating_load == pytest.approx(load, rel=1e-11, abs=1e-15)
    assert solution.streams["back"].solids == pytest.approx(load * 40_000, rel=1e-11, abs=1e-9)
    assert solution.streams["ground"].solids == pytest.approx((1 + load) * 40_000, rel=1e-11)


def test_the_cut_is_the_recycle(model_of: Callable[..., Model]) -> None:
    stages = {name: model_of(ORE + sheet).stages for name, sheet in LINEAR.items()}
    assert [(s.steps, s.cuts) for s in stages["one loop"]] == [
        (("break",), ()), (("mill", "sieve"), ("coarse",)), (("wash",), ()),
    ]  # fmt: skip
    assert set(stages["nested"][0].cuts) == {"big", "too coarse"}
    assert set(stages["two cuts"][0].cuts) == {"coarse", "mids"}
    assert stages["self"][0].cuts == ("back",)
    assert [s.cuts for s in stages["two in a row"]] == [("a",), ("d",)]


def test_a_step_is_written_before_what_feeds_it(solved: Callable[..., Solution]) -> None:
    lines = CLOSED.strip().splitlines()
    backward = "\n".join([lines[0], *reversed(lines[1:-1]), lines[-1]])
    forward, other = solved(ORE + CLOSED), solved(f"{ORE}\n{backward}\n")
    for name, material in forward.streams.items():
        assert other.streams[name].gold == pytest.approx(material.gold, rel=1e-12, abs=1e-22)
        assert other.streams[name].light == pytest.approx(material.light, rel=1e-12, abs=1e-14)


# ── steps that depend on their feed ─────────────────────────────────────────────────────────────────────────

BENT = {
    "efficiency": """
steps:
  mill: {do: pulverize, takes: [ore, coarse], gives: ground, gap: 0.6 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 1 mm, efficiency: 80 %}
keep: [powder]
""",
    "poor efficiency": """
steps:
  mill: {do: pulverize, takes: [ore, coarse], gives: ground, gap: 2 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 5 mm, efficiency: 30 %}
keep: [powder]
""",
    "p80": """
steps:
  mill: {do: pulverize, takes: [ore, coarse], gives: ground, to: {p80: 0.5 mm}}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 0.7 mm}
keep: [powder]
""",
    "pull": """
steps:
  mill: {do: pulverize, takes: [ore, mids], gives: ground, gap: 0.4 mm}
  wash: {do: pan, takes: ground, gives: {concentrate: con, tailings: rest}, pull: 500 g, heavies: 80 %}
  sieve: {do: screen, takes: rest, gives: {oversize: mids, undersize: tails}, opening: 0.3 mm}
keep: [con]
""",
    "sort": """
steps:
  jaws: {do: jaw_crush, takes: [ore, back], gives: broken, setting: 15 mm}
  sieve: {do: screen, takes: broken, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  look: {do: sort, takes: lumps, gives: {picked: specimens, left: back}, sees: 0.05 mm}
keep: [specimens, fines]
""",
}


@pytest.mark.parametrize("name", [*sorted({*BENT} - {"p80"}), pytest.param("p80", marks=pytest.mark.slow)])
def test_a_loop_of_bent_steps_is_what_plain_rounds_come_to(name: str, solved: Callable[..., Solution]) -> None:
    """Feed the sheet anew in every round, with the shares that each step has for what it is fed just then."""
    solution = solved(FINE + BENT[name])
    assert solution.notes == []
    model, inputs = solution.model, solution.inputs
    now = {s: Material.nothing(len(model.grid)) for step in model.sheet.steps.values() for s in step.outlets.values()}
    now.update(inputs.feeds)
    for _ in range(120):
        for step_name, step in model.sheet.steps.items():
            feed = Material.total(now[s] for s in step.takes)
            given = model.step(step_name).operator(feed, inputs.values[step_name], inputs.site)(feed)
            now.update({step.outlets[outlet]: material for outlet, material in given.items()})
    (caught,) = solution.caught
    assert caught.circulating_load > 0.03
    assert caught.material.solids < 1e-9
    for stream, material in solution.streams.items():
        for array, scale in (("light", 25.0), ("heavy", 25.0), ("free", 25 * 18e-6), ("locked", 25 * 18e-6)):
            assert getattr(material, array) == pytest.approx(getattr(now[stream], array), abs=1e-9 * scale), stream


@pytest.mark.parametrize("name", BENT)
def test_bent_steps_get_the_feed_they_were_made_for(name: str, solved: Callable[..., Solution]) -> None:
    """With coarse gold as well, some of it caught; each step's outlets are its model's for the feed it got."""
    solution = solved(ORE + BENT[name])
    assert solution.notes == []
    for step_name, step in solution.model.sheet.steps.items():
        feed = solution.feeds[step_name]
        values = solution.inputs.values[step_name]
        operator = solution.model.step(step_name).operator(feed, values, solution.inputs.site)
        held = {c.stream: c.material for c in solution.caught}
        for outlet, material in operator(feed).items():
            stream = step.outlets[outlet]
            mine = solution.streams[stream] + held[stream] if stream in held else solution.streams[stream]
            assert mine.light == pytest.approx(material.light, abs=1e-10 * 25)
            assert mine.locked == pytest.approx(material.locked, abs=1e-10 * 25 * 18e-6)
            assert mine.free == pytest.approx(material.free, abs=1e-10 * 25 * 18e-6)


def test_bent_steps_on_draws(solved: Callable[..., Solution]) -> None:
    solution = solved((ORE + BENT["efficiency"]).replace("80 %", "70 % to 90 %"), draws=5)
    assert solution.notes == []
    under = solution.model.grid.upper <= 1e-3 * (1 + 1e-9)
    passed = solution.streams["powder"].light[:, under].sum(axis=1)
    offered = solution.feeds["sieve"].light[:, under].sum(axis=1)
    heavy = solution.streams["powder"].heavy[:, under].sum(axis=1), solution.feeds["sieve"].heavy[:, under].sum(axis=1)
    reached = (passed + heavy[0]) / (offered + heavy[1])
    assert reached == pytest.approx(solution.inputs.values["sieve"].efficiency, rel=1e-9)


def test_a_loop_that_takes_less_out_than_is_fed_says_so(model_of: Callable[..., Model]) -> None:
    solution = solve(
        model_of(
            ORE
            + """
steps:
  mill: {do: pulverize, takes: [ore, back], gives: ground, gap: 0.4 mm}
  wash: {do: pan, takes: ground, gives: {concentrate: con, tailings: back}, pull: 100 g}
keep: [con]
"""
        )
    )
    assert [(note.code, note.numbers["loop"]) for note in solution.notes] == [
        ("loop_not_settled", "mill → wash → mill")
    ]
    check(solution)


# ── the solver by itself ────────────────────────────────────────────────────────────────────────────────────


def test_absorb_solves_the_linear_system() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        columns = rng.random((4, 3, 7, 7)) * (rng.random((4, 3, 7, 7)) < 0.5)
        escape = rng.random((4, 3, 7))
        total = columns.sum(axis=-2) + escape
        gain, escape = columns / total[..., None, :], escape / total
        feed = rng.random((4, 3, 7))
        x, caught = absorb(gain, escape, feed)
        slow = np.linalg.solve(np.eye(7) - gain, feed[..., None])[..., 0]
        assert x == pytest.approx(slow, rel=1e-11)
        assert np.all(caught == 0)
        assert (escape * x).sum(axis=-1) == pytest.approx(feed.sum(axis=-1), rel=1e-13)


@pytest.mark.parametrize("escape", [1e-2, 1e-6, 2e-9])
def test_absorb_keeps_all_digits_in_a_loop_that_holds_on_to_nearly_all(escape: float) -> None:
    """Three states in a ring that one of them hardly leaves, against fractions."""
    out = Fraction(escape)
    gain = np.array([[0.0, 0.0, 1 - escape], [1.0, 0.25, 0.0], [0.0, 0.75, 0.0]])
    x, _ = absorb(gain, np.array([0.0, 0.0, escape]), np.array([1.0, 2.0, 3.0]))
    # All that is fed (6) leaves by the third state; then back round the ring.
    third = Fraction(6) / out
    first = 1 + (1 - out) * third
    second = (2 + first) * Fraction(4, 3)
    assert [float(v) for v in x] == pytest.approx([float(first), float(second), float(third)], rel=1e-14)


def test_absorb_sets_the_trap_aside() -> None:
    # From state 0 half leaves and half falls into the ring of 1 and 2, which nothing leaves.
    gain = np.array([[0.0, 0.0, 0.0], [0.5, 0.0, 1.0], [0.0, 1.0, 0.0]])
    x, caught = absorb(gain, np.array([0.5, 0.0, 0.0]), np.array([4.0, 1.0, 2.0]))
    assert list(x) == [4.0, 0.0, 0.0]
    assert list(caught) == [0.0, 3.0, 2.0]


@settings(max_examples=examples(60))
@given(text=strategies.sheets(loops=False), seed=strategies.st.integers(0, 99))
def test_without_loops_steps_stand_in_the_order_that_the_graph_gives(text: str, seed: int) -> None:
    sheet = sheets.sheet_of(strategies.shuffled(text, seed))
    place, graph = {name: i for i, name in enumerate(sheet.steps)}, nx.DiGraph()
    graph.add_nodes_from(place)
    graph.add_edges_from((sheet.makers[s], name) for name, step in sheet.steps.items() for s in step.takes
                         if s in sheet.makers)  # fmt: skip
    order = list(nx.lexicographical_topological_sort(graph, key=place.__getitem__))
    assert [(stage.steps, stage.is_loop) for stage in stages(sheet)] == [((name,), False) for name in order]
