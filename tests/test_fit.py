"""Fits: the known truth of invented data, closed forms, bounds, what stays untold, the fitted sheet, forecasts."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import SIEVES, WASHED, first, grains_in, measured, solved_at, truth_of, washed_data
from sheets import sheet_of

from flowsheet import starters
from flowsheet.show.estimate import fit_words, fitted
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import Measurement
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with, limits, places
from flowsheet.study.estimate import predicted_weights
from flowsheet.study.estimate.bounded_lsq import STEP, derivatives
from flowsheet.study.estimate.evidence import Evidence
from flowsheet.study.estimate.fit import Fitted, fit
from flowsheet.study.estimate.laplace_posterior import LaplacePosterior, _cut_normal
from flowsheet.study.estimate.profile_likelihood import profiles
from flowsheet.study.run.run import run

CONFIGS = sorted(starters.folder().glob("*.yaml"))
Z90 = 1.6448536269514722


def one(found: Fitted, name: str):  # type: ignore[no-untyped-def]
    return next(p for p in found.parameters if p.unknown.label == name)


# ── what the model says of each measurement ─────────────────────────────────────────────────────────────────


def test_predictions_are_what_a_run_tells() -> None:
    sheet = sheet_of(FIRED)
    found = run(sheet)
    for name, stream in found.streams.items():
        told = predicted_weights.predict(found.solution, [
            measured(name, what, 0.0) for what in ("mass", "grade", "gold", "bead")
        ])  # fmt: skip
        metal = stream.gold + stream.silver
        assert told == pytest.approx([stream.mass, stream.grade, stream.gold, metal], rel=1e-12)


def test_passing_and_grains_by_plain_sums() -> None:
    sheet = sheet_of(WASHED)
    solution = solve(Model.of(sheet, SIEVES))
    grid, powder = solution.model.grid, solution.streams["powder"]
    asked = [measured("powder", "passing", 0, size=SIEVES[0]), measured("powder", "grains", 0, size=SIEVES[0]),
             measured("powder", "grains", 0)]  # fmt: skip
    below = sum(powder.light[i] + powder.heavy[i] for i in range(len(grid)) if grid.upper[i] <= SIEVES[0] * 1.0001)
    fine = 0.9 / (0.9 / 19300 + 0.1 / 10490)
    number = [
        (powder.free[j] + powder.locked[:, j].sum()) / (math.pi / 6 * grid.size[j] ** 3 * fine)
        for j in range(len(grid))
    ]
    coarse = sum(number[j] for j in range(len(grid)) if grid.lower[j] >= SIEVES[0] * 0.9999)
    assert predicted_weights.predict(solution, asked) == pytest.approx(
        [below / float(powder.solids), coarse, sum(number)], rel=1e-9
    )


def test_downstream_follows_the_graph() -> None:
    found = predicted_weights.downstream(sheet_of(FIRED))
    assert found["con"] == {"con", "bead", "cupel"}
    assert found["tails"] == {"tails"}
    assert found["ore"] >= {"con", "tails", "bead", "cupel"}


FIRED = """
ore:
  mass: 5 kg
  grade: 20 g/t ± 10 g/t
  sizes: {top: 4 mm, p80: 2 mm}
  gold: {d50: 0.15 mm, d95: 0.5 mm, fineness: 900}
steps:
  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, r_max: 90 % ± 5 %}
  fire: {do: cupel, takes: con, gives: {bead: bead, absorbed: cupel}, gold_loss: 20 %}
