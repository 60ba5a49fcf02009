"""What breaking frees: the share of the gold that is still locked in a host of a given size.

A grain stays locked if no plane of a random cubic fracture lattice touches it: ((x - 1)/x)^3 for
x = host size / grain size above one, else 0. Source: A. M. Gaudin, Principles of Mineral Dressing (1939).
"""

from __future__ import annotations

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid, of_grid


def lattice_share(x: Array) -> Array:
    """Return ((x - 1)/x)^3 for x > 1, else 0, for any shape of x (host size / grain size)."""
    return np.asarray(np.where(x > 1, (1 - 1 / np.maximum(x, 1.0)) ** 3, 0.0))


def showing_share(x: Array) -> Array:
    """Return the chance that a grain shows on its host's surface: 1 - ((x - 2)/x)^3 for x > 2, else 1.

    A grain that lies at random in a cube of x grain sizes touches no face if its centre lies in the inner
    cube of x - 2 grain sizes' room.
    """
    return np.asarray(np.where(x > 2, 1 - (1 - 2 / np.maximum(x, 2.0)) ** 3, 1.0))


@of_grid
def ratios(grid: Grid) -> Array:
    """Return host size over grain size, shape (S hosts, S grains)."""
    return np.asarray(grid.size[:, None] / grid.size[None, :])


@of_grid
def showing(grid: Grid) -> Array:
    """Return the chance that a grain shows on its host's surface, shape (S hosts, S grains)."""
    return showing_share(ratios(grid))


@of_grid
def _untouched(grid: Grid) -> Array:
    return lattice_share(ratios(grid))


def locked_share(grid: Grid, detach: Array) -> Array:
    """Return the locked share of gold, shape (..., S hosts, S grains): 1 - detach (1 - lattice share)."""
    return np.asarray(1 - detach[..., None, None] * (1 - _untouched(grid)))
