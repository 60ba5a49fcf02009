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
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from flowsheet.ore.arrays import Array, Mask
from flowsheet.study.posterior.exact_luck import log_density_at_mean

TURNS = 60
SETTLED = 1e-9
STILL = 1e-24
"""A step that wins less than this is no step: what it would change is rounding."""
HOPELESS = 25.0
"""Draws that are less likely than the best by so much in their logarithm do not count."""
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


AT_MOST = 6.0
"""No error of weighing is larger than so many standard deviations."""
RARE = 0.1
"""The coarsest classes, of which fewer clusters than this are expected together, are taken to be absent."""


def likely(expected: Array, rare: float = RARE) -> tuple[Array, Array]:
    """Return the clusters (D, G, J) without those so rare that there are none, and how many those were (D,).

    A cluster that hardly ever comes would widen the law far beyond what it is without it.
    """
    number = np.cumsum(expected.sum(axis=1), axis=-1)  # classes run from coarse to fine
    found = np.where((number < rare)[:, None, :], 0.0, expected)
    return found, np.asarray((expected - found).sum(axis=(1, 2)))


def possible(expected: Array, mass: Array, ways: Array, found: Array, noise: Array) -> tuple[Array, Array]:
    """Return the clusters (D, G, J) without those heavier than what was weighed of them, and how many those were (D,).

    Arrays as ``saddlepoint`` takes them.
    """
    sees = ways != 0
    most = np.where(sees, (found + AT_MOST * noise)[..., None] / np.where(sees, ways, 1.0), np.inf).min(
        axis=1, initial=np.inf
    )
    light = (1 - 2 * WITHIN) * mass[:, None] <= most[..., None]
    return np.where(light, expected, 0.0), np.asarray(np.where(light, 0.0, expected).sum(axis=(1, 2)))


def saddlepoint(expected: Array, mass: Array, ways: Array, found: Array, noise: Array) -> Saddle:
    """Return how likely ``found`` is.

    ``expected`` (D, G, J): clusters; ``mass`` (D, J): gold of one, kg; ``ways`` (D, k, G): what a kg by way g adds to
    weight k; ``found`` (D, k) and ``noise`` (D, k): the weights and the sd of their errors.
    """
    draws, k = found.shape
    if not k:
        return Saddle(np.zeros(draws), np.zeros((draws, 0)))
    some = expected.max(axis=(0, 1)) > 0
    law = _Law(expected[..., some], mass[:, some], ways, noise)
    tilt, at = np.zeros((draws, k)), np.arange(draws)
    value, slope, bend = law.cumulants(tilt)
    worth = value - (tilt * found).sum(axis=-1)
    step, decrement = np.zeros((draws, k)), np.zeros(draws)
    for _ in range(TURNS):
        gap = found[at] - slope[at]
        step[at] = _solved(bend[at], gap)
        decrement[at] = (gap * step[at]).sum(axis=-1)
        if np.all(decrement < SETTLED):
            break
        at = at[decrement[at] >= STILL]
        pace, tried = np.ones(draws), at
        begun, before = tilt.copy(), worth.copy()
        for _ in range(40):
            tilt[tried] = begun[tried] + pace[tried, None] * step[tried]
            value[tried], slope[tried], bend[tried] = law.of(tried).cumulants(tilt[tried])
            worth[tried] = value[tried] - (tilt[tried] * found[tried]).sum(axis=-1)
            enough = before - 1e-4 * pace * decrement + 1e-12 * np.abs(before)
            tried = tried[~(worth[tried] <= enough[tried]) & (decrement[tried] >= SETTLED)]
            if not len(tried):
                break
            pace[tried] /= 2
    if law.each_alone:
        return Saddle(np.asarray(worth + law.at_mean(tilt, worth > worth.max() - HOPELESS)), tilt)
    log_det = np.log(bend).sum(axis=-1) if law.apart else np.linalg.slogdet(bend)[1]
    return Saddle(np.asarray(worth - 0.5 * log_det - 0.5 * k * np.log(2 * np.pi)), tilt)


def each_alone(ways: Array) -> bool:
    """Whether each weight sees one way alone, (D, k, G), so that its law can be told exactly."""
    sees = (ways != 0).any(axis=0)
    return bool((sees.sum(axis=0) <= 1).all() and (sees.sum(axis=1) == 1).all())


def _solved(bend: Array, gap: Array) -> Array:
    """Return K''⁻¹ times ``gap`` (D, k), of K'' (D, k, k) or of its diagonal (D, k)."""
    return np.asarray(gap / bend if bend.ndim == gap.ndim else np.linalg.solve(bend, gap[..., None])[..., 0])


