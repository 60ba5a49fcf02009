"""How sure, and would another sack say the same: draws, luck, ranked doubts and weights against plain simulation."""

from __future__ import annotations

import gc
import re
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import PNG, Command, files_in
from invented import measured
from scipy import stats
from sheets import run_of, settled, sheet_of

from flowsheet import starters
from flowsheet.ore.arrays import Array
from flowsheet.show.estimate import chances
from flowsheet.show.run import sentences
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.solve.totals import Tail, totals
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.common import monte_carlo as drawing
from flowsheet.study.common.coarse_fraction import openings
from flowsheet.study.common.grain_lots import UntoldLots
from flowsheet.study.common.interval import Interval, share
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with, limits
from flowsheet.study.estimate.chance import GRADE, SPREAD, chance
from flowsheet.study.estimate.confidence import sure
from flowsheet.study.estimate.corrected_draws import CorrectedDraws, gather
from flowsheet.study.estimate.ore_from_weights import KnownOre
from flowsheet.study.run.run import run

QUICK = starters.folder() / "quick.yaml"
SACK = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"
TOLD = [path for path in sorted(starters.folder().glob("*.yaml")) if path.stem != "factors"]

#: Invented. Only the mass and the grade are in doubt: gold is their product everywhere.
LINEAR = """
ore: {mass: 10 kg ± 500 g, grade: 20 g/t ± 4 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.3 mm, d95: 1.2 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 5 mm}
  mill:  {do: pulverize, takes: [lumps, fines], gives: ground, gap: 0.3 mm}
  wash:  {do: pan, takes: ground, gives: {concentrate: con, tailings: tails}}
keep: con
"""

#: Invented. Doubts of every sort, before and behind a step that depends on how rich its feed is.
DOUBTS = """
ore: {mass: 10 kg ± 100 g, grade: 20 g/t ± 2 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.1 mm, d95: 0.4 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 5 mm}
  look:  {do: sort, takes: lumps, gives: {picked: specimens, left: plain}, sees: 0.2 mm, care: 0.7 ± 0.1}
  mill:  {do: pulverize, takes: [plain, fines], gives: ground, gap: 0.3 mm}
  wash:  {do: pan, takes: ground, gives: {concentrate: con, tailings: tails}, d50: 80 um ± 15 um, r_max: 85 % to 100 %}
keep: [con, specimens]
"""

