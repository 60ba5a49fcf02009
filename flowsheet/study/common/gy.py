"""Gy's fundamental sampling error, the trade's check beside the counting of grains.

s² = C d³ / M with C = f g l m. Source: P. M. Gy, Sampling of Particulate Materials, Theory and Practice (1979);
worked in B. A. Wills, Mineral Processing Technology, sampling chapter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains, sizes
from flowsheet.ore.material import Material
from flowsheet.solve.propagate import Solution

SHAPE = 0.5
"""Shape factor f: common particles (M. Pitard and course notes; Michigan Tech CM3820, 2009)."""
SPREAD = 0.25
"""Size range factor g: unscreened rock, d95/d5 above 4 (the same)."""
RANGES = ((4.0, 0.25), (2.0, 0.5), (1.0, 0.75))
"""d95/d5 above so much → g (the same); pieces of one size: 1."""
POUND, INCH = 0.45359237, 0.0254
LARGE_LOT = 1e6
"""1000 t, in kg."""
PASSES = 0.95
"""The top size of the formula is that which 95 % of the rock passes."""


def composition(mineral: float, mineral_density: float, gangue_density: float) -> float:
    """Return Gy's mineralogical factor (kg/m3) of a share ``mineral`` of the mass."""
    return (1 - mineral) / mineral * ((1 - mineral) * mineral_density + mineral * gangue_density)


def variance(mass: float, top: float, factor: float, liberation: float, f: float = SHAPE, g: float = SPREAD) -> float:
    """Return the relative variance of a sample of ``mass`` (kg) of rock of ``top`` size (m).

    ``factor``: the mineralogical factor, kg/m3. ``liberation``: l, no more than one.
    """
    return f * g * min(liberation, 1.0) * factor * top**3 / mass


def liberation_factor(liberation_size: float, top: float) -> float:
    """Return l = √(L/d), at most one."""
    return math.sqrt(min(liberation_size / top, 1.0))


def size_range_factor(spread: float) -> float:
    """Return g for pieces whose d95 is ``spread`` times their d5."""
    return next((g for above, g in RANGES if spread > above), 1.0)


def least_mass(sd: float, heterogeneity: float) -> float:
    """Return the mass (kg) whose fundamental error is ``sd`` (relative): M = C d³/s², ``heterogeneity`` C d³ in kg."""
    return heterogeneity / sd**2


def rule_of_thumb(top: float) -> float:
    """Return the mass (kg) that an old rule wants of rock of ``top`` size (m).

    Two points of it: 2,000 lb where the largest piece is 1 in, 10,000 lb at 2 in. Source: T. R. Woodbridge, 1916, in
    J. Wells, Placer Examination, BLM Technical Bulletin 4 (1969).
    """
    return float(2000 * POUND * (top / INCH) ** math.log2(10_000 / 2_000))


def increments(lot: float) -> float:
    """Return how many increments ASTM D2234 takes of ``lot`` kg of raw coal: 35 of 1000 t, as the root of its mass.

    From memory. Made for coal; of it only the form holds here.
    """
    return 35 * math.sqrt(lot / LARGE_LOT)


@dataclass(frozen=True)
class Gy:
    """Relative standard deviations of all that is fed, by Gy's formula."""

    #: As handbooks give it for broken ore, l = √(L/d). Made for grains not much finer than the rock: for gold in
    #: coarse rock it says far too much.
    as_broken: float
    #: For the same ore ground to the size of its gold, l = 1: what the counting of grains should come near to.
    as_ground: float


def fundamental_error(solution: Solution, gold: float) -> Gy:
    """Return Gy's error of all that is fed, ``gold`` kg of it gold.

    The size that 95 % of the gold's grains pass is the liberation size.
    """
    model = solution.model
    feed = Material.total(solution.streams[name] for name in model.sheet.ores)
    mass = float(feed.solids)
    top = float(sizes.size_passing(model.grid.upper, feed.rock_by_size, PASSES))
    grain = min(float(sizes.size_passing(model.grid.upper, feed.gold_by_grain, PASSES)), top)
    fine = float(np.mean(model.plain.site.fineness))
    density = float(grains.alloy_density(np.asarray(fine)))
    factor = composition(gold / fine / mass, density, grains.QUARTZ)
    return Gy(
        math.sqrt(variance(mass, top, factor, liberation_factor(grain, top))),
        math.sqrt(variance(mass, grain, factor, 1.0)),
    )
