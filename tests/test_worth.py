"""Money: prices and costs as they are written, ways to sell, and what they leave, by hand and by brute force."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import Command
from sheets import price_fault, settled, sheet_of

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks import money
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import texts
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake
from flowsheet.spec.written.written_list import LIST
from flowsheet.spec.yaml import marked_document
from flowsheet.study.money.costs import bond
from flowsheet.study.money.cutoff import _parted, crush, splits
from flowsheet.study.money.net_revenue import bases, value
from flowsheet.study.money.result import Worths
from flowsheet.study.money.route_flows import carried
from flowsheet.study.money.sales_routes import cut_off, standing, ways
from flowsheet.study.money.valuation import _above_nothing, worth
from flowsheet.study.trials.trials import run_trials

# Shares alone, so that every figure can be worked out by hand: 10 kg at 50 g/t hold 0.5 g, of which the concentrate
# gets 80 %, in 1 kg; invented.
BY_HAND = """
title: by hand
ore: {mass: 10 kg, grade: 50 g/t}
steps:
  break: {do: factors, takes: ore, gives: broken}
  wash: {do: factors, takes: broken, gives: {con: con, tails: tails}, split: {con: 10 %}, recovery: {con: 80 %}}
keep: con
"""

# A sheet with sizes and grains, its picked rocks sold; invented.
SIZED = """
title: sized
ore:
  mass: 20 kg
  grade: 60 g/t
  sizes: {top: 100 mm, p80: 60 mm}
  gold: {d50: 0.6 mm, d95: 2.5 mm, fineness: 900}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  look: {do: sort, takes: lumps, gives: {picked: specimens, left: plain}}
  break: {do: jaw_crush, takes: [plain, fines], gives: crushed, setting: 6 mm}
  mill: {do: pulverize, takes: crushed, gives: powder, gap: 0.2 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
keep: [specimens, con]
prices: {gold: 100 USD/g, raw ore: 2 USD/kg, specimens: 40 USD/kg}
costs:
  look: {labour: 20 USD/h, pace: 30 kg/h}
  break: {labour: 20 USD/h, pace: 20 kg/h}
  wash: {labour: 20 USD/h, pace: 10 kg/h}
sells:
  raw: {kind: raw, takes: ore}
  show: {kind: specimen, takes: specimens, fee: 10 %}
  metal: {kind: metal, takes: con, payable: 97 %}
"""


def by_hand(more: str, old: str = "", new: str = "") -> Sheet:
    return sheet_of(settled(BY_HAND.replace(old, new)) + more)


#: Grains so fine that a sack of them has no luck.
FINE = ("grade: 50 g/t", "grade: 50 g/t, sizes: {top: 20 mm, p80: 10 mm}, gold: {d50: 20 um, d95: 50 um}")


def net_of(sheet: Sheet, name: str = "metal") -> float:
    return next(way for way in worth(sheet, 20).ways if way.name == name).sack.net.mean


# ── money as it is written ──────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("text", "dimension", "value"), [
    ("20 USD/h", money.WAGE, 20 / 3600), ("20 USD/hour", money.WAGE, 20 / 3600), ("1 EUR/min", money.WAGE, 1 / 60),
    ("6 USD", money.AMOUNT, 6.0), ("0.3 USD/kWh", money.POWER_PRICE, 0.3 / 3.6e6),
    ("8 kg/h", money.PACE, 8 / 3600), ("2 lb/min", money.PACE, 2 * 0.45359237 / 60), ("1.5 h", money.TIME, 5400.0),
    ("90 min", money.TIME, 5400.0), ("3.6 MJ/t", money.WORK_INDEX, 3600.0), ("1 kWh/t", money.WORK_INDEX, 3600.0),
    ("0.4 USD/kg", money.PRICE_PER_MASS, 0.4), ("0.4 USD / g", money.PRICE_PER_MASS, 400.0),
])  # fmt: skip
def test_amounts_paces_and_works_are_read(text: str, dimension: Any, value: float) -> None:
    assert money.parse(text, dimension).value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("text", "sd", "low", "high"), [
    ("100 ± 5 USD/g", 5e3, None, None), ("100 USD/g ± 5 USD/g", 5e3, None, None), ("100 USD/g ± 5 %", 5e3, None, None),
    ("100 USD/g ± 5", 5e3, None, None), ("100 +/- 5 USD/g", 5e3, None, None),
    ("90 to 110 USD/g", 2e4 / math.sqrt(12), 9e4, 11e4), ("90 USD/g to 110 USD/g", 2e4 / math.sqrt(12), 9e4, 11e4),
])  # fmt: skip
def test_a_price_may_carry_doubt(text: str, sd: float, low: float | None, high: float | None) -> None:
    found = money.price("gold", text)
    assert found.value == pytest.approx(1e5)
    assert found.sd == pytest.approx(sd)
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high)) if low else found.low is None
    assert (found.currency, found.per, str(found)) == ("USD", "g", text)


@pytest.mark.parametrize(("text", "dimension"), [
    ("20 USD", money.WAGE), ("20", money.WAGE), ("20 USD/kg", money.WAGE), ("6 USD/h", money.AMOUNT),
    ("8 h", money.PACE), ("8 kg", money.PACE), ("8 kg/kg", money.PACE), ("2 kg", money.TIME), ("1.5 h/kg", money.TIME),
    ("14.8", money.WORK_INDEX), ("14.8 kWh", money.WORK_INDEX), ("14.8 kg/t", money.WORK_INDEX), ("", money.WAGE),
    ("0.3 USD/kW", money.POWER_PRICE), ("x" * 300, money.WAGE), ("5 USD/h ± 2 EUR/h", money.WAGE),
    ("-20 USD/h 3", money.WAGE), ("0.4 USD/oz", money.PRICE_PER_MASS),
])  # fmt: skip
def test_what_is_no_such_number_is_refused_with_a_remedy(text: str, dimension: Any) -> None:
    with pytest.raises(NumberMistake) as wrong:
        money.parse(text, dimension)
    assert wrong.value.remedy


@pytest.mark.parametrize("text", ["5 to 0 USD/g", "0 to 5 USD/g", "100 USD/g ± 5 EUR/g", "100 USD/g USD/g ± ± 5"])
def test_a_price_that_makes_no_sense(text: str) -> None:
    assert price_fault("gold", text) is not None


# ── by hand ─────────────────────────────────────────────────────────────────────────────────────────────────

PRICES = "prices: {gold: 100 USD/g, silver: 1 USD/g, raw ore: 3 USD/kg, con: 25 USD/kg}\n"
SELLS = PRICES + "sells:\n  metal: {kind: metal, takes: con, payable: 90 %"


@pytest.mark.parametrize(("more", "expected"), [
    (SELLS + "}", 36.0),  # 0.4 g, 90 % of it paid, 100 a gram
    (SELLS + ", fee: 10 %}", 32.4),
    (SELLS + ", each: 5 USD}", 31.0),
    (SELLS + ", refining: 2 USD/g}", 36 - 0.72),
    (SELLS + ", per_mass: 3 USD/kg, minimum: 5 USD}", 31.0),  # 1 kg would be charged 3
    (SELLS + ", per_mass: 8 USD/kg, minimum: 5 USD}", 28.0),
    (SELLS + ", fee: 10 %, each: 1 USD, minimum: 6 USD}", 30.0),  # the fee of 3.60 counts towards the least
    (SELLS + ", fee: 10 %, minimum: 3 USD}", 32.4),
    (SELLS + ", least: 2 kg, each: 5 USD}", 0.0),  # too little: not taken, not charged
    (SELLS + ", payable_silver: 50 %}", 36 + 0.5 * 0.4 / 9),  # 900 fine where the sheet says nothing
    (PRICES + "sells: {metal: {kind: specimen, takes: con, price: con, fee: 20 %}}", 20.0),
    (PRICES + "sells: {metal: {kind: specimen, takes: con, premium: 1.5}}", 60.0),
    (PRICES + "sells: {metal: {kind: raw, takes: ore, per_mass: 0.1 USD/kg}}", 29.0),
])  # fmt: skip
def test_a_sale_by_hand(more: str, expected: float) -> None:
    # A concentrate's metal weighs next to nothing: 0.44 g beside 1 kg.
    assert net_of(by_hand(more)) == pytest.approx(expected, rel=1e-3, abs=1e-9)


COSTS = SELLS + "}\ncosts:\n"


@pytest.mark.parametrize(("more", "expected"), [
    ("  break: {labour: 20 USD/h, pace: 8 kg/h}", 25.0),
    ("  break: {labour: 20 USD/h, time: 90 min}", 30.0),
    ("  break: {labour: 20 USD/h, pace: 8 kg/h, time: 30 min}", 35.0),
    ("  break: {per_mass: 0.4 USD/kg}", 4.0),
    ("  break: {each: 6 USD}", 6.0),
    ("  break: {each: 6 USD, batch: 4 kg}", 18.0),
    ("  break: {each: 6 USD, batch: 10 kg}", 6.0),
    ("  sack: 7 USD", 7.0),
    ("  break: {kilowatts: 2, pace: 5 kg/h}\n  power: 0.3 USD/kWh", 1.2),
    ("  break: {labour: 10 USD/h, kilowatts: 2, pace: 5 kg/h}\n  wash: {each: 1 USD}\n  power: 0.3 USD/kWh", 22.2),
])  # fmt: skip
def test_a_cost_by_hand(more: str, expected: float) -> None:
    assert 36 - net_of(by_hand(COSTS + more)) == pytest.approx(expected, rel=1e-9)


def test_every_pass_costs_its_time() -> None:
    text = SIZED.replace("tailings: tails}}", "tailings: tails}, passes: 2}")
    assert text != SIZED
    once, twice = (next(w for w in worth(sheet_of(t), 20).ways if w.name == "show + metal") for t in (SIZED, text))
    labour = [next(s for s in way.sack.steps if s.step == "wash").labour for way in (once, twice)]
    assert labour[1] == pytest.approx(2 * labour[0], rel=1e-12)


def test_a_breaker_without_kilowatts_takes_bonds_work() -> None:
    sheet = sheet_of(SIZED.replace("costs:\n", "costs:\n  power: 0.5 USD/kWh\n  work_index: 10 kWh/t\n"))
    solution = solve(Model.of(sheet))
    way = next(way for way in worth(sheet, 20).ways if way.name == "show + metal")
    step = next(step for step in way.sack.steps if step.step == "break")
    rows = [np.cumsum(material.rock_by_size[::-1])[::-1] / material.solids
            for material in (solution.feeds["break"], solution.streams["crushed"])]  # fmt: skip
    upper = solution.model.grid.upper
    feed, product = (float(np.exp(np.interp(0.8, row[::-1], np.log(upper[::-1])))) for row in rows)
    expected = 0.5 * step.takes / 1000 * bond(10.0, feed, product)
    assert step.power == pytest.approx(expected, rel=1e-6)
    assert any(note.code == "power_of_large_mills" for note in worth(sheet, 20).notes)


def test_nothing_is_paid_for_what_is_not_done() -> None:
    found = worth(sheet_of(SIZED), 20)
    raw = next(way for way in found.ways if way.raw)
    assert raw.sack.costs == 0
    assert raw.sack.net.mean == pytest.approx(40.0)
    assert not raw.sack.steps


# ── ways ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_the_ways_are_those_that_go_together() -> None:
    assert [way.name for way in ways(sheet_of(SIZED))] == ["raw", "show + metal"]
    early = SIZED + "  lumps: {kind: raw, takes: lumps}\n"
    # Sold lumps leave no rock to be looked over, but the fines are still washed.
    assert [way.name for way in ways(sheet_of(early))] == ["raw", "show + metal", "metal + lumps"]
    twice = SIZED + "  other: {kind: metal, takes: con}\n"
    assert [way.name for way in ways(sheet_of(twice))] == ["raw", "show + metal", "show + other"]


def test_a_sold_stream_goes_no_further() -> None:
    sheet = sheet_of(SIZED)
    cut = cut_off(sheet, {"lumps"})
    assert list(cut.steps) == ["scalp", "break", "mill", "wash"]
    assert cut.steps["break"].takes == ["fines"]
    assert cut.keep == ("con",)
    assert sheet.steps["break"].takes == ["plain", "fines"]
    assert cut_off(sheet, {"ore"}).steps == {}
    assert solve(Model.of(cut)).closure.gold <= 1e-12


CLOSED = """
ore: {mass: 10 kg, grade: 50 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, rest: rest}, split: {con: 10 %}, recovery: {con: 60 %}}
  mill: {do: factors, takes: [rest, back], gives: powder}
  again: {do: factors, takes: powder, gives: {back: back, tails: tails}, split: {back: 40 %}}
