"""Totals of many draws, by units of the tail, against every draw laid out class by class."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from sheets import sheet_of
from strategies import doubtful, sheets
from test_properties import unless_nothing_leaves
from tiers import examples

from flowsheet import starters
from flowsheet.ore.factored_material import Difference, FactoredMaterial, Remainder
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.solve.totals import Tail, totals

DRAWS = 6
STARTERS = sorted(path.stem for path in starters.folder().glob("*.yaml"))

#: A mill in closed circuit that catches coarse gold, with nothing in doubt but the ore.
CAUGHT = """
ore: {mass: 10 kg ± 100 g, grade: 20 g/t ± 6 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.4 mm, d95: 2 mm}}
steps:
  mill:  {do: pulverize, takes: [ore, back], gives: ground, gap: 0.3 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: back, undersize: on}, opening: 0.5 mm}
  wash:  {do: pan, takes: on, gives: {concentrate: con, tailings: tails}}
keep: con
"""


def compare(model: Model, seed: int = 1) -> Tail:
    inputs = model.drawn(DRAWS, seed)
    tail = Tail.of(model, inputs)
    found, full = totals(model, inputs, tail), solve(model, inputs)
    rock, gold = float(np.max(full.fed_solids)), float(np.max(full.fed_gold))
    assert set(found.streams) == set(full.streams)
    for name, material in full.streams.items():
        total = found.streams[name]
        assert total.solids == pytest.approx(material.solids, rel=1e-9, abs=1e-12 * rock), name
        by_grain = material.free + material.locked.sum(axis=-2)
        assert np.broadcast_to(total.by_grain, by_grain.shape) == pytest.approx(by_grain, rel=1e-9, abs=1e-12 * gold)
    assert found.closure <= 1e-12
    return tail


@pytest.mark.parametrize("name", STARTERS)
def test_shipped_sheets(name: str) -> None:
    compare(Model.of(sheet_of(starters.folder() / f"{name}.yaml")))


@settings(max_examples=examples(60))
@given(text=sheets())
def test_any_sheet(text: str) -> None:
    with unless_nothing_leaves():
        compare(Model.of(sheet_of(doubtful(text))))


def test_the_tail_is_what_no_doubt_reaches() -> None:
    quick = (starters.folder() / "quick.yaml").read_text(encoding="utf-8")

    def steps(text: str) -> list[str]:
        model = Model.of(sheet_of(text))
        return [name for stage in Tail.of(model, model.drawn(3)).stages for name in stage.steps]

    assert steps(quick) == ["break", "powder", "wash", "melt", "fire"]
    assert steps(quick.replace("gap: 0.2 mm", "gap: 0.2 mm ± 0.01 mm")) == ["wash", "melt", "fire"]
    assert steps(quick.replace("takes: button,", "takes: button, gold_loss: 0.4 % ± 0.1 %,")) == []


def test_a_loop_of_the_tail_is_worked_out_once_and_what_it_catches_is_told() -> None:
    tail = compare(Model.of(sheet_of(CAUGHT)))
    assert [stage.steps for stage in tail.stages] == [("mill", "sieve"), ("wash",)]


def test_a_sheet_without_doubt_has_one_draw(solved: Callable[..., Solution]) -> None:
    text = CAUGHT.replace(" ± 100 g", "").replace(" ± 6 g/t", "")
    solution = solved(text)
    model = solution.model
    inputs = model.drawn(DRAWS)
    found = totals(model, inputs, Tail.of(model, inputs))
    assert float(found.streams["con"].gold) == pytest.approx(float(solution.streams["con"].gold), rel=1e-12)


# ── materials that say less than they know ──────────────────────────────────────────────────────────────────


def made(seed: int) -> tuple[FactoredMaterial, Material]:
    rng = np.random.default_rng(seed)
    light, heavy, free, row = rng.random((4, 3, 5))
    base = rng.random((5, 5))
    return FactoredMaterial(light, heavy, free, base, row), Material(light, heavy, free, row[:, :, None] * base[None])


def same(found: Material, wanted: Material) -> None:
    for array in ("light", "heavy", "free", "locked", "solids", "gold", "gold_by_grain", "locked_by_host"):
        ours, theirs = np.broadcast_arrays(getattr(found, array), getattr(wanted, array))
        assert ours == pytest.approx(theirs, rel=1e-13, abs=1e-15), array


SHARES = [
    lambda rng: Material(rng.random(5), rng.random(5), rng.random(5), rng.random((5, 5))),
    lambda rng: Material(*(rng.random((3, 5)) for _ in range(3)), rng.random((3, 5, 1))),
    lambda rng: Material(*(rng.random((3, 5)) for _ in range(3)), rng.random((3, 5, 5))),
    lambda rng: Material(rng.random(()), rng.random(()), rng.random(()), rng.random((5, 1))),
    lambda rng: FactoredMaterial(
        rng.random((3, 5)), rng.random((3, 5)), rng.random(5), rng.random((5, 5)), rng.random((3, 5))
    ),
]


@pytest.mark.parametrize("shares", SHARES)
def test_a_rowed_material_is_worth_the_one_laid_out(shares: Callable[[Any], Material]) -> None:
    rng = np.random.default_rng(5)
    ours, plain = made(1)
    by = shares(rng)
    laid_out = Material(by.light, by.heavy, by.free, by.locked)
    rest = Remainder(by)
    same(ours, plain)
    same(ours * by, plain * laid_out)
    same(rest, Material(1 - by.light, 1 - by.heavy, 1 - by.free, 1 - by.locked))
    left = ours * rest
    assert isinstance(left, Difference)
    same(left, plain * Material(rest.light, rest.heavy, rest.free, rest.locked))
    same(left * by, (plain - plain * laid_out) * laid_out)
    same(ours + plain, plain + plain)
    same(plain * by, plain * laid_out)
    same(ours.part(slice(1, 3)), plain.part(slice(1, 3)))
    weights = rng.random((5, 5))
    assert ours.locked_times(weights) == pytest.approx((plain.locked * weights).sum(axis=-1), rel=1e-13)
    assert plain.locked_times(weights) == pytest.approx((plain.locked * weights).sum(axis=-1), rel=1e-13)
