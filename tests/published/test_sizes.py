"""Size distributions against published sieve records and worked examples."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from flowsheet.ore import sizes
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution


def passing(material: Material, model: Model, size: float) -> float:
    """Return what part of the rock passes ``size`` (m), which must be a class limit."""
    at = int(np.argmin(np.abs(model.grid.upper - size)))
    assert model.grid.upper[at] == pytest.approx(size, rel=1e-9)
    rock = material.rock_by_size
    return float(rock[at:].sum() / rock.sum())


# B. A. Wills, Mineral Processing Technology, the typical sieve test (from memory).
WILLS_UM = (250, 180, 125, 90, 63, 45)
WILLS_G = (0.02, 1.32, 4.23, 9.44, 13.10, 11.56, 4.87)
WILLS_SHARES = (0.1, 2.9, 9.5, 21.2, 29.4, 26.0, 10.9)
WILLS_PASSING = (99.9, 97.0, 87.5, 66.3, 36.9, 10.9)


@pytest.fixture(scope="module")
def wills(solved: Callable[..., Solution]) -> Solution:
    through = 100 * (1 - np.cumsum(WILLS_G)[:-1] / sum(WILLS_G))
    rows = ", ".join(f"{{sieve: {um} um, passing: {p:.10f} %}}" for um, p in zip(WILLS_UM, through, strict=True))
    return solved(f"""
ore:
  mass: {sum(WILLS_G):.6f} g
  grade: 1 g/t
  sizes: [{{sieve: 355 um, passing: 100 %}}, {rows}]
steps:
  part: {{do: split, takes: ore, gives: {{a: a, b: b}}}}
keep: [a]
""")


def test_a_sieve_table_gives_its_classes_and_what_passes(wills: Solution) -> None:
    rock = wills.streams["ore"].rock_by_size
    edges = [355e-6, *(um * 1e-6 for um in WILLS_UM), 0.0]
    grid = wills.model.grid
    for upper, lower, share in zip(edges[:-1], edges[1:], WILLS_SHARES, strict=True):
        inside = (grid.upper <= upper * (1 + 1e-9)) & (grid.lower >= lower * (1 - 1e-9))
        assert 100 * rock[inside].sum() / rock.sum() == pytest.approx(share, abs=0.1)
    for um, share in zip(WILLS_UM, WILLS_PASSING, strict=True):
        assert 100 * passing(wills.streams["ore"], wills.model, um * 1e-6) == pytest.approx(share, abs=0.1)


# An open-access table of a cumulative sieve record (SciRP, file number 5-1881384), sample of 2000 g.
RECORD_MM = (
    4.76, 4, 3.36, 2.38, 2, 1.68, 1.19, 1, 0.84, 0.59, 0.5, 0.4, 0.315, 0.25, 0.2, 0.16, 0.125, 0.1, 0.08,
)  # fmt: skip
RECORD_G = (
    16, 34, 58, 98, 150, 247, 409, 617, 826, 1086, 1298, 1466, 1599, 1737, 1811, 1867, 1900, 1921, 1937,
)  # fmt: skip


def test_semi_log_sizes_of_a_sieve_record() -> None:
    upper = np.array([5.6, *RECORD_MM]) / 1000
    mass = np.diff([0, *RECORD_G, 2000]).astype(float)
    for share, mm in ((0.1, 0.206745), (0.3, 0.436648), (0.5, 0.663134), (0.6, 0.858419)):
        assert 1000 * sizes.size_passing(upper, mass, share) == pytest.approx(mm, rel=1e-5)


def test_a_sieve_that_is_left_out_is_read_between_its_neighbours() -> None:
    # Each sieve but the first and the last in turn. Read across the gap from 1.68 to 1 mm it is off by 4.2 % of the
    # mass, across all others by 3.1 % or less.
    at, through = np.array(RECORD_MM) / 1000, 1 - np.array(RECORD_G) / 2000
    off = []
    for out in range(1, len(at) - 1):
        there = np.arange(len(at)) != out
        off.append(abs(float(sizes.table(at[[out]], at[there], through[there])[0]) - through[out]))
    assert max(off) < 0.045
    assert np.median(off) < 0.015


def test_rosin_rammler_line_through_a_sieve_record() -> None:
    # The unweighted line of ln(-ln R) on ln x through all points: n = 1.302897, x63.2 = 1.065676 mm (computed).
    x, retained = np.log(RECORD_MM), np.array(RECORD_G) / 2000
    slope, offset = np.polyfit(x, np.log(-np.log(retained)), 1)
    x63 = np.exp(-offset / slope)
    assert (slope, x63) == pytest.approx((1.302897, 1.065676), rel=1e-5)
    law = sizes.rosin_rammler(np.array([x63]), np.asarray(x63), np.asarray(slope))
    assert law == pytest.approx([1 - np.exp(-1)], rel=1e-12)


def test_rosin_rammler_worked_example(solved: Callable[..., Solution]) -> None:
    # Course notes on modelling and simulation of mineral processing systems, after R. P. King (2025): x63.2 = 150 um,
    # n = 1.2; 35.3 % passes 75 um, P80 = 223 um. (Unrounded: 0.352913, 223.008 um.)
    solution = solved("""
ore:
  mass: 1 kg
  grade: 1 g/t
  sizes: {law: rosin_rammler, x63: 150 um, slope: 1.2, top: 10 mm}
sieves: [75 um, 223.008 um]
steps:
  part: {do: split, takes: ore, gives: {a: a, b: b}}
keep: [a]
""")
    ore = solution.streams["ore"]
    assert passing(ore, solution.model, 75e-6) == pytest.approx(0.353, abs=5e-4)
    assert passing(ore, solution.model, 75e-6) == pytest.approx(0.352913, abs=1e-6)
    assert passing(ore, solution.model, 223.008e-6) == pytest.approx(0.8, abs=2e-6)
    assert sizes.x63_from_p80(np.asarray(223.008e-6), np.asarray(1.2)) == pytest.approx(150e-6, rel=1e-5)


def test_gates_gaudin_schuhmann_with_a_slope_of_a_half() -> None:
    # P80 = 0.64 k, k being the size that all passes (analytic).
    k, half = 0.1, np.asarray(0.5)
    p80 = np.asarray(0.64 * k)
    assert sizes.natural_top(float(p80), 0.5) == pytest.approx(k, rel=1e-12)
    assert sizes.gates_gaudin_schuhmann(np.array([0.64 * k, k]), p80, half) == pytest.approx([0.8, 1.0], rel=1e-12)


def test_a_table_of_masses_against_plain_sums_of_sieve_fractions() -> None:
    share = sizes.shares(np.array([1.0, 0.78, 0.41, 0.0]))
    assert share == pytest.approx([0.22, 0.37, 0.41, 0.0], abs=1e-12)
