"""How far the grade that a sample shows may be off: grains and sacks by their own laws, all else by a normal one.

Of n_j grains that a class is expected to hold in the pile each is in what is panned with chance p, and stands for 1/p
grains there. The relative error is then a compound Poisson sum of jumps u_j (1/p - 1) with chance p and -u_j without,
u_j a grain's part of the pile's gold. Few large grains make its tails unlike a normal law's: so many standard
deviations hold more, or less, than that says. Sacks' grades are lognormal, those taken counting for 1/n, and all of
them for 1/N of the pile. The chance of an interval comes from the characteristic function: J. Gil-Pelaez, Note on the
Inversion Theorem, Biometrika 38 (1951).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np

from flowsheet.ore.arrays import Array, bisect
from flowsheet.study.sampling.sampling_variance import Pool, SampleSplit

WIDE = 20.0
"""Errors up to so many standard deviations are told apart; the few beyond count as some within."""
REACH = 7.0
"""The characteristic function is worked out to so many times one over the sd of all that makes it fall."""
MANY = 10.0
"""A class of which so many grains are expected in the sample makes it fall; fewer large ones make it wave."""
LEAST = 0.003
"""No law is taken as sharper."""
NODES, FAINT = 60, 1e-12
"""Of the quadrature over sacks' grades; those of less weight than this are left out."""
TURNS = 40
"""Halvings of the search for the half width."""


class ErrorLaw:
    """The law of the relative error of one way to sample a pile."""

    def __init__(self, pool: Pool, sacks: int, splits: Sequence[SampleSplit]) -> None:
        panned = splits[-1].after if splits else sacks * pool.sack_mass
        normal = pool.measured(panned) + sum(split.variance(split.rock.grouping) for split in splits)
        normal = max(normal, LEAST**2)
        share = panned / pool.mass
        jump, number = _lumps(pool, sacks, splits)
        grains, others = number * jump**2 * (1 / share - 1), normal + pool.at_sacks(sacks)
        falls = others + float(grains[number * share >= MANY].sum())
        self.apart = math.pi / (WIDE * math.sqrt(others + float(grains.sum())))
        self.at: Array = np.asarray((np.arange(math.ceil(REACH / math.sqrt(falls) / self.apart)) + 0.5) * self.apart)
        law = np.exp(_grains(jump, number, share, self.at) - normal * self.at**2 / 2)
        self.law = (law * _sacks(pool, sacks, self.at)).real

    def within(self, half: float) -> float:
        """Return the chance of an error of no more than ± ``half``."""
        return float((self.law * np.sin(half * self.at) / self.at).sum() * self.apart * 2 / math.pi)

    def half_width(self, confidence: float) -> float:
        """Return the ± that the error keeps to with chance ``confidence``."""
        low, high = np.zeros(()), np.asarray(math.pi / self.apart)
        _, high = bisect(low, high, lambda half: np.asarray(self.within(float(half)) >= confidence), TURNS)
        return float(high)


@cache
def _quadrature() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    weights = weights / weights.sum()
    counts = weights > FAINT
    return np.asarray(nodes[counts]), np.asarray(weights[counts] / weights[counts].sum())


def _sacks(pool: Pool, taken: int, at: Array) -> Array:
    """Return the characteristic function, at ``at`` (T,), of which sacks were taken, complex, (T,)."""
    nodes, chance = _quadrature()
    width = math.sqrt(math.log1p(pool.at_sacks(1) / (1 - 1 / pool.sacks))) if pool.sacks > 1 else 0.0
    off = np.expm1(width * nodes - width**2 / 2)
    in_sample = (np.exp(1j * np.outer(at, off * (1 / taken - 1 / pool.sacks))) * chance).sum(axis=1)
    in_rest = (np.exp(-1j * np.outer(at, off / pool.sacks)) * chance).sum(axis=1)
    return np.asarray(in_sample**taken * in_rest ** (pool.sacks - taken))


def _lumps(pool: Pool, sacks: int, splits: Sequence[SampleSplit]) -> tuple[Array, Array]:
    """Return each class's grain as a part of the pile's gold, and how many the pile holds; (J,) of what is there.

    Grains that lie together count as lumps, as large as the stages make them on the average.
    """
    taken, lies = sacks * pool.sack_mass, pool.lies
    panned = splits[-1].after if splits else taken
    lump = lies.lumps
    if panned < pool.mass:
        lump = lump * (1 / taken - 1 / pool.mass)
        lump = lump + sum(split.rock.lumps * (1 / split.after - 1 / split.before) for split in splits)
        lump = lump / (1 / panned - 1 / pool.mass)
    gold = lies.material.gold_by_grain / float(lies.material.gold)
    there = gold > 0
    jump = (lump * pool.grain_mass / (pool.grade * pool.mass))[there]
    return jump, gold[there] / jump


def _grains(jump: Array, number: Array, share: float, at: Array) -> Array:
    """Return the exponent of the grains' characteristic function at ``at`` (T,), complex, (T,)."""
    inside, outside = np.exp(1j * np.outer(at, jump * (1 / share - 1))), np.exp(-1j * np.outer(at, jump))
    # A plain sum: so small a product is not worth a library's threads.
    return np.asarray(((share * inside + (1 - share) * outside - 1) * number).sum(axis=1))