keep: bead
"""


def test_the_covariance_of_luck_is_that_of_grains_drawn_one_by_one() -> None:
    # Without the few huge grains of a lognormal law's tail, which no number of draws gets right.
    table = "sizes: [{sieve: 0.5 mm, passing: 100 %}, {sieve: 0.15 mm, passing: 50 %}, {sieve: 0.05 mm, passing: 9 %}]"
    sheet = sheet_of(FIRED.replace("d50: 0.15 mm, d95: 0.5 mm", table))
    size = 0.18e-3
    solution = solved_at(sheet, {}, (size,))
    data = [measured("con", "gold", 0), measured("bead", "mass", 0), measured("tails", "grade", 0),
            measured("tails", "grains", 0, size=size), measured("ore", "gold", 0)]  # fmt: skip
    told = predicted_weights.luck(solution, data, [range(len(data))])
    rng = np.random.default_rng(1)
    metal = first(solution.metal("bead") / solution.streams["bead"].gold)
    coarse = solution.model.grid.coarser(size)
    rows = []
    for _ in range(20_000):
        counts, each = grains_in(solution, ("bead", "cupel", "tails"), rng)
        gold = {name: number @ each for name, number in counts.items()}
        tails = solution.streams["tails"]
        rows.append([gold["bead"] + gold["cupel"], metal * gold["bead"], gold["tails"] / first(tails.solids),
                     counts["tails"][:coarse].sum(), sum(gold.values())])  # fmt: skip
    drawn = np.cov(np.array(rows), rowvar=False)
    sd = np.sqrt(np.diag(drawn))
    # 20 000 draws know a correlation to about 0.007, a variance to about 1 %; grains are skewed, so thrice that.
    assert told / np.outer(sd, sd) == pytest.approx(drawn / np.outer(sd, sd), abs=0.05)
    assert told[0, 2] == 0


def test_grains_that_lie_together_come_together() -> None:
    text = """
ore: {mass: 10 kg, grade: 40 g/t, sizes: {top: 60 mm, p80: 40 mm}, gold: {d50: 0.5 mm, d95: 2 mm}}
steps: {look: {do: sort, takes: ore, gives: {picked: picked, left: left}, cluster: 1}}
keep: picked
"""
    data = [measured("ore", "grade", 0)]
    sheets = (sheet_of(text.replace("cluster: 1", f"cluster: {c}")) for c in (1, 5))
    apart, together = (predicted_weights.luck(solved_at(sheet, {}), data, [[0]])[0, 0] for sheet in sheets)
    assert together == pytest.approx(5 * apart, rel=1e-12)


def test_streams_that_meet_share_no_more_luck_than_can_be() -> None:
    text = """
ore: {mass: 10 kg, grade: 40 g/t, sizes: {top: 6 mm, p80: 4 mm}, gold: {d50: 0.5 mm, d95: 2 mm}}
steps:
  part:  {do: split, takes: ore, gives: {a: a, b: b}, split: {a: 50 %}}
  parta: {do: split, takes: a, gives: {a1: a1, a2: a2}, split: {a1: 50 %}}
  partb: {do: split, takes: b, gives: {b1: b1, b2: b2}, split: {b1: 10 %}}
  mix:   {do: split, takes: [a1, b2], gives: {one: one, two: two}, split: {one: 99 %}}
keep: one
"""
    names = ("ore", "a", "b", "a1", "b2", "one")
    told = predicted_weights.luck(
        solved_at(sheet_of(text), {}), [measured(n, "gold", 0) for n in names], [range(len(names))]
    )
    sd = np.sqrt(np.diag(told))
    assert np.linalg.eigvalsh(told / np.outer(sd, sd)).min() > -1e-12


# ── derivatives, closed forms ───────────────────────────────────────────────────────────────────────────────


def test_derivatives_against_plain_differences() -> None:
    sheet = sheet_of(WASHED)
    evidence = Evidence.of(sheet, washed_data(sheet, {}, np.random.default_rng(1)))
    at = evidence.prior
    values, slope = derivatives(evidence.predicted, at, evidence.lower, evidence.upper, STEP * evidence.prior_sd)
    names = [u.name for u in evidence.unknowns]
    model = evidence.model

    def alone(x: np.ndarray) -> np.ndarray:
        inputs = inputs_with(model, {n: np.asarray(v) for n, v in zip(names, x, strict=True)}, None)
        return predicted_weights.predict(solve(model, inputs), evidence.measured)

    assert values == pytest.approx(alone(at), rel=1e-12)
    for i, sd in enumerate(evidence.prior_sd):
        step = 1e-2 * sd * np.eye(len(at))[i]
        # Richardson's extrapolation of two plain differences.
        fine, wide = ((alone(at + k * step) - alone(at - k * step)) / (2 * k * 1e-2 * sd) for k in (1, 2))
        plain = (4 * fine - wide) / 3
        assert slope[:, i] == pytest.approx(plain, rel=1e-5, abs=1e-9 * np.abs(values).max() / sd)


def test_derivatives_keep_within_bounds_and_are_right_there() -> None:
    seen = []

    def cubes(sets: np.ndarray) -> np.ndarray:
        seen.append(sets)
        return sets**3

    lower, upper = np.array([1.0, 0.0, -5.0]), np.array([9.0, 2.0, 5.0])
    values, slope = derivatives(cubes, np.array([1.0, 2.0, 0.5]), lower, upper, np.full(3, 1e-3))
    assert values == pytest.approx([1, 8, 0.125])
    assert slope == pytest.approx(np.diag([3, 12, 0.75]), abs=1e-9)
    assert np.all(seen[0] >= lower)
    assert np.all(seen[0] <= upper)


BLEND = """
ores:
  east: {mass: 10 kg, grade: 20 g/t ± 3 g/t}
  west: {mass: 30 kg, grade: 5 g/t ± 0.5 g/t}
