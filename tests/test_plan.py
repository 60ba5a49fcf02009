"""The sampling plan: its errors against the code that shares nothing with them, its promise, and the command."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import Command
from sheets import sheet_of

from flowsheet.ore import grains
from flowsheet.show.sampling import plans
from flowsheet.show.sampling.plans import WELL_DONE
from flowsheet.solve.model import Model
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.json_schema import json_schema
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.written.written_list import LIST
from flowsheet.steps import kinds
from flowsheet.steps.split import sampling_error
from flowsheet.study.common import compound_poisson, gy
from flowsheet.study.money.valuation import worth
from flowsheet.study.sampling.error_law import ErrorLaw
from flowsheet.study.sampling.plan_search import Search, recipes
from flowsheet.study.sampling.sampling_cost import work_of
from flowsheet.study.sampling.sampling_plan import SIZES, SamplingPlan, Wish, planned
from flowsheet.study.sampling.sampling_variance import GRAINS, GROUPING, MEASURING, SACKS, SampleSplit, broken, passes
from flowsheet.study.sampling.simulate import tried

PNG = b"\x89PNG\r\n\x1a\n"

SHEET = """\
# Invented, all of it.
title: An invented pile
ore:
  mass: 14 kg
  grade: {grade} g/t
  sizes: {{top: 100 mm, p80: 60 mm, slope: 0.7}}
  heavies: 4 %
  gold: {{d50: {d50}, d95: {d95}, fineness: 870}}
