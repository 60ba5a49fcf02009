"""Gold in quartz by weighing in water, and the densities that it rests on."""

from __future__ import annotations

import numpy as np
import pytest

from flowsheet.ore.grains import alloy_density
from flowsheet.spec.rocks.host_rock import MINERALS
from flowsheet.spec.rocks.specimen_table import from_options
from flowsheet.study.rocks.hydrostatic import GOLD, fineness_of, gold_in, water_density, weigh
from flowsheet.study.rocks.result import SpecimenGold


def found(air: str, water: str, **options: str) -> SpecimenGold:
    specimen = from_options({"air": air, "water": water, **options}, None)[1]
    assert specimen is not None
    return weigh([specimen], 100).specimens[0]


def test_the_rule_of_the_prospectors() -> None:
    # Texts on prospecting: 96 g in air, 74.5 g in water: 3.1 x 74.5 - 1.9 x 96 = 48.55 g.
    assert found("96 g", "74.5 g").trade_rule == pytest.approx(48.55e-3, abs=1e-12)


def test_the_same_rock_by_the_densities() -> None:
    # With 19.3 and 2.65 exactly, 3.07177 x water - 1.91261 x air = 45.236 g (computed), so the rule is 3.31 g (7 %)
    # high. Another text on prospecting prints 3.07 and 1.91.
    one = found("96 g", "74.5 g")
    assert one.gold.value == pytest.approx(45.236e-3, abs=5e-7)
    assert one.trade_rule - one.gold.value == pytest.approx(3.31e-3, abs=5e-6)
    assert one.trade_rule / one.gold.value - 1 == pytest.approx(0.07, abs=5e-3)
    per_air, per_water = (float(gold_in(np.asarray(a), np.asarray(w), np.asarray(1 / 2.65), np.asarray(1 / 19.3)))
                          for a, w in ((1.0, 0.0), (0.0, 1.0)))  # fmt: skip
    assert (per_water, per_air) == pytest.approx((3.07177, -1.91261), abs=5e-6)
    assert (per_water, per_air) == pytest.approx((3.07, -1.91), abs=5e-3)


def test_a_rock_that_was_weighed_and_then_crushed() -> None:
    # A prospectors' page (authors by first names only): 25.1 dwt in air, 8.3 dwt of water pushed aside; 3.635 dwt of
    # gold by 3.07 x water - 1.91 x air; crushed and panned it gave 3.9 dwt, a little quartz dust with it.
    pennyweight, water = 1.55517384e-3, 25.1 - 8.3
    one = found("25.1 dwt", f"{water:.1f} dwt")
    assert 3.07 * water - 1.91 * 25.1 == pytest.approx(3.635, abs=5e-4)
    assert one.gold.value / pennyweight == pytest.approx(3.635, abs=0.05)
    assert one.gold.low < 3.9 * pennyweight < one.gold.high
    # The rounded rule says 4.4, further off on the other side.
    assert one.trade_rule / pennyweight == pytest.approx(4.4, abs=0.05)


def test_a_rock_by_its_volume() -> None:
    # A forum's post: 6.16 g, 1.68 cm3: density 3.667, 32.06 % of gold by a table for 19.3 and 2.65.
    one = found("6.16 g", f"{6.16 - 1.68:.2f} g")
    assert one.gold.value / 6.16e-3 == pytest.approx(0.3206, abs=1.5e-3)


@pytest.mark.parametrize(
    ("air", "water", "gold"),
    [("2.65 g", "1.65 g", 0.0), ("19.3 g", "18.3 g", 19.3), ("100 g", f"{100 - 30 / 19.3 - 70 / 2.65:.15g} g", 30.0)],
)
def test_the_ends_of_the_formula(air: str, water: str, gold: float) -> None:
    # Quartz alone, gold alone, and 30 g of gold in 70 g of quartz: analytic.
    assert found(air, water).gold.value == pytest.approx(1e-3 * gold, abs=1e-12)


@pytest.mark.parametrize(
    ("fineness", "printed", "computed"),
    [(1000, 19.26, 19.260), (917, 18.08, 18.000), (843, 16.96, 17.009), (750, 16.03, 15.907), (500, 13.60, 13.549),
     (0, 10.45, 10.450)],
)  # fmt: skip
def test_alloys_by_additive_volumes(fineness: float, printed: float, computed: float) -> None:
    # T. K. Rose, The Metallurgy of Gold (6th ed., 1915), Table XIV, at 15 C; additive volumes of its pure metals
    # (computed) are within 1.1 % of what it prints.
    ours = float(alloy_density(np.asarray(fineness / 1000), 19.26, 10.45))
    assert ours == pytest.approx(computed, abs=6e-4)
    assert ours == pytest.approx(printed, rel=0.011)
    assert 1000 * float(fineness_of(np.asarray(ours), 19.26, 10.45)) == pytest.approx(fineness, abs=1e-9)


def test_electrum() -> None:
    # Rose, p. 49: 15 to 35 % of silver; 14.872 to 17.098 by additive volumes of the same table (computed).
    low, high = (float(alloy_density(np.asarray(f), 19.26, 10.45)) for f in (0.65, 0.85))
    assert (low, high) == pytest.approx((14.872, 17.098), abs=6e-4)


def test_minerals() -> None:
    # Gold, quartz and galena: textbooks on sampling and on weighing gold in water. The others: mineralogy handbooks,
    # from memory.
    published = {"quartz": 2.65, "galena": 7.5, "pyrite": 5.0, "pyrrhotite": 4.6, "arsenopyrite": 6.1, "magnetite": 5.2}
    for name, density in published.items():
        assert MINERALS[name] == pytest.approx(density, rel=0.02)
    assert pytest.approx(19.3, rel=0.02) == GOLD


@pytest.mark.parametrize(("celsius", "density"), [(4, 0.99997), (15, 0.99910), (20, 0.99820), (25, 0.99705)])
def test_water(celsius: float, density: float) -> None:
    # Tables of the density of water (CRC Handbook, from memory).
    assert water_density(celsius) == pytest.approx(density, abs=1.1e-5)


def test_limits_of_detection() -> None:
    # L. A. Currie, Limits for Qualitative Detection and Quantitative Determination, Anal. Chem. 40 (1968), 586: with
    # 5 % of both errors, the decision limit is 1.645 sd of the blank, the detection limit 3.29 sd (from memory).
    one = found("96 g ± 0.1 g", "74.5 g ± 0.1 g", host="2.65 ± 0.05").smallest
    per_host = 96 * (0.05 / 2.65**2) / (1 / 2.65 - 1 / 19.3)  # of a rock of 96 g without gold
    sd = np.sqrt((0.1 * 3.07177) ** 2 + (0.1 * 1.91261) ** 2 + per_host**2)
    assert 1e3 * one.decision / sd == pytest.approx(1.645, abs=5e-4)
    assert 1e3 * one.detection / sd == pytest.approx(3.29, abs=5e-4)
