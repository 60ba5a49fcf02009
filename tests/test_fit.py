"""Fits: what the weights left of each number, by the draws of the one estimate; what is foretold of each weight."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from invented import SIEVES, WASHED, first, grains_in, measured, solved_at, truth_of, washed_data
from sheets import sheet_of

from flowsheet.show.estimate import fit_words
from flowsheet.solve.model import Model, rebuild
from flowsheet.solve.propagate import solve
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml.marked_document import parse
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.common.uncertain_inputs import doubtful, limits, places
from flowsheet.study.estimate import predicted_weights
from flowsheet.study.estimate.chance import chance
from flowsheet.study.estimate.fit import Fitted, Parameter, fit
from flowsheet.study.run.run import run


def one(found: Fitted, name: str) -> Parameter:
    return next(p for p in found.parameters if p.name == name)


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


def test_the_variance_of_luck_is_that_of_grains_drawn_one_by_one() -> None:
    # Without the few huge grains of a lognormal law's tail, which no number of draws gets right.
    table = "sizes: [{sieve: 0.5 mm, passing: 100 %}, {sieve: 0.15 mm, passing: 50 %}, {sieve: 0.05 mm, passing: 9 %}]"
    sheet = sheet_of(FIRED.replace("d50: 0.15 mm, d95: 0.5 mm", table))
    size = 0.18e-3
    solution = solved_at(sheet, {}, (size,))
    data = [measured("con", "gold", 0), measured("bead", "mass", 0), measured("tails", "grade", 0),
            measured("tails", "grains", 0, size=size), measured("ore", "gold", 0)]  # fmt: skip
    told = predicted_weights.luck_alone(solution, data)
    rng = np.random.default_rng(1)
    metal = first(solution.metal("bead") / solution.streams["bead"].gold)
    coarse = solution.model.grid.coarser(size)
    rows = []
    for _ in range(5000):
        counts, each = grains_in(solution, ("bead", "cupel", "tails"), rng)
        gold = {name: number @ each for name, number in counts.items()}
        tails = solution.streams["tails"]
        rows.append([gold["bead"] + gold["cupel"], metal * gold["bead"], gold["tails"] / first(tails.solids),
                     counts["tails"][:coarse].sum(), sum(gold.values())])  # fmt: skip
    # 5000 draws know a variance to about 2 %; grains are skewed, so some times that.
    assert told == pytest.approx(np.var(np.array(rows), axis=0), rel=0.1)


# ── what the weights left of each number ────────────────────────────────────────────────────────────────────

DOUBTS = """
ore:
  mass: 14 kg ± 20 g
  grade: 5 g/t ± 2 g/t
  sizes: {top: 60 mm, p80: 40 mm, slope: 0.7 ± 0.1}
  heavies: 4 % ± 1 %
  gold: {d50: 0.3 mm ± 0.1 mm, d95: 1.2 mm ± 0.4 mm, fineness: 870 ± 20}
steps:
  powder: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm ± 0.05 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}, d50: 80 um ± 20 um}
  again: {do: pan, takes: tails, gives: {concentrate: second, tailings: waste}, d50: 80 um ± 20 um}
keep: [con, second]
weighed:
  con: {mass: 160 g, bead: 0.55 g ± 1 mg}
  second: {mass: 150 g, bead: 0.14 g ± 1 mg}
  waste: {mass: 13.7 kg, grade: 4 g/t ± 0.5 g/t}
"""


def test_two_beads_are_believed_before_the_guess_of_the_grade() -> None:
    """The beads prove 43 g/t, and the guess is 5 ± 2: what the balance tells is told here, and by every command."""
    sheet = sheet_of(DOUBTS)
    grade = one(fit(sheet), "ore.grade")
    balance = next(iter(reconcile_sheet(sheet).values())).head
    assert grade.low < balance.value < grade.high
    assert 43e-6 < grade.value < 53e-6
    # An interval holds its own estimate, and its ends are those that chance tells of the ore.
    assert grade.low < grade.value < grade.high
    told = chance(sheet, 1000).head_grade
    assert (grade.low, grade.value, grade.high) == pytest.approx((told.p5, told.mean, told.p95), rel=1e-9)


def test_a_number_that_no_weight_speaks_of_stays_to_the_letter() -> None:
    text = DOUBTS.replace("second: {mass", "second: {mass")
    found = fit(sheet_of(text))
    untold = [p for p in found.parameters if not p.moved]
    assert "ore.gold.fineness" in [p.name for p in untold]
    for p in untold:
        assert p.number.text in found.text
        assert abs(p.value - p.number.value) < 0.5 * max(p.number.sd, 1e-12)
    assert {fit_words.verdict(p) for p in untold} == {"are silent"}


def test_the_mass_of_a_feed_that_was_weighed_stands_in_for_the_sheets() -> None:
    found = fit(sheet_of(DOUBTS + "  ore: {mass: 14.05 kg ± 5 g}\n"))
    mass = one(found, "ore.mass")
    assert mass.weighed
    assert mass.moved
    assert mass.value == pytest.approx(14.05, abs=0.01)
    assert "ore.mass is 14.0" in " ".join(fit_words.learnt(found))


def test_what_goes_together_is_told_together() -> None:
    """A bead alone tells of grade times kept share: one may be higher if the other is lower."""
    text = """
