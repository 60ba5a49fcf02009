"""Reconciled weights: against a general optimiser, against refits, the suspect, what is determined, what to weigh."""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats
from sheets import sheet_of

from flowsheet import cli
from flowsheet.show.balance import reconciled as shown
from flowsheet.show.balance.weight_plots import reconciled_files
from flowsheet.show.text.figures import sig
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, Measurement, measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.number_with_doubt import parse
from flowsheet.spec.text.units import GRADE as GRADES
from flowsheet.spec.text.units import MASS as MASSES
from flowsheet.spec.text.units import SHARE as SHARES
from flowsheet.study.balance.constrained_lsq import Adjusted, adjust
from flowsheet.study.balance.next_weighing import Choices
from flowsheet.study.balance.problem import Problem
from flowsheet.study.balance.reconcile import reconcile, reconcile_problem, reconcile_sheet
from flowsheet.study.balance.result import Reconciled, as_dict
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM, KILOGRAMS, chi2_tail, limit, slip

# All sheets and numbers here are invented.
TABLE = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t}
steps:
  scalp: {do: factors, takes: ore, gives: {over: lumps, under: fines}, split: {over: 40 %}, recovery: {over: 40 %}}
  break: {do: factors, takes: lumps, gives: {out: broken}}
  wash:
    do: factors
    takes: [broken, fines]
    gives: {con: con, tail: tails}
    split: {con: 2 %}
    recovery: {con: 80 %}
keep: [con]
"""

#: What comes out of the wash is weighed wet, dry and in the bag, so that every weight has several that check it.
WEIGHED_OFTEN = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t}
steps:
  break: {do: factors, takes: ore, gives: {out: crushed}}
  powder: {do: factors, takes: crushed, gives: {out: powder}}
  wash:
    do: factors
    takes: powder
    gives: {con: con, tail: tails}
    split: {con: 20 %}
    recovery: {con: 80 %}
  dry con: {do: factors, takes: con, gives: {out: dry con}}
  dry tails: {do: factors, takes: tails, gives: {out: dry tails}}
  bag con: {do: factors, takes: dry con, gives: {out: bagged con}}
  bag tails: {do: factors, takes: dry tails, gives: {out: bagged tails}}
keep: [bagged con]
"""

METAL = """
ore:
  mass: 14.2 kg ± 20 g
  grade: 22 g/t
  sizes: {top: 100 mm, p80: 60 mm}
  gold: {d50: 0.3 mm, d95: 1 mm, fineness: 870 ± 20}
steps:
  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, split: {concentrate: 2 %}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}}
  fire: {do: cupel, takes: button, gives: {bead: bead, absorbed: cupel loss}}
keep: [bead]
"""

LOOP = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t}
steps:
  mill: {do: factors, takes: [ore, coarse], gives: {out: milled}}
  sieve:
    do: factors
    takes: milled
    gives: {over: coarse, under: fine}
    split: {over: 30 %}
    recovery: {over: 30 %}
  wash: {do: factors, takes: fine, gives: {con: con, tail: tails}, split: {con: 2 %}, recovery: {con: 80 %}}
keep: [con]
"""

TWO_ORES = """
ores:
  north: {mass: 20 kg ± 20 g, grade: 10 g/t}
  south: {mass: 10 kg ± 20 g, grade: 40 g/t}
steps:
  wash: {do: factors, takes: [north, south], gives: {con: con, tail: tails}, split: {con: 2 %}, recovery: {con: 80 %}}
keep: [con]
"""


def said(sheet: Sheet, *what: str, doubt: float | None = None, **doubts: float) -> list[Measurement]:
    """Return measurements that read what the sheet's own model holds: "tails mass", "tails grade", …"""
    streams = solve(Model.of(sheet)).streams
    found = []
    for name in what:
        stream, _, kind = name.rpartition(" ")
        held = streams[stream]
        mass, gold = float(held.solids), float(held.gold)
        value = {MASS: mass, GRADE: gold / mass if mass else math.nan, GOLD: gold, BEAD: gold / 0.87}[kind]
        sd = doubt if doubt is not None else doubts.get(kind, 0.05 if kind == GRADE else 0.002) * value
        found.append(Measurement(stream, kind, value, sd, False))
    return found


def perturbed(problem: Problem, rng: np.random.Generator, wrong: int | None = None, by: float = 0.0) -> Problem:
    """Return a problem whose measurements have drawn errors, one of them spoiled besides."""
    error = rng.standard_normal(len(problem.measured))
    if wrong is not None:
        error[wrong] += by
    return problem.of_measured(
        [replace(m, value=m.value + m.sd * e) for m, e in zip(problem.measured, error, strict=True)]
    )


MEASURED = (
    "ore mass",
    "lumps mass",
    "fines mass",
    "tails mass",
    "con mass",
    "con gold",
    "lumps grade",
    "fines grade",
    "tails grade",
)


def noisy(seed: int, *dropped: str) -> Problem:
    sheet = sheet_of(TABLE)
    told = said(sheet, *(name for name in MEASURED if name not in dropped))
    return perturbed(Problem.of(sheet, told), np.random.default_rng(seed))


# ── against a general optimiser ─────────────────────────────────────────────────────────────────────────────


def optimised(problem: Problem, start: np.ndarray) -> np.ndarray:
    """Return the same minimum by sequential quadratic programming on the very same misfit and balance."""
    scale, balance = problem.scale, problem.balance()
    measured = np.array([m.value for m in problem.measured])
    sd = np.array([problem.sd(m) for m in problem.measured])

    def cost(y: np.ndarray) -> tuple[float, np.ndarray]:
        values, slope = problem.predict(y * scale)
        misfit = (measured - values) / sd
        return float(misfit @ misfit), -2 * (slope * scale / sd[:, None]).T @ misfit

    rows = balance * scale
    found = optimize.minimize(cost, start / scale, jac=True, method="SLSQP", bounds=[(0, None)] * len(start),
                              constraints={"type": "eq", "fun": lambda y: rows @ y, "jac": lambda y: rows},
                              options={"ftol": 1e-16, "maxiter": 300})  # fmt: skip
    return np.asarray(found.x * scale)


