"""The law of an amount of gold in grains, exactly, against simulated sacks and known laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from tiers import examples

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.study.common.compound_poisson import RARE, SELDOM, Spread, moments, sample, spread

GRID = Grid.make(0.05)
FINE = np.asarray(0.87)
MASS = grains.grain_mass(GRID.size, FINE)
SACKS = 1_000_000

#: Invented ores, from fine to nuggety: size (mm) that half, and 95 %, of the gold is finer than, and gold in a sack, g.
ORES = {
    "fine": (0.05, 0.2, 0.3),
    "medium": (0.3, 1.0, 0.3),
    "coarse": (0.5, 2.0, 0.3),
    "nuggety": (1.0, 4.0, 0.3),
    "very nuggety": (1.5, 5.0, 0.25),
}


def expected(name: str) -> Array:
    """Return how many grains of each class a sack is expected to hold; none of what no law counts for being rare."""
    d50, d95, gold_g = ORES[name]
    shares = grains.lognormal_shares(GRID, np.asarray(d50 / 1e3), np.asarray(d95 / 1e3))
    number = 1e-3 * gold_g * shares / MASS
    return np.where(number >= RARE, number, 0.0)


def simulated(mass: Array, number: Array, count: int, rng: np.random.Generator) -> Array:
    """Draw sacks grain by grain class: how many of each, times what one holds."""
    total = np.zeros(count)
    for m, n in zip(mass, number, strict=True):
        if n > 0:
            total += m * rng.poisson(n, count)
    return total


def distance(law: Spread, sacks: Array) -> float:
    """Return the largest gap between a law and a sample of it, looked at between the law's cells."""
    edges = law.amounts + law.step / 2
    found = np.searchsorted(np.sort(sacks), edges, side="right") / len(sacks)
    return float(np.max(np.abs(found - np.cumsum(law.chance))))


@pytest.mark.slow
@pytest.mark.parametrize("name", ORES)
def test_a_million_sacks_say_the_same(name: str) -> None:
    number = expected(name)
    law = spread(MASS, number)
    sacks = simulated(MASS, number, SACKS, np.random.default_rng(3))
    gap = distance(law, sacks)
    print(f"\n{name}: Kolmogorov distance {gap:.4f} (less than 0.003 wanted)")
    assert gap < 0.003


@pytest.mark.parametrize("name", ORES)
def test_some_sacks_say_the_same(name: str) -> None:
    number = expected(name)
    law = spread(MASS, number)
    assert law.mean == pytest.approx(float(number @ MASS), rel=1e-3)
    assert law.sd == pytest.approx(math.sqrt(float(number @ MASS**2)), rel=0.01)
    sacks = simulated(MASS, number, 40_000, np.random.default_rng(4))
    assert distance(law, sacks) < 0.012
    assert moments(MASS, number) == pytest.approx((float(number @ MASS), math.sqrt(float(number @ MASS**2))))


@settings(max_examples=examples(30))
@given(number=st.floats(0.05, 400), mass=st.floats(1e-7, 1e-3))
def test_one_grain_size_is_poisson(number: float, mass: float) -> None:
    # Analytic: where all grains weigh the same, the sum over so many is that mass times a Poisson number.
    law = spread(np.array([mass]), np.array([number]))
    for grains_ in {0, int(number / 2), int(number), int(number + 2 * math.sqrt(number))}:
        assert law.below((grains_ + 0.5) * mass) == pytest.approx(stats.poisson.cdf(grains_, number), abs=1e-6)


def test_draws_of_what_is_not_known_are_mixed() -> None:
    one, other = expected("coarse"), 2 * expected("coarse")
    both, first, second = (spread(MASS, n) for n in (np.stack([one, other]), one, other))
    for amount in (1e-4, 3e-4, 5e-4, 9e-4):
        assert both.below(amount) == pytest.approx((first.below(amount) + second.below(amount)) / 2, abs=4e-3)
    mean, sd = moments(MASS, np.stack([one, other]))
    assert both.mean == pytest.approx(mean, rel=1e-3)
    assert both.sd == pytest.approx(sd, rel=0.01)


def test_a_sample_follows_the_law_of_its_draw() -> None:
    number = np.stack([expected("coarse"), 3 * expected("coarse")])
    number = np.where(number.max(axis=0) >= SELDOM, number, 0.0)  # what no sample of some thousands would hold
    drawn = sample(MASS, number, 40_000, np.random.default_rng(1), 4096)
    assert drawn.mean(axis=1) == pytest.approx(number @ MASS, rel=0.01)
    assert drawn.std(axis=1) == pytest.approx(np.sqrt(number @ MASS**2), rel=0.08)


def test_a_sample_of_many_laws_is_that_of_each_on_its_own() -> None:
    number = np.stack([2.0**k * expected("coarse") for k in range(7)] * 10)
    number[3] = 0.0
    together, rng = sample(MASS, number, 5, np.random.default_rng(1), 1024), np.random.default_rng(1)
    singly = np.concatenate([sample(MASS, one[None], 5, rng, 1024) for one in number])
    assert together == pytest.approx(singly, rel=1e-12)
    assert not together[3].any()


def test_no_gold_is_no_gold() -> None:
    law = spread(MASS, np.zeros(len(MASS)))
    assert (law.mean, law.sd, law.below(1e-9)) == (0.0, 0.0, 1.0)
    assert np.all(sample(MASS, np.zeros((2, len(MASS))), 3, np.random.default_rng(1), 64) == 0)
