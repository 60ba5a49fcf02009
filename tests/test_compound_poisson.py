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
from flowsheet.study.estimate.grade_from_gold_held import ConfidenceDistribution, from_test, share_of

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


def test_no_gold_is_no_gold() -> None:
    law = spread(MASS, np.zeros(len(MASS)))
    assert (law.mean, law.sd, law.below(1e-9)) == (0.0, 0.0, 1.0)
    assert np.all(sample(MASS, np.zeros((2, len(MASS))), 3, np.random.default_rng(1), 64) == 0)


# ── read backwards ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("count", [0, 1, 4, 20, 300])
def test_a_count_of_equal_grains_is_read_as_the_exact_poisson_interval_with_mid_p(count: int) -> None:
    """The confidence distribution of a Poisson mean with half of the count's own chance (Lancaster 1961)."""
    known = from_test(np.array([1e-5]), np.array([1.0]), count * 1e-5, 2e-7)
    for share in (0.05, 0.5, 0.95):
        mean = float(known.quantile(share)) / 1e-5
        if mean > 0.02:
            at_least = stats.poisson.sf(count - 1, mean) - 0.5 * stats.poisson.pmf(count, mean)
            assert at_least == pytest.approx(share, abs=0.012)
        else:
            assert count == 0


def test_many_fine_grains_are_read_as_the_weighing_alone() -> None:
    known = from_test(np.array([1e-12]), np.array([1.0]), 3e-4, 1e-6)
    low, middle, high = known.quantile(np.array([0.05, 0.5, 0.95]))
    assert middle == pytest.approx(3e-4, rel=1e-4)
    assert (high - low) / 2 == pytest.approx(1.6449e-6, rel=0.01)


def test_luck_and_weighing_add_up() -> None:
    """Many grains and a poor scale: the normal law of both."""
    mass, found, sd = 1e-8, 3e-4, 3e-6
    known = from_test(np.array([mass]), np.array([1.0]), found, sd)
    low, high = known.quantile(np.array([0.05, 0.95]))
    assert (high - low) / 2 == pytest.approx(1.6449 * math.hypot(math.sqrt(found * mass), sd), rel=0.02)


def test_draws_are_spread_as_the_distribution_is() -> None:
    known = ConfidenceDistribution(np.array([0.0, 1.0, 3.0]), np.array([0.0, 0.5, 1.0]))
    drawn = known.draws(np.random.default_rng(1), 1000)
    assert (drawn < 1).mean() == pytest.approx(0.5)
    assert drawn.mean() == pytest.approx(1.25, rel=1e-3)


def test_the_share_of_two_lots_of_many_grains_is_nearly_normal() -> None:
    mass = np.array([1e-8])
    part, rest = (from_test(mass, np.ones(1), gold, 1e-9) for gold in (1e-4, 3e-4))
    low, middle, high = share_of(part, rest).quantile(np.array([0.05, 0.5, 0.95]))
    # Share s = a/(a + b): relative sd of a and b are those of Poisson counts.
    sd = 0.25 * 0.75 * math.sqrt(1e-8 / 1e-4 + 1e-8 / 3e-4)
    assert middle == pytest.approx(0.25, rel=1e-3)
    assert (high - low) / 2 == pytest.approx(1.6449 * sd, rel=0.02)


# ── coverage ────────────────────────────────────────────────────────────────────────────────────────────────

TESTS = 1000
COARSE = 0.4
SCALE = 1.2e-6
"""kg: what one weighing of gold is off by in the invented tests (one standard deviation)."""


def grain_by_grain(d50: float, d95: float, gold: float, rng: np.random.Generator) -> float:
    """Return the gold (kg) in a lot of which ``gold`` is expected: every grain drawn with a size of its own.

    Sizes lognormal by mass are lognormal by number, the median moved by -3 sigma². Grains that are too many to draw
    one by one go by their classes, where one size is as good as another.
    """
    sigma = math.log(d95 / d50) / 1.6448536269514722
    middle = math.log(d50) - 3 * sigma**2
    one = math.pi / 6 * float(grains.alloy_density(FINE) * FINE)
    number = gold / (one * math.exp(3 * middle + 4.5 * sigma**2))
    if number > 300_000:
        shares = grains.lognormal_shares(GRID, np.asarray(d50), np.asarray(d95))
        return float(rng.poisson(gold * shares / MASS) @ MASS)
    return float((one * np.exp(middle + sigma * rng.standard_normal(rng.poisson(number))) ** 3).sum())


def from_stream(shape: Array, found: float, sd: float) -> ConfidenceDistribution:
    """Read backwards what was found of a stream, with three grain sizes for each class."""
    return from_test(grains.masses_within(GRID, FINE, 3), np.repeat(shape, 3), found, sd)


@pytest.mark.slow
@pytest.mark.parametrize("name", ORES)
def test_intervals_hold_the_truth_in_nine_tests_of_ten(name: str) -> None:
    """Invented tests: coarse and fine fraction weighed apart, head grade and coarse share read from the weights."""
    d50, d95, gold_g = ORES[name]
    d50, d95, truth = d50 / 1e3, d95 / 1e3, 1e-3 * gold_g
    shape = grains.lognormal_shares(GRID, np.asarray(d50), np.asarray(d95))
    rng = np.random.default_rng(11)
    head = share = 0
    ends = np.array([0.05, 0.95])
    for _ in range(TESTS):
        part, rest = (
            grain_by_grain(d50, d95, truth * lot, rng) + SCALE * rng.standard_normal() for lot in (COARSE, 1 - COARSE)
        )
        low, high = from_stream(shape, part + rest, SCALE * math.sqrt(2)).quantile(ends)
        head += low <= truth <= high
        low, high = share_of(*(from_stream(shape, lot, SCALE) for lot in (part, rest))).quantile(ends)
        share += low <= COARSE <= high
    luck = math.sqrt(float(shape @ MASS) / truth)
    print(f"\n{name}: luck ± {100 * luck:.0f} %: head {100 * head / TESTS:.1f} %, coarse {100 * share / TESTS:.1f} %")
    assert 0.88 <= head / TESTS <= 0.92
    assert 0.88 <= share / TESTS <= 0.92