def refined(problem: Problem) -> np.ndarray:
    """Return the minimum where no bound is active, by trust-region least squares along the balance's null space."""
    from scipy.linalg import null_space

    scale = problem.scale
    ways = null_space(problem.balance() * scale)
    measured = np.array([m.value for m in problem.measured])
    sd = np.array([problem.sd(m) for m in problem.measured])
    z = ways.T @ (problem.start / scale)
    for _ in range(3):  # begun anew, it goes on from where its own limits stopped it
        z = optimize.least_squares(
            lambda z: (measured - problem.predict(ways @ z * scale)[0]) / sd,
            z, jac=lambda z: -(problem.predict(ways @ z * scale)[1] * scale / sd[:, None]) @ ways,
            xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=2000).x  # fmt: skip
    return np.asarray(ways @ z * scale)


@pytest.mark.parametrize("seed", range(5))
def test_bilinear_minimum_is_that_of_a_general_optimiser(seed: int) -> None:
    problem = noisy(seed)
    found = problem.solve()
    assert found.settled
    assert found.known.determined.all()
    assert found.x == pytest.approx(refined(problem), rel=1e-8)


def test_linear_minimum_is_that_of_a_general_optimiser() -> None:
    sheet = sheet_of(TABLE)
    told = said(
        sheet,
        *(f"{s} mass" for s in ("lumps", "fines", "broken", "con", "tails")),
        "con gold",
        "lumps gold",
        "tails gold",
        "ore gold",
    )
    problem = perturbed(Problem.of(sheet, told), np.random.default_rng(3))
    assert problem.solve().x == pytest.approx(refined(problem), rel=1e-8)


@pytest.mark.parametrize("bilinear", [False, True])
def test_a_value_that_the_weights_want_below_zero_is_held_at_zero(bilinear: bool) -> None:
    sheet = sheet_of(TABLE)
    names = ["lumps mass", "tails mass", "tails gold", "ore gold"]
    told = [*said(sheet, *names), *said(sheet, *["lumps grade", "ore grade"] * bilinear)]
    told = [replace(m, value=1.03 * m.value) if m.stream == "tails" and m.what == MASS else m for m in told]
    problem = Problem.of(sheet, told)
    found = problem.solve()
    con = problem.rock["con"]
    assert found.settled
    assert found.x[con] == 0
    assert found.held[con]
    known = found.known.determined
    best = optimised(problem, np.maximum(found.x, 1e-3 * problem.scale))
    assert found.x[known] == pytest.approx(best[known], rel=1e-7, abs=1e-9)
    assert steepness(problem, found) < 1e-5
    assert any(note.code == "held_at_nothing" for note in reconcile(sheet, told).notes)


@pytest.mark.parametrize("seed", [1, 3, 5, *(pytest.param(k, marks=pytest.mark.slow) for k in range(6, 30))])
def test_random_sheets_reach_the_least_misfit(seed: int) -> None:
    """Trees, joins and recycles drawn at random; measurements drawn at random, a third of them far off."""
    rng = np.random.default_rng(seed)
    sheet = sheet_of(random_sheet(rng))
    names = [*sheet.ores, *sheet.makers]
    wanted = [f"{s} {w}" for s in names for w in (MASS, GRADE, GOLD) if rng.random() < 0.45]
    told = [
        replace(m, value=m.value * (rng.uniform(0.3, 2) if rng.random() < 0.3 else rng.normal(1, 0.01)))
        for m in said(sheet, *wanted)
    ]
    problem = Problem.of(sheet, told)
    found = problem.solve()
    assert found.settled
    closing = problem.balance() @ found.x
    assert np.abs(closing).max() <= 1e-12 * max(1.0, float(found.x.max()))
    assert found.x.min() >= 0
    assert steepness(problem, found) < 1e-5
    # A stream of nothing can have any grade, which is no help: its assay then stands against the other weights.
    empty = {s for s, at in problem.rock.items() if found.held[at]}
    if not any(m.what == GRADE and m.stream in empty for m in problem.measured):
        # The other closes its balance to 1e-6 only, which lets it gain a little.
        assert found.chi2 <= misfit(problem, optimised(problem, problem.start)) * (1 + 1e-3) + 1e-6


def misfit(problem: Problem, x: np.ndarray) -> float:
    values, _ = problem.predict(x)
    return sum(((m.value - float(v)) / problem.sd(m)) ** 2 for m, v in zip(problem.measured, values, strict=True))


def steepness(problem: Problem, found: Adjusted) -> float:
    """Return the steepest way that the balance leaves open, over the pulls that cancel there: nil at a minimum."""
    values, slope = problem.predict(found.x)
    sd = np.array([problem.sd(m) for m in problem.measured])
    pulls = (slope * found.scale / sd[:, None]).T * ((np.array([m.value for m in problem.measured]) - values) / sd)
    return float(np.abs(found.ways.T @ pulls.sum(axis=1)).max(initial=0.0) / (1e-6 + np.abs(pulls).max()))


def random_sheet(rng: np.random.Generator) -> str:
    """Return a sheet of factors with five to nine steps, each parting one or two open streams; perhaps a recycle."""
    open_, steps = ["ore"], []
    recycled = rng.random() < 0.5
    for i in range(int(rng.integers(5, 10))):
        takes = [open_.pop(int(rng.integers(len(open_)))) for _ in range(min(len(open_), 1 + int(rng.random() < 0.3)))]
        if i == 0 and recycled:
            takes.append("back")
        wiring = f"do: factors, takes: [{', '.join(takes)}], gives: {{a: a{i}, b: b{i}}}"
        shares = [f"{rng.uniform(0.1, 0.9):.3f}" for _ in range(2)]
        steps.append(f"  s{i}: {{{wiring}, split: {{a: {shares[0]}}}, recovery: {{a: {shares[1]}}}}}")
        open_ += [f"a{i}", f"b{i}"]
    if recycled:
        last = open_.pop()
        steps.append(f"  home: {{do: factors, takes: {last}, gives: {{out: back}}}}")
    return "ore: {mass: 10 kg ± 10 g, grade: 20 g/t}\nsteps:\n" + "\n".join(steps) + f"\nkeep: [{open_[0]}]\n"


def test_a_minimum_with_no_measurement_is_the_nearest_balance() -> None:
    balance = np.array([[1.0, -1, -1]])
    nothing = np.zeros((0, 3))
    found = adjust(balance, np.zeros(1), lambda x: (np.zeros(0), nothing), np.zeros(0), np.zeros(0),
                   np.array([2.0, 1, 1.3]), np.ones(3))  # fmt: skip
    assert found.x == pytest.approx([2.1, 0.9, 1.2], rel=1e-12)
    assert not found.known.determined.any()