keep: [con, tails]
prices: {gold: 100 USD/g, raw ore: 3 USD/kg}
sells:
  con: {kind: metal, takes: con}
  rest: {kind: raw, takes: rest}
"""


def test_a_loop_that_nothing_comes_into_is_not_done() -> None:
    sheet = sheet_of(CLOSED)
    assert list(cut_off(sheet, {"rest"}).steps) == ["wash"]
    assert list(cut_off(sheet, {"powder"}).steps) == ["wash", "mill"]
    assert cut_off(sheet, {"back"}).steps["mill"].takes == ["rest"]
    assert {way.name for way in worth(sheet, 20).ways} == {"con", "con + rest"}


def test_the_standing_way_sells_nothing_early() -> None:
    way = standing(sheet_of(SIZED))
    assert way is not None
    assert way.name == "show + metal"
    assert standing(sheet_of(BY_HAND + PRICES)) is None


def test_slabs_against_the_specimens_that_they_are_sawn_of() -> None:
    cut = "  cut: {do: saw, takes: specimens, gives: {slabs: slabs, swarf: swarf}, kerf: 2 mm, slab: 8 mm}\n"
    text = SIZED.replace("  break:", f"{cut}  break:", 1)
    text = text.replace("keep: [specimens, con]", "keep: [slabs, con]").replace("specimens: 40 USD/kg}",
                        "specimens: 40 USD/kg, slabs: 70 USD/kg}")  # fmt: skip
    found = worth(sheet_of(settled(text + "  slabs: {kind: slabs, takes: slabs}\n")), 20)
    told = {way.name: way.sack for way in found.ways}
    assert set(told) == {"raw", "show + metal", "metal + slabs"}
    sold = {way: next(s for s in one.sales if s.name != "metal") for way, one in told.items() if way != "raw"}
    # The blade takes 2 of every 10 mm: 70 × 0.8 for 40 × 0.9.
    ratio = sold["metal + slabs"].gross / (sold["show + metal"].gross - sold["show + metal"].kept_back)
    assert ratio == pytest.approx(70 * 0.8 / 36, rel=1e-3)


# ── intervals ───────────────────────────────────────────────────────────────────────────────────────────────


def test_without_doubt_there_is_the_luck_of_grains_alone() -> None:
    one = worth(by_hand(SELLS + "}", *FINE), 50).best.sack.net
    assert (one.p5, one.p95) == (pytest.approx(36, rel=2e-3), pytest.approx(36, rel=2e-3))
    untold = worth(by_hand(SELLS + "}"), 400)
    assert untold.best.sack.net.p95 > 1.3 * untold.best.sack.net.p5
    assert "says nothing of grain sizes" in " ".join(map(str, untold.notes))
    assert one.sd < 1e-3 * one.mean


def test_the_doubt_of_a_price_is_that_of_the_income() -> None:
    found = worth(by_hand(SELLS.replace("gold: 100 USD/g", "gold: 100 USD/g ± 10 USD/g") + "}", *FINE), 4000)
    assert found.best.sack.net.sd == pytest.approx(3.6, rel=0.05)
    assert [doubt.name for doubt in found.doubts] == ["prices.gold"]
    assert found.doubts[0].share == pytest.approx(1.0, abs=1e-3)
    assert found.luck_share == 0


@pytest.mark.parametrize("pace", ["25 kg/h ± 10 kg/h", "25 kg/h ± 25 kg/h", "0.001 to 50 kg/h"])
def test_a_doubtful_pace_does_not_blow_up(pace: str) -> None:
    net = worth(by_hand(COSTS + f"  break: {{labour: 20 USD/h, pace: {pace}}}"), 4000).best.sack.net
    assert net.p5 < net.mean < net.p95
    if pace.endswith("± 10 kg/h"):  # lognormal: the mean of 1 / pace is (1 + cv²) / mean
        assert 36 - net.mean == pytest.approx(8 * (1 + 0.4**2), rel=0.02)


def test_draws_of_a_pace_keep_its_mean_and_sd() -> None:
    drawn = _above_nothing(Number(25.0, 10.0), 200_000, np.random.default_rng(1))
    assert (drawn.mean(), drawn.std()) == (pytest.approx(25, rel=0.01), pytest.approx(10, rel=0.02))
    assert drawn.min() > 2


def test_one_wage_has_one_doubt() -> None:
    more = COSTS + "  break: {labour: 20 ± 4 USD/h, time: 1 h}\n  wash: {labour: 20 ± 4 USD/h, time: 1 h}"
    found = worth(by_hand(more, *FINE), 4000)
    assert found.best.sack.net.sd == pytest.approx(8.0, rel=0.05)
    assert [(doubt.name, round(doubt.share, 3)) for doubt in found.doubts] == [("costs.labour", 1.0)]


@pytest.mark.slow
def test_luck_with_grains_is_the_compound_poissons() -> None:
    text = SIZED.replace("kind: specimen, takes: specimens, fee: 10 %", "kind: metal, takes: specimens")
    sheet = sheet_of(settled(text))
    solution = solve(Model.of(sheet))
    found = worth(sheet, 1500)
    one = next(way for way in found.ways if way.name == "show + metal").sack
    from flowsheet.study.common.monte_carlo import drawn

    mass = drawn(Model.of(sheet), {}, 1).mass
    sds = [97e3 * math.sqrt(float(solution.streams[s].gold_by_grain @ mass)) for s in ("specimens", "con")]
    # The two lots share their luck's draws, so that ways can be compared: their sds add up at most.
    assert 0.85 * math.hypot(*sds) < one.net.sd < 1.1 * sum(sds)
    assert found.luck_share == pytest.approx(1.0)


def test_a_pile_of_one_sack_is_that_sack() -> None:
    sheet = sheet_of(SIZED + "pile: {sacks: 1, spread: 0 %}\n")
    for way in worth(sheet, 200).ways:
        assert way.pile is not None
        assert way.pile.net.mean == pytest.approx(way.sack.net.mean)
        assert way.pile.net.p95 == pytest.approx(way.sack.net.p95)


def test_a_pile_is_its_sacks_with_less_luck_and_one_lot() -> None:
    # Fine grains: of coarse ones the rarest, which hardly any sack holds, are in a pile's spread alone.
    text = SIZED.replace("payable: 97 %", "payable: 97 %, each: 30 USD").replace("d95: 2.5 mm", "d95: 1.2 mm")
    sheet = sheet_of(settled(text + "pile: {sacks: 100, spread: 0 %}\n"))
    way = next(way for way in worth(sheet, 600).ways if way.name == "show + metal")
    assert way.pile is not None
    assert way.pile.net.mean == pytest.approx(100 * (way.sack.net.mean + 30) - 30, rel=1e-9)
    assert way.pile.net.sd == pytest.approx(10 * way.sack.net.sd, rel=0.1)


@pytest.mark.slow
def test_sacks_that_differ_widen_a_sack_more_than_the_pile() -> None:
    even, uneven = (
        next(way for way in worth(sheet_of(f"{SIZED}pile: {{sacks: 400, spread: {s} %}}\n"), 300).ways if not way.raw)
        for s in (0, 50)
    )
    assert even.pile is not None
    assert uneven.pile is not None
    assert uneven.sack.net.sd > 1.2 * even.sack.net.sd
    assert uneven.pile.net.sd / uneven.pile.net.mean < uneven.sack.net.sd / abs(uneven.sack.net.mean)


def test_the_same_seed_the_same_answer() -> None:
    sheet = sheet_of(SIZED.replace("60 g/t", "60 g/t ± 20 g/t"))
    one, again, other = worth(sheet, 100, 1), worth(sheet, 100, 1), worth(sheet, 100, 2)
    assert one.as_dict() == again.as_dict()
    assert one.best.sack.net.p95 != other.best.sack.net.p95


# ── break-even ──────────────────────────────────────────────────────────────────────────────────────────────


def test_the_break_even_grade_by_hand() -> None:
    # Income is 0.72 a g/t; costs are 18, so 25 g/t; a raw sack leaves 30 less 3, so 62.5.
    more = COSTS.replace("sells:\n", "sells:\n  raw: {kind: raw, takes: ore, fee: 10 %}\n")
    found = worth(by_hand(more + "  break: {each: 18 USD}"), 20).break_even
    assert found is not None
    assert found.grade_now == pytest.approx(50e-6)
    assert found.pays_costs == pytest.approx(25e-6, rel=1e-4)
    assert found.beats_raw == pytest.approx(62.5e-6, rel=1e-4)


@pytest.mark.parametrize(("made", "off"), [(settled, 2e-4), (str, 3e-3)], ids=["plain", "with slack"])
def test_at_the_break_even_grade_nothing_is_left(made: Callable[[str], str], off: float) -> None:
    """With slack the mean of the draws counts, and what is picked of richer rocks is not in proportion."""
    text = SIZED.replace("specimens: 40 USD/kg", "specimens: 4 USD/kg")
    found = worth(sheet_of(made(text)), 20).break_even
    assert found is not None
    assert found.pays_costs is not None
    at = sheet_of(made(text.replace("60 g/t", f"{1e6 * found.pays_costs:.9g} g/t")))
    way = next(way for way in worth(at, 20).ways if not way.raw)
    assert way.sack.net.mean == pytest.approx(0, abs=off * way.sack.income)


def test_break_even_at_any_grade_and_at_none() -> None:
    sold = PRICES + "sells: {con: {kind: specimen, takes: con, price: con}}\n"
    any_grade = worth(by_hand(sold + "costs: {break: {each: 6 USD}}"), 20).break_even
    none = worth(by_hand(sold + "costs: {break: {each: 60 USD}}"), 20).break_even
    assert any_grade is not None
    assert any_grade.pays_costs == 0
    assert none is not None
    assert none.pays_costs is None


# ── screens and rocks ───────────────────────────────────────────────────────────────────────────────────────


def rerouted(text: str, opening: str) -> str:
    """Send all that is picked to the crusher, in the sheet's own words."""
    text = text.replace("opening: 20 mm", f"opening: {opening}").replace("[plain, fines]", "[plain, fines, specimens]")
    return text.replace("keep: [specimens, con]", "keep: con").replace(
        "  show: {kind: specimen, takes: specimens, fee: 10 %}\n", ""
    )


