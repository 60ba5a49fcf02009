"""How likely one weight is, exactly: the law of clustered grains turned back from its characteristic function.

The saddlepoint is off where a few grains, or one that seldom comes, make up what was weighed. Under the law that is
tilted so that its mean is what was read (L_j = λ_j exp(t m_j) clusters of m_j each, error σ), the density is

    (1/π) ∫ Re exp(Σ_j L_j (exp(i u m_j - ½ (w u m_j)²) - 1 - i u m_j) - ½ σ² u²) du,  u from 0 on,

with w the relative spread of masses within a class. Classes of many clusters are normal and count with σ. A sum over
even steps of u is as good as the integral where the steps are finer than 2π over the width of the law.
Source: J. Abate & W. Whitt, The Fourier-series method for inverting transforms of probability distributions, Queueing
Systems 10 (1992), 5.
"""

from __future__ import annotations

import numpy as np

from flowsheet.ore.arrays import Array, Mask

BENT = 0.1
"""Where the saddlepoint's second term is below this, the two together are within about its square."""
MANY = 20.0
"""Clusters of a class above this number are as good as normal."""
REACH, SIDES = 5.0, 6.0
"""Standard deviations to which the normal part is followed in u, and the law itself beyond its mean."""
MOST = 400
"""Steps of the sum: above, the normal part is taken to be a little wider than it is."""
LEAST = 3e-4
"""Clusters that are fewer than this are taken to be absent."""
GROUPS = (24, 48, 96, 192, MOST)
"""Draws are summed together by how many steps they need."""
LOWEST = 1e-4
"""No density is told below this part of that of a normal law: there the sum has nothing but rounding."""


def log_density_at_mean(number: Array, mass: Array, noise: Array, within: float, counts: Mask) -> Array:
    """Return the log density (D,) of the mean of a law of ``number`` (D, J) clusters of ``mass`` (D, J) kg.

    ``noise`` (D,): sd of the error of weighing; ``within``: relative spread of the mass of a cluster in its class.
    ``counts`` (D,): which draws count; of the others the saddlepoint will do.
    """
    second = (number * mass**2).sum(axis=-1) + noise**2
    scaled = mass / np.sqrt(second)[:, None]
    third, fourth = ((number * scaled**n).sum(axis=-1) for n in (3, 4))
    # The saddlepoint's next term: where it is small, so is all that follows.
    bent = fourth / 8 - 5 * third**2 / 24
    found = np.log1p(np.clip(bent, -0.5, 0.5)) - 0.5 * np.log(2 * np.pi * second)
    at = np.flatnonzero((np.abs(bent) > BENT) & counts)
    if len(at):
        found[at] = _inverted(number[at], mass[at], noise[at], within)
    return np.asarray(found)


def _inverted(number: Array, mass: Array, noise: Array, within: float) -> Array:
    many = number > MANY
    variance = noise**2 + (np.where(many, number, 0.0) * mass**2).sum(axis=-1) * (1 + within**2)
    few = np.where(many | (number < LEAST), 0.0, number)
    some = few.max(axis=0, initial=0.0) > 0
    few, grain = few[:, some], mass[:, some]
    spread = np.sqrt((few * grain**2).sum(axis=-1) * (1 + within**2) + variance)
    largest = grain.max(axis=-1, initial=0.0, where=few > 0)
    # No wave is longer than the law is wide: what lies below the mean, and what may lie above it.
    wide = (few * grain).sum(axis=-1) + SIDES * spread + largest
    normal = np.maximum(np.sqrt(variance), REACH * wide / (2 * np.pi * MOST))
    wanted = REACH * wide / (2 * np.pi * normal)
    density = np.zeros(len(number))
    for least, steps in zip((0, *GROUPS), GROUPS, strict=False):
        at = np.flatnonzero((wanted > least) & (wanted <= steps * (1 + 1e-9)))
        if len(at):
            density[at] = _summed(few[at], grain[at], normal[at], within, steps)
    return np.asarray(np.log(np.maximum(density, LOWEST / spread)))


def _summed(number: Array, mass: Array, normal: Array, within: float, steps: int) -> Array:
    """Return the density (D,) by a sum of so many even steps of u."""
    reach = REACH / normal
    along = np.arange(steps + 1) / steps
    # Half the digits are enough, and four times as fast: at the mean no density is small beside its waves.
    damped = np.broadcast_to(-0.5 * (REACH * along) ** 2, (len(number), steps + 1)).astype(np.float32)
    phase = np.zeros_like(damped)
    many, turns = number.astype(np.float32), (mass * reach[:, None]).astype(np.float32)
    for j in np.flatnonzero(number.max(axis=0, initial=0.0)):
        turn = along.astype(np.float32) * turns[:, j, None]
        left = np.exp(np.float32(-0.5 * within**2) * turn * turn)
        damped += many[:, j, None] * (left * np.cos(turn) - 1)
        phase += many[:, j, None] * (left * np.sin(turn) - turn)
    waves = np.exp(damped) * np.cos(phase)
    waves[:, 0] /= 2
    return np.asarray(waves.sum(axis=-1, dtype=float) * reach / (steps * np.pi))
