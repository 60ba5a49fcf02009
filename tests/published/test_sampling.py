"""The luck of a split against the Poisson law, Gy's formula and published grain counts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flowsheet.ore import grains
from flowsheet.ore.grid import Grid
from flowsheet.ore.liberation import locked_share
from flowsheet.ore.material import Material
from flowsheet.steps.base import Site
from flowsheet.steps.split import sampling_error

A_MILLIONTH = 1e-6
"""A part so small that whether a grain is in it says nothing of the next."""


def spheres(diameter: float, mass: float, grade: float) -> tuple[Material, Site]:
    """Return barren rock with free gold spheres of one ``diameter`` (m), and its site."""
    grid = Grid(np.array([2 * diameter, math.sqrt(2) * diameter, diameter / math.sqrt(2)]))
    assert grid.size[1] == pytest.approx(diameter, rel=1e-12)
    rock = np.array([0.0, 0.0, mass])
    free = np.array([0.0, grade * mass, 0.0])
    site = Site(grid, locked_share(grid, np.ones(())), np.ones(()))
    return Material(rock, np.zeros(3), free, np.zeros((3, 3))), site


def error(diameter: float, part: float, grade: float) -> float:
    """Return the relative standard deviation of a part of ``part`` (kg) of a large lot."""
    lot, site = spheres(diameter, part / A_MILLIONTH, grade)
    return sampling_error(lot, A_MILLIONTH, site)


def test_gys_formula_is_the_poisson_law_for_free_equal_spheres() -> None:
    # P. Gy's s^2 = f g m l d^3/M with f = pi/6, g = l = 1 and a low grade is 1/n: 1 mm spheres, density 19.3, 5 g/t,
    # 5000 g: n = 2.47389, RSD 0.635785 (analytic).
    diameter, mass, grade = 1e-3, 5.0, 5e-6
    n = mass * grade / float(grains.grain_mass(np.array([diameter]), np.ones(()))[0])
    assert n == pytest.approx(2.47389, rel=1e-5)
    found = error(diameter, mass, grade)
    assert found == pytest.approx(0.635785, rel=1e-5)
    composition = (1 - grade) / grade * ((1 - grade) * 19.3 + grade * 2.65)
    gy = math.sqrt(math.pi / 6 * composition * 0.1**3 / 5000)
    assert found == pytest.approx(gy, rel=2e-5)


HOMESTAKE = 34.285714e-6
"""One ounce a short ton."""
CUBIC_MILLIMETRE = (6 / math.pi) ** (1 / 3) * 1e-3
"""Diameter of a sphere of a cubic millimetre, m."""


def test_grains_of_an_ounce_a_ton() -> None:
    # US Bureau of Mines study of drill-core variability, Homestake mine: one ounce a short ton as grains of a cubic
    # millimetre is 0.019 g each and about 1,800 grains a tonne (exactly 19.3 mg and 1776.46).
    each = float(grains.grain_mass(np.array([CUBIC_MILLIMETRE]), np.ones(()))[0])
    assert 1000 * each == pytest.approx(0.019, abs=5e-4)
    number = 1000 * HOMESTAKE / each
    assert number == pytest.approx(1776.46, rel=1e-5)
    assert number == pytest.approx(1800, rel=0.015)
    # 4.80, 5.33 and 5.86 in a million grains of that size, for rock of 2.7, 3.0 and 3.3; the book says 6.
    for density, parts in ((2.7, 4.80), (3.0, 5.33), (3.3, 5.86)):
        assert number * density * 1e-3 == pytest.approx(parts, abs=5e-3)


def test_a_charge_of_thirty_grams_mostly_holds_no_grain() -> None:
    # From the same numbers: 0.0532939 grain on average, none with a chance of 0.948101 (analytic).
    n = error(CUBIC_MILLIMETRE, 0.030, HOMESTAKE) ** -2
    assert n == pytest.approx(0.0532939, rel=1e-5)
    assert math.exp(-n) == pytest.approx(0.948101, abs=1e-6)


@pytest.mark.parametrize(
    ("kg", "grains_held", "relative"),
    [
        # L. Clifton, R. S. Hunter, F. J. Swanson & R. L. Phillips, Sample Size and Meaningful Gold Analysis, USGS
        # Professional Paper 625-C (1969): 20 grains are about +-50 % at 95 % (RSD 22.36 %, analytic).
        (11.258, 20, 0.2236),
        # S. Dominy on the mass of gravity test samples: worse than +-20 % RSD is poor; that takes 25 grains.
        (14.073, 25, 0.20),
    ],
)
def test_mass_that_holds_enough_grains(kg: float, grains_held: int, relative: float) -> None:
    found = error(CUBIC_MILLIMETRE, kg, HOMESTAKE)
    assert found == pytest.approx(relative, abs=5e-5)
    assert found**-2 == pytest.approx(grains_held, rel=1e-4)


def test_the_error_falls_with_what_is_left_of_the_lot() -> None:
    # The binomial law: a part p of n grains has RSD sqrt((1 - p)/(p n)), nothing for the whole (analytic).
    lot, site = spheres(1e-3, 10.0, 50e-6)
    n = 10.0 * 50e-6 / float(grains.grain_mass(np.array([1e-3]), np.ones(()))[0])
    for part in (0.5, 0.25, 0.1, 0.999999):
        assert sampling_error(lot, part, site) == pytest.approx(math.sqrt((1 - part) / (part * n)), rel=1e-4)
