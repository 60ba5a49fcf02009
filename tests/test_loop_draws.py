"""Loops on many draws: class by class against the whole gain, draws against each alone, and the searches in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from checker import check
from test_loops import ARRAYS, BENT, LINEAR, ORE

from flowsheet.ore.arrays import Array, crossing
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.solve.loop import absorb as loops
from flowsheet.solve.loop import stage as loop_stage
from flowsheet.solve.loop.by_class import Passage, coarsens, rock_fed_by_class, solve_by_class
from flowsheet.solve.loop.fixed_point import MOST_TURNS, Ends, settle, tuned
from flowsheet.solve.loop.rock import rock_fed
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.steps._crusher import Crusher, chance_broken, crushed, fragments, product_matrix
from flowsheet.steps.base import Breakage, Operator, evaluate, even
from flowsheet.steps.pulverize import Pulverize

DOUBTS = {
    "18 g/t": "18 g/t ± 6 g/t", "p80: 35 mm": "p80: 35 mm ± 5 mm", "heavies: 5 %": "heavies: 5 % ± 2 %",
    "gap: 0.5 mm": "gap: 0.5 mm ± 0.04 mm", "setting: 8 mm": "setting: 8 mm ± 1 mm",
    "split: {again: 35 %": "split: {again: 35 % ± 10 %", "back: 45 %": "back: 45 % ± 10 %",
    "efficiency: 30 %": "efficiency: 30 % ± 3 %", "efficiency: 80 %": "efficiency: 80 % ± 4 %",
    "{p80: 0.5 mm}": "{p80: 0.5 mm ± 0.03 mm}", "pull: 500 g": "pull: 500 g ± 60 g",
}  # fmt: skip
THREE = """
steps:
  mill: {do: pulverize, takes: [ore, coarse, mids], gives: ground, to: {p80: 0.5 mm}}
  sieve: {do: screen, takes: ground, gives: {oversize: coarse, undersize: powder}, opening: 1 mm, efficiency: 80 %}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: rest}, pull: 500 g, heavies: 80 %}
  part: {do: split, takes: rest, gives: {a: mids, b: tails}, split: {a: 20 % ± 5 %}}
keep: [con]
"""


def doubtful(sheet: str) -> str:
    for number, with_doubt in DOUBTS.items():
        sheet = sheet.replace(number, with_doubt)
    return sheet


def alone(model: Model, inputs: Inputs, draw: int) -> Solution:
    """Solve one of many draws by itself."""
    only = np.array([draw])
    assert inputs.draws is not None
    return solve(
        model,
        replace(
            inputs,
            feeds={name: feed.part(only) for name, feed in inputs.feeds.items()},
            values={name: values.part(only) for name, values in inputs.values.items()},
            site=inputs.site.part(only),
            fineness={name: f[only] if f.ndim else f for name, f in inputs.fineness.items()},
            draws=1,
        ),
    )


def assert_same(one: Material, other: Material, solution: Solution, off: float, where: object) -> None:
    """Compare two materials, to ``off`` of all that is fed."""
    scale = {a: float(np.max(solution.fed_solids if a in ("light", "heavy") else solution.fed_gold)) for a in ARRAYS}
    for array in ARRAYS:
        mine, plain = np.broadcast_arrays(getattr(one, array), getattr(other, array))
        assert mine == pytest.approx(plain, rel=off, abs=off * scale[array]), (where, array)


# ── class by class ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("draws", [None, 4])
@pytest.mark.parametrize("name", [*LINEAR, *sorted({*BENT} - {"p80"})])
def test_class_by_class_is_the_whole_gain_solved_at_once(
    name: str, draws: int | None, model_of: Callable[..., Model], monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = ORE + {**LINEAR, **BENT}[name]
    model = model_of(sheet if draws is None else doubtful(sheet))
    inputs = model.plain if draws is None else model.drawn(draws)
    ours = solve(model, inputs)
    monkeypatch.setattr(loop_stage, "coarsens", lambda operator: True)
    theirs = solve(model, inputs)
    for stream, material in ours.streams.items():
        assert_same(material, theirs.streams[stream], ours, 2e-12, stream)
    for mine, plain in zip(ours.caught, theirs.caught, strict=True):
        assert mine.stream == plain.stream
        assert_same(mine.material, plain.material, ours, 2e-12, mine.stream)
        assert mine.circulating_load == pytest.approx(plain.circulating_load, rel=1e-11, abs=1e-13)


def passages_of(model: Model, inputs: Inputs, draws: int) -> tuple[list[Passage], dict[str, Material], tuple[str, ...]]:
    """Return the steps of a sheet's only loop, what comes from outside (of random sizes) and its cuts."""
    (stage,) = [stage for stage in model.stages if stage.is_loop]
    nothing = Material.nothing(len(model.grid))
    operators = {n: model.operator(n, nothing, inputs.values[n], inputs.site) for n in stage.steps}
    rng, classes = np.random.default_rng(4), len(model.grid)
    fed = Material(*(rng.random((draws, classes)) for _ in range(3)), rng.random((draws, classes, classes)))
    steps = model.sheet.steps
    taken = [stream for n in stage.steps for stream in steps[n].takes]
    outside = {
        stream: fed for stream in taken if stream not in {s for n in stage.steps for s in model.outlets[n].values()}
    }
    return [Passage(tuple(steps[n].takes), operators[n], model.outlets[n]) for n in stage.steps], outside, stage.cuts


