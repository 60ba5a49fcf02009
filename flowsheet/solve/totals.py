"""Solids and gold of every stream for many draws, without laying out each draw class by class.

Steps of which no number is in doubt, and after which none is, treat all draws alike. They are linear, so what a unit
of each class that is fed to them becomes in every stream shows it for all draws: it is worked out once, loops and
all, and draws are then a matrix product. The steps before them are solved draw by draw (``propagate``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.factored_material import FactoredMaterial
from flowsheet.ore.material import Material
from flowsheet.solve.balance import Closure, relative_gap
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.solve.propagate import Solver
from flowsheet.steps.base import Operator


@dataclass(frozen=True)
class Total:
    """What a stream carries in each draw: solids (D,) and gold by grain size (D, S), both in kg."""

    solids: Array
    by_grain: Array

    @classmethod
    def of(cls, material: Material) -> Total:
        """Return the totals of a material."""
        return cls(material.solids, material.gold_by_grain)

    @property
    def gold(self) -> Array:
        """Gold, kg, (D,)."""
        return np.asarray(self.by_grain.sum(axis=-1))

    def __add__(self, other: Total) -> Total:
        return Total(self.solids + other.solids, self.by_grain + other.by_grain)


@dataclass(frozen=True)
class Totals:
    """Totals of all streams, the feeds by size, and how well the balance of the whole sheet closes."""

    streams: dict[str, Total]
    feed: Material
    closure: float


@dataclass(frozen=True)
class _Unit:
    """What a unit fed to one step becomes, in T streams: rock (S, T), free gold (S, T), locked gold (S, S, T)."""

    light: Array
    heavy: Array
    free: Array
    gold: Array

    def of(self, fed: Material, classes: int) -> tuple[Array, Array]:
        """Return solids (D, T) and gold by grain size (D, S, T) that ``fed`` becomes."""
        solids = fed.light @ self.light + fed.heavy @ self.heavy
        from_free = fed.free[..., None] * self.free
        if isinstance(fed, FactoredMaterial):
            table = (fed.base[..., None] * self.gold).reshape(classes, -1)
            from_locked = (fed.row @ table).reshape(*fed.row.shape[:-1], classes, -1)
        else:
            hosts = fed.locked.reshape(-1, classes, classes).transpose(2, 0, 1)  # grains, draws, hosts
            each = np.ascontiguousarray(hosts) @ self.gold.swapaxes(0, 1)
            from_locked = each.swapaxes(0, 1).reshape(*fed.locked.shape[:-2], classes, -1)
        return solids, from_free + from_locked


@dataclass(frozen=True)
class Tail:
    """The steps that treat all draws alike to the end, and what a unit fed to each of them from before becomes."""

    stages: tuple[Stage, ...]
    #: Stream that comes from before → the unit of the step that takes it.
    units: Mapping[str, _Unit]
    #: The streams that the steps give; the units know besides, behind them, what loops catch.
    streams: tuple[str, ...]

    @classmethod
    def of(cls, model: Model, inputs: Inputs) -> Tail:
        """Find the tail of a sheet under ``inputs`` (draws), and work it out."""
        stages: list[Stage] = []
        steps: set[str] = set()
        takers = model.sheet.takers
        for stage in reversed(model.stages):
            after = {takers[s] for name in stage.steps for s in model.outlets[name].values() if s in takers}
            if after <= steps | set(stage.steps) and all(_alike(model, inputs, name) for name in stage.steps):
                stages.insert(0, stage)
                steps |= set(stage.steps)
        taken = [(stream, name) for name in steps for stream in model.takes[name]]
        outside = [(stream, name) for stream, name in taken if model.sheet.makers.get(stream) not in steps]
        units: dict[str, _Unit] = {}
        streams: tuple[str, ...] = ()
        for stream, _ in outside:
            run = _fed_units(model, stages, stream, [name for name, _ in outside])
            streams = tuple(s for name in steps for s in model.outlets[name].values())
            materials = [*(run.streams[s] for s in streams), *(c.material for c in run.caught)]
            units[stream] = _unit(materials, len(model.grid))
        return cls(tuple(stages), units, streams)


def totals(model: Model, inputs: Inputs, tail: Tail) -> Totals:
    """Solve draws: the steps before ``tail`` one by one, the tail by its units. Raises as ``solve`` does."""
    run = Solver(model, inputs)
    run.through(stage for stage in model.stages if stage not in tail.stages)
    found = {name: Total.of(material) for name, material in run.streams.items()}
    kept_back = [Total.of(caught.material) for caught in run.caught]
    if tail.streams:
        parts = [unit.of(run.streams[stream], len(model.grid)) for stream, unit in tail.units.items()]
        solids, by_grain = (np.asarray(sum(arrays)) for arrays in zip(*parts, strict=True))
        both = [Total(solids[..., t], by_grain[..., t]) for t in range(solids.shape[-1])]
        found.update(zip(tail.streams, both, strict=False))
        kept_back += both[len(tail.streams) :]
    fed = _sum(found[name] for name in (*model.sheet.ores, *model.sources.values()))
    out = _sum([*(found[name] for name in model.ends), *kept_back])
    closed = Closure(
        relative_gap(fed.solids, out.solids, fed.solids, fed.solids),
        relative_gap(fed.gold, out.gold, fed.gold, fed.gold),
    ).ensured()
    feed = Material.total(run.streams[name] for name in model.sheet.ores)
    for source in model.sources.values():
        del found[source]
    return Totals(found, feed, max(closed.solids, closed.gold))


def _sum(parts: Iterable[Total]) -> Total:
    first, *others = parts
    for other in others:
        first = first + other
    return first


def _alike(model: Model, inputs: Inputs, name: str) -> bool:
    """Whether a step does the same with every draw, whatever it is fed."""
    step = model.step(name)
    if step.hangs_on_feed() or name in inputs.slack:
        return False
    # Only its shapes are looked at; its numbers are checked when it is made for what it is fed.
    nothing = Material.nothing(len(model.grid))
    operator = model.operator(name, nothing, inputs.values[name], inputs.site, shapes_only=True)
    return not _drawn(operator)


def _drawn(operator: Operator) -> bool:
    shares = operator.shares.values()
    rows = [part for share in shares for part in (share.light, share.heavy, share.free)]
    breakages = [b for b in (operator.breakage, *operator.then.values()) if b is not None]
    tables = [share.locked for share in shares] + [t for b in breakages for t in (b.product, b.locked_share)]
    return any(row.ndim > 1 for row in rows) or any(table.ndim > 2 for table in tables)


def _fed_units(model: Model, stages: list[Stage], stream: str, outside: list[str]) -> Solver:
    """Send S units of rock and locked gold, one a class, and one of free gold in all classes, into one stream."""
    classes = len(model.grid)
    rock = np.concatenate([np.eye(classes), np.zeros((1, classes))])
    free = np.concatenate([np.zeros((classes, classes)), np.ones((1, classes))])
    unit = Material(rock, rock, free, rock[:, :, None] * np.ones(classes))
    run = Solver(model, replace(model.plain, draws=classes + 1))
    run.streams = {name: unit if name == stream else Material.nothing(classes) for name in outside}
    run.through(stages)
    return run


def _unit(materials: list[Material], classes: int) -> _Unit:
    """Read the unit response of T streams from what the units became there."""

    def laid(array: Array) -> Array:
        """Give a stream that no unit reaches its (empty) axis of units."""
        return np.broadcast_to(array, (classes + 1, classes))

    light = np.stack([laid(m.light).sum(axis=-1)[:-1] for m in materials], axis=-1)
    heavy = np.stack([laid(m.heavy).sum(axis=-1)[:-1] for m in materials], axis=-1)
    gold = np.stack([laid(m.gold_by_grain) for m in materials], axis=-1)
    return _Unit(light, heavy, gold[-1], gold[:-1])