#: Invented. No sizes at all.
LINEAR_FACTORS = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 70 %}}}
keep: con
"""

#: Invented weights that determine all that LINEAR's ore held.
ALL_ENDS = (("ore", "mass", 10.0, 0.01), ("con", "gold", 0.21e-3, 4e-6), ("tails", "gold", 0.02e-3, 2e-6))


def gathered(text: str, draws: int = 2000, seed: int = 1) -> CorrectedDraws:
    solution = solve(Model.of(sheet_of(text)))
    return gather(solution, draws, seed, openings(solution.model))


def weighed(text: str, *tests: tuple[tuple[str, str, float, float], ...]) -> Sheet:
    """Return the sheet with invented weights; each test stands for a weigh sheet of its own."""
    names = "abcdef" if len(tests) > 1 else [""]
    told = [measured(*one, test=name) for name, test in zip(names, tests, strict=False) for one in test]
    return replace(sheet_of(text), weighed=tuple(told))


def known(sheet: Sheet) -> KnownOre | None:
    return gather(solve(Model.of(sheet)), 100, 1).weighed


def ends(interval: Interval) -> list[float]:
    return [interval.p5, interval.p50, interval.p95]


# ── draws and their moments ─────────────────────────────────────────────────────────────────────────────────


def test_draws_average_to_the_plain_solve_where_all_is_linear() -> None:
    draws = 20_000
    found = gathered(settled(LINEAR), draws).found
    plain = solve(Model.of(sheet_of(LINEAR)))
    # Mass and grade are independent, 5 % and 20 %: the relative variance of their product (analytic).
    relative = (1 + 0.05**2) * (1 + 0.2**2) - 1
    for name, moments in found.moments.items():
        gold = plain.streams[name].gold_by_grain
        total = float(gold.sum())
        assert moments.draws == draws
        assert moments.mean == pytest.approx(total, abs=4 * total * np.sqrt(relative / draws)), name
        assert moments.variance == pytest.approx(relative * total**2 + float(gold @ found.mass), rel=0.04), name
    assert found.rock.mean() == pytest.approx(10, rel=4 * 0.05 / np.sqrt(draws))


@pytest.mark.slow
def test_draws_are_as_each_solved_singly_and_luck_as_grains_thrown_in() -> None:
    draws, sacks = 300, 100
    one = gathered(settled(DOUBTS), draws)
    model, found, rng = one.solution.model, one.found, np.random.default_rng(7)
    assert set(one.in_doubt()) == {"ore.mass", "ore.grade", "look.care", "wash.d50", "wash.r_max"}
    singly = [solve(model, inputs_with(model, {n: v[i] for n, v in one.values.items()}, None)) for i in range(draws)]
    compared: list[str] = []
    for name in found.moments:
        by_grain = np.array([solution.streams[name].gold_by_grain for solution in singly])
        assert found.by_grain[name] == pytest.approx(by_grain, rel=1e-9, abs=1e-15), name
        gold = thrown(found.mass, np.repeat(by_grain, sacks, axis=0), rng)
        moments = found.moments[name]
        told = Interval.of_law(found.mass, found.by_grain[name], moments.mean, moments.variance)
        assert told.mean == pytest.approx(gold.mean(), rel=0.01), name
        variance = by_grain.sum(axis=-1).var() + (by_grain @ found.mass).mean()
        assert told.sd == pytest.approx(np.sqrt(variance), rel=1e-9), name
        often = (by_grain / found.mass).mean(axis=0) * len(gold) > 30
        if np.mean(by_grain[:, ~often] @ found.mass[~often]) < 0.04 * variance:  # else the sample cannot know it
            compared.append(name)
            assert told.sd == pytest.approx(gold.std(), rel=0.04), name
        for share_, end in zip((0.05, 0.5, 0.95), ends(told), strict=True):
            assert np.mean(gold <= end) == pytest.approx(share_, abs=0.01), name
    assert {"ore", "ground", "con", "tails"} <= set(compared)
    assert found.kept == pytest.approx([float(s.kept_gold) for s in singly], rel=1e-9)
    assert found.fed == pytest.approx([float(s.fed_gold) for s in singly], rel=1e-9)
    assert found.closure <= 1e-12


@pytest.mark.slow
def test_draws_in_chunks_are_the_draws_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawing, "CHUNK", 37)
    parts = gathered(DOUBTS, 300).found
    monkeypatch.setattr(drawing, "CHUNK", 1000)
    whole = gathered(DOUBTS, 300).found
    for name, moments in whole.moments.items():
        assert parts.moments[name].mean == pytest.approx(moments.mean, rel=1e-12)
        assert parts.moments[name].variance == pytest.approx(moments.variance, rel=1e-9)
        assert parts.by_grain[name] == pytest.approx(whole.by_grain[name], rel=1e-12)
    for size, above in whole.above.items():
        assert parts.above[size] == pytest.approx(above, rel=1e-12)
    assert parts.kept == pytest.approx(whole.kept, rel=1e-12)


@pytest.mark.parametrize("draws", [2000, 3170])
def test_draws_whose_grains_are_kept_stand_for_all(draws: int) -> None:
    """The gold fed of those that are kept has the quantiles of all, which so few taken blindly had not."""
    shares, off = np.array([0.05, 0.25, 0.5, 0.75, 0.95]), []
    for seed in range(8):
        found = gathered(LINEAR, draws, seed).found
        kept = found.by_grain["ore"].sum(axis=-1)
        assert len(kept) == drawing.LAWS
        off.append((np.quantile(kept, shares) - np.quantile(found.fed, shares)) / found.fed.std())
    # 400 draws taken blindly would miss them by 0.065 to 0.106 (analytic, normal law), less what both share.
    assert np.sqrt(np.mean(np.square(off), axis=0)).max() < 0.05
    assert np.abs(np.mean(off, axis=0)).max() < 0.03


def test_seeds_repeat_and_others_differ_slightly() -> None:
    sheet = sheet_of(settled(LINEAR))
    one, again, other = chance(sheet, 1000, 5), chance(sheet, 1000, 5), chance(sheet, 1000, 6)
    assert one.as_dict() == again.as_dict()
    assert one.as_dict()["kept"] != other.as_dict()["kept"]
    assert ends(one.kept) == pytest.approx(ends(other.kept), rel=0.08)
    assert ends(one.kept_share) == pytest.approx(ends(other.kept_share), rel=0.01)


@pytest.mark.slow
def test_memory_holds_whatever_the_draws() -> None:
    sheet = sheet_of(LINEAR)

    def peak(draws: int) -> int:
        gc.collect()
        tracemalloc.start()
        try:
            chance(sheet, draws)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    chance(sheet, 400)  # what is made once and kept
    # A few numbers a draw and two for each that is in doubt, of eight bytes each, and nothing by class: of those there
    # are dozens for every stream.
    numbers = 12 + 2 * len(gathered(LINEAR, 20).values)
    assert peak(20_000) - peak(2000) <= numbers * 8 * (20_000 - 2000)


@pytest.mark.parametrize("path", [*TOLD, SACK], ids=lambda path: path.stem)
def test_the_balance_of_every_shipped_sheet_closes(path: Path) -> None:
    found = chance(sheet_of(path), 40)
    assert found.closure <= 1e-12
    for interval in [*found.streams.values(), found.kept, found.head_grade, found.sack_grade]:
        assert 0 <= interval.p5 <= interval.p50 <= interval.p95
        assert interval.mean >= 0
    for part in [found.kept_share, *found.coarse.values()]:
        assert 0 <= part.p5 <= part.p50 <= part.p95 <= 1
    assert [*found.coarse.values()] == sorted(found.coarse.values(), key=lambda one: one.p50)


# ── shares and the next sack, grain by grain ────────────────────────────────────────────────────────────────

SACKS = 20_000
GOLD = {
    "fine": "{d50: 0.03 mm, d95: 0.1 mm}",
    "medium": "{d50: 0.1 mm, d95: 0.4 mm}",
    "coarse": "{d50: 0.4 mm, d95: 2 mm}",
}


def thrown(mass: Array, gold: Array, rng: np.random.Generator) -> Array:
    """Throw grains into lots of which ``gold`` (lots, classes) is expected, and return what each holds."""
    return np.asarray(rng.poisson(gold / mass) @ mass)


def parted(mass: Array, part: Array, whole: Array, rng: np.random.Generator) -> Array:
    """Throw grains into two lots, and return the share of the first."""
    inside, outside = thrown(mass, part, rng), thrown(mass, np.maximum(whole - part, 0.0), rng)
    some = inside + outside > 0
    return np.asarray(inside[some] / (inside + outside)[some])


@pytest.mark.parametrize("grade", ["20 g/t", "20 g/t ± 8 g/t", "0 g/t to 40 g/t"])
@pytest.mark.parametrize("gold", GOLD)
def test_shares_are_those_of_grains_thrown_in(gold: str, grade: str) -> None:
    text = LINEAR.replace("20 g/t ± 4 g/t", grade).replace("{d50: 0.3 mm, d95: 1.2 mm}", GOLD[gold])
    one = gathered(text.replace(" ± 500 g", ""), 400)
    mass, fed, rng = one.found.mass, one.by_grain(["ore"]), np.random.default_rng(2)
    for part in (one.by_grain(["con"]), one.found.above[0.005]):
        told = share(mass, part, fed, rng)
        times = SACKS // len(part)
        sacks = parted(mass, np.repeat(part, times, axis=0), np.repeat(fed, times, axis=0), rng)
        width = np.quantile(sacks, 0.95) - np.quantile(sacks, 0.05)
        assert ends(told) == pytest.approx(np.quantile(sacks, (0.05, 0.5, 0.95)), abs=0.08 * width)
        assert told.mean == pytest.approx(sacks.mean(), abs=0.03 * width + 0.002)


def test_a_sack_without_gold_says_nothing_of_shares() -> None:
    mass, rng = np.array([1e-5]), np.random.default_rng(1)
    whole = np.array([[1e-3], [1e-12]])  # a hundred grains, or none
    told = share(mass, 0.5 * whole, whole, rng)
    assert ends(told) == pytest.approx([0.5 - 1.645 * 0.05, 0.5, 0.5 + 1.645 * 0.05], abs=0.01)
    assert ends(share(mass, 0 * whole, 0 * whole, rng)) == [0, 0, 0]


@pytest.mark.parametrize("gold", ["medium", "coarse"])
def test_the_next_sack_misleads_as_often_as_simulated_ones(gold: str) -> None:
    text = LINEAR.replace("20 g/t ± 4 g/t", "20 g/t ± 9 g/t").replace("{d50: 0.3 mm, d95: 1.2 mm}", GOLD[gold])
    found = chance(sheet_of(settled(text)), 20_000)
    plain = solve(Model.of(sheet_of(text)))
    rng, sacks = np.random.default_rng(9), 100_000
    mass = gathered(settled(text), 10).found.mass
    wide = np.sqrt(np.log1p((9 / 20) ** 2))
    factor = np.maximum(rng.normal(1, 0.05, sacks), 0) * rng.lognormal(-(wide**2) / 2, wide, sacks)
    number = plain.streams["ore"].gold_by_grain / mass
    total = sum(m * rng.poisson(n * factor) for m, n in zip(mass, number, strict=True))
    assert found.next_mean == pytest.approx(total.mean(), rel=0.01)
    assert found.less_than_half == pytest.approx(np.mean(total < 0.5 * total.mean()), abs=0.01)
    assert found.more_than_double == pytest.approx(np.mean(total > 2 * total.mean()), abs=0.005)
    assert [found.next_sack.quantile(s) for s in (0.05, 0.5, 0.95)] == pytest.approx(
        np.quantile(total, (0.05, 0.5, 0.95)), abs=0.1 * total.std()
    )
    alone = plain.streams["ore"].gold_by_grain
    assert found.by_grains == pytest.approx(np.sqrt(alone @ mass) / alone.sum(), rel=0.01)


# ── what the doubt comes from ───────────────────────────────────────────────────────────────────────────────


def laws(sheet: Sheet) -> dict[str, Any]:
    """Return the law of every doubtful number: of a grade it is lognormal."""
    return {name: law(name, number) for name, number in doubtful(sheet).items()}


def law(name: str, number: Number) -> Any:
    if number.low is not None and number.high is not None:
        return stats.uniform(number.low, number.high - number.low)
    if name.endswith(".grade"):
        wide = np.sqrt(np.log1p((number.sd / number.value) ** 2))
        return stats.lognorm(wide, scale=number.value * np.exp(-(wide**2) / 2))
    return stats.norm(number.value, number.sd)


def test_doubts_are_ranked_as_sobol_indices_rank_them() -> None:
    """scipy.stats.sobol_indices (Saltelli's estimators) of the gold kept, by the same solver at its own points."""
    sheet = sheet_of(settled(DOUBTS.replace("10 kg ± 100 g", "10 kg")))
    model = Model.of(sheet)
    priors, within = laws(sheet), limits(sheet)
    assert len(priors) == 4

    def kept(points: Array) -> Array:
        out = []
        for at in range(0, points.shape[1], 200):
            block = points[:, at : at + 200]
            values = {name: np.clip(drawn, *within[name]) for name, drawn in zip(priors, block, strict=True)}
            inputs = inputs_with(model, values, block.shape[1])
            streams = totals(model, inputs, Tail.of(model, inputs)).streams
            out.append(streams["con"].gold + streams["specimens"].gold)
        return 1e3 * np.concatenate(out)

    indices = stats.sobol_indices(func=kept, n=1024, dists=list(priors.values()), rng=np.random.default_rng(4))
    found = chance(sheet, 4000)
    without_luck = 1 - found.luck_share
    shares = {doubt.name: doubt.share for doubt in found.doubts}
    for name, index in zip(priors, indices.first_order, strict=True):
        assert shares[name] == pytest.approx(index * without_luck, abs=0.025), name
    assert max(shares, key=shares.__getitem__) == list(priors)[int(np.argmax(indices.first_order))]
    assert [d.share for d in found.doubts] == sorted(shares.values(), reverse=True)
    assert min(sorted(shares.values())[-3:]) > 0.05  # several count, or there would be nothing to rank
    assert sum(shares.values()) + found.luck_share == pytest.approx(1, abs=0.03)


def test_luck_alone_is_all_the_doubt_of_a_sheet_without_any() -> None:
    found = chance(sheet_of(settled(LINEAR.replace(" ± 500 g", "").replace(" ± 4 g/t", ""))))
    assert (found.doubts, found.luck_share, found.draws) == ([], 1.0, 1)
    assert found.head_grade.p5 == pytest.approx(found.head_grade.p95, rel=1e-12)
    assert found.sack_grade.p5 < 0.9 * found.sack_grade.mean


def test_where_the_weights_tell_the_grade_it_is_ranked_by_what_they_leave_open() -> None:
    found = chance(weighed(LINEAR, ALL_ENDS))
    assert {found.doubts[0].name, found.doubts[1].name} == {GRADE, SPREAD}
    assert sum(doubt.share for doubt in found.doubts) + found.luck_share == pytest.approx(1, abs=0.03)


# ── what the weights tell of the ore ────────────────────────────────────────────────────────────────────────


def test_the_grade_is_read_from_weights_that_determine_it() -> None:
    sheet = weighed(LINEAR, ALL_ENDS)
    solution = solve(Model.of(sheet))
    balanced = reconcile_sheet(sheet)[""].streams["ore"]
    assert balanced.gold == pytest.approx(0.23e-3)
    assert balanced.gold_sd == pytest.approx(np.hypot(4e-6, 2e-6), rel=1e-6)
    found = chance(sheet)
    assert found.weighed is not None
    assert found.this_test is not None
    assert found.this_test.held.mean == pytest.approx(balanced.gold, rel=0.01)
    assert found.this_test.held.sd == pytest.approx(balanced.gold_sd, rel=0.15)
    assert found.head_grade.p5 < 23e-6 < found.head_grade.p95
    assert any(note.code == "grade_of_the_weights" for note in found.notes)
    assert "by the balance of the weights" in chances.head(found)
    whole = sure(solution)
    assert whole is not None
    assert whole.weighed
    assert ends(whole.head_grade) == pytest.approx(ends(found.head_grade), rel=0.01)


@pytest.mark.slow
def test_the_guess_of_the_grade_counts_for_nothing_where_weights_tell() -> None:
    one, other = (chance(weighed(LINEAR.replace("20 g/t ± 4 g/t", guess), ALL_ENDS)) for guess in
                  ("5 g/t ± 1 g/t", "100 g/t ± 1 g/t"))  # fmt: skip
    # The lower end hangs a little on it: of what a nugget brought, less is the ore's if that is thought to be poor.
    for interval in ("head_grade", "sack_grade", "kept"):
        (low, *rest), (low_other, *rest_other) = (ends(getattr(found, interval)) for found in (one, other))
        assert rest == pytest.approx(rest_other, rel=0.2), interval
        assert low == pytest.approx(low_other, rel=0.4), interval
    assert one.by_grains == pytest.approx(other.by_grains, rel=0.15)
    assert one.by_gy.as_ground == pytest.approx(other.by_gy.as_ground, rel=0.15)
    assert one.next_mean == pytest.approx(other.next_mean, rel=0.1)


@pytest.mark.slow
def test_a_wrong_guess_of_the_grade_does_not_bend_the_steps() -> None:
    """Concentrate and tailings were weighed: the pan won 91 %, whatever the sheet thought the ore to hold."""
    pan = LINEAR.replace("tails}}", "tails}, d50: 80 um ± 15 um, r_max: 85 % to 100 %}")
    guesses = ("22 g/t ± 8 g/t", "60 g/t", "1 g/t ± 0.1 g/t")
    right, *wrong = (chance(weighed(pan.replace("20 g/t ± 4 g/t", guess), ALL_ENDS), 400) for guess in guesses)
    assert right.fitted
    assert right.kept_share.p5 < 0.21 / 0.23 < right.kept_share.p95
    for one in wrong:
        assert ends(one.kept_share) == pytest.approx(ends(right.kept_share), abs=0.05)


def test_weigh_sheets_of_one_ore_add_up() -> None:
    twice = (("ore", "mass", 20.0, 0.02), ("con", "gold", 0.40e-3, 8e-6), ("tails", "gold", 0.05e-3, 4e-6))
    both, alone = known(weighed(LINEAR, ALL_ENDS, twice)), known(weighed(LINEAR, ALL_ENDS))
    assert both is not None
    assert alone is not None
    assert both.rock == pytest.approx(30, rel=0.01)
    assert both.gold == pytest.approx(0.68e-3, rel=0.01)
    assert both.gold_sd == pytest.approx(np.sqrt(4e-6**2 + 2e-6**2 + 8e-6**2 + 4e-6**2), rel=0.15)

    def width(ore: KnownOre) -> float:
        low, high = np.quantile(ore.grade, [0.05, 0.95])
        return float(high - low)

    # Luck falls with the root of the rock, but sacks differ besides.
    assert width(both) < 1.6 * width(alone)
    # A test that weighed no gold says nothing of it, and the run says so.
    half_told = gather(solve(Model.of(weighed(LINEAR, ALL_ENDS, (("ore", "mass", 20.0, 0.02),)))), 100, 1)
    assert half_told.weighed is not None
    assert half_told.weighed.rock == pytest.approx(10, rel=0.01)
    assert half_told.weighed.gold == pytest.approx(0.23e-3, rel=0.01)
    assert [one.subject.test for one in half_told.notes if one.code == "test_does_not_tell"] == ["b"]


def test_ores_that_are_run_together_are_known_together() -> None:
    text = LINEAR[LINEAR.index("steps:") :].replace("takes: ore", "takes: [rich, poor]")
    ore = LINEAR[LINEAR.index("{") : LINEAR.index("\nsteps:")]
    text = f"ores:\n  rich: {ore}\n  poor: {ore.replace('20 g/t ± 4 g/t', '5 g/t')}\n{text}"
    sheet = weighed(text, (("con", "gold", 0.21e-3, 4e-6), ("tails", "gold", 0.02e-3, 2e-6)))
    balanced = reconcile_sheet(sheet)[""]
    assert not balanced.streams["rich"].gold_determined
    told = known(sheet)
    assert told is not None
    assert (told.rock, told.gold) == (pytest.approx(20, rel=0.02), pytest.approx(0.23e-3, rel=0.01))
    found = chance(sheet, 400)
    assert found.head_grade.p5 < 11.5e-6 < found.head_grade.p95
    rich, poor = found.streams["rich"].mean, found.streams["poor"].mean
    assert rich > poor, "as the sheet has it, though nobody weighed it apart"
    assert rich + poor == pytest.approx(found.next_mean, rel=1e-9)


def test_clusters_make_the_weights_tell_less() -> None:
    one, four = (known(weighed(LINEAR.replace("gold: {", f"gold: {{cluster: {c}, "), ALL_ENDS)) for c in (1, 4))
    assert one is not None
    assert four is not None
    low, high = (np.array([np.quantile(ore.grade, s) for ore in (one, four)]) for s in (0.05, 0.95))
    assert 1.3 * (high - low)[0] < (high - low)[1] < 2.6 * (high - low)[0]


def test_the_coarse_share_of_the_ore_is_read_from_what_both_sides_of_its_screen_held() -> None:
    sides = (("ore", "mass", 10.0, 0.01), ("lumps", "gold", 0.1e-3, 2e-6), ("fines", "gold", 0.1e-3, 2e-6))
    found = chance(weighed(LINEAR, sides))
    assert found.coarse_weighed == (0.005,)
    assert found.coarse[0.005].p50 == pytest.approx(0.5, abs=0.05)
    assert found.coarse[0.005].p5 < 0.45
    assert found.coarse[0.005].p95 > 0.55
    assert "by your weights" in chances.share_of_coarse(found, 0.005)


def test_the_coarse_share_is_told_at_the_screen_that_the_miner_has() -> None:
    found = chance(sheet_of(QUICK), 50)
    assert next(iter(found.coarse)) == 0.045
    assert "Rock coarser than 20 mm" in dict(chances.answers(found, 14.2))["How much of the gold is coarse?"]


def test_where_one_end_alone_was_weighed_the_rest_is_the_sheets_guess() -> None:
    sheet = weighed(LINEAR, (("con", "gold", 0.25e-3, 4e-6),))
    found = chance(sheet)
    assert found.this_test is not None
    told = {name: one.gold_from for name, one in found.this_test.streams.items()}
    assert (told["con"], told["tails"], told["ore"]) == ("weights", "sheet", "sheet")
    answers = dict(sentences.answers(run(sheet)))
    assert "Nobody weighed the gold of tails" in answers[sentences.BY_WEIGHTS]
    # The concentrate held 0.25 g, where the sheet expects 0.18 g: the ore is richer than was said.
    assert found.head_grade.mean > 22e-6
    assert found.this_test.held.p5 > 0.25e-3


def test_weights_that_found_no_gold_bound_the_grade() -> None:
    none = (("ore", "mass", 10.0, 0.01), ("con", "gold", 0.0, 1e-6), ("tails", "gold", 0.0, 1e-6))
    found = chance(weighed(LINEAR, none), 400)
    assert found.head_grade.p5 < 0.2e-6
    assert 0 < found.head_grade.p95 < 5e-6


# ── sheets of every sort ────────────────────────────────────────────────────────────────────────────────────


def test_several_ores_add_up() -> None:
    found = chance(sheet_of(settled((starters.folder() / "blend.yaml").read_text(encoding="utf-8"))))
    assert found.head_grade.mean == pytest.approx(1e-6 * (40 * 9 + 20 * 35) / 60, rel=1e-9)
    east, west = found.streams["east"], found.streams["west"]
    assert found.next_mean == pytest.approx(east.mean + west.mean, rel=1e-9)
    assert found.streams["crushed"].sd == pytest.approx(np.hypot(east.sd, west.sd), rel=1e-6)


def test_grains_in_clusters_spread_sacks_more() -> None:
    text = LINEAR.replace(" ± 500 g", "").replace(" ± 4 g/t", "")
    look = "  look:  {do: sort, takes: lumps, gives: {picked: seen, left: plain}, cluster: C}\n  mill:"
    text = settled(text.replace("  mill:", look).replace("[lumps, fines]", "[plain, fines]"))
    text = text.replace("    cluster: 1\n", "")  # what the step says counts for the gold
    one, four = (chance(sheet_of(text.replace("cluster: C", f"cluster: {c}"))) for c in (1, 4))
    assert four.by_grains == pytest.approx(2 * one.by_grains, rel=1e-9)
    assert four.streams["ore"].sd == pytest.approx(2 * one.streams["ore"].sd, rel=1e-9)
    assert four.streams["ore"].mean == pytest.approx(one.streams["ore"].mean, rel=1e-9)


def test_what_a_loop_catches_is_in_no_end_stream(solved: Callable[..., Solution]) -> None:
    text = settled((starters.folder() / "closed_circuit.yaml").read_text(encoding="utf-8"))
    plain = solved(text)
    found = chance(sheet_of(text), 400)
    caught = sum(float(one.material.gold) for one in plain.caught)
    assert caught > 0.05 * float(plain.fed_gold)
    scale = found.streams["ore"].mean / float(plain.fed_gold)  # the draws' mean grade, all else being linear
    for name in ("ore", "powder", "con", "tails"):
        assert found.streams[name].mean == pytest.approx(scale * float(plain.streams[name].gold), rel=1e-9), name
    held = found.streams["ore"].mean - found.streams["con"].mean - found.streams["tails"].mean
    assert held == pytest.approx(scale * caught, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "field", "remedy"),
    [
        (", gold: {d50: 0.3 mm, d95: 1.2 mm}", "ore", "gold: {d50"),
        ("20 g/t ± 4 g/t", "ore.grade", "Give a grade"),
    ],
)  # fmt: skip
def test_what_luck_cannot_do_without_is_asked_for(change: str, field: str, remedy: str) -> None:
    text = LINEAR.replace(change, "0 g/t" if "g/t" in change else "")
    text = text.replace("tails}}", "tails}, recovery: {concentrate: 80 %}}")
    with pytest.raises(SheetError) as refused:
        chance(sheet_of(text))
    (mistake,) = refused.value.mistakes
    assert mistake.field == field
    assert remedy in mistake.remedy
    assert run(sheet_of(text)).kept >= 0  # a run needs less