def test_rock_by_itself_is_the_rock_of_all(model_of: Callable[..., Model]) -> None:
    model = model_of(doubtful(ORE + LINEAR["two cuts"]))
    passages, outside, cuts = passages_of(model, model.drawn(3), 3)
    solved = solve_by_class(passages, cuts, outside, len(model.grid))
    fed = rock_fed(passages, cuts, outside, len(model.grid), [0, 1])
    whole = Material.total([*outside.values(), *(solved.cuts[cut] for cut in cuts)])
    assert fed.shape == (3, 2, 2, len(model.grid))
    assert fed[:, 0, 0] == pytest.approx(whole.light, rel=1e-13)
    assert fed[:, 0, 1] == pytest.approx(whole.heavy, rel=1e-13)
    assert fed[:, 1, 0].sum(axis=-1) == pytest.approx(whole.light.sum(axis=-1), rel=1e-13)


def test_a_step_that_makes_rock_coarser_is_seen() -> None:
    share = np.ones((3, 3))
    finer, coarser = np.array([[0.5, 0, 0], [0.5, 1, 0], [0, 0, 1]]), np.array([[1, 0, 0.2], [0, 1, 0], [0, 0, 0.8]])
    all_of_it = {"product": even(np.ones(()))}
    assert not coarsens(Operator(all_of_it))
    assert not coarsens(Operator(all_of_it, Breakage(finer, share)))
    assert coarsens(Operator(all_of_it, Breakage(coarser, share)))
    assert coarsens(Operator(all_of_it, None, {"product": Breakage(np.stack([finer, coarser]), share)}))


