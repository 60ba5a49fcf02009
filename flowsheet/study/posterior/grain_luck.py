"""The luck of grains in several weighed ends at once: how likely the weights are, and what the sack then held.

Clusters of grains are Poisson by size, and each goes its own way: the clusters of class j that take way g number
λ_gj on average, and lots of different ways are independent. What was weighed is y = Σ_gj B_kg m_j n_gj + error, whose
cumulants are K(t) = Σ_gj λ_gj (exp(m_j (Bᵀt)_g) - 1) + ½ tᵀΣt. Its density is taken by the saddlepoint,
exp(K(t̂) - t̂·y) / √((2π)^k |K''(t̂)|) with K'(t̂) = y. Source: H. E. Daniels, Saddlepoint Approximations in
Statistics, Ann. Math. Statist. 25 (1954), 631.

Arrays: draws D, ways G, grain classes J, weights k.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array, Mask

TURNS = 60
SETTLED = 1e-9
MOST = 600.0
"""Exponents above this would overflow; the search never needs them."""
MANY = 12.0
"""Clusters of a class above this number are drawn as a normal amount."""
TRIES = 24
"""Sets of counts drawn for each draw, of which one is taken by how well it fits what was weighed."""
SWEEPS = 4
WITHIN = 0.3
"""Relative spread of the mass of a cluster within its size class (a class of R20/3 spans a factor of 2.8 in mass)."""


@dataclass(frozen=True)
class Saddle:
    """The saddlepoint of each draw: log density of what was weighed (D,), and its tilt (D, k)."""

    log_density: Array
    tilt: Array


RARE = 0.1
"""The coarsest classes, of which fewer clusters than this are expected together, are taken to be absent."""


def likely(expected: Array) -> tuple[Array, Array]:
    """Return the clusters (D, G, J) without those so rare that there are none, and how many those were (D,).

    A cluster that hardly ever comes would widen the law far beyond what it is without it.
    """
    number = np.cumsum(expected.sum(axis=1), axis=-1)  # classes run from coarse to fine
    found = np.where((number < RARE)[:, None, :], 0.0, expected)
    return found, np.asarray((expected - found).sum(axis=(1, 2)))


def saddlepoint(expected: Array, mass: Array, ways: Array, found: Array, noise: Array) -> Saddle:
    """Return how likely ``found`` is.

    ``expected`` (D, G, J): clusters; ``mass`` (D, J): gold of one, kg; ``ways`` (D, k, G): what a kg by way g adds to
    weight k; ``found`` (D, k) and ``noise`` (D, k): the weights and the sd of their errors.
    """
    draws, k = found.shape
    some = expected.max(axis=(0, 1)) > 0
    expected, mass = expected[..., some], mass[:, some]
    tilt = np.zeros((draws, k))
    value, slope, bend = _cumulants(tilt, expected, mass, ways, noise)
    worth = value - (tilt * found).sum(axis=-1)
    for _ in range(TURNS):
        gap = found - slope
        step = np.linalg.solve(bend, gap[..., None])[..., 0]
        decrement = (gap * step).sum(axis=-1)
        if np.all(decrement < SETTLED):
            break
        pace = np.ones(draws)
        for _ in range(40):
            new = tilt + pace[:, None] * step
            v, s, b = _cumulants(new, expected, mass, ways, noise)
            w = v - (new * found).sum(axis=-1)
            worse = ~(w <= worth - 1e-4 * pace * decrement + 1e-12 * np.abs(worth)) & (decrement >= SETTLED)
            if not worse.any():
                break
            pace = np.where(worse, pace / 2, pace)
        tilt, slope, bend, worth = new, s, b, w
    log_det = np.linalg.slogdet(bend)[1]
    return Saddle(np.asarray(worth - 0.5 * log_det - 0.5 * k * np.log(2 * np.pi)), tilt)


def _cumulants(tilt: Array, expected: Array, mass: Array, ways: Array, noise: Array) -> tuple[Array, Array, Array]:
    """Return K (D,), K' (D, k) and K'' (D, k, k) at ``tilt``."""
    by_way = np.einsum("dk,dkg->dg", tilt, ways)
    power = by_way[..., None] * mass[:, None, :]
    grown = expected * np.exp(np.minimum(power, MOST))
    value = (grown - expected).sum(axis=(-2, -1)) + 0.5 * ((noise * tilt) ** 2).sum(axis=-1)
    first = (grown * mass[:, None, :]).sum(axis=-1)
    second = (grown * mass[:, None, :] ** 2).sum(axis=-1)
    slope = np.einsum("dkg,dg->dk", ways, first) + noise**2 * tilt
    bend = np.einsum("dkg,dg,dlg->dkl", ways, second, ways)
    i = np.arange(tilt.shape[-1])
    bend[:, i, i] += noise**2
    return value, slope, bend