@dataclass(frozen=True)
class _Law:
    """The arrays of ``saddlepoint``, and the cumulants of what they say will be weighed."""

    expected: Array
    mass: Array
    ways: Array
    noise: Array

    @cached_property
    def apart(self) -> bool:
        """Whether no way is seen by two weights: K'' then is a diagonal, and nothing else of it is worked out."""
        return bool((self.ways != 0).any(axis=0).sum(axis=0).max(initial=0) <= 1)

    @cached_property
    def each_alone(self) -> bool:
        """Whether each weight sees one way alone."""
        return each_alone(self.ways)

    def at_mean(self, tilt: Array, counts: Mask) -> Array:
        """Return the log density (D,) of what was weighed, under laws tilted by ``tilt`` (D, k): it is their mean."""
        total = np.zeros(len(tilt))
        for k in range(tilt.shape[-1]):
            way = int(np.flatnonzero((self.ways[:, k] != 0).any(axis=0))[0])
            mass = self.ways[:, k, way, None] * self.mass
            number = self.expected[:, way] * np.exp(np.minimum(tilt[:, k, None] * mass, MOST))
            total = total + log_density_at_mean(number, mass, self.noise[:, k], WITHIN, counts)
        return total

    @cached_property
    def plain(self) -> list[tuple[Array, Array]]:
        """For the mass of a cluster and its square: what is expected of it by way (D, G), and itself (D, J)."""
        return [((self.expected @ power[..., None])[..., 0], power) for power in (self.mass, self.mass**2)]

    def of(self, draws: NDArray[np.intp]) -> _Law:
        """Return the law of some draws."""
        if len(draws) == len(self.noise):
            return self
        one = _Law(self.expected[draws], self.mass[draws], self.ways[draws], self.noise[draws])
        vars(one).update(apart=self.apart, plain=[(plain[draws], power[draws]) for plain, power in self.plain])
        return one

    def cumulants(self, tilt: Array) -> tuple[Array, Array, Array]:
        """Return K (D,), K' (D, k) and K'' (D, k, k) at ``tilt``; of K'' its diagonal (D, k) where it has no more."""
        grown = (tilt[:, None] @ self.ways)[:, 0, :, None] * self.mass[:, None]
        np.expm1(np.minimum(grown, MOST, out=grown), out=grown)
        grown *= self.expected
        value = grown.sum(axis=(-2, -1)) + 0.5 * ((self.noise * tilt) ** 2).sum(axis=-1)
        first, second = (plain + (grown @ power[..., None])[..., 0] for plain, power in self.plain)
        slope = (self.ways @ first[..., None])[..., 0] + self.noise**2 * tilt
        if self.apart:
            return value, slope, (self.ways**2 @ second[..., None])[..., 0] + self.noise**2
        bend = (self.ways * second[:, None]) @ self.ways.swapaxes(-1, -2)
        i = np.arange(tilt.shape[-1])
        bend[:, i, i] += self.noise**2
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
    some = np.nonzero(coarse)
    count = rng.poisson(coarse[some], (TRIES, len(some[0])))
    # A cluster's mass within its class: the lattice of class masses must not matter.
    one = mass[some[0], some[2]]
    drawn_mass, its_square = (_by_way(count * power, some, coarse.shape) for power in (one, one**2))
    total_var = variance.sum(axis=-1) + WITHIN**2 * its_square  # (T, D, G)
    middle = np.einsum("dkg,tdg->tdk", ways, drawn_mass + mean.sum(axis=-1))
    cover = np.einsum("dkg,tdg,dlg->tdkl", ways, total_var, ways)
    i = np.arange(found.shape[-1])
    cover[..., i, i] += noise**2
    # Under the tilted law the error of weighing has mean Σ t.
    left = found - middle - noise**2 * tilt
    if found.shape[-1] == 1:
        solved, log_det = left / cover[..., 0], np.log(cover[..., 0, 0])
    else:
        solved, log_det = np.linalg.solve(cover, left[..., None])[..., 0], np.linalg.slogdet(cover)[1]
    log_weight = -0.5 * (left * solved).sum(axis=-1) - 0.5 * log_det
    weight = np.exp(log_weight - log_weight.max(axis=0))
    pick = (np.cumsum(weight, axis=0) / weight.sum(axis=0) < rng.random(draws)).sum(axis=0)
    at = (np.minimum(pick, TRIES - 1), np.arange(draws))
    amount, cover, middle = np.zeros_like(coarse), cover[at], middle[at]
    amount[some] = count[at[0][some[0]], np.arange(len(one))] * one
    own = WITHIN**2 * amount * mass[:, None]
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


def _by_way(amounts: Array, at: tuple[NDArray[np.intp], ...], shape: tuple[int, ...]) -> Array:
    """Return the sums over classes of ``amounts`` (T, n) that lie ``at`` (draw, way, class), rising, (T, D, G)."""
    draws, ways, _ = shape
    place = at[0] * ways + at[1]
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    found = np.zeros((len(amounts), draws * ways))
    if len(starts):
        found[:, place[starts]] = np.add.reduceat(amounts, starts, axis=1)
    return found.reshape(len(amounts), draws, ways)
