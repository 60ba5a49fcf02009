"""Densities of gold alloys and minerals."""

from __future__ import annotations

import numpy as np
import pytest

from flowsheet.ore import grains


@pytest.mark.parametrize(
    ("fineness", "density"),
    [(1000, 19.26), (917, 18.08), (843, 16.96), (750, 16.03), (500, 13.60), (0, 10.45)],
)
def test_gold_silver_alloys(fineness: float, density: float) -> None:
    # T. K. Rose, The Metallurgy of Gold (6th ed., 1915), Table XIV, at 15 C. Additive volumes are within 1.1 % of it.
    assert grains.alloy_density(np.asarray(fineness / 1000)) / 1000 == pytest.approx(density, rel=0.011)


def test_electrum() -> None:
    # Rose, p. 49: 15 to 35 % silver; by additive volumes of the table's pure metals 14.872 to 17.098 (computed), ours
    # being 0.3 % denser.
    low, high = (float(grains.alloy_density(np.asarray(f))) / 1000 for f in (0.65, 0.85))
    assert (low, high) == pytest.approx((14.872, 17.098), rel=0.004)


@pytest.mark.parametrize(
    ("ours", "published"),
    [(grains.GOLD, 19.3), (grains.QUARTZ, 2.65), (grains.HEAVY, 5.0), (grains.SILVER, 10.49)],
)
def test_minerals(ours: float, published: float) -> None:
    # Gold and quartz: textbooks on sampling and on weighing gold in water. Pyrite for the heavy gangue, silver:
    # mineralogy and chemistry handbooks, from memory.
    assert ours / 1000 == pytest.approx(published, rel=0.02)


def test_concentration_criterion_of_gold_and_quartz() -> None:
    # (heavy - fluid)/(light - fluid) in water is 11.0909; above 2.5 gravity works down to fine sizes: a university
    # laboratory sheet after A. F. Taggart.
    criterion = (grains.GOLD - 1000) / (grains.QUARTZ - 1000)
    assert criterion == pytest.approx(11.0909, abs=5e-5)


def test_a_grain_of_a_millimetre_cubed() -> None:
    # US Bureau of Mines study of drill-core variability, Homestake mine: 0.019 g each (19.3 mg exactly).
    diameter = np.array([(6 / np.pi) ** (1 / 3) * 1e-3])
    assert 1e6 * grains.grain_mass(diameter, np.asarray(1.0)) == pytest.approx([19.3], rel=1e-12)