@pytest.mark.slow
def test_the_partings_are_the_sheet_solved_again() -> None:
    sheet = sheet_of(settled(SIZED))
    way = standing(sheet)
    assert way is not None
    basis, _ = bases(sheet)
    rows = splits(way, sheet, carried(sheet, sheet.openings, None, 1), basis, iter)
    now = next(r for r in rows if r.opening == 0.02 and r.keep_above == 0)
    assert now.gain == pytest.approx(0, abs=1e-6)
    assert now.net == pytest.approx(net_of(sheet, "show + metal"), rel=1e-6)
    for size in ("20 mm", "11.2 mm"):
        none = next(
            r for r in rows if r.opening == pytest.approx(float(size.split()[0]) / 1000) and r.keep_above is None
        )
        assert none.net == pytest.approx(net_of(sheet_of(settled(rerouted(SIZED, size)))), rel=1e-6)
        assert none.kept == 0
        partly = [r for r in rows if r.opening == none.opening and r.keep_above]
        assert 0 <= min(r.kept for r in partly) < max(r.kept for r in partly) <= now.looked_over


def test_a_parted_sheet_closes() -> None:
    sheet = sheet_of(SIZED)
    way = standing(sheet)
    assert way is not None
    again = _parted(sheet, way.sales, "look", 45e-3)
    assert again is not None
    solution = solve(Model.of(again[0], sheet.openings | {45e-3}))
    assert max(float(solution.closure.solids), float(solution.closure.gold)) <= 1e-12
    parts = [float(solution.streams[f"specimens, {what}"].solids) for what in ("kept", "crushed")]
    assert sum(parts) == pytest.approx(float(solution.streams["specimens"].solids), rel=1e-12)
    assert min(parts) > 0