ore: {mass: 10 kg ± 0 g, grade: 20 g/t ± 10 g/t}
steps:
  wash:
    {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 % ± 0 %}, recovery: {con: 40 % to 95 %}}
keep: con
weighed: {con: {gold: 0.15 g ± 1 mg}}
"""
    found = fit(sheet_of(text.replace("ore: {mass", "ore: {gold: {d50: 20 um ± 0 um, d95: 40 um ± 0 um}, "
                                      "sizes: {top: 4 mm, p80: 2 mm}, mass")))  # fmt: skip
    (tie,) = found.tied
    assert set(tie.names) == {"ore.grade", "wash.recovery.con"}
    assert tie.correlation < -0.8
    assert "one may be higher if the other is lower" in " ".join(fit_words.untold(found))


def test_a_weighing_that_would_tell_is_named_and_tells() -> None:
    text = DOUBTS.replace("slope: 0.7 ± 0.1", "slope: 0.7").replace("heavies: 4 % ± 1 %", "heavies: 4 %")
    sheet = sheet_of(text)
    found = fit(sheet)
    (advice,) = [a for a in found.advice if "powder.gap" in a.names]
    assert advice.what == "passing"
    assert (advice.takes or 0.0) > 0.25
    sieved = measured(advice.stream, "passing", 0.7, 0.01, advice.size)
    told = float(predicted_weights.predict(solve(Model.of(sheet, (advice.size or 0.0,))), [sieved])[0])
    more = replace(sieved, value=told)
    after = fit(replace(sheet, weighed=(*sheet.weighed, more)))
    assert one(after, "powder.gap").sd < math.sqrt(1 - (advice.takes or 0.0)) * one(found, "powder.gap").sd * 1.15


def test_a_weight_that_is_far_off_is_told() -> None:
    found = fit(sheet_of(DOUBTS.replace("waste: {mass: 13.7 kg", "waste: {mass: 12.2 kg ± 1 g")))
    assert any(note.code == "weights_contradict" for note in found.notes)
    assert next(fit_words.fits(found)).startswith("No: ")


@pytest.mark.parametrize("weighed", ["", "weighed: {ore: {mass: 14.1 kg}}\n"], ids=["nothing", "the feed alone"])
def test_nothing_weighed_leaves_nothing_to_fit_to(weighed: str) -> None:
    with pytest.raises(SheetError, match="there is nothing to fit the sheet to"):
        fit(sheet_of(DOUBTS[: DOUBTS.index("weighed:")] + weighed))


def test_no_gold_leaves_nothing_to_tell_of() -> None:
    with pytest.raises(SheetError, match="no gold to tell of"):
        fit(sheet_of("ore: {mass: 10 kg, grade: 0 g/t}\nsteps: {part: {do: split, takes: ore, gives: {a: a, b: b}, "
                     "split: {a: 50 %}}}\nkeep: a\nweighed: {a: {mass: 5.1 kg}}\n"))  # fmt: skip


# ── names, limits, places ───────────────────────────────────────────────────────────────────────────────────


def test_limits_are_those_of_field_kind_and_spread() -> None:
    sheet = sheet_of(WASHED)
    assert limits(sheet)["wash.r_max"] == (0.92, 1.0)
    assert limits(sheet)["wash.d50"] == (1e-6, 0.01)
    assert limits(sheet)["ore.mass"][1] == 1e9
    assert set(limits(sheet)) == set(doubtful(sheet))


def test_every_doubtful_number_of_a_document_is_found() -> None:
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
    found = places(document, sheet, doubtful(sheet))
    assert set(found) == set(doubtful(sheet))
    for name, path in found.items():
        assert document.text_at(path) == doubtful(sheet)[name].text


# ── the truth of invented data ──────────────────────────────────────────────────────────────────────────────


def test_the_truth_of_an_invented_test_is_found_within_the_doubt() -> None:
    sheet = sheet_of(WASHED)
    rng = np.random.default_rng(11)
    truth = truth_of(sheet, rng)
    found = fit(replace(sheet, weighed=tuple(washed_data(sheet, truth, rng))))
    for p in found.parameters:
        assert abs(p.value - truth[p.name]) < 3.5 * p.sd, p.name
    assert one(found, "ore.grade").told > 0.9
    assert one(found, "wash.light").told > 0.9


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
