"""What was weighed of one test, held against what a table of unknowns makes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.feed import RICH
from flowsheet.solve.model import Model
from flowsheet.spec.blocks.measurement import (
    BEAD,
    GRADE,
    GRAINS,
    MASS,
    OF_GOLD,
    PASSING,
    PICKED,
    Measurement,
    picked_from,
)
from flowsheet.study.posterior import streams
from flowsheet.study.posterior.forward import Expected
from flowsheet.study.posterior.grain_luck import each_alone, likely, possible, saddlepoint
from flowsheet.study.posterior.picked_metal import at_size, parted, ways_with

NEVER = -1e300
SMALL = 0.2
"""An assay of less than this part of a stream has luck of its own; one of more sees the luck of the stream itself."""


@dataclass(frozen=True)
class GoldFound:
    """What weights of gold tell: k amounts (D, k) in kg with their sd, and what they weigh of each of G ways."""

    found: Array
    noise: Array
    #: (D, k, G): what a kilogram that came by a way adds to each.
    weigh: Array
    #: (D,): log of how the amounts stretch against what was read.
    stretch: Array
    #: Gold that is expected by way and class, (D, G, J).
    by_way: Array


@dataclass(frozen=True)
class Sampled:
    """What one assay of a small sample tells: gold that it found in the sample, kg, (D, 1), with its sd.

    ``expected`` (D, 1, J): grains in the sample. So small a sample holds grains by a luck of its own, whatever luck the
    rest of the stream had: Poisson numbers that are thinned are independent of what is left.
    """

    found: Array
    noise: Array
    expected: Array


@dataclass(frozen=True)
class TestEvidence:
    """One test: what it weighed, and by how much its sack was heavier than the sheet's."""

    __test__ = False

    name: str
    measured: tuple[Measurement, ...]
    #: Rock that it was fed over that of the sheet.
    ratio: float
    #: Steps that pull so much rock whatever they are fed make the others' masses uncertain by this, relative.
    uneven: float = 0.0
    #: Masses of what leaves fire, which no model foretells: they are there for its grade.
    fired: tuple[Measurement, ...] = ()
    #: Streams out of which metal was picked, as gold comes to them.
    picked: tuple[str, ...] = ()

    @property
    def weighs_gold(self) -> bool:
        """Whether any weight speaks of gold."""
        return any(m.what in OF_GOLD for m in self.measured)

    @property
    def below(self) -> frozenset[str]:
        """The streams of which the metal was put on a scale, and all that it read cannot be told from none."""
        metal = [m for m in self.measured if m.what == BEAD]
        return frozenset(m.stream for m in metal) - {m.stream for m in metal if not m.below}

    @property
    def next_to_none(self) -> bool:
        """Whether no weight of gold can be told from none."""
        return self.weighs_gold and all(m.below for m in self.measured if m.what in OF_GOLD)

    def rock(self, e: Expected, model: Model) -> Array:
        """Return by how many standard deviations masses and passings are off, (D, m)."""
        rows = []
        for m in self.measured:
            if m.what == MASS:
                gold = e.gold[m.stream].sum(axis=-1)
                rich = gold > RICH * e.rock[m.stream]
                metal = np.where(rich, gold * e.metal[m.stream], 0.0) if rich.any() else 0.0
                foretold = self.ratio * (e.rock[m.stream] + metal)
                rows.append((foretold - m.value) / math.hypot(m.sd, self.uneven * m.value))
            elif m.what == PASSING:
                by = e.solver.streams[m.stream].rock_by_size
                through = by[..., model.grid.coarser(m.size or 0.0) :].sum(axis=-1)
                share = through / np.maximum(by.sum(axis=-1), 1e-300)
                rows.append(np.broadcast_to((share - m.value) / m.sd, (e.draws,)))
        return np.stack(rows, axis=-1) if rows else np.zeros((e.draws, 0))

    def gold(self, e: Expected, model: Model) -> GoldFound:
        """Return what the weights of gold tell, in kg, but for assays of small samples."""
        mine = [m for m in self.measured if m.what in OF_GOLD and not self._of_a_sample(m, e)]
        by_way, weigh = self._by_way(e, model), self._weigh(e, model, mine)
        found, noise = (np.zeros((e.draws, len(mine))) for _ in range(2))
        stretch = np.zeros(e.draws)
        for k, m in enumerate(mine):
            if m.what == GRADE:
                per = self._assayed(m, e)
            else:
                per = 1 / e.metal[m.stream] if m.what in (BEAD, PICKED) else np.ones(e.draws)
            found[:, k], noise[:, k] = m.value * per, m.sd * per
            stretch = stretch + np.log(per)
        return GoldFound(found, noise, weigh, stretch, by_way)

    def _by_way(self, e: Expected, model: Model) -> Array:
        """Return the gold that is expected of this test by way and class, (D, G, J)."""
        scale = self.ratio * e.sacks.get(self.name, np.ones(e.draws))
        by_way = e.by_way * scale[:, None, None]
        if not self.picked:
            return by_way
        at = [at_size(e.picked[self.name, stream]) for stream in self.picked]
        return parted(model, e, by_way, self.picked, at)

    def assays(self, e: Expected, model: Model) -> list[Sampled]:
        """Return what the assays of small samples tell."""
        return [self._assay(m, e, model) for m in self.measured if self._of_a_sample(m, e)]

    def _of_a_sample(self, m: Measurement, e: Expected) -> bool:
        if m.what != GRADE or not m.assay_mass:
            return False
        return bool(m.assay_mass < SMALL * np.median(self._assayed(m, e)))

    def _assay(self, m: Measurement, e: Expected, model: Model) -> Sampled:
        mass = m.assay_mass or 0.0
        share = np.minimum(mass / np.maximum(self._assayed(m, e), 1e-300), 1.0)
        if self.picked:  # it holds none of the metal that was picked before
            gold = (self._weigh(e, model, [m]) @ self._by_way(e, model))[:, 0]
        else:
            gold = e.gold[m.stream] * (self.ratio * e.sacks.get(self.name, np.ones(e.draws)))[:, None]
        # Single grains: what is assayed was ground, which parts those that lay together.
        expected = (share[:, None] * gold / e.grain)[:, None]
        return Sampled(np.full((e.draws, 1), m.value * mass), np.full((e.draws, 1), m.sd * mass), expected)

    def _assayed(self, m: Measurement, e: Expected) -> Array:
        """Return the mass that a grade is of, (D,): as weighed where that was done, else as the draw has it."""
        own = [w for w in (*self.measured, *self.fired) if w.what == MASS and w.stream == m.stream]
        if own:
            return np.full(e.draws, own[0].value)
        return self.ratio * e.rock[m.stream]

    def _weigh(self, e: Expected, model: Model, mine: list[Measurement]) -> Array:
        ends = [end for band, end in e.ways if band == 0]
        ways = ways_with(e.ways, self.picked)
        found = np.zeros((e.draws, len(mine), len(ways)))
        if all(m.stream in ends for m in mine) and not self.picked:
            for k, m in enumerate(mine):
                found[:, k] = [float(end == m.stream) for _, end in e.ways]
            return found
        caught = [c.stream for c in e.solver.caught]
        for band, amounts in enumerate(e.by_band):
            through = streams.of_ends(model, amounts, ends, caught, self.picked)
            at = [i for i, (b, _) in enumerate(ways) if b == band]
            for k, m in enumerate(mine):
                if m.what == PICKED:
                    found[:, k, ways.index((band, picked_from(m.stream)))] = 1.0
                else:
                    found[:, k, at] = through[m.stream]
        return found

    def log_likelihood(self, e: Expected, model: Model, cluster: Array) -> Array:
        """Return the log density of all that was weighed, up to a constant, (D,); ``cluster`` (D,): grains together."""
        total = -0.5 * (self.rock(e, model) ** 2).sum(axis=-1)
        if self.weighs_gold:
            told = together(self.gold(e, model))
            mass = cluster[:, None] * e.grain
            number, none = clusters(told, mass)
            saddle = saddlepoint(number, mass, told.weigh, told.found, told.noise)
            total = total - none + saddle.log_density + told.stretch
            for assay in self.assays(e, model):
                alone = np.ones((e.draws, 1, 1))
                number, none = possible(assay.expected, e.grain, alone, assay.found, assay.noise)
                total = total - none + saddlepoint(number, e.grain, alone, assay.found, assay.noise).log_density
        for m in self.measured:
            if m.what == GRAINS:
                classes = model.grid.coarser(m.size) if m.size else len(model.grid)
                count = (self.ratio * e.gold[m.stream] / e.grain)[:, :classes].sum(axis=-1)
                total = total + m.value * np.log(np.maximum(count, 1e-300)) - count
        return np.where(np.isfinite(total), total, NEVER)