def test_where_all_picked_rocks_are_just_as_rich_as_the_threshold_nothing_is_gained() -> None:
    sheet = sheet_of(SIZED)
    way, (basis, _) = standing(sheet), bases(sheet)
    assert way is not None
    base = carried(sheet, sheet.openings, None, 1)
    found = crush(way, sheet, base, basis)
    assert found is not None
    assert 0.5 < found.recovered < 1
    # At the price at which the threshold is what the rocks hold, selling and crushing them leave the same: 40 less a
    # fee of 10 %, and crushing and washing cost 1 + 2 a kilogram.
    per_kilogram = (36.0 + 3.0) / found.grade
    even = (per_kilogram * found.usual - 3.0) / 0.9
    prices = {**sheet.worth.prices, "specimens": replace(sheet.worth.prices["specimens"], value=even)}
    at = replace(sheet, worth=replace(sheet.worth, prices=prices))
    again = _parted(at, way.sales, "look", math.inf)
    assert again is not None
    as_is = float(value(way.sales, at.worth, base, basis).net[0])
    crushed = float(value(again[1], at.worth, carried(again[0], sheet.openings, None, 1), basis).net[0])
    assert crushed == pytest.approx(as_is, rel=1e-3)


# ── refusals, notes, trials, the command ────────────────────────────────────────────────────────────────────