def test_the_ore_that_lacks_grains_is_named() -> None:
    text = "ores:\n  rich: {mass: 1 kg, grade: 9 g/t}\n  poor: {mass: 2 kg, grade: 1 g/t}\n" + (
        "steps: {part: {do: split, takes: [rich, poor], gives: {a: a, b: b}, split: {a: 10 %}}}\nkeep: a\n"
    )
    with pytest.raises(SheetError) as refused:
        chance(sheet_of(text))
    assert refused.value.mistakes[0].field == "ores.rich"


def test_a_sheet_of_factors_has_the_luck_of_grains_that_it_says_nothing_of() -> None:
    path = starters.folder() / "factors.yaml"
    whole = sure(solve(Model.of(sheet_of(path))))
    assert whole is not None
    assert whole.coarse == {}
    # Its factors alone would have 0.72 to 0.85.
    assert 0.5 < whole.kept_share.p5 < 0.7 < whole.kept_share.mean < 0.85 < whole.kept_share.p95 < 0.95
    assert whole.kept_share.mean == pytest.approx(run_of(path).kept_share, rel=0.03)
    exact = sure(solve(Model.of(sheet_of(settled(LINEAR_FACTORS)))))
    assert exact is not None
    assert exact.head_grade.sd == pytest.approx(0, abs=1e-15)
    assert exact.kept_share.p5 < 0.9 * exact.kept_share.mean < 1.02 * exact.kept_share.mean < exact.kept_share.p95


