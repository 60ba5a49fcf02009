"""The one estimate: the weights lead, the sheet fills in, and every draw closes."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from flowsheet.solve.model import Model, rebuild
from flowsheet.solve.propagate import solve
from flowsheet.spec.yaml.marked_document import parse
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.estimate import corrected_draws
from flowsheet.study.estimate.chance import chance
from flowsheet.study.estimate.confidence import sure
from flowsheet.study.estimate.corrected_draws import gather
from flowsheet.study.estimate.ore_from_weights import WEIGHT_NOT_FOLLOWED, thin
from flowsheet.study.posterior import streams
from flowsheet.study.posterior.estimate import Posterior, cluster_law, posterior
from flowsheet.study.posterior.exact_luck import log_density_at_mean
from flowsheet.study.posterior.grain_luck import draw_amounts, possible, saddlepoint
from flowsheet.study.posterior.unknowns import contrasts
from flowsheet.study.run.assumptions import assumed

SHEET = """
ore:
  mass: 14 kg ± 10 g
  grade: {grade} ± 8 g/t
  sizes: {{top: 100 mm, p80: 60 mm, slope: 0.7}}
  gold: {{d50: {d50}, d95: {d95}, fineness: 870}}
steps:
  scalp:  {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: 20 mm}}
  look:   {{do: sort, takes: lumps, gives: {{picked: specimens, left: plain lumps}}}}
  break:  {{do: jaw_crush, takes: [plain lumps, fines], gives: crushed, setting: 6 mm}}
  powder: {{do: pulverize, takes: crushed, gives: powder, gap: 0.2 mm}}
  wash:   {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
  fire:   {{do: cupel, takes: con, gives: {{bead: bead, absorbed: cupel loss}}}}
keep: [bead, specimens]
weighed:
"""
BEAD = "  bead: {mass: 246.7 mg ± 1 mg}\n"
TAILS = "  tails: {mass: 13.3 kg ± 20 g, grade: 6.92 g/t ± 0.73 g/t, assay_mass: 2 kg}\n"
PICKED = "  specimens: {mass: 500 g ± 5 g, gold: 20 mg ± 3 mg}\n"


def _posterior(weighed: str, grade: str = "20 g/t", d50: str = "0.2 mm", d95: str = "1 mm", **more: int) -> Posterior:
    text = SHEET.format(grade=grade, d50=d50, d95=d95) + weighed
    return posterior(Model.of(rebuild(parse(text, "x.yaml"))), (0.02,), **more)


def test_the_weights_say_what_was_kept_whatever_the_pan_should_do() -> None:
    """Bead 246.7 mg of 870 fine is 214.6 mg of gold; tails of 13.3 kg at 6.92 g/t hold 92.0 mg; picked 20 mg."""
    test = _posterior(BEAD + TAILS + PICKED).tests[0]
    assert np.mean(test.kept / test.fed) == pytest.approx(234.6 / 327, abs=0.01)
    low, high = np.quantile(test.kept / test.fed, [0.05, 0.95])
    assert high - low < 0.09
    assert np.mean(test.gold["bead"]) == pytest.approx(214.6e-6, rel=0.003)
    assert np.mean(test.gold["tails"]) == pytest.approx(92e-6, rel=0.05)


@pytest.mark.parametrize("guess", ["4 g/t", "100 g/t"])
def test_a_guess_five_times_off_does_not_matter(guess: str) -> None:
    right, wrong = _posterior(BEAD + TAILS + PICKED), _posterior(BEAD + TAILS + PICKED, guess)
    assert np.median(wrong.grade) == pytest.approx(np.median(right.grade), rel=0.06)
    assert np.mean(wrong.tests[0].fed) == pytest.approx(np.mean(right.tests[0].fed), rel=0.02)


def test_a_bead_alone_leaves_open_what_nobody_weighed() -> None:
    """But not more than is honest: limits for 14 kg at 20 g/t with d50 0.5 mm, d95 2 mm."""
    test = _posterior(BEAD, d50="0.5 mm", d95="2 mm").tests[0]
    held = np.quantile(test.fed, [0.05, 0.95])
    share = np.quantile(test.kept / test.fed, [0.05, 0.95])
    coarse = np.quantile(test.above[0.02] / test.fed, [0.05, 0.95])
    assert 1.2 < held[1] / held[0] < 2.8
    assert 0.1 < share[1] - share[0] < 0.65
    assert 0.3 < coarse[1] - coarse[0] < 0.85


def test_every_draw_closes_at_every_step() -> None:
    found = _posterior(BEAD + TAILS)
    test, sheet = found.tests[0], found.model.sheet
    for step in sheet.steps.values():
        into = sum(test.gold[s] for s in step.takes)
        out = sum(test.gold[s] for s in step.outlets.values())
        assert into == pytest.approx(out, rel=1e-9, abs=1e-15)
    assert test.gold["ore"] == pytest.approx(test.fed, rel=1e-9)
    assert all(np.all(gold >= 0) for gold in test.gold.values())


def test_a_bead_of_nothing_is_evidence() -> None:
    found = _posterior("  bead: {mass: 0 mg ± 1 mg}\n  tails: {mass: 13.3 kg, grade: 0.3 g/t ± 0.2 g/t}\n")
    assert np.quantile(found.grade, 0.95) < 5e-6


def test_draws_repeat_and_are_worth_something() -> None:
    one, again = _posterior(BEAD + TAILS), _posterior(BEAD + TAILS)
    assert np.array_equal(one.grade, again.grade)
    assert one.effective >= 200
    assert not np.array_equal(one.grade, _posterior(BEAD + TAILS, seed=2).grade)


def test_the_same_question_is_answered_once_and_another_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowsheet.study.posterior.estimate.posterior", lambda *_: object())
    corrected_draws._estimate.cache_clear()

    def asked(bead: str, seed: int = 1, openings: tuple[float, ...] = ()) -> Posterior:
        text = SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + bead
        return corrected_draws.estimate_of(Model.of(rebuild(parse(text, "x.yaml")), openings), seed)

    first = asked(BEAD)
    assert asked(BEAD) is first
    others = [asked(BEAD, 2), asked(BEAD.replace("246.7", "246.8")), asked(BEAD, openings=(0.0123,))]
    assert len({id(one) for one in (first, *others)}) == 4
    corrected_draws._estimate.cache_clear()


@pytest.mark.slow
def test_run_and_chance_tell_the_same_of_the_test() -> None:
    sheet = rebuild(parse(SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + BEAD + TAILS, "x.yaml"))
    of_run, of_chance = sure(solve(Model.of(sheet))), chance(sheet)
    assert of_run is not None
    assert of_run.this_test is not None
    assert of_chance.this_test is not None
    assert of_run.this_test.as_dict() == of_chance.this_test.as_dict()
    for what in ("head_grade_g_per_t", "kept"):
        assert of_run.intervals()[what] == of_chance.intervals()[what]


def test_a_number_that_nobody_weighed_is_the_sheets() -> None:
    sheet = rebuild(parse(SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + BEAD + TAILS, "x.yaml"))
    found = sure(solve(Model.of(sheet)))
    assert found is not None
    assert found.this_test is not None
    told = {name: one.gold_from for name, one in found.this_test.streams.items()}
    assert (told["bead"], told["tails"], told["specimens"]) == ("weights", "weights", "sheet")
    assert found.this_test.coarse[0.02][1] == "sheet"


@pytest.mark.slow
def test_a_mistyped_weight_is_left_out_and_told() -> None:
    text = SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm")
    weights = (
        "  lumps: {mass: 8.4 kg ± 10 g}\n  fines: {mass: 5.6 kg ± 10 g}\n  specimens: {mass: 500 g ± 5 g}\n"
        "  plain lumps: {mass: MASS ± 10 g}\n  con: {mass: 200 g ± 5 g}\n  crushed: {mass: 13.5 kg ± 20 g}\n"
        + BEAD
        + TAILS
    )
    right, wrong = (
        gather(solve(Model.of(rebuild(parse(text + weights.replace("MASS", mass), "x.yaml")))), 400, 1)
        for mass in ("7.9 kg", "4.9 kg")
    )
    assert any(one.code == "weights_contradict" for one in wrong.notes)
    assert not any(one.code == "weights_contradict" for one in right.notes)
    widths = []
    for one in (right, wrong):
        low, high = np.quantile(one.found.fed / one.found.rock, [0.05, 0.95])
        widths.append(high - low)
    assert widths[1] < 1.5 * widths[0]


def test_a_machine_with_a_stream_for_what_it_holds_may_hold_gold() -> None:
    """Brushed out and weighed, nobody having told a share: with one of nought no slack could lift it."""
    text = (
        SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + BEAD + TAILS + "  in the mill: {gold: 9 mg ± 1 mg}\n"
    )
    text = text.replace("gives: powder, gap", "gives: {product: powder, held_up: in the mill}, gap")
    model = Model.of(rebuild(parse(text, "x.yaml")))
    assert float(solve(model).streams["in the mill"].gold) > 0
    found = posterior(model, (0.02,))
    low, high = np.quantile(found.tests[0].gold["in the mill"], [0.05, 0.95])
    assert 5e-6 < low < 9e-6 < high < 12e-6
    assert found.effective > 200
    told = {one.where: one.value for one in assumed(model.sheet)}
    assert (told["powder.held_up"], told["break.held_up"]) == ("0.5 %", "0 %")
    # Written, nought is nought.
    none = Model.of(rebuild(parse(text.replace("gap: 0.2 mm", "gap: 0.2 mm, held_up: 0 %"), "x.yaml")))
    assert float(solve(none).streams["in the mill"].gold) == 0


def test_loops_and_sheets_of_factors_are_estimated_too() -> None:
    loop = Path("configs/closed_circuit.yaml").read_text(encoding="utf-8")
    loop += "weighed:\n  con: {gold: 250 mg ± 10 mg}\n  tails: {grade: 4 g/t ± 0.4 g/t}\n"
    loop += "  ground: {grade: 20 g/t ± 3 g/t}\n"
    found = posterior(Model.of(rebuild(parse(loop, "x.yaml"))))
    assert np.mean(found.tests[0].gold["con"]) == pytest.approx(250e-6, rel=0.05)
    factors = (
        "ore: {mass: 10 kg, grade: 20 g/t}\nsteps:\n"
        "  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, split: {concentrate: 2 %},\n"
        "         recovery: {concentrate: 80 %}}\nkeep: [con]\nweighed:\n  con: {gold: 150 mg ± 5 mg}\n"
    )
    found = posterior(Model.of(rebuild(parse(factors, "x.yaml"))))
    low, high = np.quantile(found.grade, [0.05, 0.95])
    assert low < 18.75e-6 < high
    assert high / low > 1.3, "luck is never left out, though no grain sizes are told"


def test_clusters_are_the_sheets_where_it_tells_them() -> None:
    sheet = rebuild(parse(SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + BEAD, "x.yaml"))
    assert cluster_law(sheet) == ((1.0, 2.0, 5.0, 10.0), (0.55, 0.20, 0.20, 0.05))
    text = SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm").replace("fineness: 870", "fineness: 870, cluster: 5")
    assert cluster_law(rebuild(parse(text + BEAD, "x.yaml"))) == ((5.0,), (1.0,))


def test_contrasts_are_orthonormal() -> None:
    for n in (2, 3, 5):
        basis = contrasts(n)
        assert basis @ basis.T == pytest.approx(np.eye(n - 1))
        assert basis.sum(axis=1) == pytest.approx(np.zeros(n - 1))


def test_the_saddlepoint_is_the_normal_law_of_many_grains() -> None:
    """A million grains are a normal law: its density is known."""
    number, mass = np.array([[[1e6]]]), np.array([[1e-9]])
    found, noise = np.array([[1.0008e-3]]), np.array([[5e-7]])
    got = saddlepoint(number, mass, np.ones((1, 1, 1)), found, noise).log_density[0]
    variance = 1e6 * 1e-18 + 25e-14
    wanted = -0.5 * (0.0008e-3) ** 2 / variance - 0.5 * np.log(2 * np.pi * variance)
    assert got == pytest.approx(wanted, abs=0.01)


def test_weights_of_two_ends_together_say_what_each_says_and_what_both_hold() -> None:
    """Weights a and b, or a and a + b: the same density (its Jacobian is one), for their errors are next to nothing."""
    rng = np.random.default_rng(5)
    number, mass = rng.uniform(0.5, 40, (50, 2, 3)), np.tile([9e-6, 3e-6, 1e-6], (50, 1))
    found = (number * mass[:, None]).sum(axis=-1) * rng.uniform(0.5, 1.5, (50, 2))
    noise = np.full((50, 2), 1e-9)
    own, sums = np.tile(np.eye(2), (50, 1, 1)), np.tile([[1.0, 0.0], [1.0, 1.0]], (50, 1, 1))
    apart = saddlepoint(number, mass, own, found, noise)
    singly = [saddlepoint(number[:, [i]], mass, own[:, :1, :1], found[:, [i]], noise[:, [i]]) for i in (0, 1)]
    joined = saddlepoint(number, mass, sums, np.cumsum(found, axis=-1), noise)
    assert apart.log_density == pytest.approx(sum(one.log_density for one in singly), rel=1e-9)
    assert apart.tilt == pytest.approx(np.concatenate([one.tilt for one in singly], axis=-1), rel=1e-5)
    # What two weights see together is told by the saddlepoint alone, which is off where grains are few.
    assert joined.log_density == pytest.approx(apart.log_density, abs=0.06)


def test_the_density_of_a_few_grains_is_that_of_all_their_counts() -> None:
    """One law is summed over every count of grains of three classes, the other is turned back from its waves."""
    number, mass, noise, within = (0.05, 0.8, 3.0), (30.0, 5.0, 1.0), 0.4, 0.3
    mean, density = float(np.dot(number, mass)), 0.0
    for counts in product(range(4), range(12), range(25)):
        chance = np.prod([stats.poisson.pmf(n, at) for n, at in zip(counts, number, strict=True)])
        variance = noise**2 + sum(n * (within * m) ** 2 for n, m in zip(counts, mass, strict=True))
        density += chance * stats.norm.pdf(mean, np.dot(counts, mass), np.sqrt(variance))
    own = np.array([number]), np.array([mass]), np.array([noise])
    assert np.exp(log_density_at_mean(*own, within, np.ones(1, bool))) == pytest.approx(density, rel=0.01)


def test_grains_heavier_than_what_was_weighed_were_not_in_it() -> None:
    number, mass = np.array([[[0.2, 0.5], [0.1, 0.4]]]), np.array([[10.0, 1.0]])
    one_way = np.array([[[1.0, 0.0]]])
    left, none = possible(number, mass, one_way, np.array([[2.0]]), np.array([[0.1]]))
    assert left.tolist() == [[[0.0, 0.5], [0.1, 0.4]]]
    assert none == pytest.approx(0.2)


def test_what_nobody_weighed_may_hold_a_nugget() -> None:
    """Specimens of a nuggety ore, of which a bead says nothing, hold a large grain as often as one comes there."""
    text = SHEET.format(grade="20 g/t", d50="1.5 mm", d95="5 mm").replace("fineness: 870", "fineness: 870, cluster: 1")
    found = posterior(Model.of(rebuild(parse(text + BEAD, "x.yaml"))))
    picked = found.tests[0].gold["specimens"]
    assert picked.max() > 20 * picked.mean()


def test_amounts_drawn_agree_with_what_was_weighed() -> None:
    rng = np.random.default_rng(1)
    number, mass = np.full((500, 2, 1), 200.0), np.full((500, 1), 1e-6)
    weigh = np.zeros((500, 1, 2))
    weigh[:, 0, 0] = 1.0
    found, noise = np.full((500, 1), 2.3e-4), np.full((500, 1), 1e-7)
    tilt = saddlepoint(number, mass, weigh, found, noise).tilt
    amounts = draw_amounts(number, mass, weigh, found, noise, tilt, rng).sum(axis=-1)
    assert amounts[:, 0].mean() == pytest.approx(2.3e-4, rel=1e-3)
    assert amounts[:, 1].mean() == pytest.approx(2.0e-4, rel=0.03)
    assert amounts[:, 1].std() == pytest.approx(np.sqrt(200) * 1e-6, rel=0.15)


def test_what_went_through_a_step_comes_from_its_feeds_in_proportion() -> None:
    model = Model.of(rebuild(parse(SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm") + BEAD, "x.yaml")))
    plain = solve(model)
    gold = {name: np.atleast_1d(m.gold) for name, m in plain.streams.items()}
    through = streams.of_ends(model, gold, model.ends, [])
    ends = np.array([float(gold[end][0]) for end in model.ends])
    for name, part in through.items():
        assert part[0] @ ends == pytest.approx(float(gold[name][0]), rel=1e-9)


def test_sieves_alone_are_evidence_too() -> None:
    """No balance can use them, so no test is balanced; they must not be lost on the way for that."""
    text = SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm").replace("p80: 60 mm", "p80: 60 mm ± 15 mm")
    sheet = rebuild(parse(text + "  lumps: {passing: {40 mm: 90 %}}\n", "x.yaml"))
    trusted, doubted, notes = believed(sheet, balanced(sheet))
    assert (trusted.weighed, doubted, notes) == (sheet.weighed, [], [])
    found = gather(solve(Model.of(sheet)), 400, 1)
    assert np.median(found.values["ore.sizes.p80"]) < 50e-3


def test_an_estimate_that_rests_on_few_draws_says_so() -> None:
    found = _posterior(BEAD + TAILS)
    assert thin(found) == []
    assert [one.code for one in thin(replace(found, effective=65.0))] == ["few_draws"]


def test_a_mass_that_the_sheet_cannot_make_is_told() -> None:
    """Of lumps that weigh half of what the sheet's sizes give, no slack of a screen makes what was weighed."""
    for kilograms, told in (("9.2", set()), ("4.5", {"lumps"})):
        text = (
            SHEET.format(grade="20 g/t", d50="0.2 mm", d95="1 mm")
            + BEAD
            + f"  lumps: {{mass: {kilograms} kg ± 10 g}}\n"
        )
        found = gather(solve(Model.of(rebuild(parse(text, "x.yaml")))), 1000, 1)
        notes = [one.text for one in found.notes if one.code == WEIGHT_NOT_FOLLOWED]
        assert {one.partition(":")[0] for one in notes} == told
        # What the estimate does not hold is not told as weighed.
        assert found.weighed is not None
        assert ("lumps" in found.weighed.rock_told[found.weighed.tests[0].name]) is (not told)