# ── doubts ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
def test_sds_are_those_of_refits_of_data_drawn_anew() -> None:
    sheet = sheet_of(TABLE)
    problem = Problem.of(sheet, said(sheet, *MEASURED))
    found = reconcile_problem(problem, look_further=False)
    rng = np.random.default_rng(11)
    fits = [reconcile_problem(perturbed(problem, rng), look_further=False) for _ in range(500)]
    # The sd of an sd from n draws is 1/√(2 n) of it; four of those.
    near = 4 / math.sqrt(2 * len(fits))
    for name, row in found.streams.items():
        assert np.std([f.streams[name].mass for f in fits]) == pytest.approx(row.mass_sd, rel=near)
        assert np.std([f.streams[name].gold for f in fits]) == pytest.approx(row.gold_sd, rel=near)
    assert np.std([f.head.value for f in fits]) == pytest.approx(found.head.sd, rel=near)
    assert np.mean([f.head.value for f in fits]) == pytest.approx(
        found.head.value, abs=4 * found.head.sd / math.sqrt(500)
    )
    for k, weight in enumerate(found.weights):
        if not math.isnan(weight.standardised):
            assert np.std([f.weights[k].standardised for f in fits]) == pytest.approx(1, rel=near)


@pytest.mark.slow
def test_p_values_are_even_and_false_alarms_come_as_often_as_said() -> None:
    sheet = sheet_of(TABLE)
    problem = Problem.of(sheet, said(sheet, *MEASURED))
    rng = np.random.default_rng(5)
    fits = [reconcile_problem(perturbed(problem, rng), look_further=False) for _ in range(600)]
    assert stats.kstest([f.p for f in fits[:300]], "uniform").pvalue > 0.01
    low, high = stats.binom.interval(0.999, len(fits), ALARM)
    alarms, named = (sum(values) for values in ([f.p < ALARM for f in fits], [f.suspect is not None for f in fits]))
    print(f"clean weights: chi-square alarms {alarms / len(fits):.1%}, a suspect named {named / len(fits):.1%}")
    assert low <= alarms <= high
    assert 0 < named <= high


# ── the suspect ─────────────────────────────────────────────────────────────────────────────────────────────


def often() -> Problem:
    sheet = sheet_of(WEIGHED_OFTEN)
    names = [f"{name} mass" for name in (*sheet.ores, *sheet.makers)]
    return Problem.of(sheet, said(sheet, *names, doubt=0.02))


@pytest.mark.slow
def test_a_weight_spoiled_by_five_sds_is_named() -> None:
    problem, rng = often(), np.random.default_rng(8)
    right = among = 0
    trials = 500
    for _ in range(trials):
        wrong = int(rng.integers(len(problem.measured)))
        found = reconcile_problem(perturbed(problem, rng, wrong, float(rng.choice([-5, 5]))), look_further=False)
        name = problem.measured[wrong].name
        right += found.suspect is not None and found.suspect.name == name
        among += found.suspect is not None and name in (found.suspect.name, *found.as_likely)
    print(f"spoiled by 5 sd: named first {right / trials:.1%}, first or as likely {among / trials:.1%}")
    assert right >= 0.9 * trials
    assert among >= right


#: Rock that is weighed before and after every step: each weight stands in the balances of two steps.
TWICE_CHECKED = """
ore: {mass: 14 kg ± 20 g, grade: 22 g/t}
steps:
  rinse:  {do: factors, takes: ore, gives: {out: rinsed}}
  scalp:  {do: factors, takes: rinsed, gives: {over: lumps, under: fines}, split: {over: 50 %}, recovery: {over: 50 %}}
  break:  {do: factors, takes: lumps, gives: {out: broken}}
  grind:  {do: factors, takes: broken, gives: {out: ground}}
  dry:    {do: factors, takes: fines, gives: {out: dried}}
  sift:   {do: factors, takes: dried, gives: {out: sifted}}
  mix:    {do: factors, takes: [ground, sifted], gives: {out: powder}}
  bag:    {do: factors, takes: powder, gives: {out: bagged}}
keep: [bagged]
"""


@pytest.mark.slow
def test_a_wrong_weight_that_two_balances_check_is_named_first_nine_times_in_ten() -> None:
    sheet = sheet_of(TWICE_CHECKED)
    told = said(sheet, *(f"{name} mass" for name in (*sheet.ores, *sheet.makers)))
    problem, rng = Problem.of(sheet, [replace(m, sd=0.02) for m in told]), np.random.default_rng(3)
    trials = 300
    right = 0
    for _ in range(trials):
        wrong = int(rng.integers(len(problem.measured)))
        found = reconcile_problem(perturbed(problem, rng, wrong, float(rng.choice([-5, 5]))), look_further=False)
        right += found.suspect is not None and found.suspect.name == problem.measured[wrong].name
    print(f"one of ten weights off by 5 sd, two balances on each: named first {right / trials:.1%}")
    assert right >= 0.9 * trials


def test_without_redundancy_it_says_that_it_cannot_know() -> None:
    sheet = sheet_of(TABLE)
    told = said(sheet, "lumps mass", "con mass", "con gold", "tails grade", "lumps grade")
    told[0] = replace(told[0], value=2 * told[0].value)
    found = reconcile(sheet, told)
    assert found.dof == 0
    assert math.isnan(found.p)
    assert found.suspect is None
    assert found.swapped is None
    assert all(math.isnan(w.standardised) for w in found.weights)
    assert "nobody can know" in answer(found, 0)
    assert found.as_dict()["chi2"] == {"value": pytest.approx(0, abs=1e-12), "dof": 0, "p": None}


def answer(found: Reconciled, which: int) -> str:
    return shown.answers(found)[which][1]


def test_what_cannot_be_told_apart_is_named_with_it() -> None:
    """With one balance of three weights any of them may be wrong."""
    sheet = sheet_of(TABLE)
    told = said(sheet, "lumps mass", "fines mass")
    found = reconcile(sheet, [replace(told[0], value=1.2 * told[0].value), told[1]])
    assert found.suspect is not None
    assert {found.suspect.name, *found.as_likely} == {"ore, mass", "lumps, mass", "fines, mass"}
    assert "cannot tell it from" in answer(found, 0)