def test_untold_grains_of_all_draws_keep_gold_and_luck_on_common_classes() -> None:
    rng = np.random.default_rng(3)
    lots = UntoldLots.of(rng.choice([1.0, 2.0, 10.0], 50), np.linspace(-1, 1, 50), 0.85)
    gold = rng.uniform(1e-3, 2e-3, (50, 4))  # kg: so much that none of its grains is rare
    apart = lots.apart(gold, slice(0, 50))
    assert apart.sum(axis=-1) == pytest.approx(gold.sum(axis=-1), rel=1e-12)
    assert apart @ lots.mass == pytest.approx(lots.luck(gold, slice(0, 50)), rel=1e-12)
    assert lots.at(120).apart(gold[:20], np.arange(100, 120)) == pytest.approx(lots.apart(gold[:20], np.arange(20)))


def test_grades_that_may_be_nothing_are_told_without_a_flaw() -> None:
    found = chance(sheet_of(LINEAR.replace("20 g/t ± 4 g/t", "2 g/t ± 4 g/t")), 400)
    assert 0 < found.head_grade.p5 < 0.1 * found.head_grade.mean
    assert 0.5 < found.kept_share.p50 < 1
    assert all(np.isfinite(value) for value in (*ends(found.kept), found.kept.sd, found.kept_share.sd))


