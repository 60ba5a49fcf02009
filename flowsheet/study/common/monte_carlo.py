"""Draws of a sheet's doubtful numbers, solved chunk by chunk; of each only what answers need is kept.

However many draws there are, memory holds one chunk, a few numbers a draw, and the grain classes of some.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.factored_material import FactoredMaterial
from flowsheet.ore.material import Material
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.totals import Tail, totals
from flowsheet.study.common.grain_lots import GrainLots, Lots, UntoldLots
from flowsheet.study.common.uncertain_inputs import inputs_with

CHUNK = 200
"""Draws solved at once: few enough for a processor's cache."""
LAWS = 400
"""Draws of which the grain classes are kept: luck changes slowly with the numbers in doubt."""
DRAWS = 1000
"""Enough for the ends of an interval. Every command takes as many, so that all tell the same."""
GOLDEN = (math.sqrt(5) - 1) / 2
"""Multiples of it, less their whole parts, fill 0 to 1 evenly."""

Progress = Callable[[Iterable[int]], Iterable[int]]


@dataclass
class Moments:
    """Gold of one stream over all draws, in kg: sums of it, of its square, and of the variance of its luck."""

    draws: int = 0
    gold: float = 0.0
    squares: float = 0.0
    luck: float = 0.0

    def add(self, gold: Array, luck: Array) -> None:
        """Count more draws in."""
        self.draws += len(gold)
        self.gold += float(gold.sum())
        self.squares += float((gold**2).sum())
        self.luck += float(luck.sum())

    @property
    def mean(self) -> float:
        """Mean, kg."""
        return self.gold / self.draws

    @property
    def variance(self) -> float:
        """Variance of doubt and luck together, kg²."""
        return max(self.squares / self.draws - self.mean**2, 0.0) + self.luck / self.draws


@dataclass(frozen=True)
class DrawnTotals:
    """What is kept of D draws of a sheet; of E of them the gold by classes of clusters of grains (``lots``)."""

    lots: Lots
    moments: dict[str, Moments]
    #: Stream → gold by class of clusters of some draws, kg, (E, classes).
    by_grain: dict[str, Array]
    #: Opening (m) → the same of all that is fed in rock above it.
    above: dict[float, Array]
    #: The rock of the same draws by stream, kg, and of all that is fed the share of it above an opening (m), (E,).
    by_rock: dict[str, Array]
    coarser: dict[float, Array]
    #: Ore → its rock and its gold in each draw, kg, (D,) each; and the gold kept.
    ores: dict[str, tuple[Array, Array]]
    kept: Array
    closure: float

    @property
    def rock(self) -> Array:
        """Rock fed in each draw, kg, (D,)."""
        return np.asarray(sum(rock for rock, _ in self.ores.values()))

    @property
    def fed(self) -> Array:
        """Gold fed in each draw, kg, (D,)."""
        return np.asarray(sum(gold for _, gold in self.ores.values()))

    @property
    def mass(self) -> Array:
        """Gold in one cluster of grains of each class, kg, (classes,)."""
        return self.lots.mass


def cluster(model: Model) -> float:
    """Return how many grains lie together, as the sheet's gold or looking over has it; 1 where nothing says so."""
    golds = (ore.gold for ore in model.sheet.ores.values() if ore.gold is not None)
    told = [gold.cluster.value for gold in golds if gold.cluster is not None]
    return max([*told, *(step.lie_together() for step in model.sheet.steps.values())], default=1.0)