def test_what_everything_becomes_without_the_suspect() -> None:
    sheet = sheet_of(TABLE)
    clean = said(sheet, *MEASURED, "broken mass", "ore grade")
    k = next(i for i, m in enumerate(clean) if m.name == "tails, mass")
    spoiled = [*clean]
    spoiled[k] = replace(clean[k], value=0.8 * clean[k].value)
    found = reconcile(sheet, spoiled)
    left = reconcile(sheet, [*clean[:k], *clean[k + 1 :]])
    assert found.suspect is not None
    assert found.suspect.name == "tails, mass"
    assert found.without is not None
    assert found.without.streams == left.streams
    assert found.without.head == left.head
    assert found.without.chi2 == pytest.approx(left.chi2, abs=1e-9)
    assert found.without.should_be.value == pytest.approx(clean[k].value, rel=1e-6)
    text = answer(found, 0)
    assert "the mass of tails" in text
    assert "the others agree" in text
    assert "weigh tails again" in answer(found, 2)


def test_the_mass_of_the_ore_itself_may_be_the_suspect() -> None:
    problem = often()
    spoiled = [replace(m, value=1.5 * m.value) if m.stream == "ore" else m for m in problem.measured]
    found = reconcile(problem.sheet, spoiled)
    assert found.suspect is not None
    assert found.suspect.stream == "ore"
    assert found.without is not None
    assert found.without.should_be.value == pytest.approx(14.2, rel=1e-6)


@pytest.mark.parametrize(("first", "factor", "meant", "written"), [
    ("tails", 1000, "kg", "g"), ("tails", 1 / 1000, "kg", "t"), ("con", 1 / 1000, "kg", "t"),
    ("tails", 0.4536, "lb", "kg"), ("tails", 2.2046, "kg", "lb"), ("con", 28.35, "oz", "g"),
    ("con", 31.1, "ozt", "g"), ("con", 1 / 28.35, "g", "oz"), ("con", 1 / 31.1, "g", "ozt"),
])  # fmt: skip
def test_a_slip_of_the_unit_is_named(first: str, factor: float, meant: str, written: str) -> None:
    problem = often()
    # What is right is ``factor`` times what was written.
    unit = "oz av" if written == "oz" else written
    told = [
        replace(m, value=m.value / factor, sd=m.sd / factor,
                number=parse(f"{m.value / factor / KILOGRAMS[written]} {unit}", MASSES))
        if m.stream == first else m for m in problem.measured
    ]  # fmt: skip
    found = reconcile(problem.sheet, told)
    assert found.suspect is not None
    assert found.suspect.stream == first
    assert found.without is not None
    assert found.without.slip is not None
    assert found.without.slip.factor == pytest.approx(factor, rel=1e-3)
    assert (found.without.slip.meant, found.without.slip.written) == (meant, written)
    assert f"{meant} written as {written}" in answer(found, 0)


def read_as(text: str, what: str = MASS) -> Measurement:
    return measurement("tails", what, parse(text, GRADES if what == GRADE else MASSES))


@pytest.mark.parametrize(("true", "sd", "none"), [
    (6.1, 0.01, True),  # it is right
    (4.0, 0.01, True),  # two thirds are no slip
    (6100.0, 7000.0, True),  # hardly known: near to anything
    (6100.0, 1.0, False), (7000.0, 1.0, False), (7100.0, 1.0, True),  # within 15 %
])  # fmt: skip
def test_what_is_no_slip(true: float, sd: float, none: bool) -> None:
    assert (slip(read_as("6.1 kg"), true, sd) is None) == none
    assert slip(read_as("6.1 g/t", GRADE), 6.1e-3, 1e-6) is None


@pytest.mark.parametrize(("text", "true", "words"), [
    ("6.1 kg", 6.1e-3, ("g", "kg", 6.1)), ("6.1 g ± 1 %", 6.1, ("kg", "g", 6.1)),
    ("2 ± 0.1 g", 2e-6, ("mg", "g", 2.0)), ("2 mg", 2e-3, ("g", "mg", 2.0)), ("1.5 tonnes", 1.5, ("kg", "t", 1.5)),
    ("1.5 kg", 1500.0, ("t", "kg", 1.5)), ("1500 kg", 1.5, ("g", "kg", 1500.0)),
    ("2 1/4 pounds", 2.25, ("kg", "lb", 2.25)), ("5 oz av", 5e-3, ("g", "oz", 5.0)),
    # The unit that would explain it is not the one that is written.
    ("0.62 kg", 1.367, None), ("6.1 g", 6.1 * 0.453592e-3, None), ("1000 g", 0.0283495, None), ("1 dwt", 1e-3, None),
    ("2 to 3 g", 2.5, None),
])  # fmt: skip
def test_a_slip_is_one_from_the_unit_that_is_written(
    text: str, true: float, words: tuple[str, str, float] | None
) -> None:
    found = slip(read_as(text), true, 1e-3 * true)
    told = None if found is None else (found.meant, found.written, found.number)
    assert told == (None if words is None else (*words[:2], pytest.approx(words[2])))
    # What was worked out from other numbers is not written anywhere.
    assert slip(replace(read_as(text), number=None), true, 1e-3 * true) is None


def test_a_moist_weight_is_told_as_it_is_written() -> None:
    dry = read_as("13.4 lb").dried(parse("5 %", SHARES))
    found = slip(dry, 0.95 * 13.4, 0.1)
    assert found is not None
    assert (found.meant, found.written, found.number) == ("kg", "lb", 13.4)


@pytest.mark.parametrize(("text", "true", "told"), [
    ("85.3 kg", 8.53, ("85.3 kg", "8.53 kg", 0.1)), ("0.853 kg", 8.53, ("0.853 kg", "8.53 kg", 10.0)),
    ("853 kg", 8.53, ("853 kg", "8.53 kg", 0.01)), ("0.0853 kg", 8.53, ("0.0853 kg", "8.53 kg", 100.0)),
    ("2.1 mg", 21e-6, ("2.1 mg", "21 mg", 10.0)), ("2 1/4 lb", 10.2, None), ("85.3 kg", 20.0, None),
])  # fmt: skip
def test_a_slip_of_the_point_is_offered(text: str, true: float, told: tuple[str, str, float] | None) -> None:
    found = slip(read_as(text), true, 1e-3 * true)
    if told is None:
        assert found is None
        return
    assert found is not None
    assert found.point
    assert (found.written, found.meant, found.factor) == told


def test_a_grade_may_slip_by_a_place() -> None:
    found = slip(read_as("31 g/t", GRADE), 3.1e-6, 0.1e-6)
    assert found is not None
    assert (found.written, found.meant) == ("31 g/t", "3.1 g/t")