def test_no_coin_toss_is_called_a_winner() -> None:
    from flowsheet.show.money.worths import best_way, toss_up

    two = "sells:\n  raw: {kind: raw, takes: ore}\n  metal: {kind: metal, takes: con, payable: 90 %}\n"
    prices = "prices: {gold: 100 USD/g ± 60 USD/g, raw ore: 3.5 USD/kg}\ncosts: {break: {each: 0.5 USD}}\n"
    even = worth(by_hand(prices + two), 400)
    assert toss_up(even)
    said = best_way(even)
    assert said.startswith("About the same: of a sack of 10.0 kg")
    loses = round(100 * (1 - next(way for way in even.ways if not way.raw).sack.pays))
    assert f"raw is the surer (it loses money in 0 of 100 draws, metal in {loses})" in said
    assert loses > 0
    clear = worth(by_hand(prices.replace("3.5 USD/kg", "9 USD/kg") + two), 400)
    assert not toss_up(clear)
    assert best_way(clear).startswith("raw: it leaves")


def test_one_sack_is_one_sack() -> None:
    from flowsheet.show.money.worths import best_way, ways

    found = worth(sheet_of(SIZED + "pile: {sacks: 1, spread: 0 %}\n"), 20)
    assert "1 sacks" not in best_way(found) + ways(found, True).title
    assert "The pile, 1 sack of" in ways(found, True).title


