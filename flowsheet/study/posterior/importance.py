"""Draws of unknowns in a few rounds of importance sampling, each proposing from what the last ones have found.

Proposals are Student's t about the mean of what was found, all rounds counted as one mixture. Source: J.-M. Cornuet
et al., Adaptive Multiple Importance Sampling, Scand. J. Statist. 39 (2012), 798.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array

DEGREES = 12.0
ROUNDS = (300, 300, 400, 500)
ENOUGH, MORE, MOST_MORE = 200.0, 600, 4
"""Where fewer draws than these count, rounds of so many more are added, at most so many."""


@dataclass(frozen=True)
class Sampled:
    """Draws z (n, K) with the cluster of each (n,) and weights that make one; how many equal ones they are worth."""

    z: Array
    cluster: Array
    weights: Array
    effective: float


def sampled(
    log_density: Callable[[Array, Array], Array],
    mode: Array,
    bend: Array,
    clusters: tuple[Sequence[float], Sequence[float]],
    rng: np.random.Generator,
) -> Sampled:
    """Sample ``log_density`` (z (n, K), clusters (n,)) → (n,), of which clusters are drawn from their own chances."""
    k = len(mode)
    centre, spread = mode, np.linalg.inv(bend)
    mixture: list[tuple[Array, Array, int]] = []
    z, cluster, log_p = np.zeros((0, k)), np.zeros(0), np.zeros(0)
    weights, effective = np.ones(0), 0.0
    for i, count in enumerate([*ROUNDS, *[MORE] * MOST_MORE]):
        if i >= len(ROUNDS) and effective >= ENOUGH:
            break
        root = np.linalg.cholesky(spread)
        mixture.append((centre, root, count))
        wide = np.sqrt(rng.chisquare(DEGREES, count) / DEGREES)
        new = centre + (rng.standard_normal((count, k)) @ root.T) / wide[:, None]
        many = rng.choice(np.asarray(clusters[0]), count, p=np.asarray(clusters[1]))
        z, cluster = np.concatenate([z, new]), np.concatenate([cluster, many])
        log_p = np.concatenate([log_p, log_density(new, many)])
        log_w = log_p - _log_mixture(z, mixture)
        weights = np.exp(log_w - log_w.max())
        weights = weights / weights.sum()
        effective = float(1 / (weights**2).sum())
        tempered = _tempered(log_w, max(2.0 * k, 40.0))
        centre = tempered @ z
        off, near = z - centre, float(1 / (tempered**2).sum())
        # A covariance of few draws is unsure: the last one counts as 2 k of them.
        share = near / (near + 2 * k)
        spread = share * (off * tempered[:, None]).T @ off + (1 - share) * spread
    return Sampled(z, cluster, weights, effective)


def resampled(weights: Array, count: int, rng: np.random.Generator) -> Array:
    """Return ``count`` places drawn evenly by their weights, shuffled."""
    at = np.searchsorted(np.cumsum(weights), (np.arange(count) + rng.random()) / count)
    return np.asarray(rng.permutation(np.minimum(at, len(weights) - 1)))


def _tempered(log_w: Array, least: float) -> Array:
    """Return weights raised to the highest power (at most one) by which ``least`` draws count."""
    least = min(least, 0.5 * len(log_w))

    def raised(power: float) -> Array:
        found = np.exp(power * (log_w - log_w.max()))
        return np.asarray(found / found.sum())

    low, high = 0.0, 1.0
    if 1 / (raised(1.0) ** 2).sum() >= least:
        return raised(1.0)
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if 1 / (raised(middle) ** 2).sum() > least else (low, middle)
    return raised(low)


def _log_mixture(z: Array, mixture: Sequence[tuple[Array, Array, int]]) -> Array:
    total, k = sum(count for _, _, count in mixture), z.shape[1]
    logs = []
    for centre, root, count in mixture:
        distance = (np.linalg.solve(root, (z - centre).T) ** 2).sum(axis=0)
        scale = np.log(np.diag(root)).sum()
        logs.append(-scale - (DEGREES + k) / 2 * np.log1p(distance / DEGREES) + np.log(count / total))
    most = np.max(logs, axis=0)
    return np.asarray(most + np.log(np.exp(np.stack(logs) - most).sum(axis=0)))