def draw_amounts(
    expected: Array, mass: Array, ways: Array, found: Array, noise: Array, tilt: Array, rng: np.random.Generator
) -> Array:
    """Draw the gold of each way and class, (D, G, J) kg, given what was weighed: ways that no weight joins apart.

    Counts are drawn from the tilted law; classes of many clusters are normal amounts, regressed exactly on what
    the coarse ones leave of the weights; among several sets of coarse counts one is taken by how likely that is.
    """
    found_all = np.zeros_like(expected)
    touches = np.asarray((ways > 0).any(axis=0))  # (k, G)
    parts = _joined(touches)
    for ks, gs in parts:
        one = (expected[:, gs], mass, ways[:, ks][:, :, gs], found[:, ks], noise[:, ks], tilt[:, ks], rng)
        found_all[:, gs] = _draw_part(*one)
    return found_all


def _joined(touches: Mask) -> list[tuple[list[int], list[int]]]:
    """Part weights (k) and ways (G) into groups that no weight joins."""
    groups: list[tuple[set[int], set[int]]] = []
    for k, row in enumerate(touches):
        mine = ({k}, set(np.flatnonzero(row).tolist()))
        for other in [g for g in groups if g[1] & mine[1]]:
            groups.remove(other)
            mine = (mine[0] | other[0], mine[1] | other[1])
        groups.append(mine)
    free = sorted(set(range(touches.shape[1])).difference(*(g for _, g in groups)))
    found = [(sorted(ks), sorted(gs)) for ks, gs in groups]
    return [*found, ([], free)] if free else found


def _draw_part(
    expected: Array, mass: Array, ways: Array, found: Array, noise: Array, tilt: Array, rng: np.random.Generator
) -> Array:
    draws, _, _ = expected.shape
    if not ways.shape[1]:
        lam = np.minimum(expected, 1e15)
        return np.asarray(rng.poisson(lam) * mass[:, None, :])
    by_way = np.einsum("dk,dkg->dg", tilt, ways)
    grown = expected * np.exp(np.minimum(by_way[..., None] * mass[:, None, :], MOST))
    fine = grown > MANY
    mean = np.where(fine, grown, 0.0) * mass[:, None, :]
    variance = mean * mass[:, None, :]
    coarse = np.where(fine, 0.0, grown)
    some = coarse.max(axis=(0, 1)) > 0
    count = np.zeros((TRIES, *coarse.shape))
    count[..., some] = rng.poisson(coarse[..., some], (TRIES, *coarse[..., some].shape))
    amount = count * mass[:, None, :]
    # A cluster's mass within its class: the lattice of class masses must not matter.
    own = WITHIN**2 * count * mass[:, None, :] ** 2
    total_var = (variance[None] + own).sum(axis=-1)  # (T, D, G)
    middle = np.einsum("dkg,tdg->tdk", ways, (amount + mean[None]).sum(axis=-1))
    cover = np.einsum("dkg,tdg,dlg->tdkl", ways, total_var, ways)
    i = np.arange(found.shape[-1])
    cover[..., i, i] += noise**2
    # Under the tilted law the error of weighing has mean Σ t.
    left = found - middle - noise**2 * tilt
    solved = np.linalg.solve(cover, left[..., None])[..., 0]
    log_weight = -0.5 * (left * solved).sum(axis=-1) - 0.5 * np.linalg.slogdet(cover)[1]
    log_weight -= log_weight.max(axis=0)
    pick = (np.cumsum(np.exp(log_weight), axis=0) / np.exp(log_weight).sum(axis=0) < rng.random(draws)).sum(axis=0)
    at = (np.minimum(pick, TRIES - 1), np.arange(draws))
    amount, own, cover, middle = amount[at], own[at], cover[at], middle[at]
    # Normal parts, free, then moved by what the weights then still lack (exact for normal laws).
    spread = np.sqrt(variance + own)
    free = rng.standard_normal(spread.shape) * spread
    error = rng.standard_normal(found.shape) * noise
    lack = found - noise**2 * tilt - middle - np.einsum("dkg,dg->dk", ways, free.sum(axis=-1)) - error
    pull = np.linalg.solve(cover, lack[..., None])[..., 0]
    moved = np.einsum("dk,dkg->dg", pull, ways)[..., None] * spread**2
    whole = amount + mean + free + moved
    wanted = np.maximum(np.einsum("dkg,dg->dk", ways, whole.sum(axis=-1)), 1e-12)
    found_amounts = np.maximum(whole, 0.0)
    # What was below nothing is nothing: the rest is scaled so that the weights still hold.
    for _ in range(SWEEPS):
        for k in range(wanted.shape[1]):
            got = np.einsum("dg,dg->d", ways[:, k], found_amounts.sum(axis=-1))
            factor = np.where(got > 0, wanted[:, k] / np.maximum(got, 1e-300), 1.0)
            found_amounts *= np.where(ways[:, k] > 0, factor[:, None], 1.0)[..., None]
    return np.asarray(found_amounts)