steps:
  mix:  {do: factors, takes: [east, west], gives: {one: one, two: two}, split: {one: 40 %}, recovery: {one: 40 %}}
  wash: {do: factors, takes: one, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 75 %}}
keep: [con, two]
"""


def test_a_linear_model_with_normal_doubts_has_its_closed_form() -> None:
    data = [measured("con", "gold", 0.13e-3, 0.02e-3), measured("two", "grade", 7.1e-6, 0.6e-6),
            measured("tails", "gold", 0.05e-3, 0.01e-3)]  # fmt: skip
    found = fit(sheet_of(BLEND), data)
    slope = np.array([[10 * 0.4 * 0.75, 30 * 0.4 * 0.75], [10 / 40, 30 / 40], [10 * 0.4 * 0.25, 30 * 0.4 * 0.25]])
    noise = np.diag([1 / m.sd**2 for m in data])
    prior, doubt = np.array([20e-6, 5e-6]), np.diag([1 / 3e-6**2, 1 / 0.5e-6**2])
    covariance = np.linalg.inv(slope.T @ noise @ slope + doubt)
    mean = covariance @ (slope.T @ noise @ np.array([m.value for m in data]) + doubt @ prior)
    assert [p.value for p in found.parameters] == pytest.approx(mean, rel=1e-9)
    scale = np.sqrt(np.diag(covariance))
    assert found.posterior.covariance / np.outer(scale, scale) == pytest.approx(
        covariance / np.outer(scale, scale), abs=1e-8
    )
    misfit = np.array([m.value for m in data]) - slope @ mean
    chi2 = misfit @ noise @ misfit + (mean - prior) @ doubt @ (mean - prior)
    assert (found.chi2, found.dof) == (pytest.approx(chi2, rel=1e-8), 3)
    assert [p.told for p in found.parameters] == pytest.approx(1 - np.diag(covariance) * np.diag(doubt), abs=1e-8)
    # A profile of a sum of squares in a linear model is a parabola.
    by_profile = profiles(found)
    for p, m, s in zip(found.parameters, mean, scale, strict=True):
        assert (p.low, p.high) == pytest.approx((m - Z90 * s, m + Z90 * s), rel=1e-6)
        mine = by_profile[p.name]
        assert (mine.low, mine.high) == pytest.approx((m - Z90 * s, m + Z90 * s), rel=1e-3)


def test_a_gross_error_is_named_and_what_the_rest_would_have_it_at() -> None:
    data = [measured("con", "gold", 0.075e-3 * 1.5, 0.001e-3), measured("two", "grade", 6.25e-6, 0.05e-6),
            measured("tails", "gold", 0.025e-3, 0.001e-3), measured("two", "gold", 0.15e-3, 0.002e-3)]  # fmt: skip
    text = BLEND.replace("20 g/t ± 3 g/t", "10 g/t ± 1 g/t")
    found = fit(sheet_of(text), data)
    worst = max(found.checked, key=lambda c: abs(c.suspicion))
    assert found.p < 1e-6
    assert worst.measurement.name == "con, gold"
    assert worst.without == pytest.approx(0.075e-3, rel=0.03)
    assert "con, gold" in " ".join(fit_words.fits(found))
    rest = fit(sheet_of(text), data[1:])
    # Leaving it out and predicting it comes to the same in a linear model.
    solution = rest.evidence.solution(rest.posterior.mode[None])
    assert worst.without == pytest.approx(float(predicted_weights.predict(solution, data[:1])[0, 0]), rel=1e-6)


# ── luck, counts, several tests ─────────────────────────────────────────────────────────────────────────────


def test_a_count_alone_gives_the_poisson_estimate() -> None:
    sheet = sheet_of(FIRED.replace("20 g/t ± 10 g/t", "1 g/t to 100 g/t").replace("90 % ± 5 %", "90 %"))
    for number in (4, 25, 100):
        found = fit(sheet, [measured("tails", "grains", number, size=0.25e-3)], look_further=False)
        assert found.checked[0].fitted == pytest.approx(number, rel=1e-5)
        grade = found.parameters[0]
        if number == 100:
            assert grade.sd / grade.value == pytest.approx(1 / 10, rel=0.05)


def test_no_grain_found_is_news_too() -> None:
    found = fit(sheet_of(FIRED), [measured("con", "grains", 0, size=0.18e-3)], look_further=False)
    assert found.settled
    assert one(found, "ore.grade").value < 20e-6


def test_the_grade_of_the_pile_holds_the_luck_of_the_sack() -> None:
    sheet = sheet_of(FIRED.replace("± 5 %", "").replace("± 10 g/t", "± 100 g/t"))
    data = [measured("bead", "mass", 0.08e-3, 1e-9)]
    found = fit(sheet, data, look_further=False)
    grade = found.parameters[0]
    solution = found.evidence.solution(found.posterior.mode[None])
    luck = math.sqrt(predicted_weights.luck_alone(solution, data)[0])
    assert luck / 0.08e-3 > 0.05
    assert grade.sd / grade.value == pytest.approx(luck / 0.08e-3, rel=0.05)


def test_several_sacks_share_the_ore_but_not_their_luck() -> None:
    sheet = sheet_of(FIRED.replace("± 5 %", "").replace("± 10 g/t", "± 100 g/t"))
    single = fit(sheet, [measured("bead", "mass", 0.08e-3, 1e-9, test="a")], look_further=False)
    sacks = "abcd"
    four = fit(sheet, [measured("bead", "mass", 0.08e-3, 1e-9, test=t) for t in sacks], look_further=False)
    assert four.parameters[0].value == pytest.approx(single.parameters[0].value, rel=1e-2)
    assert four.parameters[0].sd == pytest.approx(single.parameters[0].sd / 2, rel=0.02)
    # Twice the sack with twice the bead is the same ore.
    doubled = [measured("bead", "mass", 0.08e-3 * k, 1e-9, test=t) for t, k in zip(sacks, (1, 2, 1, 2), strict=True)]
    doubled += [measured("ore", "mass", 5.0 * k, 1e-4, test=t) for t, k in zip(sacks, (1, 2, 1, 2), strict=True)]
    found = fit(sheet, doubled, look_further=False)
    assert found.own[0].value == pytest.approx(four.own[0].value, rel=1e-3)
    assert [p.value for p in found.parameters if p.unknown.test is not None] == pytest.approx([5, 10, 5, 10], rel=1e-3)
    assert len(found.own) == 1
    assert found.own[0].sd < four.own[0].sd


@pytest.mark.parametrize(("stated", "value", "sd"), [
    ("10 kg ± 300 g", 10.0, 0.3), ("10 kg ± 300 g", 10.4, 0.2), ("10 ± 3 %", 10.4, 0.3), ("9 kg to 10 kg", 10.4, 0.3),
])  # fmt: skip
def test_a_feed_that_was_weighed_is_not_counted_twice(stated: str, value: float, sd: float) -> None:
    sheet = sheet_of(BLEND.replace("mass: 10 kg", f"mass: {stated.replace('10 ±', '10 kg ±')}"))
    found = fit(sheet, [measured("east", "mass", value, sd), measured("two", "grade", 7e-6, 1e-6)], look_further=False)
    # The same as where the sheet says what was weighed, and nobody weighed it again.
    once = fit(sheet_of(BLEND.replace("mass: 10 kg", f"mass: {value} kg ± {sd} kg")),
               [measured("two", "grade", 7e-6, 1e-6)], look_further=False)  # fmt: skip
    mass, wanted = one(found, "ores.east.mass"), one(once, "ores.east.mass")
    assert (mass.value, mass.sd) == (pytest.approx(wanted.value, rel=1e-6), pytest.approx(wanted.sd, rel=1e-4))
    assert mass.sd == pytest.approx(sd, rel=0.05)
    assert [c.measurement.stream for c in found.checked] == ["two"]
    text = " ".join(fit_words.fits(found))
    assert f"ores.east.mass was weighed, so that weight counts ({mass.unknown.number.text}) in place of" in text
    assert mass.unknown.stated in text
    assert fitted.as_dict(found, None)["parameters"]["ores.east.mass"]["stated"] == mass.unknown.stated
    assert mass.unknown.number.text.startswith(f"{value:g}"[:4])


def test_a_feed_that_was_not_weighed_is_what_the_sheet_says() -> None:
    sheet = sheet_of(BLEND.replace("mass: 10 kg", "mass: 10 kg ± 300 g"))
    found = fit(sheet, [measured("two", "grade", 7e-6, 1e-6)], look_further=False)
    assert one(found, "ores.east.mass").unknown.number.text == "10 kg ± 300 g"
    assert "was weighed, so" not in " ".join(fit_words.fits(found))


# ── priors, bounds, what stays untold ───────────────────────────────────────────────────────────────────────

RECOVERED = """
ore: {mass: 10 kg, grade: 20 g/t ± 8 g/t}
steps:
  wash:
    {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 % to 6 %}, recovery: {con: 70 % to 90 %}}
