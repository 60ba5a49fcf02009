"""What each step of the invented bench does, as chances by size: written anew from the equations, with numpy alone.

Nothing of the program is imported here. The equations are those of the guide's page on models: sizes, gold, liberation,
breaking, screen, sort, washing, fire. Classes run from coarse to fine; sizes are in m, masses in kg, shares in parts of
one. ``hosts`` are pieces of rock, ``grains`` are of gold; tables are (S hosts, S grains).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

#: ISO 565 R20/3, mm, from 90 mm down.
SERIES = (
    90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125, 0.09, 0.063,
    0.045, 0.032,
)  # fmt: skip
TOP, OPENING, SETTING, GAP = 0.1, 0.02, 0.006, 0.0002
P80, SLOPE, HEAVIES = 0.06, 0.7, 0.04
QUARTZ, PYRITE, GOLD, SILVER = 2650.0, 5000.0, 19300.0, 10490.0
SEES, CARE = 0.0003, 0.8
PAN_MAX, PAN_D50, PAN_M, PAN_HEAVY, PAN_LIGHT = 0.98, 60e-6, 2.0, 0.5, 0.01
GOLD_SOAKED, SILVER_SOAKED = 0.0043, 0.0173
TILTS_ABOVE = 0.001


@dataclass(frozen=True)
class Classes:
    """Size classes from the top down; the last holds all that passes the finest edge."""

    upper: np.ndarray

    @classmethod
    def to_screen(cls) -> Classes:
        """Return the classes of the bench: the series below the top, with the screen's opening."""
        return cls(np.array(sorted({TOP, OPENING, *(mm / 1000 for mm in SERIES)}, reverse=True)))

    @property
    def size(self) -> np.ndarray:
        return np.sqrt(self.upper * np.append(self.upper[1:], self.upper[-1] / 2))

    @property
    def coarse(self) -> np.ndarray:
        """Which classes lie above the screen's opening."""
        return np.append(self.upper[1:], 0.0) >= OPENING * (1 - 1e-9)


def rock_shares(classes: Classes, law: str = "gates") -> np.ndarray:
    """Return the share of the rock in each class, by the law of Gates or that of Rosin and Rammler."""
    if law == "gates":
        passing = np.minimum(1.0, 0.8 * (classes.upper / P80) ** SLOPE)
    else:
        passing = 1 - np.exp(-math.log(5) * (classes.upper / P80) ** SLOPE)
    passing[0] = 1.0
    return passing - np.append(passing[1:], 0.0)


def gold_shares(classes: Classes, laws: list[tuple[float, float, float]]) -> np.ndarray:
    """Return the share of the gold in grains of each class; ``laws`` holds (share, d50, log spread), lognormal."""
    total = np.zeros(len(classes.upper))
    for share, d50, spread in laws:
        finer = stats.norm.cdf(np.log(classes.upper / d50) / spread)
        finer[0] = 1.0
        total += share * (finer - np.append(finer[1:], 0.0))
    return total


def grain_mass(size: np.ndarray, fineness: float) -> np.ndarray:
    """Return the fine gold (kg) in one round grain."""
    return math.pi / 6 * size**3 * fineness / (fineness / GOLD + (1 - fineness) / SILVER)


def untouched(classes: Classes, planes: int = 1) -> np.ndarray:
    """Return the chance that a grain in its host touches none of its faces (1: on one side, 2: on both)."""
    ratio = classes.size[:, None] / classes.size[None, :]
    return np.clip(1 - planes / ratio, 0.0, None) ** 3


def broken(classes: Classes, setting: float) -> np.ndarray:
    """Return where a class of the crusher's feed (row) ends (column): a piece is broken until it is not caught."""
    k1, k2, k3, phi, gamma, beta = 0.7, 2.2, 2.3, 0.3, 0.6, 4.0
    upper, count = classes.upper, len(classes.upper)
    caught = 1 - np.clip((k2 * setting - classes.size) / ((k2 - k1) * setting), 0.0, 1.0) ** k3
    caught[-1] = 0.0
    ends = np.zeros((count, count))
    for first in reversed(range(count)):  # what is finer has been dealt with before
        ends[first, first] = 1 - caught[first]
        if caught[first] > 0:
            passing = phi * (upper / upper[first]) ** gamma + (1 - phi) * (upper / upper[first]) ** beta
            into = (passing - np.append(passing[1:], 0.0))[first + 1 :]
            ends[first] += caught[first] * (into / into.sum()) @ ends[first + 1 :]
    return ends


def stays_on_screen(classes: Classes, points: int = 400) -> np.ndarray:
    """Return the chance that each class stays: even in log size within the class, by the midpoint rule."""
    lower = np.append(classes.upper[1:], classes.upper[-1] / 4)
    along = (np.arange(points) + 0.5) / points
    within = lower[:, None] * (classes.upper / lower)[:, None] ** along
    chance = (1 - 0.6 * np.clip(1 - within / OPENING, 0.0, 1.0) ** 2) ** 300
    return np.where(classes.coarse, 1.0, chance.mean(axis=1))


def seen(classes: Classes) -> np.ndarray:
    """Return the chance that a locked grain is seen on its host."""
    return CARE * (1 - untouched(classes, 2)) * (classes.size >= SEES)[None, :]


def pan_keeps(size: np.ndarray, r_max: float, d50: float) -> np.ndarray:
    """Return the share of free gold of each size that a pan keeps."""
    return r_max / (1 + (d50 / size) ** PAN_M)


def pan_keeps_locked(classes: Classes, r_max: float, d50: float) -> np.ndarray:
    """Return the share of locked gold that a pan keeps: by how much of the piece's volume is gold."""
    part = np.minimum(1.0, classes.size[None, :] / classes.size[:, None]) ** 3
    return PAN_LIGHT + part * np.maximum(pan_keeps(classes.size, r_max, d50) - PAN_LIGHT, 0.0)[:, None]


def shifted(share: np.ndarray | float, log_odds: float) -> np.ndarray:
    """Return shares moved by so many log odds; nothing and all stay what they are."""
    lifted = np.asarray(share) * math.exp(log_odds)
    return lifted / (1 - np.asarray(share) + lifted)


def slack_centre(share: np.ndarray, feed: np.ndarray, sd: float) -> float:
    """Return the log odds that keep the mean share over the feed, on average over a slack of that sd, what it was."""
    share, feed = np.broadcast_arrays(share, feed)
    open_ones = (share > 0) & (share < 1) & (feed > 0)
    if sd == 0 or not open_ones.any():
        return 0.0
    share, feed = share[open_ones], feed[open_ones]
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    weights = weights / weights.sum()

    def off(centre: float) -> float:
        mean = sum(w * (feed * shifted(share, centre + sd * z)).sum() for z, w in zip(nodes, weights, strict=True))
        return float(mean / (feed * share).sum() - 1)

    return float(optimize.brentq(off, -2 - sd * sd, 2 + sd * sd, xtol=1e-6))