@pytest.mark.parametrize(("price", "meant"), [
    ("2,900 USD/ozt", ("2900 USD/ozt", "2.900 USD/ozt")),
    ("2,900 USD/ozt ± 50 USD/ozt", ("2900 USD/ozt ± 50 USD/ozt", "2.900 USD/ozt ± 50 USD/ozt")),
    ("1,234,567 USD/kg", ("1234567 USD/kg",)), ("95,5 USD/g", ("95.5 USD/g",)), ("100,50 USD/g", ("100.50 USD/g",)),
    ("1,250.5 USD/kg", ("1250.5 USD/kg",)), ("1.250,5 USD/kg", ("1250.5 USD/kg",)), ("0,1 USD/g", ("0.1 USD/g",)),
    ("1,5 USD/g ± 0,1 USD/g", ("1.5 USD/g ± 0.1 USD/g",)), ("100 USD/g ± 0,5 USD/g", ("100 USD/g ± 0.5 USD/g",)),
])  # fmt: skip
@pytest.mark.parametrize("prices", ["{{gold: {}, silver: 1 USD/g}}", "\n  silver: 1 USD/g\n  gold: {}"])
def test_a_comma_in_a_price_is_told_with_what_may_be_meant(price: str, meant: tuple[str, ...], prices: str) -> None:
    with pytest.raises(SheetError) as wrong:
        by_hand(f"prices: {prices.format(price)}\nsells: {{metal: {{kind: metal, takes: con}}}}\n")
    (mistake,) = wrong.value.mistakes
    assert (mistake.field, mistake.read) == ("prices.gold", price)
    assert (mistake.message, mistake.code) == ("a comma stands inside the number", "comma_in_number")
    assert all(f'"{one}"' in mistake.remedy for one in meant)
    assert mistake.remedy.count('"') == 2 * len(meant)
    for one in meant:
        by_hand(f"prices: {{gold: {one}, silver: 1 USD/g}}\nsells: {{metal: {{kind: metal, takes: con}}}}\n")