keep: con
"""


def test_an_even_spread_of_which_nothing_tells_stays_as_it_was() -> None:
    found = fit(sheet_of(RECOVERED), [measured("con", "mass", 0.3, 0.02)])
    rest, split = one(found, "wash.recovery.con"), one(found, "wash.split.con")
    assert rest.value == pytest.approx(0.8, abs=1e-9)
    assert rest.sd == pytest.approx(0.2 / math.sqrt(12), rel=0.03)
    assert (rest.low, rest.high) == (pytest.approx(0.71, abs=0.004), pytest.approx(0.89, abs=0.004))
    assert not rest.informed
    assert split.value == pytest.approx(0.03, rel=1e-6)
    assert split.sd == pytest.approx(0.002, rel=0.03)
    assert split.informed


def test_an_even_spread_holds_its_ends_and_says_so() -> None:
    found = fit(sheet_of(RECOVERED), [measured("con", "mass", 0.9, 0.02)])
    split = one(found, "wash.split.con")
    assert (split.value, split.bound) == (0.06, "upper")
    assert split.high <= 0.06
    assert "upper bound" in " ".join(fit_words.learnt(found))
    mine = profiles(found)["wash.split.con"]
    assert (mine.high, mine.high_at_bound) == (0.06, True)


def test_the_bead_alone_tells_grade_and_recovery_only_together() -> None:
    found = fit(sheet_of(RECOVERED.replace("70 % to 90 %", "80 % ± 10 %")), [measured("con", "gold", 0.16e-3, 1e-7)])
    assert [set(t.names) for t in found.tangles] == [{"ore.grade", "wash.recovery.con"}]
    assert found.tangles[0].signs == (1, -1)
    assert "cannot be told apart" in " ".join(fit_words.untold(found))
    # The assay of the tails that would part them is what is asked for.
    wanted = next(a for a in found.advice if "wash.recovery.con" in a.names)
    assert (wanted.stream, wanted.what) == ("tails", "grade")
    more = [measured("con", "gold", 0.16e-3, 1e-7), measured("tails", "grade", 4e-6, 0.2e-6),
            measured("con", "mass", 0.4, 0.01)]  # fmt: skip
    parted = fit(sheet_of(RECOVERED.replace("70 % to 90 %", "80 % ± 10 %")), more)
    assert found.tangles[0].open
    assert not any(t.open for t in parted.tangles)
    assert "only together" in " ".join(fit_words.untold(parted))


def test_what_the_weighing_asked_for_is_said_to_tell_it_does() -> None:
    sheet = sheet_of(WASHED)
    data = [m for m in washed_data(sheet, {}, np.random.default_rng(2)) if m.what == "mass"]
    before = fit(sheet, data)
    advice = next(a for a in before.advice if "mill.gap" in a.names)
    assert advice.takes is not None
    assert advice.what == "passing"
    more = measured(advice.stream, advice.what, 0.0, 0.01, advice.size)
    model = Model.of(sheet, [advice.size or 0.0])
    more = replace(more, value=float(predicted_weights.predict(solve(model), [more])[0]))
    after = fit(sheet, [*data, more])
    took = 1 - (one(after, "mill.gap").sd / one(before, "mill.gap").sd) ** 2
    assert took == pytest.approx(advice.takes, abs=0.1)


def test_a_number_that_moves_the_weights_in_jumps_is_said_to() -> None:
    text = """
