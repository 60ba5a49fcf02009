"""Sheets that nothing was weighed of: forecasts from the priors that weights would bear upon."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from sheets import settled, sheet_of
from strategies import sheets
from tiers import examples

from flowsheet import starters
from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.study.common.grain_lots import UNTOLD_D50, UNTOLD_RATIO, UNTOLD_SD, GrainLots
from flowsheet.study.estimate.corrected_draws import CorrectedDraws, gather
from flowsheet.study.posterior.prior import prior

QUICK = starters.folder() / "quick.yaml"
FACTORS = starters.folder() / "factors.yaml"
#: Invented. Nothing is written with a doubt of its own.
PLAIN = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.1 mm, d95: 0.4 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 5 mm}
  mill:  {do: pulverize, takes: [lumps, fines], gives: ground, gap: 0.3 mm}
  wash:  {do: pan, takes: ground, gives: {concentrate: con, tailings: tails}}
keep: con
"""


def gathered(text: str, draws: int = 1000) -> CorrectedDraws:
    return gather(solve(Model.of(sheet_of(text))), draws, 1)


def log_odds(share: Array) -> Array:
    return np.asarray(np.log(share / (1 - share)))


def without_slack(text: str) -> str:
    """Return a sheet of which nothing but grades is in doubt: these where gold is in proportion to them."""
    sheet = yaml.safe_load(text)
    in_proportion = all(step["do"] != "sort" for step in sheet["steps"].values())
    for ore in sheet["ores"].values():
        ore["tilt"] = "0 ± 0"
        if isinstance(ore.get("gold"), dict):
            ore["gold"] |= {name: f"{ore['gold'][name]} ± 0" for name in ("d50", "d95")}
        if not in_proportion or isinstance(ore.get("sizes"), list):
            ore["grade"] = f"{ore['grade']} ± 0"
    for step in sheet["steps"].values():
        step["slack"] = 0
    return yaml.safe_dump(sheet, sort_keys=False, allow_unicode=True)


@pytest.mark.hypothesis
@settings(max_examples=examples(60), deadline=None, suppress_health_check=list(HealthCheck))
@given(sheets(linear=True))
def test_without_slack_draws_average_to_the_plain_solve(text: str) -> None:
    found = gathered(without_slack(text)).found
    plain = solve(Model.of(sheet_of(text.replace("tilt: 0.4 ± 0.2", "tilt: 0").replace("tilt: '-0.3'", "tilt: 0"))))
    for name, moments in found.moments.items():
        assert moments.mean == pytest.approx(float(plain.streams[name].gold), rel=3e-3, abs=1e-12), name
    assert found.closure <= 1e-12


def test_a_sheet_with_nothing_in_doubt_is_one_draw_and_the_plain_solve() -> None:
    for text in (PLAIN, QUICK.read_text(encoding="utf-8")):
        bare = settled(text.replace(" ± 20 g", "").replace(" ± 8 g/t", "").replace(" ± 20}", "}"))
        found, plain = gathered(bare), solve(Model.of(sheet_of(bare)))
        assert len(found.found.fed) == 1
        assert found.in_doubt() == {}
        for name, moments in found.found.moments.items():
            assert moments.mean == pytest.approx(float(plain.streams[name].gold), rel=1e-12, abs=1e-18), name


def test_what_a_sheet_says_nothing_of_has_the_doubt_of_the_prior() -> None:
    found = gathered(PLAIN)
    values, plain = found.values, solve(Model.of(sheet_of(PLAIN)))
    assert values["ore.tilt"].std() == pytest.approx(0.45, rel=0.01)
    assert np.log(values["ore.gold.d50"] / 0.1e-3).std() == pytest.approx(0.5, rel=0.01)
    assert found.grade.mean() == pytest.approx(20e-6, rel=3e-3)
    assert found.grade.std() == pytest.approx(10e-6, rel=0.03)
    numbers, counts = np.unique(found.found.lots.number, return_counts=True)
    assert dict(zip(numbers, counts, strict=True)) == {1: 550, 2: 200, 5: 200, 10: 50}
    # A pan of the handbook is a best case: the middle of the draws lies below the plan.
    shift = np.median(log_odds(found.found.kept / found.found.fed)) - log_odds(
        np.asarray(float(plain.kept_gold / plain.fed_gold))
    )
    # By 0.7 of each size's log odds, which is less of the mean of all sizes.
    assert -0.7 < shift < -0.3
    # A recovery that the miner wrote himself is none.
    own = PLAIN.replace("tailings: tails}}", "tailings: tails}, r_max: 90 %}")
    kept = gathered(own).found
    plain = solve(Model.of(sheet_of(own)))
    assert np.median(log_odds(kept.kept / kept.fed)) == pytest.approx(
        float(log_odds(np.asarray(float(plain.kept_gold / plain.fed_gold)))), abs=0.15
    )


def test_each_coordinate_goes_through_its_law_in_equal_steps_and_all_are_independent() -> None:
    found = prior(Model.of(sheet_of(PLAIN)), 400, 3)
    names = [name for name, value in found.values.items() if np.ptp(value) > 0]
    assert np.sort(found.values["ore.tilt"])[[100, 200, 300]] == pytest.approx([-0.303, 0, 0.303], abs=0.006)
    ties: Any = np.corrcoef([found.values[n] for n in names])
    # d50 and d95 go together, and the outlets of one step against each other; all else is independent.
    for i, one in enumerate(names):
        for k, other in enumerate(names[:i]):
            if one.rpartition(".")[0] != other.rpartition(".")[0]:
                assert abs(ties[i, k]) < 4 / math.sqrt(400), (one, other)


def test_luck_is_that_of_a_wide_guess_where_grains_are_not_told() -> None:
    found = gathered(FACTORS.read_text(encoding="utf-8"))
    lots = found.found.lots
    # d50 in the middle, three times that either way: of the clusters' masses, each part has its own.
    middle = lots.cluster[:, 3] / lots.number  # type: ignore[union-attr]
    assert np.median(middle) == pytest.approx(math.pi / 6 * UNTOLD_D50**3 * 15000, rel=0.2)
    assert np.log(middle).std() == pytest.approx(3 * UNTOLD_SD, rel=0.02)
    assert math.log(UNTOLD_RATIO) / NORMAL_95 < UNTOLD_SD
    assert found.found.moments["ore"].luck > 0


def test_of_no_draws_there_are_no_lots() -> None:
    """Of many draws the grains of some are kept, and of a part of them none may be."""
    lots = GrainLots.of(np.array([1.0, 5.0]), np.array([2e-6, 1e-6]))
    assert lots.apart(np.zeros((0, 2)), np.zeros(0, int)).shape == (0, 4)
    assert lots.apart(np.array([[3.0, 4.0]]), np.array([1])).tolist() == [[0.0, 0.0, 3.0, 4.0]]