def test_a_comma_in_a_wage_is_told_with_its_unit() -> None:
    with pytest.raises(NumberMistake) as wrong:
        money.parse("18,5 USD/h ± 0,5 USD/h", money.WAGE)
    assert (wrong.value.code, wrong.value.remedy) == ("comma_in_number", 'Write a point: "18.5 USD/h ± 0.5 USD/h"')


def test_a_price_that_only_lacks_its_unit_is_no_matter_of_commas() -> None:
    with pytest.raises(SheetError, match="this is no price"):
        by_hand("prices: {gold: 2, silver: 1 USD/g}\n")


def test_trials_tell_that_the_weights_refute_the_grade() -> None:
    weighed = "weighed: {con: {gold: 0.2 g ± 1 mg}, tails: {mass: 9 kg, gold: 0.05 g ± 1 mg}}\n"
    setting = {"wash.split.con": ["20 %"]}
    found = run_trials(marked_document.parse(BY_HAND + PRICES + weighed, "x.yaml"), setting)
    (note,) = found.notes
    assert note.text.startswith("the money is told at the sheet's 50 g/t; the weights say ")
    right = BY_HAND.replace("50 g/t", "25 g/t") + PRICES + weighed
    assert run_trials(marked_document.parse(right, "x.yaml"), setting).notes == ()
    assert run_trials(marked_document.parse(BY_HAND + weighed, "x.yaml"), setting).notes == ()
    assert run_trials(marked_document.parse(BY_HAND + PRICES, "x.yaml"), setting).notes == ()


@pytest.mark.parametrize(("more", "field", "remedy"), [
    ("", "prices", "Add prices: {gold: … USD/g}"),
    ("prices: {gold: 100 USD/g}", "sells", "Add sells: {metal: {kind: metal, takes: con}}"),
])  # fmt: skip
def test_a_sheet_without_money_is_told_what_to_type(more: str, field: str, remedy: str) -> None:
    with pytest.raises(SheetError) as wrong:
        worth(by_hand(more))
    (mistake,) = wrong.value.mistakes
    assert (mistake.field, mistake.file) == (field, "sheet.yaml")
    assert remedy in mistake.remedy


def test_an_ore_without_gold_is_refused() -> None:
    with pytest.raises(SheetError, match="the ore holds no gold"):
        worth(by_hand(SELLS + "}", "50 g/t", "0 g/t"))


def test_notes_tell_what_is_not_counted() -> None:
    found = worth(sheet_of(SIZED.replace("  show: {kind: specimen, takes: specimens, fee: 10 %}\n", "")), 20)
    assert "specimens is kept, and no sale takes it: nothing is counted for it." in texts(found.notes)
    assert any("no cost is given for scalp, mill" in note for note in texts(found.notes))
    assert any(note.code == "grains_untold" for note in worth(by_hand(SELLS + "}"), 20).notes)


