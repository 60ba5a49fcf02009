"""Slack: how far a step's real shares lie from those of its model, in log odds, one for all its size classes.

A share p_o of rock, or of gold, to outlet o becomes p_o e^δ_o / Σ p e^δ: it stays in [0, 1], the balance holds by
construction, and a linear step stays linear. A discrepancy of its own for each model: M. C. Kennedy & A. O'Hagan,
Bayesian calibration of computer models, J. R. Statist. Soc. B 63 (2001), 425.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array, Draws
from flowsheet.ore.material import some
from flowsheet.steps.base import Operator, Shares

ROCK, GOLD = "rock", "gold"


@dataclass(frozen=True)
class Deltas:
    """One step's δ by outlet, () or (D,) each; of rock, and of gold. An outlet that is not named has none."""

    rock: Mapping[str, Array] = field(default_factory=dict)
    gold: Mapping[str, Array] = field(default_factory=dict)

    def part(self, draws: Draws) -> Deltas:
        """Return some of the draws."""
        return Deltas(*({o: some(np.asarray(d), draws, 0) for o, d in side.items()} for side in (self.rock, self.gold)))


def slackened(operator: Operator, deltas: Deltas) -> Operator:
    """Return the operator with its shares moved by ``deltas``; all gold moves alike, free and locked."""
    if not deltas.rock and not deltas.gold:
        return operator
    outlets = list(operator.shares)
    rock = [_grown(deltas.rock, outlet) for outlet in outlets]
    gold = [_grown(deltas.gold, outlet) for outlet in outlets]
    return moved(operator, rock if deltas.rock else None, gold if deltas.gold else None)


def moved(operator: Operator, rock: Sequence[Array] | None, gold: Sequence[Array] | None) -> Operator:
    """Return the operator with the shares of rock and of gold times e^δ of each outlet, () or (D,), made one again."""
    shares = list(operator.shares.values())
    light, heavy = ([getattr(one, part) for one in shares] for part in ("light", "heavy"))
    free, locked = ([getattr(one, part) for one in shares] for part in ("free", "locked"))
    if rock is not None:
        light, heavy = _made_one(light, rock, 1), _made_one(heavy, rock, 1)
    if gold is not None:
        free, locked = _made_one(free, gold, 1), _made_one(locked, gold, 2)
    parts = zip(operator.shares, light, heavy, free, locked, strict=True)
    return Operator({outlet: Shares(*four) for outlet, *four in parts}, operator.breakage, operator.then)


def _grown(deltas: Mapping[str, Array], outlet: str) -> Array:
    return np.asarray(np.exp(np.asarray(deltas.get(outlet, 0.0))))


def _made_one(shares: Sequence[Array], grow: Sequence[Array], axes: int) -> list[Array]:
    """Weigh shares, (..., ``axes`` of sizes), by ``grow``; where no outlet gets anything, nothing changes."""
    grown = [share * factor[(..., *[None] * axes)] for share, factor in zip(shares, grow, strict=True)]
    total = sum(grown[1:], grown[0])
    if total.min() > 0:
        return [np.asarray(one / total) for one in grown]
    some = total > 0
    safe = np.where(some, total, 1.0)
    return [np.asarray(np.where(some, one / safe, old)) for one, old in zip(grown, shares, strict=True)]