# ── the command and the run ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
def test_the_command_prints_json_that_repeats(flowsheet: Command) -> None:
    done = flowsheet("chance", QUICK, "--json", "--draws", "50", "--seed", "3")
    assert done.code == 0
    assert done.err == ""
    for one in done.json["streams"].values():
        assert set(one["gold_g"]) >= {"mean", "sd", "p5", "p50", "p95"}
    assert set(done.json["streams"]) == set(solve(Model.of(sheet_of(QUICK))).streams)
    assert 0 < done.json["next_sack"]["less_than_half"] < 1
    assert 0 < done.json["next_sack"]["more_than_double"] < 1
    assert (done.json["draws"], done.json["seed"]) == (50, 3)
    assert flowsheet("chance", QUICK, "--json", "--draws", "50", "--seed", "3").out == done.out
    assert flowsheet("chance", QUICK, "--json", "--draws", "50", "--seed", "4").out != done.out
    assert flowsheet("chance", QUICK, "--json").json["draws"] == 1000


@pytest.mark.slow
def test_the_command_writes_tables_and_pictures(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("chance", QUICK, "--draws", "20", "--out", "told")
    tables = {"chances.csv", "coarse_chances.csv", "doubts.csv"}
    pictures = {"intervals.png", "next_sack.png", "doubts.png"}
    assert files_in(tmp_path / "told") == tables | pictures
    assert all(f"told/{name}" in done.err for name in tables | pictures)
    for name in pictures:
        assert (tmp_path / "told" / name).read_bytes().startswith(PNG)
    rows = (tmp_path / "told" / "chances.csv").read_text(encoding="utf-8").splitlines()
    assert rows[0].split(",")[0] == "Stream"
    assert len(rows) == 1 + len(solve(Model.of(sheet_of(QUICK))).streams)
    assert flowsheet("chance", starters.folder() / "blend.yaml", "--out", "blend").code == 0  # nothing in doubt


@pytest.mark.parametrize("path", [*TOLD, SACK], ids=lambda path: path.stem)
def test_the_terminal_holds_every_line(path: Path, flowsheet: Command) -> None:
    done = flowsheet("chance", path, "--draws", "20")
    assert done.code == 0
    assert max(map(len, done.out.splitlines())) <= 100
    for question in ("What does the ore hold?", "Would another sack say the same?", "Which doubt matters most?"):
        assert question in done.out
    assert "20 draws, seed 1" in done.out
    assert "not a resource statement or an assay certificate" in " ".join(done.out.split())


@pytest.mark.parametrize(
    "options",
    [["--draws", "9"], ["--draws", "x"], ["--draws", "2000000"], ["--seed", "-1"], ["--seed", "a"], ["--no"], ["--out"],
     ["--out", "a file"]],
)  # fmt: skip
def test_bad_options_are_refused(options: list[str], flowsheet: Command, tmp_path: Path) -> None:
    (tmp_path / "a file").write_text("text")
    done = flowsheet("chance", starters.folder() / "blend.yaml", *options)
    assert done.code == 2
    assert done.err
    assert done.out == ""
    assert files_in(tmp_path) == {"a file"}


def test_a_sheet_that_luck_cannot_work_with_exits_with_2_and_writes_nothing(
    flowsheet: Command, tmp_path: Path
) -> None:  # fmt: skip
    done = flowsheet("chance", starters.folder() / "factors.yaml", "--out", "told")
    assert done.code == 2
    assert "ore:" in done.err
    assert "gold: {d50" in done.err
    assert not (tmp_path / "told").exists()


SPAN = re.compile(r"\([\d.,]+ to [\d.,]+\)")


def test_a_run_says_between_what_ends_its_answers_lie(flowsheet: Command) -> None:
    found = flowsheet("run", QUICK, "--json").json
    assert set(found) >= {"this_test", "ore", "ores", "next_sack", "kept", "coarse", "weighed", "fitted", "notes"}
    assert found["this_test"]["kept_g"]["from"] == "sheet"
    assert "as_planned" not in found
    assert not found["weighed"]
    answers = dict(sentences.answers(run_of(QUICK)))
    assert SPAN.search(answers["How sure is that?"])
    assert SPAN.search(answers["How much gold does the coarse fraction hold?"])
    by_weights = flowsheet("run", SACK, "--json").json
    assert by_weights["weighed"]
    assert by_weights["as_planned"]["kept"]["share"] != by_weights["kept"]["share"]


def test_a_run_of_a_sheet_without_a_doubt_of_its_own_has_those_of_its_defaults(flowsheet: Command) -> None:
    blend = starters.folder() / "blend.yaml"
    assert not doubtful(sheet_of(blend))
    answers = dict(sentences.answers(run_of(blend)))
    assert SPAN.search(answers["How sure is that?"])
    assert flowsheet("chance", blend, "--out", "blend").code == 0