ore: {mass: 10 kg, grade: 40 g/t, sizes: {top: 60 mm, p80: 40 mm}, gold: {d50: 0.5 mm, d95: 2 mm}}
steps: {look: {do: sort, takes: ore, gives: {picked: picked, left: left}, sees: 0.4 mm ± 0.1 mm}}
keep: picked
"""
    data = [measured("picked", "mass", 2.0, 0.01)]
    with pytest.raises(SheetError, match="only in jumps"):
        fit(sheet_of(text), data)
    found = fit(sheet_of(text.replace("40 g/t", "40 g/t ± 10 g/t")), data)
    sees = one(found, "look.sees")
    assert (sees.value, sees.sd, sees.jumps, sees.informed) == (0.4e-3, 0.1e-3, True, False)
    assert one(found, "ore.grade").informed
    assert "only in jumps" in " ".join(fit_words.untold(found))


def test_draws_within_bounds_follow_the_law() -> None:
    precision = np.linalg.inv(np.array([[1.0, 0.95], [0.95, 1.0]]))
    lower, upper = np.array([-0.5, -np.inf]), np.array([np.inf, 0.8])
    law = LaplacePosterior(np.array([0.2, 0.1]), precision, lower, upper, np.ones(2))
    rng = np.random.default_rng(3)
    plain = rng.multivariate_normal([0.2, 0.1], np.linalg.inv(precision), 400_000)
    plain = plain[((plain >= lower) & (plain <= upper)).all(axis=1)]
    found = law.draws(20_000, 1)
    assert np.all((found >= lower) & (found <= upper))
    assert found.mean(axis=0) == pytest.approx(plain.mean(axis=0), abs=0.02)
    assert np.cov(found.T) == pytest.approx(np.cov(plain.T), abs=0.02)
    for share in (5, 50, 95):
        assert np.percentile(found, share, axis=0) == pytest.approx(np.percentile(plain, share, axis=0), abs=0.03)


def test_draws_at_a_bound_lean_against_it() -> None:
    # The unbounded law is highest at 2, beyond the bound at 1.
    precision = np.array([[4.0, 0.0], [0.0, 1.0]])
    law = LaplacePosterior(np.array([1.0, 0.0]), precision, np.full(2, -9.0), np.array([1.0, 9.0]), np.ones(2),
                    slope=np.array([4.0 * (1 - 2), 0.0]))  # fmt: skip
    plain = 2 + 0.5 * np.random.default_rng(1).standard_normal(2_000_000)
    plain = plain[plain <= 1]
    found = law.draws(40_000, 1)[:, 0]
    assert found.mean() == pytest.approx(plain.mean(), abs=0.005)
    assert np.percentile(found, [5, 50, 95]) == pytest.approx(np.percentile(plain, [5, 50, 95]), abs=0.01)


@pytest.mark.parametrize("end", [0.5, 8.0, 30.0, 37.0, 38.0, 39.0, 40.0, 100.0, 1e4])
def test_the_normal_law_keeps_its_tail_however_far_out_it_is_cut(end: float) -> None:
    chances = np.array([0.01, 0.5, 0.99])
    for width in (1 / end, np.inf, 1000.0 - end if end < 1000 else 1.0):
        low, high = np.full(3, end), np.full(3, end + width)
        found = _cut_normal(low, high, chances)
        assert np.all((low <= found) & (found <= high))
        # Against the tail by quadrature: its density falls as exp(-end t - t²/2) from where it is cut.
        t = np.linspace(0, min(width, 30 / end), 200_001)
        density = np.exp(-end * t - t**2 / 2)
        below = np.concatenate([[0], np.cumsum((density[1:] + density[:-1]) / 2)])
        assert np.interp(found - low, t, below / below[-1]) == pytest.approx(chances, abs=1e-5)
        assert _cut_normal(-high, -low, 1 - chances) == pytest.approx(-found, rel=1e-12)


def test_draws_where_only_bounds_confine_are_even() -> None:
    # The sum is known, the difference is not: the points lie evenly on the line that the bounds leave.
    precision = np.full((2, 2), 1e6)
    law = LaplacePosterior(np.zeros(2), precision, np.full(2, -1.0), np.array([1.0, 0.5]), np.ones(2))
    found = law.draws(20_000, 1)
    assert np.abs(found.sum(axis=1)).max() < 0.01
    assert found[:, 0].mean() == pytest.approx(0.25, abs=0.01)
    assert found[:, 0].std() == pytest.approx(1.5 / math.sqrt(12), rel=0.02)


# ── refusals ────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "data", "wanted"),
    [
        (RECOVERED, [], "Add weighed:"),
        ("""
ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: factors, takes: ore, gives: {a: a, b: b}, split: {a: 2 %}, recovery: {a: 70 %}}}
keep: a
""", [measured("a", "mass", 0.2, 0.01)], "grade: 20 g/t ± 30 %"),
    ],
    ids=["nothing weighed", "no doubt"],
)  # fmt: skip
def test_nothing_to_fit_is_refused_with_what_to_type(text: str, data: list[Measurement], wanted: str) -> None:
    with pytest.raises(SheetError) as wrong:
        fit(sheet_of(text), data)
    assert wanted in str(wrong.value.mistakes[0])


def test_what_the_sheet_cannot_foretell_is_left_out_and_told() -> None:
    data = [measured("con", "gold", 0.16e-3, 1e-6), measured("con", "grains", 50, size=0.1e-3),
            measured("tails", "passing", 0.5, 0.01, size=1e-3)]  # fmt: skip
    found = fit(sheet_of(RECOVERED), data)
    assert [c.measurement for c in found.checked] == data[:1]
    assert "Not used: con, grains +0.1 mm and tails, passing 1 mm" in " ".join(fit_words.fits(found))
    with pytest.raises(SheetError, match="Add weighed"):
        fit(sheet_of(RECOVERED), data[1:])


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_weights_that_agree_with_the_sheet_move_nothing(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    if "±" not in text:
        text = re.sub(r"grade: (\d+ g/t)", r"grade: \1 ± 30 %", text)
    sheet = sheet_of(text)
    solution = solve(Model.of(sheet))
    ends = [name for name in sheet.ends if float(solution.streams[name].gold) > 0]
    asked = [measured(name, "gold", 0.0) for name in ends]
    told = predicted_weights.predict(solution, asked)
    data = [replace(m, value=float(v), sd=0.02 * float(v)) for m, v in zip(asked, told, strict=True)]
    found = fit(sheet, data)
    assert found.settled
    assert found.p > 0.99
    for p in found.parameters:
        assert p.value == pytest.approx(p.unknown.number.value, abs=1e-4 * p.unknown.number.sd), p.name
    assert any(p.informed for p in found.parameters)


# ── names, limits, places ───────────────────────────────────────────────────────────────────────────────────


def test_limits_are_those_of_field_kind_and_spread() -> None:
    sheet = sheet_of(WASHED)
    assert limits(sheet)["wash.r_max"] == (0.92, 1.0)
    assert limits(sheet)["wash.d50"] == (1e-6, 0.01)
    assert limits(sheet)["ore.mass"][1] == 1e9
    assert set(limits(sheet)) == set(doubtful(sheet))


def test_every_doubtful_number_of_a_document_is_found() -> None:
    from flowsheet.solve.model import rebuild
    from flowsheet.spec.yaml.marked_document import parse

    text = """