@pytest.mark.slow
def test_trials_have_a_value() -> None:
    doc = marked_document.parse(SIZED, "sheet.yaml")
    found = run_trials(doc, {"wash.passes": ["1", "2"]})
    assert found.currency == "USD"
    assert found.base.value == pytest.approx(net_of(sheet_of(settled(SIZED)), "show + metal"), rel=1e-9)
    for row in found.rows:
        again = SIZED.replace("tailings: tails}}", f"tailings: tails}}, passes: {row.settings['wash.passes']}}}")
        assert row.value == pytest.approx(net_of(sheet_of(settled(again)), "show + metal"), rel=1e-9)
        assert row.value_gain == pytest.approx((row.value or 0) - (found.base.value or 0))
    plain = run_trials(marked_document.parse(BY_HAND, "x.yaml"), {"wash.split.con": ["10 %"]})
    assert (plain.base.value, plain.rows[0].value_gain, plain.currency) == (None, None, "")
    gold = run_trials(
        marked_document.parse(BY_HAND + "prices: {gold: 100 USD/g}\n", "x.yaml"), {"wash.split.con": ["20 %"]}
    )
    assert gold.base.value == pytest.approx(40.0)


def test_the_command(flowsheet: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(SIZED + "pile: {sacks: 30}\n", encoding="utf-8")
    done = flowsheet("worth", sheet, "--json", "--draws", 100, "--out", tmp_path / "out")
    assert done.code == 0, done.err
    found = done.json
    assert {"currency", "ways", "break_even", "splits", "crush", "doubts", "margin"} <= set(found)
    assert found["ways"][0]["pile"]["net"]["p5"] <= found["ways"][0]["pile"]["net"]["p95"]
    names = {path.name for path in (tmp_path / "out").iterdir() if path.name != LIST}
    assert names == {"ways_pile.csv", "ways_sack.csv", "sales.csv", "costs.csv", "partings.csv", "worth_doubts.csv",
                     "ways.png", "partings.png"}  # fmt: skip
    with (tmp_path / "out" / "ways_pile.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert float(rows[0]["Left, USD"]) == pytest.approx(found["ways"][0]["pile"]["net"]["mean"], rel=1e-6)


def test_the_screen_holds_every_answer_and_fits(flowsheet: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(SIZED, encoding="utf-8")
    done = flowsheet("worth", sheet, "--draws", 100)
    assert done.code == 0, done.err
    for said in ("Which way pays best?", "Does it pay to work the ore up?", "Sell a picked rock, or crush it?",
                 "How sure is that?", "not a resource statement"):  # fmt: skip
        assert said in done.out
    assert max(map(len, done.out.splitlines())) <= 100
    assert "Traceback" not in done.err


def test_the_command_refuses_with_exit_2(flowsheet: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "a.yaml"
    sheet.write_text(BY_HAND, encoding="utf-8")
    done = flowsheet("worth", sheet)
    assert done.code == 2
    assert "the sheet gives no prices. Add prices:" in done.err


def test_where_nothing_pays_the_words_say_so() -> None:
    from flowsheet.show.money.worths import best_way, working_up

    found: Worths = worth(by_hand(COSTS + "  break: {each: 60 USD}"), 20)
    assert best_way(found).startswith("None: every way costs more than it brings")
    assert working_up(found).startswith("No: metal pays its costs from 83.3 g/t on; yours is 50.0 g/t.")


def test_an_editors_schema_takes_what_the_sheet_may_say() -> None:
    import yaml
    from jsonschema import Draft202012Validator

    from flowsheet.spec.json_schema import json_schema
    from flowsheet.steps import kinds

    validator = Draft202012Validator(json_schema(kinds()))
    text = SIZED.replace("costs:\n", "costs:\n  power: 0.3 USD/kWh\n  work_index: 15 kWh/t\n  sack: 3 USD\n")
    data = yaml.load(text, Loader=yaml.BaseLoader)
    assert list(validator.iter_errors(data)) == []
    for path, wrong in ((("costs", "look", "labor"), "20 USD/h"), (("sells", "metal", "kind"), "nugget"),
                        (("prices", "gold"), "a lot"), (("sells", "metal", "takes"), [])):  # fmt: skip
        changed = json.loads(json.dumps(data))
        node = changed
        for part in path[:-1]:
            node = node[part]
        node[path[-1]] = wrong
        assert list(validator.iter_errors(changed)), path


@pytest.mark.slow
def test_several_tests_of_a_pile_are_joined() -> None:
    from flowsheet.study.estimate.corrected_draws import gather
    from flowsheet.study.lot.combine_tests import lot
    from flowsheet.study.lot.ledger import read_ledger

    path = Path(__file__).parent.parent / "examples" / "pile" / "pile.yaml"
    found, told = gather(solve(Model.of(sheet_of(path))), 1000, 1), lot(read_ledger(path))
    assert (found.head_grade, found.spread) == (told.grade, told.spread)
    ends = (told.grade.p5, told.grade.p50, told.grade.p95)
    assert np.quantile(found.grade, [0.05, 0.5, 0.95]) == pytest.approx(ends, rel=0.01)
