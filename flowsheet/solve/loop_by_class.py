"""Loops of linear steps whose breaking makes nothing coarser: exactly, one size class after another.

Rock of a class, and gold that is locked in it, come from that class and from coarser ones alone; free gold of a grain
size comes from such gold, by what breaking frees, and from itself. So classes are solved from the coarsest down, and
free gold in the end: each time only the loop's cuts are unknown, for each block (``loop_blocks``) by itself. S + 1 rows
of small systems take the place of the loop's whole gain (``loops.solve_linear``), which would be S + 2 large ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.loop_blocks import ROCK, Blocks, BrokenAt, FreedAt, at, last, rows, stacked
from flowsheet.solve.loops import LEAVES, Solved, absorb
from flowsheet.steps.base import Breakage, Operator

Point = TypeVar("Point", bound=FreedAt)


@dataclass(frozen=True)
class Passage:
    """A step of a loop: the streams that it takes, its operator, and the stream of each of its outlets."""

    takes: tuple[str, ...]
    operator: Operator
    outlets: Mapping[str, str]


def coarsens(operator: Operator) -> bool:
    """Whether a step makes rock coarser: then no class can be solved before the finer ones."""
    return any(np.triu(breakage.product, 1).any() for _, breakage in operator.breakages())


def solve_by_class(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int
) -> Solved:
    """Solve a loop for what its cuts carry, and set aside what is caught, as ``loops.solve_linear`` does.

    ``passages`` in the order of flow once the ``cuts`` are opened; ``outside``: the streams that come from elsewhere.
    """
    hosts = _hosts_layer(passages, cuts, outside, classes, gold=True)
    free: _Layer[FreedAt] = _Layer(passages, cuts, {name: last(m.free)[None] for name, m in outside.items()})
    for route in free.routes:
        route.lay(last(route.operator.shares[outlet].free)[None] for outlet in route.outlets)
        route.points = {where: FreedAt() for where, _ in route.breakages()}
    for i in range(classes):
        hosts.solve(i)
    for one, other in zip(hosts.points(), free.points(), strict=True):
        other.source = one.freed_in_all()
    free.solve(0)
    draws = max((d for m in outside.values() if (d := _draws(m)) is not None), default=None)
    return Solved(
        _by_cut(cuts, hosts.carried, free.carried[0], classes, draws),
        _by_cut(cuts, hosts.caught, free.caught[0], classes, draws),
    )


def rock_fed(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int, to: Sequence[int]
) -> Array:
    """Solve a loop for its rock alone; return the light and heavy rock fed to some passages, (D, len(to), 2, S)."""
    hosts = _hosts_layer(passages, cuts, outside, classes, gold=False)
    for i in range(classes):
        hosts.solve(i, to)
    fed = np.stack(np.broadcast_arrays(*(hosts.fed[i, t] for t in to for i in range(classes))))
    return np.ascontiguousarray(fed.reshape(len(to), classes, *fed.shape[1:]).transpose(3, 0, 2, 1))


def _draws(material: Material) -> int | None:
    """Return how many draws a material has; None where it has no axis of them."""
    arrays = ((material.light, 1), (material.heavy, 1), (material.free, 1), (material.locked, 2))
    return max((len(array) for array, axes in arrays if array.ndim > axes), default=None)


def _by_cut(
    cuts: Sequence[str], by_class: Mapping[int, Array], free: Array, classes: int, draws: int | None
) -> dict[str, Material]:
    """Put together what the classes, coarsest first, and free gold hold for each cut; (cuts, B, D) each."""
    laid = stacked(by_class, range(classes))
    many = max(laid.shape[-1], free.shape[-1], draws or 1)
    found = {}
    for k, cut in enumerate(cuts):
        hosts, grains = (np.ascontiguousarray(np.moveaxis(a, -1, 0)) for a in (laid[:, k], free[k]))
        if draws is None and many == 1:
            hosts, grains = hosts[0], grains[0]
        else:
            hosts, grains = (np.broadcast_to(a, (many, *a.shape[1:])) for a in (hosts, grains))
        found[cut] = Material(hosts[..., 0], hosts[..., 1], grains, hosts[..., ROCK:])
    return found


# ── one class ───────────────────────────────────────────────────────────────────────────────────────────────


@dataclass
class _Route(Generic[Point]):
    """A step as the blocks of a layer go through it."""

    takes: tuple[str, ...]
    operator: Operator
    outlets: Mapping[str, str]
    shares: dict[str, Array] = field(default_factory=dict)
    #: Where rock is broken: before the step parts it (""), or behind an outlet.
    points: dict[str, Point] = field(default_factory=dict)

    def lay(self, shares: Iterator[Array]) -> None:
        """Take the shares of the outlets, in their order."""
        self.shares = dict(zip(self.outlets, shares, strict=True))

    def breakages(self) -> Iterator[tuple[str, Breakage]]:
        """Give all breakages, and where they are."""
        if self.operator.breakage is not None:
            yield "", self.operator.breakage
        yield from self.operator.then.items()


def _hosts_layer(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int, gold: bool
) -> _Layer[BrokenAt]:
    layer: _Layer[BrokenAt] = _Layer(
        passages, cuts, {name: rows(material, classes, gold) for name, material in outside.items()}
    )
    for route in layer.routes:
        route.lay(rows(route.operator.shares[outlet], classes, gold) for outlet in route.outlets)
        route.points = {where: BrokenAt(breakage, gold) for where, breakage in route.breakages()}
    return layer


class _Layer(Generic[Point]):
    """A loop as one kind of blocks goes through it: rock and what is locked in it, by host class, or free gold."""

    def __init__(self, passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Array]) -> None:
        self.routes: list[_Route[Point]] = [_Route(p.takes, p.operator, p.outlets) for p in passages]
        self.outside = outside
        self.cut = {name: k for k, name in enumerate(cuts)}
        self.taker = {stream: t for t, passage in enumerate(passages) for stream in passage.takes}
        #: By class, (cuts, B, D): what a cut carries, and what of it goes round for ever.
        self.carried: dict[int, Array] = {}
        self.caught: dict[int, Array] = {}
        #: By class and step: what the step is fed, (B, D).
        self.fed: dict[tuple[int, int], Array] = {}

    def points(self) -> Iterator[Point]:
        """Give the places where rock is broken, in the order of flow."""
        return (point for route in self.routes for point in route.points.values())

    def solve(self, i: int, keep: Sequence[int] = ()) -> None:
        """Solve class i, where all coarser ones are solved; keep what some steps are fed."""
        # Each amount is what comes from outside and from coarser classes, and what comes of one unit in each cut.
        units = np.eye(len(self.cut))[:, :, None, None]
        now: dict[str, tuple[Blocks, Blocks]] = {s: (at(laid, i), 0.0) for s, laid in self.outside.items()}
        now |= {cut: (0.0, units[k]) for cut, k in self.cut.items()}
        back: dict[str, tuple[Blocks, Blocks]] = {}
        noted: list[tuple[Point | int, Blocks, Blocks]] = []
        out: Blocks = 0.0
        for t, route in enumerate(self.routes):
            base, unit = (sum(parts) for parts in zip(*(now[s] for s in route.takes), strict=True))
            if t in keep:
                noted.append((t, base, unit))
            for outlet, stream in [("", ""), *route.outlets.items()]:
                if outlet:
                    share = at(route.shares[outlet], i)
                    amount, of_unit = base * share, unit * share
                else:
                    amount, of_unit = base, unit
                point = route.points.get(outlet)
                if point is not None:
                    noted.append((point, amount, of_unit))
                    out = out + of_unit * point.leaves(i)
                    stays = point.stays(i)
                    amount, of_unit = amount * stays + point.arrives(i), of_unit * stays
                if not outlet:
                    base, unit = amount, of_unit
                elif stream in self.cut:
                    back[stream] = amount, of_unit
                elif stream in self.taker:
                    now[stream] = amount, of_unit
                else:
                    out = out + of_unit
        feed = np.stack(np.broadcast_arrays(*(np.atleast_2d(back[cut][0]) for cut in self.cut)))
        # From the cut of the second axis to that of the first.
        gain = np.stack(np.broadcast_arrays(*(back[cut][1] + np.zeros((len(self.cut), 1, 1)) for cut in self.cut)))
        x, self.caught[i] = _absorb_class(gain, np.asarray(out + np.zeros((len(self.cut), 1, 1))), feed)
        self.carried[i] = x
        for where, amount, of_unit in noted:
            whole = np.atleast_2d(amount + (of_unit * x).sum(axis=0))
            if isinstance(where, int):
                self.fed[i, where] = whole
            else:
                where.note_in(i, whole)


def _absorb_class(gain: Array, out: Array, feed: Array) -> tuple[Array, Array]:
    """Solve the loop within a class; ``gain`` (cuts, cuts, B, D), ``out`` and ``feed`` (cuts, B, D).

    What leaves the class has left: it is finer from then on, or free. So what is caught shows within each class.
    """
    if len(gain) == 1:
        stays, out, feed = np.broadcast_arrays(out <= LEAVES, out, feed)
        x = np.divide(feed, out, out=np.zeros(feed.shape), where=~stays)
        return x, np.where(stays, feed, 0.0)
    x, caught = absorb(np.moveaxis(gain, (0, 1), (-2, -1)), np.moveaxis(out, 0, -1), np.moveaxis(feed, 0, -1))
    return np.moveaxis(x, -1, 0), np.moveaxis(caught, -1, 0)
