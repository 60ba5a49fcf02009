"""Gold grains: their sizes by mass, what one weighs, and how many there are.

Arrays carry grain classes as their last axis: (S,) or (D, S).
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material

Amount = TypeVar("Amount", float, Array)

GOLD = 19_300.0
"""Density of gold, kg/m3: the 19.3 of textbooks on sampling and on weighing gold in water."""
SILVER = 10_490.0
"""Density of silver, kg/m3 (CRC Handbook, from memory; T. K. Rose, 1915, Table XIV prints 10.45)."""
QUARTZ = 2_650.0
"""Density of the light gangue, kg/m3: quartz."""
HEAVY = 5_000.0
"""Density of the heavy gangue, kg/m3: pyrite (mineralogy handbooks, from memory)."""

MOST_GRAINS = 1e9
"""In one rock: where given shares sent the gold one way and the rock another, next to none is left to hold it."""


_erf = np.vectorize(math.erf, otypes=[float])


def gold_share(fineness: Amount) -> Amount:
    """Return the share of gold in metal that is so many parts of a thousand fine."""
    return fineness / 1000


def alloy_density(fineness: Array, gold: float = GOLD, silver: float = SILVER) -> Array:
    """Return the density (kg/m3) of gold of ``fineness`` (fraction of gold), by additive volumes with silver.

    Within 1.1 % of T. K. Rose, The Metallurgy of Gold (6th ed., 1915), Table XIV.
    """
    return np.asarray(1 / (fineness / gold + (1 - fineness) / silver))


def grain_mass(size: Array, fineness: Array) -> Array:
    """Return the fine gold (kg) in one grain of ``size`` (m, shape (S,)), taken as a sphere."""
    return np.asarray(math.pi / 6 * size**3 * (alloy_density(fineness) * fineness)[..., None])


def masses_within(grid: Grid, fineness: Array, parts: int) -> Array:
    """Return the fine gold (kg) in one grain of ``parts`` sizes within each class, even in log size, (S parts,)."""
    lower = np.append(grid.upper[1:], grid.upper[-1] / 2)
    along = (np.arange(parts) + 0.5) / parts
    size = grid.upper[:, None] * (lower / grid.upper)[:, None] ** along
    return grain_mass(size.ravel(), fineness)


def lognormal_shares(grid: Grid, d50: Array, d95: Array) -> Array:
    """Return the share of gold in each grain class of a lognormal law by mass through d50 and d95 (m).

    What lies beyond the grid falls in its end classes.
    """
    sigma = np.log(d95 / d50)[..., None] / NORMAL_95
    z = np.log(grid.upper[1:] / d50[..., None])
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(sigma > 0, z / sigma, np.where(z >= 0, np.inf, -np.inf))
    passing = 0.5 * (1 + _erf(z / math.sqrt(2)))
    ones = np.ones((*passing.shape[:-1], 1))
    edges = np.concatenate([ones, passing, 0 * ones], axis=-1)
    return np.asarray(edges[..., :-1] - edges[..., 1:])


def rocks(material: Material, grid: Grid) -> Array:
    """Return how many rocks (spheres of the class's size) each class holds, (..., S)."""
    volume = material.light / QUARTZ + material.heavy / HEAVY
    return np.asarray(volume / (math.pi / 6 * grid.size**3))


def per_rock(material: Material, grid: Grid, fineness: Array, weights: Array) -> Array:
    """Return the mean number of locked grains in one rock, each counted ``weights`` (..., S, S) times: (..., S).

    ``weights`` (hosts × grains) may be the chance that such a grain counts.
    """
    number = rocks(material, grid)
    # A grain weighs its volume times the density of its gold: only the latter may differ between draws.
    one = math.pi / 6 * grid.size**3
    counted = material.locked_times(weights / one) / (alloy_density(fineness) * fineness)[..., None]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        held = np.where(number > 0, counted / number, 0.0)
    return np.minimum(held, MOST_GRAINS)


def grains_per_rock(material: Material, grid: Grid, fineness: Array) -> Array:
    """Return the mean number of locked grains of each class in one rock, (..., S hosts, S grains)."""
    number = rocks(material, grid)
    count = material.locked / grain_mass(grid.size, fineness)[..., None, :]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        held = np.where(number[..., :, None] > 0, count / number[..., :, None], 0.0)
    return np.minimum(held, MOST_GRAINS)