def together(told: GoldFound) -> GoldFound:
    """Return the same with ways made one that every weight sees alike, and without those that none sees."""
    at = _seen_alike(told.weigh)
    if not at:
        return replace(told, weigh=told.weigh[:, :, :0], by_way=told.by_way[:, :0])
    by_way = np.stack([told.by_way[:, g].sum(axis=1) for g in at], axis=1)
    return replace(told, weigh=told.weigh[:, :, [g[0] for g in at]], by_way=by_way)


def _seen_alike(weigh: Array) -> list[list[int]]:
    """Return the ways (G) that some weight sees, those together that every weight sees alike."""
    groups: dict[object, list[int]] = {}
    for g in range(weigh.shape[-1]):
        mine = weigh[:, :, g]
        if np.any(mine):
            same = np.ptp(mine, axis=0).max() == 0
            groups.setdefault(tuple(mine[0]) if same else g, []).append(g)
    return list(groups.values())


def clusters(told: GoldFound, mass: Array) -> tuple[Array, Array]:
    """Return the clusters of each way and class (D, G, J), of ``mass`` (D, J), and how many are left out, (D,).

    Where the law is told exactly, the rarest count too.
    """
    number = told.by_way / mass[:, None, :]
    if each_alone(told.weigh[:, :, [g[0] for g in _seen_alike(told.weigh)]]):
        return possible(number, mass, told.weigh, told.found, told.noise)
    return likely(number)


def told_steps(model: Model, tests: tuple[TestEvidence, ...]) -> frozenset[tuple[str, str]]:
    """Return (step, "rock" or "gold") of the steps of which a weight of an outlet tells how they part it.

    None in a loop, where what comes back hangs on the share itself.
    """
    looped = {name for stage in model.stages if stage.is_loop for name in stage.steps}
    seen: Mapping[str, set[str]] = {
        "rock": {m.stream for t in tests for m in t.measured if m.what == MASS},
        "gold": {m.stream for t in tests for m in t.measured if m.what in OF_GOLD},
    }
    return frozenset(
        (name, what)
        for name, step in model.sheet.steps.items()
        for what, streams_ in seen.items()
        if name not in looped and any(stream in streams_ for stream in step.outlets.values())
    )