def test_a_slip_of_the_point_is_said() -> None:
    problem = often()
    told = [
        replace(m, value=10 * m.value, sd=10 * m.sd, number=parse(f"{10 * m.value:.4g} kg", MASSES))
        if m.stream == "tails" else m for m in problem.measured
    ]  # fmt: skip
    right = next(m.value for m in problem.measured if m.stream == "tails")
    found = reconcile(problem.sheet, told)
    assert found.suspect is not None
    assert found.suspect.stream == "tails"
    written = parse(f"{10 * right:.4g} kg", MASSES).amount
    assert written is not None
    assert f"A slip of the point? {written} for {written.tenth} would explain it." in answer(found, 0)


def test_of_ties_the_one_that_would_be_off_by_least_is_named_first() -> None:
    """14.2 kg into 9 kg and 4.2 kg: 1 kg is missing, which is 7 % of the ore, 11 % of the lumps, 24 % of the fines."""
    sheet = sheet_of(TABLE)
    masses = {"ore": 14.2, "lumps": 9.0, "fines": 4.2}
    found = reconcile(sheet, [Measurement(name, MASS, kg, 0.01, False) for name, kg in masses.items()])
    assert found.suspect is not None
    assert found.suspect.name == "ore, mass"
    assert [(one.weight.name, one.tied, one.possible) for one in found.explained] == [
        ("lumps, mass", True, True), ("fines, mass", True, True)]  # fmt: skip
    assert [one.should_be.value for one in found.explained] == pytest.approx([10.0, 5.2], abs=1e-6)
    text = answer(found, 0)
    assert "A tie: the balance cannot tell it from the mass of lumps (reads 9.000 kg, would be 10.00 kg)" in text
    assert "since it would be off by least" in text


def test_what_would_leave_less_than_nothing_is_not_named_first() -> None:
    """5 kg of ore cannot give 9 kg of lumps and 4 kg of fines: were the lumps wrong they would be 1 kg, were the fines
    wrong less than nothing."""
    sheet = sheet_of(TABLE)
    masses = {"ore": 5.0, "lumps": 9.0, "fines": 4.0}
    found = reconcile(sheet, [Measurement(name, MASS, kg, 0.01, False) for name, kg in masses.items()])
    assert found.suspect is not None
    assert found.suspect.name != "fines, mass"
    assert "fines, mass" not in [one.weight.name for one in found.explained if one.possible]


def test_two_exchanged_weights_are_named() -> None:
    sheet = sheet_of(WEIGHED_OFTEN)
    problem = often()
    values = {m.stream: m.value for m in problem.measured}
    exchange = {"con": "dry tails", "dry tails": "con"}
    told = [replace(m, value=values[exchange.get(m.stream, m.stream)]) for m in problem.measured]
    found = reconcile(sheet, told)
    assert found.p < ALARM
    assert found.swapped is not None
    # con was exchanged with tails, dry or not: wherever they went, the pair brings the balance back.
    assert {found.swapped.first, found.swapped.second} == {"con", "dry tails"}
    assert found.swapped.p >= ALARM
    assert "were the two weights swapped" in answer(found, 0)


def test_no_exchange_is_named_where_weights_agree_or_none_repairs_them() -> None:
    problem = often()
    assert reconcile(problem.sheet, problem.measured).swapped is None
    told = [replace(m, value=1.5 * m.value) if m.stream == "ore" else m for m in problem.measured]
    assert reconcile(problem.sheet, told).swapped is None


def test_the_limit_of_one_check_is_the_normal_law() -> None:
    assert limit(1, 1) == pytest.approx(1.959964, abs=1e-6)
    # Many measurements of one balance all say the same: they are one check, not many.
    assert limit(10, 1) == pytest.approx(1.959964, abs=1e-6)
    assert limit(10, 10) == pytest.approx(stats.norm.isf((1 - 0.95**0.1) / 2), rel=1e-9)


# ── determined and undetermined, and what to weigh ──────────────────────────────────────────────────────────


def known(found: Reconciled) -> dict[str, str]:
    return {name: "m" * row.mass_determined + "g" * row.gold_determined for name, row in found.streams.items()}


@pytest.mark.parametrize(("text", "what", "wanted"), [
    (TABLE, [], {"ore": "m", "lumps": "", "fines": "", "broken": "", "con": "", "tails": ""}),
    (TABLE, ["lumps mass"], {"ore": "m", "lumps": "m", "fines": "m", "broken": "m", "con": "", "tails": ""}),
    (TABLE, ["con gold", "tails gold"],
     {"ore": "mg", "lumps": "", "fines": "", "broken": "", "con": "g", "tails": "g"}),
    (TABLE, ["ore grade", "con grade", "tails grade"],
     {"ore": "mg", "lumps": "", "fines": "", "broken": "", "con": "mg", "tails": "mg"}),
    (TABLE, ["broken mass", "broken grade", "tails grade"],
     {"ore": "m", "lumps": "mg", "fines": "m", "broken": "mg", "con": "", "tails": ""}),
    # What goes round is not told by what goes in and comes out, but by weighing any of it.
    (LOOP, ["con mass", "con gold", "tails grade"],
     {"ore": "mg", "coarse": "", "milled": "", "fine": "mg", "con": "mg", "tails": "mg"}),
    (LOOP, ["coarse mass", "con gold", "tails gold", "milled grade"],
     {"ore": "mg", "coarse": "mg", "milled": "mg", "fine": "mg", "con": "g", "tails": "g"}),
    (TWO_ORES, ["con mass", "con gold", "tails grade"],
     {"north": "m", "south": "m", "con": "mg", "tails": "mg"}),
    (TWO_ORES, ["con mass", "con gold", "tails grade", "north grade"],
     {"north": "mg", "south": "mg", "con": "mg", "tails": "mg"}),
])  # fmt: skip
def test_what_the_weights_determine(text: str, what: list[str], wanted: dict[str, str]) -> None:
    sheet = sheet_of(text)
    found = reconcile(sheet, said(sheet, *what))
    # "coarse grade" equals "milled grade" only in the model: the balance may not use that.
    assert known(found) == wanted
    for name, row in found.as_dict()["streams"].items():
        assert (row["mass_sd_kg"] is not None) == row["mass_determined"] == ("m" in wanted[name])
        assert (row["gold_sd_g"] is not None) == row["gold_determined"] == ("g" in wanted[name])
        assert row["determined"] == (wanted[name] == "mg")
        assert (row["weigh"] == []) == row["determined"]


