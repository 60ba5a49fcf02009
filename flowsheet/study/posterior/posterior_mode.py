"""Where the posterior is highest, and its curvature there: Gauss-Newton with all derivatives from one batched solve."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.study.posterior.evidence import Sampled, TestEvidence, together
from flowsheet.study.posterior.forward import Expected, expected
from flowsheet.study.posterior.grain_luck import likely
from flowsheet.study.posterior.unknowns import Unknowns

STARTS = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Grades, in scales of their law, at which the search is tried."""
STEP = 1e-3
TURNS = 15
DAMPED = (0.0, 0.1, 1.0, 10.0)
BETTER, RIDGE = 1e-4, 1e-7
OFTEN = 1.0
"""The search leaves out grains of which an assay's sample is likely to hold fewer than this: most hold none."""
LEAST_LUCK = 1e-15
"""Gold (kg) in a cluster below which luck is none."""


@dataclass
class Search:
    """Residuals of weights and prior in standard deviations, and where their squares are least."""

    unknowns: Unknowns
    tests: tuple[TestEvidence, ...]
    #: Clusters that stand for all in the search.
    cluster: float
    #: Openings (m), falling, at which the feed is parted where weights tell of gold on the way to an end.
    openings: tuple[float, ...] = ()
    plain: dict[tuple[str, str], Array] = field(default_factory=dict)

    def residuals(self, z: Array) -> Array:
        """Return all residuals at ``z`` (D, K), (D, M)."""
        e = expected(self.unknowns, z, self.plain, self.openings)
        parts = [z[:, self.unknowns.own_prior]]
        parts += [np.broadcast_to(rows, (len(z), rows.shape[-1])) for rows in e.solver.rows.values()]
        for test in self.tests:
            parts.append(test.rock(e, self.unknowns.model))
            if test.weighs_gold:
                parts.append(self._gold(test, e))
                parts += [self._assay(one, e) for one in test.assays(e, self.unknowns.model)]
        return np.concatenate(parts, axis=-1)

    def _gold(self, test: TestEvidence, e: Expected) -> Array:
        """Return the residuals of gold on a scale on which luck and weighing together have a variance of one."""
        told = together(test.gold(e, self.unknowns.model))
        mass = self.cluster * e.grain
        by_way = likely(told.by_way / mass[:, None, :])[0] * mass[:, None, :]
        mean = np.einsum("dkg,dgj->dk", told.weigh, by_way)
        heavy = np.einsum("dkg,dgj,dj->dk", told.weigh**2, by_way, mass) / np.maximum(mean, 1e-300)
        return _off(mean, heavy, told.found, told.noise)

    def _assay(self, one: Sampled, e: Expected) -> Array:
        """Return the residual of an assay, of the grains that its sample is likely to hold."""
        often = likely(one.expected, OFTEN)[0][:, 0] * e.grain
        mean = often.sum(axis=-1)
        heavy = (often * e.grain).sum(axis=-1) / np.maximum(mean, 1e-300)
        return _off(mean[:, None], heavy[:, None], one.found, one.noise)

    def mode(self) -> tuple[Array, Array]:
        """Return the mode (K,) and the curvature there (K, K)."""
        k = len(self.unknowns.names)
        z = np.zeros((len(STARTS), k))
        self.residuals(z[:1])  # the plain solve's shares
        z[:, self.unknowns.grade_rows] = np.array(STARTS)[:, None]
        score = (self.residuals(z) ** 2).sum(axis=-1)
        z, best = z[int(np.argmin(score))], float(score.min())
        bend = np.eye(k)
        for _ in range(TURNS):
            rows = self.residuals(np.concatenate([z[None], z + STEP * np.eye(k)]))
            slopes = (rows[1:] - rows[0]).T / STEP
            bend, slope = slopes.T @ slopes + RIDGE * np.eye(k), slopes.T @ rows[0]
            tried = np.stack([z - np.linalg.solve(bend + d * np.diag(np.diag(bend)), slope) for d in DAMPED])
            score = (self.residuals(tried) ** 2).sum(axis=-1)
            i = int(np.argmin(score))
            if not score[i] < best - BETTER:
                break
            best, z = float(score[i]), tried[i]
        return z, bend


def _off(mean: Array, heavy: Array, found: Array, noise: Array) -> Array:
    """Return by how much ``found`` is off ``mean`` for gold in grains of ``heavy`` kg and an error ``noise``."""
    heavy = np.maximum(heavy, LEAST_LUCK)

    def place(amount: Array) -> Array:
        return np.asarray(2 * np.sqrt(heavy * np.maximum(amount, 0.0) + noise**2) / heavy)

    return place(mean) - place(found)