pile: {{sacks: {sacks}, sack_mass: 14 kg ± 1 kg, spread: {spread}}}
steps:
  break:  {{do: jaw_crush, takes: ore, gives: crushed, setting: 6 mm}}
  look:   {{do: sort, takes: crushed, gives: {{picked: specimens, left: plain}}, cluster: {cluster}}}
  powder: {{do: pulverize, takes: plain, gives: powder, gap: 0.2 mm}}
  wash:   {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: [con, specimens]
"""


def text_of(**given: Any) -> str:
    known = {"grade": 22, "d50": "0.35 mm", "d95": "1.6 mm", "sacks": 40, "spread": "30 %", "cluster": 1}
    return SHEET.format(**{**known, **given})


def pile_of(**given: Any) -> Sheet:
    return sheet_of(text_of(**given))


@pytest.fixture(scope="module")
def found() -> SamplingPlan:
    return planned(pile_of(), Wish(want=0.2))


# ── the stages ──────────────────────────────────────────────────────────────────────────────────────────────


def test_a_split_is_as_uncertain_as_the_step_that_splits_says(found: SamplingPlan) -> None:
    # Rocks that do not differ, and grains that lie alone: what steps/split.py warns of.
    site = Model.of(pile_of(), SIZES).plain.site
    for size in SIZES:
        rock = broken(found.pool.lies.material, size, site, 1.0, 0.0)
        mass = float(rock.material.solids)
        split = SampleSplit(rock, mass, mass / 4)
        assert split.halvings == 2
        expected = sampling_error(rock.material, 0.25, site)
        assert math.sqrt(split.variance(rock.heterogeneity)) == pytest.approx(expected, rel=1e-9)


def test_broken_rock_all_passes_and_keeps_its_gold(found: SamplingPlan) -> None:
    site, lies = Model.of(pile_of(), SIZES).plain.site, found.pool.lies.material
    for size in SIZES:
        rock = broken(lies, size, site, 1.0, 1.0).material
        assert rock.rock_by_size[site.grid.upper > size * 1.000001].sum() == pytest.approx(0, abs=1e-12)
        assert float(rock.solids) == pytest.approx(float(lies.solids), rel=1e-12)
        assert rock.gold_by_grain == pytest.approx(lies.gold_by_grain, rel=1e-9, abs=1e-18)


def test_breaking_finer_leaves_the_grains_luck_and_takes_the_rocks() -> None:
    site = Model.of(pile_of(cluster=6), SIZES).plain.site
    lies = planned(pile_of(cluster=6), Wish(want=0.3)).pool.lies.material
    alone = [broken(lies, size, site, 1.0, 1.0) for size in SIZES]
    together = [broken(lies, size, site, 6.0, 1.0) for size in SIZES]
    assert [r.grains for r in alone] == pytest.approx([alone[0].grains] * len(SIZES), rel=1e-9)
    assert [r.grouping for r in alone] == sorted((r.grouping for r in alone), reverse=True)
    assert alone[0].grouping > 20 * alone[-1].grouping
    assert [r.grains for r in together] == sorted((r.grains for r in together), reverse=True)
    assert together[0].grains > alone[0].grains


def test_grains_are_counted_as_everywhere(found: SamplingPlan) -> None:
    pool = found.pool
    gold = pool.lies.material.gold_by_grain
    expected = float((gold * pool.grain_mass).sum() / gold.sum() ** 2)
    assert pool.lies.grains == pytest.approx(expected * float(pool.lies.material.solids), rel=1e-12)
    # Of a huge pile one sack: the luck of one sack, as ``chance`` tells it.
    _, sd = compound_poisson.moments(pool.grain_mass, gold / pool.grain_mass)
    one = math.sqrt(replace(pool, sacks=10**9, sack_mass=14.0).in_sacks(pool.lies.grains, 1))
    assert one == pytest.approx(sd / gold.sum() * math.sqrt(float(pool.lies.material.solids) / 14), rel=1e-6)


def test_all_sacks_leave_only_the_measuring(found: SamplingPlan) -> None:
    errors = {row.kind: row.sd for row in found.pool.errors(40, [])[:-1]}
    assert errors[SACKS] == errors[GRAINS] == 0
    whole = ErrorLaw(found.pool, 40, []).half_width(0.9)
    assert whole == pytest.approx(1.644854 * errors[MEASURING], rel=2e-3)


def test_errors_add_in_quadrature(found: SamplingPlan) -> None:
    rows = found.plan.errors
    assert {row.kind for row in rows[:-1]} == {SACKS, GRAINS, GROUPING, MEASURING}
    assert rows[-1].sd == pytest.approx(math.hypot(*(row.sd for row in rows[:-1])), rel=1e-12)


def test_passes_of_a_machine() -> None:
    assert [passes(0.1, size) for size in (0.1, 0.02, 0.0199, 0.004, 0.0002)] == [0, 1, 2, 2, 4]
    assert passes(0.01, 0.02) == 0


# ── the law of the error ────────────────────────────────────────────────────────────────────────────────────


def test_many_small_grains_make_a_normal_law() -> None:
    pool = planned(pile_of(d50="0.05 mm", d95="0.1 mm", spread="10 %"), Wish(want=0.1)).pool
    plan = pool.errors(10, [])[-1]
    for confidence, z in ((0.5, 0.674490), (0.9, 1.644854), (0.95, 1.959964)):
        assert ErrorLaw(pool, 10, []).half_width(confidence) == pytest.approx(z * plan.sd, rel=0.01)


def test_grains_of_one_size_are_counted_one_by_one() -> None:
    # All else without doubt: how many grains are in a quarter of the pile.
    sheet = pile_of(d50="2 mm", d95="2 mm", spread="0 %", sacks=8)
    pool = replace(planned(sheet, Wish(want=0.5)).pool, sack_mass_sd=0.0, weighing=0.0, assay=0.0)
    number = pool.grade * pool.mass / float(pool.grain_mass[np.argmax(pool.lies.material.gold_by_grain)])
    law = ErrorLaw(pool, 2, [])
    # The pile's number is Poisson, so the two parts are independent Poisson numbers.
    rng = np.random.default_rng(5)
    inside, outside = rng.poisson(number / 4, 400_000), rng.poisson(number * 3 / 4, 400_000)
    error = (4 * inside - (inside + outside)) / number
    for half in (0.2, 0.4, 0.7):
        assert law.within(half) == pytest.approx(float((np.abs(error) <= half).mean()), abs=0.03)


# ── the search ──────────────────────────────────────────────────────────────────────────────────────────────


def test_no_plan_is_cheaper(found: SamplingPlan) -> None:
    """Every plan of the grid, worked out one by one; none that keeps to the wish is cheaper."""
    sheet = pile_of(sacks=12, grade=5, d50="0.1 mm", d95="0.3 mm")
    one = planned(sheet, Wish(want=0.2))
    site = Model.of(sheet, SIZES).plain.site
    rocks = [broken(one.pool.lies.material, size, site, 1.0, one.pool.rocks) for size in SIZES]
    ways = recipes(one.pool, rocks, 0.2e-3, work_of(sheet))
    assert len(ways) == 1 + 5 * 7 + 10 * 49
    best, search = math.inf, Search(one.pool, ways, 0.9, list(range(1, 13)))
    for way in ways[::3] + [w for w in ways if len(w.parts) < 2]:
        for sacks in range(1, 13):
            work = sacks * one.pool.sack_mass * way.work
            if work < min(best, one.plan.work * 1.01) and search.plan(sacks, way).doubt <= 0.2:
                best = work
    assert one.met
    assert one.plan.doubt <= 0.2
    assert one.plan.work <= best * (1 + 1e-9)


def test_more_work_makes_surer(found: SamplingPlan) -> None:
    for column in ("whole", "best"):
        doubts = [getattr(point, column) for point in found.curve]
        assert doubts == sorted(doubts, reverse=True)
    assert all(point.best <= point.whole * (1 + 1e-9) for point in found.curve)


@pytest.mark.slow
def test_a_mass_makes_the_surest_plan_for_its_work() -> None:
    one = planned(pile_of(), Wish(mass=50.0))
    assert one.plan.work <= 50 * one.straight * (1 + 1e-9)
    back = planned(pile_of(), Wish(want=one.plan.doubt * (1 + 1e-6)))
    assert back.plan.work <= one.plan.work * (1 + 1e-9)


def test_a_wish_that_no_plan_meets_shows_the_whole_pile() -> None:
    one = planned(pile_of(), Wish(want=0.005))
    assert not one.met
    assert one.whole
    assert one.plan.doubt > 0.005
    assert plans.what_to_do(one).startswith("No plan makes it as sure as ± 0.5 %; nothing is surer than this. Take all")


def test_twenty_grains(found: SamplingPlan) -> None:
    assert found.pool.lies.grains / found.twenty == pytest.approx(1 / 20, rel=1e-12)
    size = np.array([found.grain_size])
    assert float(grains.grain_mass(size, np.asarray(0.87))[0]) == pytest.approx(found.grain, rel=1e-9)


def test_the_weights_tell_the_grade() -> None:
    weighed = (
        "weighed: {con: {gold: 0.6 g ± 1 mg}, specimens: {gold: 0.3 g ± 1 mg}, tails: {mass: 13 kg, gold: 0.03 g}}\n"
    )
    one = planned(sheet_of(text_of() + weighed), Wish(want=0.2))
    assert 45e-6 < one.pool.grade < 95e-6
    assert any(note.code == "grade_of_the_weights" for note in one.notes)


@pytest.mark.slow
def test_the_users_costs_are_the_work() -> None:
    costs = (
        "costs:\n  break: {labour: 20 USD/h, pace: 20 kg/h}\n  powder: {labour: 20 USD/h, pace: 4 kg/h, "
        "per_mass: 1 USD/kg}\n  wash: {labour: 20 USD/h, pace: 2 kg/h}\n"
    )
    sheet = sheet_of(text_of() + costs)
    work = work_of(sheet)
    assert (work.crushing, work.grinding, work.panning, work.sack) == pytest.approx((1, 6, 10, 0))
    assert work.currency == "USD"
    # The whole sack goes once through each step; what is split below the crusher's setting (6 mm) goes through again.
    assert work.finished(0.1, 0.2e-3) == pytest.approx(17)
    assert work.finished(5e-3, 0.2e-3) == pytest.approx(16)
    assert work.crushed(0.1, 20e-3) == pytest.approx(1)
    assert work.crushed(0.1, 1e-3) == pytest.approx(1 + passes(6e-3, 1e-3))
    assert work.crushed(20e-3, 1e-3) == pytest.approx(1 + passes(6e-3, 1e-3))
    assert work.crushed(5e-3, 1e-3) == pytest.approx(passes(5e-3, 1e-3))
    one = planned(sheet, Wish(want=0.2))
    plan = one.plan
    assert "USD (by your costs" in plans.what_to_do(one)
    rest, before, by_hand = plan.taken, 0.1, 0.0
    for split in plan.splits:
        by_hand += rest * work.crushed(before, split.rock.size)
        rest, before = split.after, split.rock.size
    assert plan.work == pytest.approx(by_hand + rest * work.finished(before, 0.2e-3), rel=1e-9)
    assert plan.panned <= planned(pile_of(), Wish(want=0.2)).plan.panned


def test_a_whole_pile_costs_what_worth_says() -> None:
    """Crush, grind and pan once each, and the sacks: the steps' costs of the raw pile in worth, power left out."""
    costs = (
        "costs:\n  sack: 3 USD\n  break: {labour: 18 USD/h, pace: 60 kg/h}\n  powder: {labour: 18 USD/h, "
        "pace: 25 kg/h, per_mass: 0.08 USD/kg}\n  wash: {labour: 18 USD/h, pace: 20 kg/h}\n"
        "prices: {gold: 95 USD/g}\nsells: {metal: {kind: metal, takes: con}}\n"
    )
    # Nothing is picked out, so that all of it is crushed, in the plan as in the sheet.
    text = re.sub(r"(?m)^  look:.*\n", "", text_of()).replace("[con, specimens]", "con")
    text = text.replace("takes: plain", "takes: crushed")
    sheet = sheet_of(text + costs)
    one = planned(sheet, Wish(want=0.2))
    way = worth(sheet, 20).ways[0]
    assert way.pile is not None
    assert one.straight * one.pool.mass == pytest.approx(way.pile.costs, rel=1e-3)
    assert one.straight * one.pool.mass == pytest.approx(40 * (3 + 14 * 2.0), rel=1e-9)
    assert "by your costs of sacks, crushing" in plans.what_to_do(one)


@pytest.mark.slow
def test_every_sack_taken_is_paid_for() -> None:
    costs = "costs:\n  break: {per_mass: 1 USD/kg}\n  powder: {per_mass: 6 USD/kg}\n  wash: {per_mass: 10 USD/kg}\n"
    sheets = [sheet_of(text_of() + costs + more) for more in ("", "  sack: 30 USD\n")]
    cheap, dear = (planned(sheet, Wish(want=0.2)) for sheet in sheets)
    without = recipes(cheap.pool, [], 0.2e-3, cheap.work)[0].work
    assert recipes(dear.pool, [], 0.2e-3, dear.work)[0].work == pytest.approx(without + 30 / 14)
    # Sacks that cost something are fewer.
    assert dear.plan.sacks <= cheap.plan.sacks
    assert dear.plan.work > cheap.plan.work


# ── it holds ────────────────────────────────────────────────────────────────────────────────────────────────

ORES: dict[str, tuple[dict[str, Any], float]] = {
    "coarse gold": ({}, 0.2),
    "fine gold": ({"grade": 8, "d50": "50 um", "d95": "150 um", "sacks": 60, "spread": "40 %"}, 0.15),
    "nuggets": ({"grade": 40, "d50": "0.8 mm", "d95": "4 mm", "sacks": 120, "spread": "60 %"}, 0.25),
    "poor and even": ({"grade": 5, "d50": "0.1 mm", "d95": "0.4 mm", "sacks": 25, "spread": "20 %"}, 0.1),
    "clusters": ({"grade": 15, "d50": "0.2 mm", "d95": "0.8 mm", "sacks": 80, "spread": "50 %", "cluster": 8}, 0.2),
    "sacks unlike each other": ({"grade": 10, "d50": "0.1 mm", "d95": "0.2 mm", "sacks": 60, "spread": "80 %"}, 0.3),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("ore", ORES)
def test_a_thousand_piles_keep_the_promise(ore: str) -> None:
    given, want = ORES[ore]
    sheet = pile_of(**given)
    one = planned(sheet, Wish(want=want))
    site = Model.of(sheet, SIZES).plain.site
    off = np.quantile(np.abs(tried(one.pool, one.plan, site, 1000, 20)), 0.9)
    splits = [f"{1e3 * s.rock.size:g} mm, {s.halvings} halvings" for s in one.plan.splits]
    print(f"\n{ore}: {one.plan.sacks} sacks, {splits}, {one.plan.panned:.3g} kg panned: promised ± "
          f"{100 * one.plan.doubt:.1f} %, found ± {100 * off:.1f} %")  # fmt: skip
    assert one.met
    assert off == pytest.approx(one.plan.doubt, rel=0.1)


def test_a_wrong_promise_is_found_out(found: SamplingPlan) -> None:
    """The trial can fail: with half the sacks it does."""
    site = Model.of(pile_of(), SIZES).plain.site
    fewer = replace(found.plan, sacks=found.plan.sacks // 4, splits=())
    off = np.quantile(np.abs(tried(found.pool, fewer, site, 400, 3)), 0.9)
    assert off > 1.1 * found.plan.doubt


@pytest.mark.slow
def test_the_same_seed_the_same_answer(found: SamplingPlan) -> None:
    same, other = (planned(pile_of(), Wish(want=0.2), seed).found for seed in (1, 2))
    assert same == found.found
    assert other != found.found


# ── what is asked, and what is told ─────────────────────────────────────────────────────────────────────────


@pytest.fixture
def file(tmp_path: Path) -> str:
    (tmp_path / "pile.yaml").write_text(text_of(), encoding="utf-8")
    return "pile.yaml"


def test_the_command_tells_and_writes(file: str, flowsheet: Command) -> None:
    code, out, err = flowsheet("plan", file, "--out", "there")
    assert code == 0
    flat = " ".join(out.split())
    assert re.search(r"Take \d+ of the 40 sacks \(\d+ kg\)\. Crush each by itself until all of it passes 20 mm", flat)
    assert "not a resource statement or an assay certificate" in flat
    assert max(map(len, out.splitlines())) <= 100
    written = {path.name for path in Path("there").iterdir() if path.name != LIST}
    assert written == {"plan_errors.csv", "least_mass.csv", "doubt_by_mass.csv", "doubt_by_mass.png", "plan_errors.png"}
    assert all(f"there/{name}" in err for name in written)
    assert Path("there/doubt_by_mass.png").read_bytes().startswith(PNG)


def test_json_says_the_same(file: str, flowsheet: Command) -> None:
    code, out, _ = flowsheet("plan", file, "--mass", "60kg", "--sacks", "90", "--json")
    assert code == 0
    told = json.loads(out)
    assert told["pile"]["sacks"] == 90
    assert told["wish"]["mass"] == 60
    assert told["plan"]["errors"][-1]["sd"] == told["plan"]["sd"]
    assert told["plan"]["sacks"] * 14 == pytest.approx(told["plan"]["taken_kg"])
    assert told["curve"][-1]["sacks"] == 90


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--want", "x"), '--want: read "x": this is not a share. Write something like 80 %.'),
        (("--want", "20"), '--want: read "20": this lies outside 0.1 to 200 %. Write --want "20 %".'),
        (("--mass", "20"), '--mass: read "20": a mass needs its unit.'),
        (("--mass", "1 kg"), "Write --mass 2.83kg or more."),
        (("--mass", "20 kg", "--want", "20 %"), "--want: both a doubt and a mass are given."),
        (
            ("--confidence", "20 %"),
            '--confidence: read "20 %": this lies outside 50 to 99.9 %. Write --confidence 90%.',
        ),
    ],
)
def test_what_is_asked_wrongly(
    arguments: tuple[str, ...],
    said: str,
    file: str,
    flowsheet: Command,
) -> None:
    code, out, err = flowsheet("plan", file, *arguments)
    assert (code, out) == (2, "")
    assert said in err


def test_the_remedy_for_too_small_a_mass_works() -> None:
    assert planned(pile_of(), Wish(mass=2.83)).plan.sacks == 1
    with pytest.raises(SheetError):
        planned(pile_of(), Wish(mass=2.82))


def test_a_sheet_without_a_pile_says_what_to_write() -> None:
    text = re.sub(r"pile:.*\n", "", text_of())
    with pytest.raises(SheetError, match="does not say how many sacks"):
        planned(sheet_of(text), Wish(want=0.2))
    one = planned(sheet_of(text), Wish(want=0.2, sacks=10))
    assert one.pool.sack_mass == pytest.approx(14, rel=1e-9)
    assert any(note.code == "spread_assumed" for note in one.notes)


@pytest.mark.parametrize(
    ("block", "said"),
    [
        ("pile: {sacks: 2.5}", "a whole number is wanted"),
        ("pile: {sacks: 0}", "zero makes no sense here"),
        ("pile: {sacks: 4, spred: 3 %}", 'Did you mean "spread"?'),
        ("pile: {sacks: 4, sack_mass: 14}", "a mass needs its unit"),
        ("pile: forty", "fields are wanted here"),
    ],
)
def test_a_pile_that_makes_no_sense_is_refused(block: str, said: str) -> None:
    with pytest.raises(SheetError) as wrong:
        sheet_of(re.sub(r"pile:.*", block, text_of()), "pile.yaml")
    assert said in str(wrong.value)
    assert "pile.yaml:9:" in str(wrong.value)


NO_GRAINS = """\
ore: {mass: 10 kg, grade: 20 g/t}
steps: {a: {do: split, takes: ore, gives: {x: x, y: y}}}
keep: x
"""


def test_the_schema_knows_the_pile() -> None:
    schema = json_schema(kinds())
    name = schema["properties"]["pile"]["$ref"].rsplit("/", 1)[-1]
    fields = schema["$defs"][name]["properties"]
    assert set(fields) == {"sacks", "sack_mass", "spread", "rocks", "assay", "weighing"}
    assert all("source" in field for name, field in fields.items() if "default" in field)


def test_a_sheet_without_grains_is_told_what_it_lacks() -> None:
    with pytest.raises(SheetError, match="know the gold and its grains"):
        planned(sheet_of(NO_GRAINS), Wish(want=0.2, sacks=3))


def test_size_ranges_of_gy() -> None:
    assert [gy.size_range_factor(spread) for spread in (10, 3, 1.5, 1)] == [0.25, 0.5, 0.75, 1]


# ── rules of others, as they print them ─────────────────────────────────────────────────────────────────────


def test_an_old_rule_for_the_mass_of_a_sample() -> None:
    # T. R. Woodbridge (1916), in J. Wells, BLM Technical Bulletin 4 (1969): largest piece 1 in, 2,000 lb; 2 in,
    # 10,000 lb.
    pound = 0.45359237
    assert gy.rule_of_thumb(0.0254) == pytest.approx(2000 * pound, rel=1e-12)
    assert gy.rule_of_thumb(0.0508) == pytest.approx(10_000 * pound, rel=1e-12)
    assert math.log2(gy.rule_of_thumb(0.2) / gy.rule_of_thumb(0.1)) == pytest.approx(2.3219, abs=5e-5)


def test_the_planning_rule_is_an_sd_of_root_two() -> None:
    # M. K. G. Whateley & B. C. Scott, in Introduction to Mineral Exploration, p. 205: total error variance at most
    # twice the fundamental one (sd factor 1.41421).
    assert math.sqrt(WELL_DONE) == pytest.approx(1.41421, abs=5e-6)


def test_increments_grow_as_the_root_of_the_lot() -> None:
    # ASTM D2234 (from memory; coal, only for the form): 35 increments of 1000 t of raw coal, 70 of 4000 t.
    assert gy.increments(1000e3) == 35
    assert gy.increments(4000e3) == 70
