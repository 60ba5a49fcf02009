"""A solve whose steps have slack: told as δ itself, or as the mean log odds that weights tell of a step.

Where a weight tells how much of its feed a step gives to an outlet, the unknown is the log odds of that mean share and
not δ: the weights then tell it nearly alone, whatever grain sizes or settings are, so that what is known of it is
close to normal. The prior of δ comes with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.loop.stage import Loop
from flowsheet.solve.network import Stage
from flowsheet.solve.propagate import Solver
from flowsheet.solve.slack import GOLD, ROCK, moved
from flowsheet.steps.base import Operator, Shares
from flowsheet.study.posterior.unknowns import Target

TURNS, SETTLED = 8, 1e-10
EDGE = 1e-7
"""Classes of which less than this share goes one way are no part of what slack moves."""
LEAST_BEND = 1e-3


@dataclass
class SlackSolver(Solver):
    """A solve in which weights tell the mean shares of some steps. It keeps each δ of theirs, and the prior of it."""

    slack: Mapping[tuple[str, str], Target] = field(default_factory=dict)
    #: (step, side) → log odds of the plain solve's mean shares, (n,), filled by the first solve.
    plain: dict[tuple[str, str], Array] = field(default_factory=dict)
    deltas: dict[tuple[str, str], Array] = field(default_factory=dict)
    log_prior: Array = field(default_factory=lambda: np.zeros(()))
    #: Residuals of that prior, in standard deviations, (D, n) by side of a step.
    rows: dict[tuple[str, str], Array] = field(default_factory=dict)
    bends: dict[tuple[str, str], Array] = field(default_factory=dict)

    def _operator(self, name: str, feed: Material) -> Operator:
        found = super()._operator(name, feed)
        rock, gold = self.slack.get((name, ROCK)), self.slack.get((name, GOLD))
        if rock is not None or gold is not None:
            broken = feed if found.breakage is None else found.breakage(feed)
            shares = list(found.shares.values())
            grown: list[list[Array] | None] = [None, None]
            if rock is not None:
                amounts = [
                    np.concatenate(_laid(broken.light * one.light, broken.heavy * one.heavy), axis=-1) for one in shares
                ]
                grown[0] = self._grown((name, ROCK), amounts, rock)
            if gold is not None:
                amounts = [
                    np.concatenate(_laid(broken.free * one.free, _locked_by_host(broken, one)), axis=-1)
                    for one in shares
                ]
                grown[1] = self._grown((name, GOLD), amounts, gold)
            found = moved(found, *grown)
        return found

    def prior(self) -> Array:
        """Return the log prior of the slack that weights tell, (D,), up to a constant."""
        found = np.zeros(())
        for at, rows in self.rows.items():
            found = found - 0.5 * (rows**2).sum(axis=-1) - np.log(self.bends[at])
        return np.asarray(found)

    def _grown(self, at: tuple[str, str], amounts: list[Array], target: Target) -> list[Array]:
        """Return e^δ of each outlet, (D,), for what it would get without slack, ``amounts`` (D, classes) each."""
        n, middle = len(amounts), target.middle
        delta, stuck, bend = self._told(at, amounts, target.at)
        rows = np.where(stuck[..., None], 0.0, (delta - middle) / (target.sd / np.sqrt(2)))
        self.rows[at], self.bends[at] = rows, np.where(stuck, 1.0, bend)
        self.deltas[at] = delta
        return [np.exp(delta[..., i]) for i in range(n)]

    def _told(self, at: tuple[str, str], amounts: list[Array], moves: Array) -> tuple[Array, Array, Array]:
        """Return δ (D, n) that moves the mean shares' log odds by ``moves`` off the plain ones; where nothing can be
        moved; and how much the mean's log odds move with δ's (D,)."""
        total = np.maximum(sum(a.sum(axis=-1) for a in amounts), 1e-300)[..., None]
        parts = [a / total for a in amounts]
        whole = np.maximum(sum(parts), 1e-300)
        moves_at_all = np.minimum.reduce([1 - p / whole for p in parts]) > EDGE
        parts = [np.where(moves_at_all, p, 0.0) for p in parts]
        each = np.stack([p.sum(axis=-1) for p in parts], axis=-1)
        room = np.maximum(each.sum(axis=-1), 1e-300)
        stuck = (room < 1e-6) | (each.min(axis=-1) < 1e-9 * room)
        own = np.log(np.where(stuck[..., None], 1.0, each))
        own = own - own.mean(axis=-1, keepdims=True)
        aim = self.plain.setdefault(at, own[0] if own.ndim > 1 else own) + moves
        aim = aim - np.log(np.exp(aim).sum(axis=-1, keepdims=True))
        kept = sum(parts)
        delta = np.zeros(np.broadcast_shapes(own.shape, aim.shape))
        bend = np.ones(delta.shape[:-1])
        for _ in range(TURNS):
            grown = [p * np.exp(delta[..., i, None]) for i, p in enumerate(parts)]
            both = np.maximum(sum(grown), 1e-300)
            now = np.stack([(kept * g / both).sum(axis=-1) for g in grown], axis=-1)
            now = np.log(np.maximum(now, 1e-300)) - np.log(np.maximum(now.sum(axis=-1, keepdims=True), 1e-300))
            gap = aim - now
            if np.abs(gap).max(initial=0.0) < SETTLED:
                break
            if len(parts) == 2:  # Newton in log odds
                q = grown[0] / both
                middle = (kept * q).sum(axis=-1) / room
                slope = (kept * q * (1 - q)).sum(axis=-1) / room / np.maximum(middle * (1 - middle), 1e-12)
                bend = np.maximum(slope, LEAST_BEND)
                move = np.clip((gap[..., 0] - gap[..., 1]) / bend, -4.0, 4.0)[..., None]
                delta = delta + np.concatenate([move / 2, -move / 2], axis=-1)
            else:
                delta = delta + gap
            delta = np.clip(delta - delta.mean(axis=-1, keepdims=True), -15.0, 15.0)
        return np.where(stuck[..., None], moves, delta), stuck, bend


def _locked_by_host(feed: Material, shares: Shares) -> Array:
    """Return the locked gold by host size, (..., S), of what ``shares`` take of ``feed``."""
    if shares.locked.shape[-1] == 1:
        return np.asarray(feed.locked_by_host * shares.locked[..., 0])
    return feed.locked_times(shares.locked)


def _laid(one: Array, other: Array) -> tuple[Array, Array]:
    """Give two arrays (..., S) the same draws."""
    draws = np.broadcast_shapes(one.shape[:-1], other.shape[:-1])
    return np.broadcast_to(one, (*draws, one.shape[-1])), np.broadcast_to(other, (*draws, other.shape[-1]))


@dataclass
class Replay(Solver):
    """A solve with operators that are settled already: what a part of the feed becomes."""

    kept: Mapping[str, Operator] = field(default_factory=dict)

    def _operator(self, name: str, feed: Material) -> Operator:
        return self.kept[name]

    def _loop(self, stage: Stage) -> Loop:
        loop = super()._loop(stage)
        loop.operators = {name: self.kept[name] for name in stage.steps}
        return loop