@pytest.mark.parametrize("text", [TABLE, LOOP, TWO_ORES])
@pytest.mark.parametrize("what", [[], ["con mass", "con gold"], ["tails grade", "tails mass"]])
def test_what_it_says_would_tell_does_tell(text: str, what: list[str]) -> None:
    sheet = sheet_of(text)
    told = said(sheet, *what)
    found = reconcile(sheet, told)
    for name, needs in found.to_know.items():
        more = said(sheet, *(f"{s} {w}" for s, w in needs))
        after = reconcile(sheet, [*told, *more], look_further=False)
        assert after.streams[name].determined


def test_a_sheet_that_knows_the_mass_of_its_ore_only() -> None:
    sheet = replace(sheet_of(TABLE), weighed=(Measurement("ore", MASS, 14.2, 0.02, False),))
    found = reconcile_sheet(sheet)[""]
    assert known(found) == {"ore": "m", "lumps": "", "fines": "", "broken": "", "con": "", "tails": ""}
    assert math.isnan(found.head.sd)
    assert found.naive is None
    assert "do not tell" in answer(found, 1)
    assert found.next_weighing is not None


def test_a_sheet_that_knows_nothing_is_refused() -> None:
    sheet = replace(sheet_of(TABLE), weighed=())
    with pytest.raises(SheetError, match=r"nothing was weighed.*Add weighed:"):
        reconcile_sheet(sheet)
    sieved = Measurement("fines", PASSING, 0.5, 0.01, False, 0.001)
    with pytest.raises(SheetError, match="only sieves and grains"):
        reconcile_sheet(replace(sheet, weighed=(sieved,)))


def test_grains_are_left_out_and_said_to_be_and_a_sieve_that_nothing_checks_moves_nothing() -> None:
    sheet = sheet_of(TABLE)
    told = said(sheet, *MEASURED)
    more = [Measurement("fines", PASSING, 0.1, 0.01, False, 0.001), Measurement("con", GRAINS, 3.0, 2.0, False, 0.001)]
    found = reconcile(sheet, [*told, *more])
    for name, row in reconcile(sheet, told).streams.items():
        assert asdict(found.streams[name]) == pytest.approx(asdict(row), rel=1e-9)
    assert [note.numbers["what"] for note in found.notes if note.code == "no_use_in_a_balance"] == [GRAINS]


# ── the next weighing ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("dropped", [(), ("lumps grade",), ("fines grade", "con gold"), ("tails mass", "con mass")])
def test_the_next_weighing_is_the_best_of_all(dropped: Sequence[str]) -> None:
    """Every possible weighing is added for good, and everything is solved anew."""
    problem = noisy(2, *dropped)
    found = reconcile_problem(problem)
    assert found.next_weighing is not None
    outcomes = {}
    for choice in Choices(problem, problem.solve()).choices:
        more = problem.of_measured([*problem.measured, choice.measurement])
        x, (value, slope) = more.solve(), problem.reading(choice.measurement, problem.solve().x)
        # It reads what is expected, so only the doubt changes.
        again = problem.of_measured([*problem.measured, replace(choice.measurement, value=value)]).solve()
        head = problem.head(again.x)[1]
        outcomes[choice.measurement.stream, choice.measurement.what] = again.known.sd(head)
        assert x.settled
        assert slope.shape == again.x.shape
    known_then = {k: sd for k, sd in outcomes.items() if not math.isnan(sd)}
    best = min(known_then, key=lambda k: known_then[k])
    told = found.next_weighing
    assert told.sd_then == pytest.approx(known_then[best], rel=1e-6)
    assert known_then[told.stream, told.what] == pytest.approx(known_then[best], rel=1e-6)
    if found.head.known:
        assert told.sd_then < found.head.sd


# ── metal, head grade, tests ────────────────────────────────────────────────────────────────────────────────


def metal_weights() -> tuple[Sheet, list[Measurement]]:
    sheet = sheet_of(METAL)
    return sheet, [
        Measurement("con", MASS, 0.284, 0.001, False),
        Measurement("tails", GRADE, 3e-6, 0.3e-6, False),
        Measurement("slag", MASS, 0.3, 0.001, False),
        Measurement("slag", GRADE, 27e-6, 3e-6, False),
        Measurement("cupel loss", GOLD, 1e-6, 0.3e-6, False),
        Measurement("bead", MASS, 0.25e-3, 1e-6, False),
    ]


def test_the_head_grade_counts_everything_in() -> None:
    sheet, told = metal_weights()
    found = reconcile(sheet, told)
    tails, slag, cupel, bead = (14.2 - 0.284) * 3e-3, 0.3 * 27e-3, 1e-3, 0.25 * 0.87
    assert found.head.value == pytest.approx(1e-3 * (tails + slag + cupel + bead) / 14.2, rel=1e-9)
    assert found.naive == pytest.approx(1e-3 * bead / 14.2, rel=1e-12)
    shares = {p.stream: p.grade for p in found.parts}
    held = {"tails": tails, "slag": slag, "cupel loss": cupel, "bead": bead}
    assert shares == pytest.approx({stream: 1e-3 * gold / 14.2 for stream, gold in held.items()})
    # Doubts by hand: of the tails' and slag's grades and masses, the cupel, and the bead with its fineness.
    variance = (13.916 * 0.3e-3) ** 2 + (0.3 * 3e-3) ** 2 + (0.001 * 27e-3) ** 2 + (0.3e-3) ** 2
    variance += (0.87 * 1e-3) ** 2 + (0.25 * 0.02) ** 2 + (0.001 * 3e-3) ** 2
    feed = (0.02 * 1e3 * ((tails + slag + cupel + bead) / 14.2**2 - 3e-3 / 14.2)) ** 2
    assert found.head.sd == pytest.approx(1e-3 * math.sqrt(variance / 14.2**2 + 1e-6 * feed), rel=1e-6)
    row = found.streams["bead"]
    assert row.mass == pytest.approx(0.25e-3, rel=1e-12)
    assert row.mass_sd == pytest.approx(1e-6, rel=1e-9)
    text = answer(found, 1)
    ends = [found.head.value + k * 1.6448536 * found.head.sd for k in (-1, 1)]
    assert f"nine times in ten between {sig(1e6 * ends[0])} and {sig(1e6 * ends[1])} g/t" in text
    assert "bead over the feed gives only 15.3 g/t" in text
    assert "tails 2.94" in text