ores:
  a.b:
    mass: 1 kg ± 1 g
    grade: 1 g/t
    sizes: [{sieve: 5 mm, passing: 100 %}, {sieve: 1 mm, passing: 40 % ± 2 %}]
  c: {mass: 1 kg, grade: 1 g/t ± 1 g/t, sizes: {top: 4 mm, p80: 2 mm ± 0.1 mm}}
steps:
  s.1:
    do: factors
    takes: [a.b, c]
    gives: {x: x, y: y}
    split: {x: {"+1 mm": 20 % ± 1 %, "-1 mm": 30 %}}
    recovery: {x: 10 % to 20 %}
keep: x
"""
    document = parse(text, "t.yaml")
    sheet = rebuild(document)
    found = places(document, sheet)
    assert set(found) == set(doubtful(sheet))
    for name, path in found.items():
        assert document.text_at(path) == doubtful(sheet)[name].text


# ── the truth of invented data ──────────────────────────────────────────────────────────────────────────────


def test_the_truth_of_an_invented_test_is_found_within_the_doubt() -> None:
    sheet = sheet_of(WASHED)
    rng = np.random.default_rng(11)
    truth = truth_of(sheet, rng)
    found = fit(sheet, washed_data(sheet, truth, rng))
    assert found.settled
    assert found.p > 0.001
    for p in found.own:
        assert abs(p.value - truth[p.name]) < 3.5 * p.sd, p.name
    assert one(found, "ore.grade").told > 0.95
    assert one(found, "wash.light").told > 0.95


SETS = 250
"""Invented tests whose truths are drawn from the priors."""


@pytest.mark.slow
def test_nine_intervals_of_ten_hold_the_truth() -> None:
    """The number of hits is binomial: with a chance of 0.9, 250 sets give 225 ± 4.7; three deviations are allowed."""
    sheet = sheet_of(WASHED)
    rng = np.random.default_rng(7)
    hits = dict.fromkeys(doubtful(sheet), 0)
    alarms = 0
    for _ in range(SETS):
        truth = truth_of(sheet, rng)
        found = fit(sheet, washed_data(sheet, truth, rng), look_further=False)
        for p in found.own:
            hits[p.name] += p.low <= truth[p.name] <= p.high
        alarms += found.p < 0.05
    spread = math.sqrt(SETS * 0.9 * 0.1)
    print("hits", hits, "alarms", alarms)
    for name, number in hits.items():
        assert abs(number - 0.9 * SETS) < 3 * spread, (name, number)
    assert abs(alarms - 0.05 * SETS) < 3 * math.sqrt(SETS * 0.05 * 0.95)


def test_a_slag_is_foretold_by_its_gold_over_what_it_weighed() -> None:
    """Flux is in no model: what a slag weighs is not foretold, and its grade is its gold over its own weight."""
    text = """
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tail: tails}, split: {con: 1 %}, recovery: {con: 80 %}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}, gold: 95 %}
keep: [button]
weighed: {slag: {mass: 300 g, grade: 27 g/t}}
"""
    sheet = sheet_of(text)
    told = {m.what: v for m, v in predicted_weights.foretold_of(solve(Model.of(sheet)), sheet.weighed)}
    assert told == {"grade": pytest.approx(0.2e-3 * 0.8 * 0.05 / 0.3, rel=1e-12)}
