"""What is known before anything is weighed: draws of the very priors that the weights later bear upon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.study.posterior.unknowns import SIZE, Unknowns, cluster_law, lying_together, slack_values


@dataclass(frozen=True)
class PriorDraws:
    """D draws of what is unknown of a sheet."""

    #: Numbers, tilts and slacks by name, as ``inputs_with`` takes them, (D,) each.
    values: dict[str, Array]
    #: Grains that lie together, (D,).
    cluster: Array
    #: By how many standard deviations the sizes of grains that nobody told of are off, (D,); None where they are told.
    off: Array | None

    @property
    def exact(self) -> bool:
        """Whether nothing at all is in doubt, so that one draw tells what all do."""
        parts = [*self.values.values(), self.cluster, *([self.off] if self.off is not None else [])]
        return all(float(np.ptp(part)) == 0 for part in parts)


def prior(model: Model, draws: int, seed: int) -> PriorDraws:
    """Return draws of a sheet's unknowns: each by its own law, all independent.

    Each coordinate goes through its law in as many equal steps, in an order of its own, so that means of the draws are
    those of the laws. Source: M. D. McKay, R. J. Beckman & W. J. Conover, A Comparison of Three Methods for Selecting
    Values of Input Variables, Technometrics 21 (1979), 239.
    """
    from statistics import NormalDist

    unknowns = Unknowns.of(model, weighs_gold=False)
    rng, law = np.random.default_rng(seed), NormalDist()
    middles = np.array([law.inv_cdf((i + 0.5) / draws) for i in range(draws)])
    z = (
        np.stack([rng.permutation(middles) for _ in unknowns.names], axis=-1)
        if unknowns.names
        else np.zeros((draws, 0))
    )
    drawn = unknowns.drawn(z)
    values = {**drawn.values, **slack_values(model, {at: one.delta for at, one in drawn.slack.items()}, draws)}
    numbers, chances = cluster_law(model.sheet)
    at = np.searchsorted(np.cumsum(chances)[:-1], (np.arange(draws) + 0.5) / draws, side="right")
    cluster = rng.permutation(np.asarray(numbers)[at])
    off = z[:, unknowns.names.index(SIZE)] if not model.grains_known else None
    # Those who look rocks over see grains that lie together as one.
    return PriorDraws({**values, **lying_together(model, cluster)}, cluster, off)
