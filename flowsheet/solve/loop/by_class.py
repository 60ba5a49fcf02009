"""Loops of linear steps whose breaking makes nothing coarser: exactly, one size class after another.

Rock of a class, and gold that is locked in it, come from that class and from coarser ones alone; free gold of a grain
size comes from such gold, by what breaking frees, and from itself. So classes are solved from the coarsest down, and
free gold in the end: each time only the loop's cuts are unknown, for each block (``blocks``) by itself. S + 1 rows
of small systems take the place of the loop's whole gain (``absorb.solve_linear``), which would be S + 2 large ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.loop.absorb import Solved
from flowsheet.solve.loop.blocks import ROCK, Blocks, BrokenAt, FreedAt, at, last, of_class, of_classes, rows, stacked
from flowsheet.solve.loop.cuts import Links, Network, Units
from flowsheet.steps.base import Breakage, Operator

AT_ONCE = 1 << 14
"""Numbers of an array that are worked on at once, whole classes of them: few enough for a processor's cache."""
FED = "fed"
"""Where what a step is fed is noted, beside the places where rock is broken; outlets are called otherwise."""


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
    """Solve a loop for what its cuts carry, and set aside what is caught, as ``absorb.solve_linear`` does.

    ``passages`` in the order of flow once the ``cuts`` are opened; ``outside``: the streams that come from elsewhere.
    """
    hosts = _hosts_layer(passages, cuts, outside, classes, gold=True)
    free = _Layer(passages, cuts, {name: last(m.free)[None] for name, m in outside.items()})
    for route in free.routes:
        route.lay(last(route.operator.shares[outlet].free)[None] for outlet in route.outlets)
        route.points = {where: FreedAt() for where, _ in route.breakages()}
    hosts.solve(classes)
    for one, other in zip(hosts.points(), free.points(), strict=True):
        other.source = one.freed_in_all()
    free.solve(1)
    draws = max((d for m in outside.values() if (d := _draws(m)) is not None), default=None)
    return Solved(
        _by_cut(cuts, hosts.carried, free.carried[0], classes, draws),
        _by_cut(cuts, hosts.caught, free.caught[0], classes, draws),
    )


def rock_fed_by_class(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int, to: Sequence[int]
) -> Array:
    """Solve a loop for its rock alone; return the light and heavy rock fed to some passages, (D, len(to), 2, S)."""
    hosts = _hosts_layer(passages, cuts, outside, classes, gold=False)
    hosts.solve(classes, to)
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
class _Route:
    """A step as the blocks of a layer go through it."""

    takes: tuple[str, ...]
    operator: Operator
    outlets: Mapping[str, str]
    shares: dict[str, Array] = field(default_factory=dict)
    #: Where rock is broken: before the step parts it (""), or behind an outlet.
    points: dict[str, FreedAt] = field(default_factory=dict)

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
) -> _Layer:
    layer = _Layer(passages, cuts, {name: rows(material, classes, gold) for name, material in outside.items()})
    for route in layer.routes:
        route.lay(rows(route.operator.shares[outlet], classes, gold) for outlet in route.outlets)
        route.points = {where: BrokenAt(breakage, gold) for where, breakage in route.breakages()}
    return layer


