"""Cupellation against the assay handbooks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.steps.cupel import OXIDE

#: An alloy of half a gram of gold and half a gram of silver, without sizes.
ALLOY = """
ore: {{mass: 10 g, grade: 5 %, gold: {{fineness: 500}}}}
steps:
  melt: {{do: smelt, takes: ore, gives: {{button: button, slag: slag}}, gold: 1, silver: 1}}
  fire: {{do: cupel, takes: button, gives: {{bead: bead, absorbed: cupel}}, {knobs}}}
keep: [bead]
"""


def silver(solution: Solution, stream: str) -> float:
    """Return the silver of a stream in g."""
    return float(1000 * solution.silver.streams[stream])


@pytest.mark.parametrize(
    ("cupel", "per_mille", "mg"), [("coarse", 9.52, 4.76), ("ordinary", 9.10, 4.55), ("fine", 8.90, 4.45)]
)
def test_silver_that_bone_ash_takes_up(
    cupel: str, per_mille: float, mg: float, solved: Callable[..., Solution]
) -> None:
    # T. K. Rose, The Metallurgy of Gold (6th ed., 1915), p. 504: 0.5 g silver with 4 g lead, no copper.
    solution = solved(ALLOY.format(knobs=f"silver_loss: {per_mille} ‰"))
    assert 1000 * silver(solution, "cupel") == pytest.approx(mg, abs=5e-3)
    assert silver(solution, "bead") + silver(solution, "cupel") == pytest.approx(0.5, rel=1e-12)


@pytest.mark.parametrize(("grams", "left", "loss"), [("0.5", 0.495, "1 %"), ("0.1", 0.098, "2 %")])
def test_silver_with_twenty_grams_of_lead(grams: str, left: float, loss: str, solved: Callable[..., Solution]) -> None:
    # C. & J. J. Beringer, A Text-Book of Assaying (9th ed., 1904): the smaller bead loses the larger share.
    sheet = ALLOY.replace("10 g", f"{20 * float(grams)} g").format(knobs=f"silver_loss: {loss}")
    assert silver(solved(sheet), "bead") == pytest.approx(left, abs=5e-4)


def test_gold_is_lost_less_than_silver_and_in_the_handbooks_proportion(solved: Callable[..., Solution]) -> None:
    # R. W. Lodge, Notes on Assaying, after E. E. Bugbee, A Textbook of Fire Assaying (from memory; trends only): with
    # 10 g lead at 775, 850, 925, 1000 C silver is lost 8.4, 4.0, 7.9 and 3.4 times as readily as gold.
    solution = solved(ALLOY.format(knobs="charge: 10 g"))
    gold = solution.streams["cupel"].gold / solution.streams["button"].gold
    lost = silver(solution, "cupel") / silver(solution, "button")
    assert lost > gold
    assert 3.4 <= lost / gold <= 8.4


def warnings(model: Model) -> list[str]:
    from flowsheet.solve.propagate import solve

    solution = solve(model)
    return list(model.step("fire").warnings(solution.feeds["fire"], model.plain.values["fire"], model.plain.site))


@pytest.mark.parametrize(("cupel", "enough"), [("21.5 g", False), ("21.6 g", True)])
def test_litharge_of_twenty_grams_of_lead(cupel: str, enough: bool, model_of: Callable[..., Model]) -> None:
    # V. Villavecchia, Applied Analytical Chemistry, vol. 1: a cupel takes up about its own mass; PbO/Pb = 1.07722, so
    # that 20 g of lead make 21.544 g of litharge.
    assert 20 * OXIDE["lead"] == pytest.approx(21.544, rel=1e-4)
    said = warnings(model_of(ALLOY.format(knobs=f"charge: 20 g, cupel_mass: {cupel}")))
    assert (said == []) == enough
    assert enough or "21.5 g" in said[0]


def test_oxides_from_atomic_masses() -> None:
    # Pb 207.2, Bi 208.980, O 15.999 (IUPAC, abridged): PbO/Pb and Bi2O3/(2 Bi).
    assert OXIDE["lead"] == pytest.approx((207.2 + 15.999) / 207.2, rel=1e-4)
    assert OXIDE["bismuth"] == pytest.approx((2 * 208.980 + 3 * 15.999) / (2 * 208.980), rel=1e-4)


def test_bismuth_needs_a_little_more_cupel_than_lead() -> None:
    assert OXIDE["bismuth"] > OXIDE["lead"]
    assert np.isclose(OXIDE["bismuth"], 1.1148, atol=1e-4)
