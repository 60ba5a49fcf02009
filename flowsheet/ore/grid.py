"""Size classes: the sieve series R20/3 of ISO 565 from the top size down, plus every opening that matters."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property, wraps

import numpy as np

from flowsheet.ore.arrays import Array

#: ISO 565 R20/3 nominal apertures in mm, down to 32 µm (ISO 565:1990, supplementary series R20/3; from
#: memory, cross-checked to the fluids library in tests/published). Above 125 mm the rounded values of the
#: series repeat at tenfold: lumps larger than any sieve still need classes.
R20_3_MM: tuple[float, ...] = (
    4000, 2800, 2000, 1400, 1000, 710, 500, 355, 250, 180,
    125, 90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125,
    0.09, 0.063, 0.045, 0.032,
)  # fmt: skip
R20_3: tuple[float, ...] = tuple(mm / 1000 for mm in R20_3_MM)
"""The same in m."""

SAME = 1e-9
"""Two openings closer than this (relative) are one class limit."""


@dataclass(frozen=True, eq=False)
class Grid:
    """S size classes, coarsest first.

    ``upper`` holds the classes' upper edges in m, shape (S,), falling; the last class is all that passes
    the finest edge. A grid without sizes has one class and no edges (``sized`` is False).
    """

    upper: Array
    sized: bool = True

    @classmethod
    def make(cls, top: float, openings: Iterable[float] = ()) -> Grid:
        """Return the grid from ``top`` (m) down, with every opening below it as a class limit."""
        sizes = [size for size in R20_3 if size < top * (1 - SAME)]
        # An opening that is a nominal size but for rounding must not make a sliver of a class.
        for opening in sorted(openings):
            if opening < top * (1 - SAME) and not any(math.isclose(opening, s, rel_tol=SAME) for s in sizes):
                sizes.append(opening)
        return cls(np.array([top, *sorted(sizes, reverse=True)]))

    @classmethod
    def unsized(cls) -> Grid:
        """Return the grid of a sheet that knows no sizes: one class that holds everything."""
        return cls(np.array([math.inf]), sized=False)

    def __len__(self) -> int:
        return len(self.upper)

    def __repr__(self) -> str:
        if not self.sized:
            return "Grid(one class)"
        return f"Grid({len(self)} classes, {1e3 * self.upper[0]:g} mm to {1e6 * self.upper[-1]:g} µm)"

    @cached_property
    def lower(self) -> Array:
        """Lower edges in m, shape (S,); 0 for the last class."""
        return np.append(self.upper[1:], 0.0)

    @cached_property
    def size(self) -> Array:
        """Size that stands for each class, m, shape (S,): the geometric mean of its edges.

        The last class has half its upper edge for a lower one.
        """
        lower = np.append(self.upper[1:], self.upper[-1] / 2)
        return np.asarray(np.sqrt(self.upper * lower))

    @cached_property
    def log_ratio(self) -> Array:
        """Logarithm of upper edge (row) over upper edge (column), shape (S, S); 0 where the row is no finer."""
        return np.asarray(np.minimum(np.log(self.upper[:, None] / self.upper[None, :]), 0.0))

    @cached_property
    def no_coarser(self) -> Array:
        """One where the row is no coarser than the column, else 0, shape (S, S)."""
        return np.tri(len(self))

    def coarser(self, opening: float) -> int:
        """Return how many classes lie wholly at or above ``opening`` (m); they come first."""
        return int(np.count_nonzero(self.lower >= opening * (1 - SAME)))


def of_grid(function: Callable[[Grid], Array]) -> Callable[[Grid], Array]:
    """Make a function work out what depends on nothing but the grid once a grid."""

    @wraps(function)
    def kept(grid: Grid) -> Array:
        store = vars(grid)
        name = f"{function.__module__}.{function.__qualname__}"
        if name not in store:
            store[name] = function(grid)
            store[name].flags.writeable = False
        return np.asarray(store[name])

    return kept