def test_a_loop_whose_step_makes_rock_coarser_is_solved(
    model_of: Callable[..., Model], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mill whose powder cakes: a tenth of the finest class comes out in the class above."""

    def caked(self: Pulverize, gap: Array, at: object, site: object) -> Array:
        product = product_matrix(site.grid, gap, at)  # type: ignore[attr-defined,arg-type]
        cakes = np.eye(product.shape[-1])
        cakes[-1, -1], cakes[-2, -1] = 0.9, 0.1
        return np.asarray(cakes @ product)

    monkeypatch.setattr(Pulverize, "_product", caked)
    solution = solve(model_of(ORE + LINEAR["one loop"]))
    mill = solution.model.operator("mill", solution.feeds["mill"], solution.inputs.values["mill"], solution.inputs.site)
    assert coarsens(mill)
    ground = mill(solution.feeds["mill"])["product"]
    assert_same(ground, solution.streams["ground"], solution, 1e-12, "ground")
    check(solution)


# ── each draw by itself ─────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", [*sorted({*BENT} - {"p80"}), pytest.param("p80", marks=pytest.mark.slow), "three"])
def test_draws_together_are_each_draw_alone(name: str, model_of: Callable[..., Model]) -> None:
    model = model_of(doubtful(ORE + {**BENT, "three": THREE}[name]))
    inputs = model.drawn(4)
    together = solve(model, inputs)
    assert together.notes == []
    check(together)
    assert max(together.closure.solids, together.closure.gold) < 1e-12
    for draw in range(4):
        single = alone(model, inputs, draw)
        for stream, material in single.streams.items():
            assert_same(together.streams[stream].part(np.array([draw])), material, together, 1e-11, (draw, stream))


def test_a_draw_that_does_not_settle_leaves_the_others_right(model_of: Callable[..., Model]) -> None:
    """A pan that gives back all but its pull lets too little out, in some of the draws."""
    steps = """
steps:
  mill: {do: pulverize, takes: [ore, back], gives: ground, gap: 0.4 mm}
  wash: {do: pan, takes: ground, gives: {concentrate: con, tailings: tails}, pull: 10 kg}
  part: {do: split, takes: tails, gives: {a: back, b: out}, split: {a: 60 %}}
keep: [con, out]
"""
    model = model_of(ORE + steps)
    inputs = model.inputs(lambda number: np.asarray(number.value), 3)
    returned = [0.3, 1.0, 0.6]
    found = inputs.values["part"].banded("split")
    (band, _) = found["a"][0]
    values = inputs.values["part"]
    values._factors["split"] = {"a": [(band, np.array(returned))]}
    together = solve(model, inputs)
    assert [note.code for note in together.notes] == ["loop_not_settled"]
    assert "in 1 of 3 draws" in str(together.notes[0])
    check(together)
    for draw in (0, 2):
        single = alone(model, inputs, draw)
        assert single.notes == []
        for stream, material in single.streams.items():
            assert_same(together.streams[stream].part(np.array([draw])), material, together, 1e-11, stream)


# ── the few numbers that hang on the feed ───────────────────────────────────────────────────────────────────

TUNED = {**{name: sheet for name, sheet in BENT.items() if name != "sort"}, "three": THREE}


@pytest.mark.parametrize("draws", [None, 3])
@pytest.mark.parametrize("name", TUNED)
def test_tuned_steps_come_to_what_all_that_goes_round_comes_to(
    name: str, draws: int | None, model_of: Callable[..., Model], monkeypatch: pytest.MonkeyPatch
) -> None:
    model = model_of(doubtful(ORE + TUNED[name]))
    inputs = model.plain if draws is None else model.drawn(draws)
    ours = solve(model, inputs)
    monkeypatch.setattr(loop_stage.Tuning, "of", lambda *_: None)
    theirs = solve(model, inputs)
    assert ours.notes == theirs.notes == []
    assert ours.unsettled is None
    for stream, material in ours.streams.items():
        assert_same(material, theirs.streams[stream], ours, 1e-11, stream)


def test_many_draws_set_out_from_the_stated_values(model_of: Callable[..., Model]) -> None:
    """More draws than get slopes of their own, passes of a mill among them."""
    model = model_of(doubtful(ORE + THREE).replace("pulverize, takes", "pulverize, passes: 1 to 3, takes"))
    inputs = model.drawn(40)
    together = solve(model, inputs)
    assert together.notes == []
    check(together)
    assert list(model.tunings) == [stage for stage in model.stages if stage.is_loop]
    for draw in (0, 17, 39):
        single = alone(model, inputs, draw)
        for stream, material in single.streams.items():
            assert_same(together.streams[stream].part(np.array([draw])), material, together, 1e-11, (draw, stream))


def test_what_no_setting_reaches_takes_the_nearest(model_of: Callable[..., Model]) -> None:
    """A mill's feed that is finer than wanted, and a pan that is to stop at more than goes in."""
    steps = """
steps:
  mill: {do: pulverize, takes: [ore, mids], gives: ground, to: {p80: 90 mm}}
  wash: {do: pan, takes: ground, gives: {concentrate: con, tailings: rest}, pull: 40 kg}
  part: {do: screen, takes: rest, gives: {oversize: mids, undersize: tails}, opening: 0.3 mm}
keep: [con]
"""
    solution = solve(model_of(ORE + steps))
    assert solution.notes == []
    assert float(solution.streams["con"].solids) == pytest.approx(25, rel=1e-5)
    assert solution.streams["ground"].light == pytest.approx(solution.feeds["mill"].light, rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("name", sorted(LINEAR))
def test_rock_of_all_classes_at_once_is_that_of_each(name: str, model_of: Callable[..., Model]) -> None:
    model = model_of(doubtful(ORE + LINEAR[name]))
    for stage in model.stages:
        if stage.is_loop:
            solution = solve(model, model.drawn(3))
            operators = {n: model.operator(n, solution.feeds[n], solution.inputs.values[n], solution.inputs.site)
                         for n in stage.steps}  # fmt: skip
            passages = [Passage(model.takes[n], operators[n], model.outlets[n]) for n in stage.steps]
            made = {s for n in stage.steps for s in model.outlets[n].values()}
            outside = {s: solution.streams[s] for n in stage.steps for s in model.takes[n] if s not in made}
            every = range(len(stage.steps))
            ours = rock_fed(passages, stage.cuts, outside, len(model.grid), every)
            theirs = rock_fed_by_class(passages, stage.cuts, outside, len(model.grid), every)
            assert np.broadcast_to(ours, theirs.shape) == pytest.approx(theirs, rel=1e-12, abs=1e-12)


def test_draws_are_tuned_each_by_itself() -> None:
    ends = Ends(np.array([-3.0, 0.0]), np.array([3.0, 1.0]))
    wanted = np.array([[0.5, 0.6], [-1.0, 0.9], [2.0, 1.5], [9.0, 0.5]])

    def off(x: Array, draws: Array) -> Array:
        told = np.stack([np.sinh(x[:, 0]) / 4 + 0.1 * x[:, 1], x[:, 1] + 0.3 * np.tanh(x[:, 0])], axis=1)
        return np.asarray(told - wanted[draws])

    x, settled, _ = tuned(np.zeros((4, 2)), off, ends)
    assert settled.all()
    assert off(x[:1], np.array([0])) == pytest.approx(0, abs=1e-12)
    # What lies beyond an end is left there.
    assert x[2, 1] == 1.0
    assert x[3, 0] == 3.0
    inside, _, _ = tuned(np.zeros((1, 2)), lambda x, _: np.where(x < 0.5, -1.0, 1.0) + 0 * x, ends, most=10)
    assert np.all((inside >= ends.low) & (inside <= ends.high))
    _, settled, _ = tuned(np.full((1, 1), 0.5), lambda x, _: np.where(x < 0.7, -1.0, 1.0), Ends(*np.array([[0], [1]])))
    assert not settled.any()


# ── the searches ────────────────────────────────────────────────────────────────────────────────────────────


def test_each_draw_settles_by_itself_and_is_then_left_alone() -> None:
    asked: list[Array] = []
    pull = np.array([0.0, 0.5, 0.9, -0.95])
    ends = np.array([[1.0, 2.0, 3.0]])

    def answer(x: Array, draws: Array) -> Array:
        asked.append(draws)
        return ends + pull[draws][:, None] * (x - ends) ** [1, 2, 1]  # type: ignore[index]

    x, settled = settle(np.full((4, 3), 1.5), answer)
    assert settled.all()
    assert x == pytest.approx(np.broadcast_to(ends, x.shape), rel=1e-12)
    assert len(asked[0]) == 4
    assert len(asked[-1]) < 4
    assert len(asked) < 15


def test_what_never_settles_is_told() -> None:
    _, settled = settle(np.array([[1.0], [1.0]]), lambda x, draws: np.where(draws[:, None] == 0, 0.5 * x, x + 1.0))
    assert list(settled) == [True, False]
    assert MOST_TURNS == 100


def test_crossing_finds_where_a_function_passes_nought() -> None:
    squares = np.array([2.0, 9.0, 0.3])
    asked = []

    def above(x: Array) -> Array:
        asked.append(x)
        return np.asarray(x**3 * (x * x - squares))

    found = crossing(np.full(3, 1e-6), np.full(3, 10.0), above)
    assert found == pytest.approx(np.sqrt(squares), rel=4e-16)
    assert len(asked) < 25
    # A jump, beyond either end, and no number.
    assert crossing(np.zeros(1), np.ones(1), lambda x: np.where(x >= 0.3, 1.0, -1.0)) == pytest.approx([0.3], rel=1e-12)
    assert crossing(np.zeros(2), np.ones(2), lambda x: x + 1.0) == pytest.approx([0.0, 0.0])
    assert crossing(np.zeros(2), np.ones(2), lambda x: x - 2.0) == pytest.approx([1.0, 1.0])
    assert crossing(np.zeros(1), np.ones(1), lambda x: np.full(1, np.nan)) == pytest.approx([1.0])


@pytest.mark.parametrize("draws", [(), (3,)])
def test_crushed_is_the_product_matrix_times_the_rock(draws: tuple[int, ...]) -> None:
    grid = Grid.make(0.06, [0.0123])
    machine = Crusher.model_validate({"do": "", "takes": [], "gives": "crushed"})
    at = evaluate(machine, lambda number: np.asarray(number.value))
    gap = np.linspace(1e-3, 8e-3, 3) if draws else np.asarray(4e-3)
    rock = np.random.default_rng(1).random((*draws, len(grid)))
    slow = (product_matrix(grid, gap, at) @ rock[..., None])[..., 0]
    assert crushed(rock, chance_broken(grid.size, gap, at), fragments(grid, at)) == pytest.approx(slow, rel=1e-12)
    assert loops.LEAVES == 1e-9
