"""Nuggets: a second size of gold grains beside the first, in the feed, in draws, and in notes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from checker import check
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import sheet_of, solved
from strategies import as_text
from tiers import examples

from flowsheet import starters
from flowsheet.ore.feed import grain_shares
from flowsheet.ore.plausibility import coarsest_grain, nuggets_not_told
from flowsheet.show.run import certainty
from flowsheet.show.run.terminal import show_run
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Ore, Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.common.uncertain_inputs import changed, doubtful, places
from flowsheet.study.run.run import run

NUGGETS = {"share": "20 %", "d50": "4 mm"}


def data(**gold: Any) -> dict[str, Any]:
    grains = {"d50": "0.15 mm", "d95": "0.6 mm", **gold}
    return {
        "ore": {
            "mass": "14 kg", "grade": "22 g/t", "sizes": {"top": "60 mm", "p80": "40 mm"},
            "gold": {name: given for name, given in grains.items() if given is not None},
        },
        "steps": {
            "scalp": {"do": "screen", "takes": "ore", "gives": {"oversize": "lumps", "undersize": "fines"},
                      "opening": "20 mm"},
            "look": {"do": "sort", "takes": "lumps", "gives": {"picked": "specimens", "left": "plain"}},
            "grind": {"do": "pulverize", "takes": ["plain", "fines"], "gives": "powder", "gap": "0.2 mm"},
            "wash": {"do": "pan", "takes": "powder", "gives": {"concentrate": "con", "tailings": "tails"}},
        },
        "keep": ["con", "specimens"],
    }  # fmt: skip


def text(**gold: Any) -> str:
    return as_text(data(**gold))


def sheet(**gold: Any) -> Sheet:
    return sheet_of(text(**gold))


def ore_of(**gold: Any) -> Ore:
    return sheet(**gold).ores["ore"]


def shares(**gold: Any) -> np.ndarray[Any, Any]:
    model = Model.of(sheet(**gold))
    return grain_shares(model.sheet.ores["ore"], model.grid, lambda number: np.asarray(number.value))


def passing(size: float, **gold: Any) -> float:
    """Return the share of the gold in grains finer than a class limit."""
    grid = Model.of(sheet(**gold)).grid
    return float(shares(**gold)[grid.upper <= size * (1 + 1e-9)].sum())


def lognormal(size: float, d50: float, sigma: float) -> float:
    return 0.5 * (1 + math.erf(math.log(size / d50) / sigma / math.sqrt(2)))


@settings(max_examples=examples(60))
@given(st.floats(0, 1), st.floats(0.2, 9.0), st.floats(1.1, 20.0))
def test_gold_is_a_mixture_of_two_laws_of_like_spread(share: float, d50: float, wide: float) -> None:
    gold = {"d95": f"{0.15 * wide} mm", "nuggets": {"share": f"{share}", "d50": f"{d50} mm"}}
    grid, sigma = Model.of(sheet(**gold)).grid, math.log(wide) / 1.6448536269514722
    for size in grid.upper[3:-1:9]:
        expected = (1 - share) * lognormal(size, 0.15e-3, sigma) + share * lognormal(size, d50 * 1e-3, sigma)
        assert passing(float(size), **gold) == pytest.approx(expected, abs=1e-7)
    assert shares(**gold).sum() == pytest.approx(1, rel=1e-12)


def test_a_share_of_nothing_is_as_if_no_nuggets_were_told() -> None:
    without = shares()
    assert np.array_equal(shares(nuggets={"share": "0 %", "d50": "4 mm"}), without)
    assert not np.allclose(shares(nuggets=NUGGETS), without)


def test_the_balance_closes_and_nuggets_are_found_where_coarse_gold_goes() -> None:
    plain, rich = solved(text()), solved(text(nuggets=NUGGETS))
    assert float(rich.fed_gold) == pytest.approx(float(plain.fed_gold), rel=1e-12)
    assert float(rich.streams["specimens"].gold) > 1.5 * float(plain.streams["specimens"].gold)
    assert float(rich.streams["tails"].gold) < float(plain.streams["tails"].gold)


def test_nuggets_in_doubt_are_drawn() -> None:
    told = sheet(nuggets={"share": "20 % ± 5 %", "d50": "4 mm ± 1 mm"})
    assert [name for name in doubtful(told) if "nuggets" in name] == ["ore.gold.nuggets.share", "ore.gold.nuggets.d50"]
    assert told.document is not None
    assert places(told.document, told, doubtful(told))["ore.gold.nuggets.share"] == ("ore", "gold", "nuggets", "share")
    same = changed(told, lambda _, number: number)
    assert same.ores["ore"] == told.ores["ore"]
    model = Model.of(told)
    drawn = solve(model, model.drawn(7))
    check(drawn)
    assert drawn.closure.gold <= 1e-12
    assert np.ptp(drawn.streams["specimens"].gold) > 0


@pytest.mark.parametrize(
    ("gold", "field", "code"),
    [
        ({"nuggets": {"share": "20 %"}}, "ore.gold.nuggets.d50", "field_missing"),
        ({"nuggets": "4 mm"}, "ore.gold.nuggets", "fields_wanted"),
        ({"nuggets": {"share": "20 %", "d50": "0.1 mm"}}, "ore.gold.nuggets.d50", "grains_out_of_order"),
        ({"nuggets": {"share": "120 %", "d50": "4 mm"}}, "ore.gold.nuggets.share", "too_large"),
        ({"d50": None, "d95": None, "nuggets": NUGGETS}, "ore.gold.nuggets", "grain_law_incomplete"),
        ({"d50": None, "d95": None, "nuggets": NUGGETS, "sizes": [{"sieve": "1 mm", "passing": "60 %"}]},
         "ore.gold.nuggets", "two_grain_laws"),
    ],
)  # fmt: skip
def test_nuggets_that_cannot_be_are_refused(gold: dict[str, Any], field: str, code: str) -> None:
    with pytest.raises(SheetError) as caught:
        sheet(**gold)
    told = [(mistake.field, mistake.code) for mistake in caught.value.mistakes]
    assert (field, code) in told
    assert all(mistake.line and mistake.remedy for mistake in caught.value.mistakes)


def test_nuggets_larger_than_any_rock_are_noted() -> None:
    size = coarsest_grain(ore_of(nuggets={"share": "20 %", "d50": "70 mm"}))
    assert size is not None
    assert size.value == pytest.approx(0.07)
    told = Model.of(sheet(nuggets={"share": "20 %", "d50": "70 mm"})).notes()
    assert "grains_larger_than_rock" in [one.code for one in told]
    none = coarsest_grain(ore_of(nuggets={"share": "0 %", "d50": "70 mm"}))
    assert none is not None
    assert none.value == pytest.approx(0.6e-3)


@pytest.mark.parametrize(
    ("gold", "said"),
    [
        ({}, True),
        ({"d95": "0.99 mm"}, True),
        ({"d95": "1 mm"}, False),
        ({"nuggets": NUGGETS}, False),
        ({"nuggets": {"share": "0 %", "d50": "4 mm"}}, False),
        ({"d50": None, "d95": None}, False),
        ({"d50": None, "d95": None, "sizes": [{"sieve": "5 mm", "passing": "98 %"}, {"sieve": "0.5 mm", "passing":
          "96 %"}, {"sieve": "0.2 mm", "passing": "60 %"}]}, True),
        ({"d50": None, "d95": None, "sizes": [{"sieve": "5 mm", "passing": "98 %"}, {"sieve": "0.5 mm", "passing":
          "90 %"}]}, False),
    ],
)  # fmt: skip
def test_fine_gold_of_which_no_nuggets_are_told_is_noted(gold: dict[str, Any], said: bool) -> None:
    ore = Ore.model_validate(data(**gold)["ore"])
    found = nuggets_not_told("ore", ore)
    assert (found is not None) == said
    if found is not None:
        assert (found.code, found.subject.ore) == ("nuggets_not_told", "ore")
        assert "nuggets: {share: 20 %, d50: 4 mm}" in found.text
        # What it says to write can be written, and answers it.
        assert nuggets_not_told("ore", ore_of(nuggets={"share": "0 %", "d50": "4 mm"})) is None
        assert "nuggets: {share: 0 %, d50: 4 mm}" in found.text


def test_where_intervals_are_told_it_is_said_that_nuggets_lie_outside_them(capsys: pytest.CaptureFixture[str]) -> None:
    found = run(sheet_of(starters.starter("quick").replace("d95: 1.6 mm", "d95: 0.8 mm")))
    (told,) = (one for one in found.notes if one.code == "nuggets_not_told")
    assert told in certainty.against(found)
    show_run(found)
    assert "Nuggets, if there are any, lie outside" in " ".join(capsys.readouterr().out.split())
    coarse = run(sheet_of(starters.starter("quick")))
    assert "nuggets_not_told" not in [one.code for one in coarse.notes]


def test_the_note_is_not_told_by_itself() -> None:
    assert "nuggets_not_told" not in [one.code for one in Model.of(sheet()).notes()]
    shipped = Path(__file__).parent.parent / "configs" / "quick.yaml"
    assert "nuggets_not_told" not in [one.code for one in Model.of(sheet_of(shipped)).notes()]