class _Layer:
    """A loop as one kind of blocks goes through it: rock and what is locked in it, by host class, or free gold."""

    def __init__(self, passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Array]) -> None:
        self.routes: list[_Route] = [_Route(p.takes, p.operator, p.outlets) for p in passages]
        self.outside = outside
        self.cut = {name: k for k, name in enumerate(cuts)}
        self.taker = {stream: t for t, passage in enumerate(passages) for stream in passage.takes}
        #: By class, (cuts, B, D): what a cut carries, and what of it goes round for ever.
        self.carried: dict[int, Array] = {}
        self.caught: dict[int, Array] = {}
        #: By class and step: what the step is fed, (B, D).
        self.fed: dict[tuple[int, int], Array] = {}

    def points(self) -> Iterator[FreedAt]:
        """Give the places where rock is broken, in the order of flow."""
        return (point for route in self.routes for point in route.points.values())

    def solve(self, classes: int, keep: Sequence[int] = ()) -> None:
        """Solve all classes, from the coarsest down; keep what some steps are fed."""
        some = max(1, AT_ONCE // max(laid[0].size for laid in self.outside.values()))
        for start in range(0, classes, some):
            slab = slice(start, min(start + some, classes))
            gain, out, noted = self._of_units(keep, slab)
            network = Network.of(gain, out, slab.stop - start)
            for i in range(start, slab.stop):
                self._solve(i, i - start, network, noted, keep)

    def _of_units(self, keep: Sequence[int], slab: slice) -> tuple[Links, list[Blocks], dict[tuple[int, str], Units]]:
        """Send one unit in each cut round, in some classes at once: what leaves a class has left the loop.

        Return what comes to a cut (of another), what leaves, of each cut, and what comes to each place where rock is
        broken, or (with the outlet "fed") to each step of ``keep``. Most places see the units of few cuts.
        """
        now: dict[str, Units] = {cut: {k: 1.0} for cut, k in self.cut.items()}
        gain: Links = {}
        out: list[Blocks] = [0.0] * len(self.cut)
        noted: dict[tuple[int, str], Units] = {}
        for t, route in enumerate(self.routes):
            unit: Units = {}
            for stream in route.takes:
                for k, amount in now.pop(stream, {}).items():
                    unit[k] = unit[k] + amount if k in unit else amount
            if t in keep:
                noted[t, FED] = unit
            for outlet, stream in [("", ""), *route.outlets.items()]:
                of_unit = unit
                if outlet:
                    share = of_classes(route.shares[outlet], slab)
                    of_unit = {k: amount * share for k, amount in unit.items()}
                point = route.points.get(outlet)
                if point is not None:
                    noted[t, outlet] = of_unit
                    leaves, stays = (of_classes(share, slab) for share in (point.leaves, point.stays))
                    for k, amount in of_unit.items():
                        out[k] = out[k] + amount * leaves
                    of_unit = {k: amount * stays for k, amount in of_unit.items()}
                if not outlet:
                    unit = of_unit
                elif stream in self.cut:
                    gain.update({(self.cut[stream], k): amount for k, amount in of_unit.items()})
                elif stream in self.taker:
                    now[stream] = of_unit
                else:
                    for k, amount in of_unit.items():
                        out[k] = out[k] + amount
        return gain, out, noted

    def _solve(
        self, i: int, within: int, network: Network, noted: Mapping[tuple[int, str], Units], keep: Sequence[int]
    ) -> None:
        """Solve class i, where all coarser ones are solved; ``within``: its number in ``network`` and ``noted``."""
        now: dict[str, Blocks] = {s: at(laid, i) for s, laid in self.outside.items()}
        back: list[Blocks] = [0.0] * len(self.cut)
        came: list[tuple[int, str, Blocks]] = []
        for t, route in enumerate(self.routes):
            base = sum(now[s] for s in route.takes if s in now)
            if t in keep:
                came.append((t, FED, base))
            for outlet, stream in [("", ""), *route.outlets.items()]:
                amount = base * at(route.shares[outlet], i) if outlet else base
                point = route.points.get(outlet)
                if point is not None:
                    came.append((t, outlet, amount))
                    amount = amount * of_class(point.stays, i) + point.arrives(i)
                if not outlet:
                    base = amount
                elif stream in self.cut:
                    back[self.cut[stream]] = amount
                elif stream in self.taker:
                    now[stream] = amount
        x, caught = network.absorb(within, back)
        for t, outlet, amount in came:
            for k, of_unit in noted[t, outlet].items():
                amount = amount + of_class(of_unit, within) * x[k]
            if outlet == FED:
                self.fed[i, t] = np.atleast_2d(amount)
            else:
                self.routes[t].points[outlet].note_in(i, np.atleast_2d(amount))
        both = np.stack(np.broadcast_arrays(*(np.atleast_2d(one) for one in (*x, *caught))))
        self.carried[i], self.caught[i] = both[: len(x)], both[len(x) :]
