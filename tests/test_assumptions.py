"""What was assumed: each default that counts is told with its source; none that is given, none that no model uses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from sheets import sheet_of

from flowsheet.solve.model import Model, load
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.fields import TYPICAL, extra_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.run.assumed_doubts import assumed_doubts
from flowsheet.study.run.assumptions import Assumed, assumed

ROOT = Path(__file__).parent.parent
SHEETS = sorted([*(ROOT / "configs").glob("*.yaml"), *(ROOT / "examples").glob("*/*.yaml")])

FRESH = """
ore: {mass: 14 kg, grade: 22 g/t, heavies: 4 %, sizes: {top: 100 mm, p80: 60 mm}, gold: {d50: 0.3 mm, d95: 1.4 mm}}
steps:
  scalp:  {do: screen,    takes: ore,   gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  look:   {do: sort,      takes: lumps, gives: {picked: specimens, left: plain}}
  break:  {do: jaw_crush, takes: [plain, fines], gives: crushed, setting: 6 mm}
  powder: {do: pulverize, takes: crushed, gives: powder, gap: 0.2 mm}
  wash:   {do: pan,       takes: powder, gives: {concentrate: con, tailings: tails}}
  lift:   {do: magnet,    takes: con,   gives: {magnetics: magnetics, rest: clean}}
  melt:   {do: smelt,     takes: clean, gives: {button: button, slag: slag}}
  fire:   {do: cupel,     takes: button, gives: {bead: bead, absorbed: loss}, charge: 20 g, cupel_mass: 30 g}
keep: [bead, specimens]
"""
"""Invented; no step is given a number that has a default."""


def told(text: str) -> dict[str, Assumed]:
    return {one.where: one for one in assumed(sheet_of(text))}


def defaults(sheet: Sheet) -> dict[str, tuple[str, str]]:
    """Return (text, source) of every field with a default of every step, whatever the step uses."""
    found = {}
    for name, step in sheet.steps.items():
        for field, described in type(step).model_fields.items():
            extra = extra_of(described)
            if "default_text" in extra:
                found[f"{name}.{field}"] = (str(extra["default_text"]), str(extra["source"]))
    return found


def test_a_fresh_sheet_is_told_every_default_with_its_source() -> None:
    found, wanted = told(FRESH), defaults(sheet_of(FRESH))
    assert len(wanted) > 25
    for where, (text, source) in wanted.items():
        assert (found[where].value, found[where].source) == (text, source), where
    for where, value in (("ore.sizes.slope", "0.7"), ("ore.gold.fineness", "900"), ("ore.gold.detach", "1")):
        assert found[where].value == value
        assert found[where].source
    assert all(one.what and one.source for one in found.values())


def test_what_is_given_is_not_told() -> None:
    text = (
        FRESH.replace("opening: 20 mm", "opening: 20 mm, open_area: 0.6, presentations: 300")
        .replace("tailings: tails}", "tailings: tails}, r_max: 98 %, d50: 60 um ± 10 um")
        .replace("p80: 60 mm", "p80: 60 mm, slope: 0.7")
        .replace("d95: 1.4 mm", "d95: 1.4 mm, fineness: 900, detach: 1")
    )
    gone = told(FRESH).keys() - told(text).keys()
    assert gone == {"scalp.open_area", "scalp.presentations", "wash.r_max", "wash.d50", "ore.sizes.slope",
                    "ore.gold.fineness", "ore.gold.detach"}  # fmt: skip


@pytest.mark.parametrize(
    ("was", "now", "gone"),
    [
        ("tailings: tails}", "tailings: tails}, split: {concentrate: 2 %}, recovery: {concentrate: 80 %}",
         {"wash.r_max", "wash.d50", "wash.m", "wash.heavies", "wash.light", "wash.passes"}),
        ("tailings: tails}", "tailings: tails}, recovery: {concentrate: 80 %}", {"wash.r_max", "wash.d50", "wash.m"}),
        ("tailings: tails}", "tailings: tails}, pull: 400 g", {"wash.light"}),
        ("opening: 20 mm", "opening: 20 mm, efficiency: 90 %", {"scalp.presentations"}),
        ("left: plain}", "left: plain}, split: {picked: 3 %}, recovery: {picked: 20 %}",
         {"look.sees", "look.care", "look.cluster"}),
        (", charge: 20 g, cupel_mass: 30 g", "", {"fire.capacity"}),
        # Crushers break whatever shares are given, and what is given parts what is broken.
        ("gives: crushed", "gives: crushed, split: {product: 100 %}, recovery: {product: 100 %}", {"break.held_up"}),
    ],
)  # fmt: skip
def test_numbers_that_no_model_uses_are_not_told(was: str, now: str, gone: set[str]) -> None:
    assert was in FRESH
    assert told(FRESH).keys() - told(FRESH.replace(was, now)).keys() == gone


def test_what_is_told_moves_the_balance_and_what_is_not_does_not() -> None:
    """A default that is told is put into the sheet at another value: some stream must change (or its silver)."""
    data = yaml.safe_load(FRESH.replace("tailings: tails}", "tailings: tails}, pull: 400 g"))
    base, listed = _amounts(data), {one.where for one in assumed(sheet_of(yaml.safe_dump(data)))}
    checked = 0
    for where in defaults(sheet_of(FRESH)):
        step, field = where.split(".")
        if field in ("capacity", "held_up"):  # it only warns; what is held up is a stream more
            continue
        now = _default(where)
        moved = {**data, "steps": {**data["steps"], step: {**data["steps"][step], field: now}}}
        assert (_amounts(moved) != base) == (where in listed), where
        checked += 1
    assert checked > 20


def _default(where: str) -> Any:
    step, field = where.split(".")
    number = getattr(sheet_of(FRESH).steps[step], field)
    assert isinstance(number, Number)
    high = extra_of(type(sheet_of(FRESH).steps[step]).model_fields[field]).get("high")
    then = min(1.7 * number.value or 0.1, float(str(high)) if high is not None else 1e9)
    if field == "passes":
        return "2"
    return f"{then * 1e3:.6g} mm" if field in ("sees", "d50") else f"{then:.6g}"


def _amounts(data: dict[str, Any]) -> dict[str, tuple[float, float, float]]:
    solution = solve(Model.of(sheet_of(yaml.safe_dump(data))))
    return {
        name: (float(one.solids), float(one.gold), float(solution.silver.streams[name]))
        for name, one in solution.streams.items()
    }


def test_a_sheet_without_grains_is_told_the_fineness_and_no_liberation() -> None:
    found = {one.where: one for one in assumed(sheet_of(ROOT / "configs" / "factors.yaml"))}
    assert found["ore.gold.fineness"].value == "900"
    assert not {"ore.gold.detach", "density of gold", "break.k1", "wash.d50"} & found.keys()


def test_doubts_that_were_assumed_for_weights_are_told_with_their_rule() -> None:
    weights = """
weighed:
  tails: {mass: 13.4 kg, grade: 3.0 g/t, passing: {"150 um": 80 %}}
  con: {mass: 180 g ± 2 g, gold: 0.200 g}
  bead: {mass: 0.27 g}
"""
    found = {k: v for k, v in told(FRESH + weights).items() if v.what == "doubt of what was weighed"}
    assert {where: one.value for where, one in found.items()} == {
        # The last digit, 0.1 kg / √12; a tenth of the assay; 1 %; a tenth; 0.01 g / √12.
        "tails, mass": "± 0.029 kg",
        "tails, grade": "± 0.3 g/t",
        "tails, passing 0.15 mm": "± 1 %",
        "con, gold": "± 0.02 g",
        "bead, mass": "± 2.9 mg",
    }
    assert all(TYPICAL in one.source for one in found.values())


def test_piles_sales_and_bonds_law_are_told() -> None:
    money = """
pile: {sacks: 40}
prices: {gold: 95 USD/g, specimens: 70 USD/kg}
costs: {break: {labour: 18 USD/h, pace: 60 kg/h}, power: 0.25 USD/kWh}
sells: {stones: {kind: specimen, takes: specimens}, metal: {kind: metal, takes: bead, fee: 1 %}}
"""
    found = told(FRESH + money)
    assert found["pile.spread"].value == "30 %"
    assert found["pile.weighing"].value == "1 mg"
    assert found["costs.work_index"].value == "14.83 kWh/ton"
    assert "Bond" in found["costs.work_index"].source
    assert found["sells.metal.payable"].value == "97 %"
    assert "sells.stones.fee" in found
    # Of specimens no metal is paid for, and a fee that is given is not assumed.
    assert not {"sells.stones.payable", "sells.metal.fee"} & found.keys()
    assert "costs.work_index" not in told(FRESH + money.replace("60 kg/h}", "60 kg/h, kilowatts: 2}"))


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_no_shipped_sheet_is_told_what_it_gives(path: Path) -> None:
    sheet, document = load(path)
    listed = assumed(sheet)
    assert listed
    assert len({one.where for one in listed}) == len(listed)
    for one in listed:
        step, _, field = one.where.partition(".")
        if step in sheet.steps:
            assert field not in document.data["steps"][step], one.where
        assert one.as_dict() == {"where": one.where, "value": one.value, "what": one.what, "source": one.source}
        assert one.source


# ── doubts ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_each_doubt_that_is_assumed_is_told_with_where_to_set_it_and_no_more_once_it_is() -> None:
    weights = "weighed: {tails: {mass: 13 kg, grade: 3 g/t}, bead: {mass: 200 mg}}\n"
    found = {one.where: one for one in assumed_doubts(sheet_of(FRESH + weights))}
    # Whatever moves shares has a slack; a crusher has one outlet, and none.
    assert {f"{name}.slack" for name in ("scalp", "look", "wash", "lift", "melt", "fire")} <= set(found)
    assert "break.slack" not in found
    assert found["wash.slack"].value == "{rock: 0.4, gold: 0.8}"
    assert "−0.7 off it, since the default is a best case" in found["wash.slack"].what
    assert found["ore.tilt"].value == "0 ± 0.45"
    assert (found["ore.gold.d50"].value, found["ore.gold.d95"].value) == ("× or ÷ 1.6", "± 20 % of ln(d95/d50)")
    assert found["ore.gold.cluster"].value == "1, 2, 5 or 10 with chances of 55, 20, 20 and 5 %"
    assert found["tails, assay mass"].value == "30 g"
    assert found["pile.spread"].value == "30 %"
    assert all(TYPICAL in one.source for one in found.values())
    own = FRESH
    for mine, stated in (
        ("d50: 0.3 mm, d95: 1.4 mm", "d50: 0.3 mm ± 0.1 mm, d95: 1.4 mm ± 0, cluster: 1"),
        ("heavies: 4 %", "heavies: 4 %, tilt: 0"),
        ("tailings: tails}", "tailings: tails}, slack: 0"),
    ):
        assert mine in own
        own = own.replace(mine, stated)
    own += "pile: {spread: 20 %}\n"
    left = {one.where for one in assumed_doubts(sheet_of(own + weights.replace("3 g/t", "3 g/t, assay_mass: 50 g")))}
    assert left == {f"{name}.slack" for name in ("scalp", "look", "lift", "melt", "fire")}
