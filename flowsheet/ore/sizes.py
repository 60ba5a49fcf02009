"""Sizes of the pieces of an ore: laws and sieve tables, as the share of mass that passes a size.

Every function takes parameters of shape () or (D,) (draws) and returns an array with the sizes as its
last axis: (S,) or (D, S). Sizes are in m, shares are fractions.
"""

from __future__ import annotations

import math

import numpy as np

from flowsheet.ore.arrays import Array

#: The fine end of a table follows the slope of its last two sieves, within these bounds.
TAIL_SLOPES = (0.2, 3.0)
ONE_SIEVE_SLOPE = 0.7
"""A table of one sieve has no slope of its own: that of a sheet's size law is taken. Typical, set your own."""


def gates_gaudin_schuhmann(d: Array, p80: Array, slope: Array) -> Array:
    """Return 0.8 (d/p80)^slope, at most 1.

    Source: A. M. Gaudin, Principles of Mineral Dressing (1939); R. Schuhmann, AIME TP 1189 (1940),
    rescaled to the size that 80 % passes.
    """
    return np.asarray(np.minimum(1.0, 0.8 * (d / p80[..., None]) ** slope[..., None]))


def natural_top(p80: float, slope: float) -> float:
    """Return the size in m at which the Gates-Gaudin-Schuhmann law reaches one."""
    return float(p80 * 1.25 ** (1 / slope))


def rosin_rammler(d: Array, x63: Array, slope: Array) -> Array:
    """Return 1 - exp(-(d/x63)^slope).

    Source: P. Rosin & E. Rammler, The Laws Governing the Fineness of Powdered Coal, J. Inst. Fuel 7 (1933).
    """
    return np.asarray(-np.expm1(-((d / x63[..., None]) ** slope[..., None])))


def x63_from_p80(p80: Array, slope: Array) -> Array:
    """Return the Rosin-Rammler size of 63.2 % passing from the size of 80 % passing."""
    return np.asarray(p80 / math.log(5) ** (1 / slope))


def table(d: Array, sieves: Array, passing: Array) -> Array:
    """Return the passing at ``d``, linear in log size between the sieves of a table.

    ``sieves`` (R,) fall, ``passing`` (R,) or (D, R) falls with them. Above the first sieve: its passing.
    Below the last one passing falls as a power of size, with the slope of the last two sieves.
    """
    x, knots = np.log(d), np.log(sieves[::-1])
    # Draws may cross; a distribution may not.
    rising = np.maximum.accumulate(passing[..., ::-1], axis=-1)
    at = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, max(len(knots) - 2, 0))
    if len(knots) == 1:
        inside = np.broadcast_to(rising[..., :1], (*rising.shape[:-1], len(d)))
    else:
        t = np.clip((x - knots[at]) / (knots[at + 1] - knots[at]), 0.0, 1.0)
        below, above = rising[..., at], rising[..., at + 1]
        # Nothing may pass a sieve that did not pass the one above, not even by rounding.
        inside = np.where(t < 1, np.minimum(below + t * (above - below), above), above)
    slope = _tail_slope(sieves, rising)
    tail = rising[..., :1] * (np.minimum(d, sieves[-1]) / sieves[-1]) ** slope[..., None]
    return np.asarray(np.where(d < sieves[-1], tail, inside))


def _tail_slope(sieves: Array, rising: Array) -> Array:
    if rising.shape[-1] < 2:
        return np.full(rising.shape[:-1], ONE_SIEVE_SLOPE)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.log(rising[..., 1] / rising[..., 0]) / np.log(sieves[-2] / sieves[-1])
    return np.asarray(np.clip(np.nan_to_num(slope, nan=TAIL_SLOPES[0], posinf=TAIL_SLOPES[1]), *TAIL_SLOPES))


def shares(passing: Array) -> Array:
    """Return the share of each class, from the passing at the classes' upper edges (last axis)."""
    finer = np.concatenate([passing[..., 1:], np.zeros_like(passing[..., :1])], axis=-1)
    return np.asarray(passing - finer)


def size_passing(upper: Array, mass: Array, share: float) -> Array:
    """Return the size in m that ``share`` of ``mass`` (..., S) passes, linear in log size; NaN for no mass.

    ``upper`` (S,) are the classes' upper edges; the last class ends at half its own.
    """
    total = mass.sum(axis=-1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        passing = np.cumsum(mass[..., ::-1], axis=-1) / total  # rising: passing the upper edge of each class
    x = np.log(np.concatenate([[upper[-1] / 2], upper[::-1]]))
    y = np.concatenate([np.zeros_like(passing[..., :1]), passing], axis=-1)
    at = np.clip((y < share).sum(axis=-1) - 1, 0, len(upper) - 1)
    y0 = np.take_along_axis(y, at[..., None], axis=-1)[..., 0]
    y1 = np.take_along_axis(y, at[..., None] + 1, axis=-1)[..., 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip((share - y0) / (y1 - y0), 0.0, 1.0)
    found = np.exp(x[at] + t * (x[at + 1] - x[at]))
    return np.asarray(np.where(total[..., 0] > 0, found, np.nan))


def share_passing(upper: Array, mass: Array, size: Array) -> Array:
    """Return the share of ``mass`` (..., S) that passes ``size`` (...) m, as ``size_passing`` does; NaN for no mass."""
    x = np.log(np.concatenate([[upper[-1] / 2], upper[::-1]]))
    at = np.clip(np.searchsorted(x, np.log(size)) - 1, 0, len(upper) - 1)
    part = np.clip((np.log(size) - x[at]) / (x[at + 1] - x[at]), 0.0, 1.0)
    rising = mass[..., ::-1]
    before = np.arange(len(upper)) < at[..., None]
    weight = np.where(before, 1.0, np.where(np.arange(len(upper)) == at[..., None], part[..., None], 0.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray((rising * weight).sum(axis=-1) / rising.sum(axis=-1))
