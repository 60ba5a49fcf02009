"""Sampling: Gy's formula, the luck of a split, published grain counts, sacks and increments."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from flowsheet.ore import grains
from flowsheet.ore.grid import Grid
from flowsheet.ore.liberation import locked_share
from flowsheet.ore.material import Material
from flowsheet.steps.base import Site
from flowsheet.steps.split import sampling_error
from flowsheet.study.common import compound_poisson, gy
from flowsheet.study.sampling.sampling_variance import sack_variance

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


# ── Gy's formula ────────────────────────────────────────────────────────────────────────────────────────────

GALENA = 0.05 / 0.866
"""Share of galena (86.6 % lead) in an ore of 5 % lead."""
LIBERATION = 0.015e-2


def lead_ore(top: float) -> float:
    """Return C d^3 (kg) of the lead ore at a top size (m); g = 0.25, f = 0.5."""
    factor = gy.composition(GALENA, 7500, 2650)
    return gy.variance(1.0, top, factor, gy.liberation_factor(LIBERATION, top))


def test_lead_ore_of_the_textbook() -> None:
    # B. A. Wills, Mineral Processing Technology, sampling chapter (problem seen in tutorial sheets, values from
    # memory): densities 7.5 and 2.65, liberation at 0.015 cm, top size 2.5 cm, s = 0.01: m = 117.83 g/cm3, C = 1.14088,
    # M = 178.26 kg; 3.189 kg at 0.5 cm.
    assert gy.composition(GALENA, 7.5, 2.65) == pytest.approx(117.83, abs=5e-3)
    assert 1e3 * lead_ore(0.025) / 2.5**3 == pytest.approx(1.14088, abs=5e-6)
    assert gy.least_mass(0.01, lead_ore(0.025)) == pytest.approx(178.26, abs=5e-3)
    assert gy.least_mass(0.01, lead_ore(0.005)) == pytest.approx(3.189, abs=5e-4)


def sd_of_limits(limits: float, confidence: float) -> float:
    """Return the standard deviation that stays within ± ``limits`` with chance ``confidence``, by the normal law."""
    return limits / NormalDist().inv_cdf((1 + confidence) / 2)


@pytest.mark.parametrize(("cm", "grams", "digits"), [(2.5, 1_369_632, 0.5), (0.5, 24_501, 0.5), (0.1, 438, 0.5),
                                                     (0.004, 0.07, 0.005)])  # fmt: skip
def test_four_stages_share_the_variance(cm: float, grams: float, digits: float) -> None:
    # The same book's staged example, seen in a transcription: +-2 % relative at 95 %, a fourth of the variance to each
    # of four stages, the mass doubled. Only z = 1.96, not 1.959964, gives the printed digits.
    printed = (0.02 / 1.96) / 2
    assert 2e3 * gy.least_mass(printed, lead_ore(cm / 100)) == pytest.approx(grams, abs=digits)
    ours = sd_of_limits(0.02, 0.95) / 2
    assert 2e3 * gy.least_mass(ours, lead_ore(cm / 100)) == pytest.approx(grams, rel=5e-5, abs=digits)


def test_limits_and_factors_of_course_notes() -> None:
    # Michigan Technological University, course notes CM3820 on sampling (2009): +-0.1 on 5 % is 0.02 relative, so s is
    # 0.0102 (95 %) or 0.0078 (99 %); g by d95/d5; f is 0.5.
    assert sd_of_limits(0.1 / 5, 0.95) == pytest.approx(0.0102, abs=5e-5)
    assert sd_of_limits(0.1 / 5, 0.99) == pytest.approx(0.0078, abs=5e-5)
    assert [gy.size_range_factor(spread) for spread in (5, 3, 1.5, 1)] == [0.25, 0.5, 0.75, 1]
    assert gy.SHAPE == 0.5


# ── grains and masses ───────────────────────────────────────────────────────────────────────────────────────


def test_twenty_grains_are_half_as_much_again_or_less() -> None:
    # Clifton and others (1969): twenty grains are about +-50 % at 95 %. RSD 22.36 %, normal +-43.8 %, and the Poisson
    # law's counts at 2.5 and 97.5 % are 12 and 29 (analytic).
    law = compound_poisson.spread(np.array([1.0]), np.array([20.0]))
    assert law.sd / law.mean == pytest.approx(0.2236, abs=5e-5)
    assert 1.96 * law.sd / law.mean == pytest.approx(0.438, abs=5e-4)
    assert [round(law.quantile(share)) for share in (0.025, 0.975)] == [12, 29]


def test_clifton_s_flakes() -> None:
    # The same paper's graph, as read in Marshall's note (2002): 50 g with flakes of 177 um need about 3 ppm for
    # twenty grains, 7.5 ug each. A disc a tenth as thick as wide, of density 17, weighs 7.4 ug; a sphere 49.4 ug.
    # Graph reading: 10 %.
    flake = 50e-3 * 3e-6 / 20
    assert 1e9 * flake == pytest.approx(7.5, rel=0.1)
    disc = math.pi / 4 * 177e-6**2 * 17.7e-6 * 17_000
    assert 1e9 * disc == pytest.approx(7.4, rel=0.02)
    assert 3e-6 * 50e-3 / disc == pytest.approx(20, rel=0.1)
    # Grains of gold and silver of density 17, as the tool takes them: spheres.
    fineness = np.array((1 / 17_000 - 1 / grains.SILVER) / (1 / grains.GOLD - 1 / grains.SILVER))
    assert float(grains.alloy_density(fineness)) == pytest.approx(17_000, rel=1e-9)
    sphere = float(grains.grain_mass(np.array([177e-6]), fineness)[0]) / float(fineness)
    assert 1e9 * sphere == pytest.approx(49.4, abs=0.05)
    # So counting spheres of the same sieve asks for 6.6 times the rock that flakes do: the tool errs on the safe side.
    assert gy.least_mass(20**-0.5, sphere / 3e-6) == pytest.approx(6.6 * 50e-3, rel=0.01)


def test_a_small_sample_understates_more_often_than_not() -> None:
    # Dominy and others, Applied Earth Science (2014), abstract: samples of up to 50 kg grossly understate coarse
    # clustered gold, since they rarely hold a cluster. So where a sack holds less than two on average, its median lies
    # below its mean, and half of all sacks hold less than that.
    for held in (0.3, 0.6, 1.5):
        law = compound_poisson.spread(np.array([1.0]), np.array([held]))
        assert law.mean == pytest.approx(held, rel=1e-6)
        assert law.quantile(0.5) < 0.7 * held


# ── sacks ────────────────────────────────────────────────────────────────────────────────────


def test_a_part_of_a_finite_number_of_sacks() -> None:
    # A textbook's exercise (answer computed): 20 of 100 papers, sigma 10 (of all 100, not n - 1): the mean's sd is
    # 10/sqrt(20) x sqrt(80/99) = 2.01008; of all 100 it is 0.
    spread = 10 * math.sqrt(100 / 99)
    assert math.sqrt(sack_variance(spread, 20, 100)) == pytest.approx(2.01008, abs=5e-6)
    assert sack_variance(spread, 100, 100) == 0