def test_over_fire_gold_alone_is_balanced() -> None:
    """A slag of 300 g, flux and all, at 27 g/t holds 8.1 mg, whatever went into the crucible weighs."""
    sheet, told = metal_weights()
    found = reconcile(sheet, told)
    slag = found.streams["slag"]
    assert 1e6 * slag.gold == pytest.approx(8.1, rel=1e-9)
    assert slag.mass == pytest.approx(0.3, rel=1e-12)
    assert found.streams["con"].mass == pytest.approx(0.284, rel=1e-12)
    assert found.suspect is None
    assert max(abs(w.adjusted / w.measured - 1) for w in found.weights) < 1e-9
    # By its gold alone it says the same, and what it weighs is not asked for.
    golden = [m for m in told if m.stream != "slag"]
    alone = reconcile(sheet, [*golden, Measurement("slag", GOLD, 8.1e-6, 0.9e-6, False)])
    assert alone.head.value == pytest.approx(found.head.value, rel=1e-9)
    assert not alone.streams["slag"].mass_determined
    assert "slag" not in alone.to_know
    # Where neither is known, the concentrate's grade tells it, or the slag's own mass and grade do.
    assert reconcile(sheet, golden).to_know["slag"] == [("con", GRADE)]


def test_a_wrong_slag_is_seen_by_its_gold() -> None:
    """Concentrate and bead are known, so the slag's gold is checked: by its amount, not by what it weighs."""
    sheet, told = metal_weights()
    held = reconcile(sheet, told).streams["con"].gold
    known = [*told, Measurement("con", GOLD, held, 0.005 * held, False)]
    assert reconcile(sheet, known).suspect is None
    heavy = [replace(m, value=1.5) if (m.stream, m.what) == ("slag", MASS) else m for m in known]
    found = reconcile(sheet, heavy)
    assert found.suspect is not None
    assert {"slag, mass", "slag, grade"} & {found.suspect.name, *found.as_likely}