def lots_of(model: Model, together: Array, off: Array | None = None) -> Lots:
    """Return how gold comes in draws of which ``together`` (D,) grains lie together.

    ``off`` (D,): by how many standard deviations the sizes of grains that the sheet says nothing of are off.
    """
    fineness = float(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    if model.grains_known or off is None:
        # A sheet that knows no grains has classes without a size, and no luck, unless it is told how they are off.
        mass = grains.grain_mass(model.grid.size, np.asarray(fineness)) if model.grains_known else None
        return GrainLots.of(together, np.zeros(len(model.grid)) if mass is None else mass)
    return UntoldLots.of(together, off, fineness)


def drawn(
    model: Model,
    values: Mapping[str, Array],
    draws: int,
    openings: Sequence[float] = (),
    gold: Array | None = None,
    progress: Progress = iter,
    lots: Lots | None = None,
    richer: Array | None = None,
) -> DrawnTotals:
    """Solve ``draws`` draws of ``values`` (each of shape (draws,), or () for no doubt).

    ``gold`` (draws,): all gold fed (kg), in place of what the ores' grades say. ``lots``: how it comes in these draws,
    in place of what the sheet says. ``richer`` (draws,): times as much gold is fed as that.
    """
    names = [*model.sheet.ores, *model.sheet.makers]
    many = lots if lots is not None else lots_of(model, np.full(draws, cluster(model)))
    moments = {name: Moments() for name in names}
    some: dict[str, list[Array]] = {name: [] for name in names}
    rock: dict[str, list[Array]] = {name: [] for name in names}
    above: dict[float, list[Array]] = {size: [] for size in openings}
    coarser: dict[float, list[Array]] = {size: [] for size in openings}
    ores = {name: (np.zeros(draws), np.zeros(draws)) for name in model.sheet.ores}
    kept, closure = np.zeros(draws), 0.0
    tail: Tail | None = None
    for start in progress(range(0, draws, CHUNK)):
        here = slice(start, min(start + CHUNK, draws))
        count = here.stop - start
        inputs = inputs_with(model, {n: v[here] if v.ndim else v for n, v in values.items()}, count)
        if gold is not None:
            inputs = with_gold(model, inputs, gold[here])
        if richer is not None:
            inputs = times_gold(inputs, richer[here])
        tail = tail or Tail.of(model, inputs)
        found = totals(model, inputs, tail)
        closure = max(closure, found.closure)

        def laid(array: Array, count: int = count) -> Array:
            return np.broadcast_to(array, (count, *array.shape[-1:])) if array.ndim < 2 else array

        for name, (mine, held) in ores.items():
            mine[here] = found.streams[name].solids
            held[here] = laid(found.streams[name].by_grain).sum(axis=-1)
        picked = _picked(np.asarray(sum(held[here] for _, held in ores.values())), start, draws)
        for name in names:
            by_grain = laid(found.streams[name].by_grain)
            amount = by_grain.sum(axis=-1)
            moments[name].add(amount, many.luck(by_grain, here))
            some[name].append(many.apart(by_grain[picked], start + picked))
            rock[name].append(np.broadcast_to(found.streams[name].solids, (count,))[picked])
            if name in model.sheet.keep:
                kept[here] += amount
        for size, parts in above.items():
            classes = model.grid.coarser(size)
            parts.append(many.apart(laid(_above(found.feed, classes))[picked], start + picked))
            by_size = found.feed.rock_by_size
            part = by_size[..., :classes].sum(axis=-1) / by_size.sum(axis=-1)
            coarser[size].append(np.broadcast_to(part, (count,))[picked])
    return DrawnTotals(
        many,
        moments,
        {name: np.concatenate(parts) for name, parts in some.items()},
        {size: np.concatenate(parts) for size, parts in above.items()},
        {name: np.concatenate(parts) for name, parts in rock.items()},
        {size: np.concatenate(parts) for size, parts in coarser.items()},
        ores,
        kept,
        closure,
    )


def _picked(fed: Array, start: int, draws: int) -> Array:
    """Return which of some draws' grain classes are kept: evenly among them by the gold ``fed`` (n,), rising.

    All of them where there are no more than LAWS ``draws``. Picked without a look at them, LAWS draws would tell the
    ends of an interval no better than so few draws can.
    """
    kept = min(draws, LAWS)
    many = (start + len(fed)) * kept // draws - start * kept // draws
    ranks = (np.arange(many) + (0.5 + start / CHUNK * GOLDEN) % 1) * (len(fed) / max(many, 1))
    return np.sort(np.argsort(fed, kind="stable")[ranks.astype(int)])


def _above(feed: Material, classes: int) -> Array:
    """Return the gold of the first ``classes`` size classes by grain: free grains, and locked in hosts there."""
    free = np.where(np.arange(feed.free.shape[-1]) < classes, feed.free, 0.0)
    if isinstance(feed, FactoredMaterial):
        return np.asarray(free + feed.row[..., :classes] @ feed.base[:classes])
    return np.asarray(free + feed.locked[..., :classes, :].sum(axis=-2))


def with_gold(model: Model, inputs: Inputs, gold: Array) -> Inputs:
    """Return the inputs with all gold fed scaled to ``gold`` (D,)."""
    fed = sum(inputs.feeds[name].gold for name in model.sheet.ores)
    with np.errstate(divide="ignore", invalid="ignore"):
        return times_gold(inputs, np.where(fed > 0, gold / fed, 0.0))


def times_gold(inputs: Inputs, times: Array) -> Inputs:
    """Return the inputs with all gold fed scaled by ``times`` (D,)."""
    one, scale = np.ones(()), times[..., None]
    by = FactoredMaterial(one, one, scale, np.ones((1, 1)), scale)
    feeds = {}
    for name, feed in inputs.feeds.items():
        rowed = isinstance(feed, FactoredMaterial) or feed.locked.ndim > 2
        laid = (
            feed
            if rowed
            else FactoredMaterial(feed.light, feed.heavy, feed.free, feed.locked, np.ones(feed.light.shape[-1]))
        )
        feeds[name] = laid * by
    return replace(inputs, feeds=feeds)