def sack3(tmp_path: Path, *change: tuple[str, str]) -> Reconciled:
    """Reconcile the example's weigh sheet, with lines changed."""
    folder = Path(__file__).parent.parent / "examples" / "sack_test"
    text = (folder / "sack3.csv").read_text(encoding="utf-8")
    for old, new in change:
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "sack3.csv").write_text(text, encoding="utf-8")
    (tmp_path / "sack3.yaml").write_text((folder / "sack3.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    return reconcile_sheet(sheet_of(tmp_path / "sack3.yaml"))["sack3"]


def test_the_bead_counts_on_paper_though_the_feed_is_suspect(tmp_path: Path) -> None:
    found = sack3(tmp_path, ("tails,mass,13.41,", "tails,mass,14.1,"))
    assert found.suspect is not None
    assert found.suspect.name == "ore, mass"
    assert found.without is not None
    counted = {p.stream: p.counted for p in found.without.parts if p.counted}
    assert counted == {"bead": pytest.approx(268e-6 * 0.87 / 14.2, rel=1e-9)}
    # By hand: 309.2 mg of gold in 14.90 kg, of which the bead has 233.2; it alone over 14.2 kg makes 16.42 g/t.
    never = (found.without.streams["ore"].gold - 0.268e-3 * 0.87) / found.without.streams["ore"].mass
    assert never == pytest.approx(5.10e-6, abs=0.01e-6)
    text = answer(found, 1)
    assert "The bead over the feed gives 16.4 g/t, 4.33 less: 5.10 g/t never reached it (tails 2.93, spec" in text
    assert "and −0.772 g/t is what the weights were moved by" in text
    assert "(bead" not in text


def test_no_slip_from_a_unit_that_is_not_written_is_made_up(tmp_path: Path) -> None:
    found = sack3(tmp_path, ("bead,mass,0.268", "tails,moisture,5,%,,,\nbead,mass,0.268"))
    assert found.suspect is not None
    # All four of the one balance explain it, but the specimens' 0.62 kg are not written in lb.
    assert {found.suspect.name, *found.as_likely} == {f"{s}, mass" for s in ("ore", "specimens", "con", "tails")}
    assert found.suspect.name != "specimens, mass"
    assert found.without is not None
    assert found.without.slip is None
    assert "slip" not in answer(found, 0)
    # Where lb was written for kg, it is what was slipped, and told first though others are as likely.
    slipped = sack3(tmp_path, ("specimens,mass,0.62,kg,0.01", "specimens,mass,0.62,lb,0.01"))
    assert slipped.suspect is not None
    assert slipped.suspect.name == "specimens, mass"
    assert "0.620 kg written as lb would explain it" in answer(slipped, 0)


def test_a_bead_made_of_a_stream_is_its_gold() -> None:
    sheet = sheet_of(METAL)
    found = reconcile(sheet, [Measurement("tails", BEAD, 0.05e-3, 1e-6, False)])
    assert found.streams["tails"].gold == pytest.approx(0.05e-3 * 0.87, rel=1e-12)
    assert found.streams["tails"].gold_determined
    assert not found.streams["tails"].mass_determined


def test_the_grade_of_metal_is_not_used_and_that_is_said() -> None:
    sheet, told = metal_weights()
    found = reconcile(sheet, [*told, Measurement("bead", GRADE, 0.9, 0.01, False)])
    assert found.streams == reconcile(sheet, told).streams
    assert [note.subject.stream for note in found.notes if note.code == "grade_of_metal"] == ["bead"]


def test_a_loop_is_said_to_hold_nothing_back() -> None:
    notes = reconcile(sheet_of(LOOP), []).notes
    assert [note.numbers["loop"] for note in notes if note.code == "loop_holds_nothing"] == ["mill → sieve → mill"]


def test_every_test_is_reconciled_on_its_own() -> None:
    sheet = sheet_of(TABLE)
    one = said(sheet, *MEASURED)
    other = [replace(m, value=2 * m.value if m.what in (MASS, GOLD) else m.value, test="sack4") for m in one]
    one = [replace(m, test="sack3") for m in one]
    found = reconcile_sheet(replace(sheet, weighed=(*one, *other)))
    assert list(found) == ["sack3", "sack4"]
    assert found["sack4"].streams["tails"].mass == pytest.approx(2 * found["sack3"].streams["tails"].mass)
    plain: dict[str, Any] = as_dict(found)
    assert plain["tests"].keys() == {"sack3", "sack4"}
    assert {k: v for k, v in plain.items() if k != "tests"} == plain["tests"]["sack3"]


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────

WEIGHED = """
title: an invented sack
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t}
steps:
  scalp: {do: factors, takes: ore, gives: {over: lumps, under: fines}, split: {over: 40 %}, recovery: {over: 40 %}}
  break: {do: factors, takes: [lumps, fines], gives: {out: broken}}
  wash: {do: factors, takes: broken, gives: {con: con, tail: tails}, split: {con: 2 %}, recovery: {con: 80 %}}
keep: [con]
weighed:
  lumps: {mass: 5.68 kg ± 10 g}
  fines: {mass: 8.52 kg}
  broken: {mass: 14.19 kg ± 10 g, grade: 20 g/t}
  con: {mass: 284 g ± 1 g, gold: 0.25 g ± 2 mg}
  tails: {mass: TAILS, grade: 4.2 g/t}
"""


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[..., Any]:
    """Return a function that writes a sheet, reconciles it, and returns the exit code and what was printed."""
    monkeypatch.chdir(tmp_path)

    def run(text: str, *options: str) -> tuple[int, str, str]:
        Path("sack.yaml").write_text(text, encoding="utf-8")
        monkeypatch.setattr(sys, "argv", ["flowsheet", "reconcile", "sack.yaml", *options])
        with pytest.raises(SystemExit) as done:
            cli.main()
        printed = capsys.readouterr()
        return int(done.value.code or 0), printed.out, printed.err

    return run


def test_the_command_prints_json(command: Callable[..., Any]) -> None:
    code, out, err = command(WEIGHED.replace("TAILS", "13.91 kg ± 10 g"), "--json")
    assert (code, err) == (0, "")
    found = json.loads(out, parse_constant=pytest.fail)
    for row in found["streams"].values():
        assert {"mass_kg", "mass_sd_kg", "gold_g", "gold_sd_g", "determined"} <= row.keys()
    assert found["chi2"].keys() == {"value", "dof", "p"}
    assert found["chi2"]["dof"] == 4
    assert found["suspect"] is None
    assert found["head_grade_g_per_t"].keys() == {"value", "sd"}
    assert found["naive_grade_g_per_t"] == pytest.approx(0.25 / 14.2e-3, rel=1e-9)
    ends = [found["streams"][name]["gold_g"] for name in ("con", "tails")]
    assert sum(ends) == pytest.approx(found["streams"]["ore"]["gold_g"], rel=1e-9)
    assert found["head_grade_g_per_t"]["value"] == pytest.approx(sum(ends) / 14.2e-3, rel=1e-3)
    assert sum(part["g_per_t"] for part in found["parts"]) == pytest.approx(found["head_grade_g_per_t"]["value"])
    assert found["streams"]["lumps"]["gold_sd_g"] is None
    _, out, _ = command(WEIGHED.replace("TAILS", "12.91 kg ± 10 g"), "--json")
    spoiled = json.loads(out)
    assert spoiled["suspect_weight"] == f"{spoiled['suspect']}, mass"
    assert "tails, mass" in [spoiled["suspect_weight"], *spoiled["as_likely"]]  # nothing parts it from con's


def test_the_command_answers_in_sentences(command: Callable[..., Any]) -> None:
    code, out, err = command(WEIGHED.replace("TAILS", "13.91 g ± 10 mg"), "--out", "out")
    assert code == 0
    text = " ".join(out.split())
    assert "an invented sack" in text
    assert (
        "The one to look at is the mass of tails: it reads 13.910 ± 0.010 g where all the others want "
        "13.9106 ± 0.0075 kg" in text
    )
    assert "13.9 kg written as g would explain it" in text
    assert "What is the head grade, with everything counted in?" in text
    assert "which is the better guess: 21.65 ± 0.43 g/t" in text
    assert "The gold weighed over the feed gives only 17.6 g/t: 4.05 g/t never reached it (tails 4.05)" in text
    assert "Streams that balance without the mass of tails" in text
    assert "First weigh tails again" in text
    assert "assay lumps" in text
    assert "not a resource statement" in text
    written = [Path("out") / name for name in ("reconciled.csv", "weights.csv", "parts.csv", "weights.png")]
    assert all(str(path) in err for path in written)
    assert written[-1].read_bytes().startswith(b"\x89PNG")
    rows = list(csv.DictReader(written[1].read_text(encoding="utf-8").splitlines()))
    assert [row["Doubt is"] for row in rows if row["Stream"] == "fines"] == ["assumed"]
    assert len(rows) == 9
    streams = {row["Stream"]: row for row in csv.DictReader(written[0].read_text(encoding="utf-8").splitlines())}
    assert streams["lumps"]["Gold, g"] == ""
    assert max(len(line) for line in out.splitlines()) <= 100


def test_the_command_refuses_a_sheet_that_weighed_nothing(command: Callable[..., Any]) -> None:
    code, out, err = command(WEIGHED.partition("weighed:")[0])
    assert (code, out) == (2, "")
    assert err == (
        "sack.yaml: weighed: nothing was weighed, so there is nothing to reconcile. Add weighed: and under it a line "
        "for each stream, as tails: {mass: 8.0 kg, grade: 3.1 g/t}.\n"
    )


def test_weights_are_plotted_where_nothing_is_checked_and_names_are_odd() -> None:
    sheet = sheet_of(TABLE.replace("tails", "_$x$ tails"))
    found = {"one/two": reconcile(sheet, said(sheet, "lumps mass")), "": reconcile(sheet, said(sheet, *MEASURED[:3]))}
    files = reconciled_files(found)
    assert len(files) == 8
    assert all(files.values())
    assert not any("/" in name for name in files)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 30, 301])
def test_the_chance_of_a_misfit_is_chi_squares(dof: int) -> None:
    for misfit in (0.0, 1e-9, 0.3, dof / 2, float(dof), 2.0 * dof, 30.0 * dof, math.inf):
        assert chi2_tail(misfit, dof) == pytest.approx(float(stats.chi2.sf(misfit, dof)), rel=1e-11)
    for checked in (1, 3, 40):
        alone = float(stats.norm.isf((1 - 0.95 ** (1 / checked)) / 2))
        assert limit(checked, dof) == pytest.approx(min(alone, math.sqrt(float(stats.chi2.isf(0.05, dof)))), rel=1e-12)
