"""What a table of unknowns makes of a test: rock of every stream, and the gold that comes by each way, by grain class.

A way is one end stream (or what a loop has caught) that gold of one band of feed sizes reaches; ways part the gold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.silver import silver
from flowsheet.spec.blocks.fitted_estimate import CAUGHT
from flowsheet.study.common.grain_lots import UNTOLD_PARTS, untold_grain
from flowsheet.study.common.uncertain_inputs import inputs_with
from flowsheet.study.posterior.slack_solver import Replay, SlackSolver
from flowsheet.study.posterior.unknowns import SIZE, Unknowns, lying_together, slack_values


class Asked(dict[str, Array]):
    """Arrays by stream, each worked out when it is first asked for: of most streams nobody asks."""

    def __init__(self, work: Callable[[str], Array]) -> None:
        self.work = work

    def __missing__(self, stream: str) -> Array:
        self[stream] = self.work(stream)
        return self[stream]


@dataclass(frozen=True)
class Sent:
    """Where a solve sends rock and gold in D draws, kg."""

    rock: dict[str, Array]
    #: (band of the feed, end) of each way, and its gold (D, G, J).
    ways: tuple[tuple[int, str], ...]
    by_way: Array
    #: Band → stream → gold, (D,); one band where no openings were asked for.
    by_band: list[dict[str, Array]]
    #: Streams at which loops hold gold, which are ways too.
    caught: list[str]

    def at(self, draws: NDArray[np.intp]) -> Sent:
        """Return some of the draws, as often as they are named."""
        return replace(
            self,
            rock={name: rock[draws] for name, rock in self.rock.items()},
            by_way=self.by_way[draws],
            by_band=[{name: gold[draws] for name, gold in band.items()} for band in self.by_band],
        )

    def gold(self, streams: Iterable[str]) -> Array:
        """Return the gold of some streams together, (D,)."""
        return np.asarray(sum(band[stream] for stream in streams for band in self.by_band))


@dataclass(frozen=True)
class Expected:
    """D draws on J grain classes: all in kg but ``metal``, which is metal over gold."""

    #: The solve itself, of which these are all draws, or (``at``) some.
    solver: SlackSolver
    inputs: Inputs
    #: Numbers, tilts and slacks by name, as ``inputs_with`` takes them, (D,) each.
    values: dict[str, Array]
    sacks: dict[str, Array]
    #: (test, stream) out of which metal was picked → coordinate of which sizes.
    picked: dict[tuple[str, str], Array]
    rock: dict[str, Array]
    #: Stream → gold by grain class, (D, J).
    gold: dict[str, Array]
    metal: dict[str, Array]
    #: (band of the feed, end) of each way, and its gold (D, G, J).
    ways: tuple[tuple[int, str], ...]
    by_way: Array
    #: Band → stream → gold, (D,); one band where no openings were asked for.
    by_band: list[dict[str, Array]]
    #: Gold in one grain, (D, J).
    grain: Array

    @property
    def draws(self) -> int:
        """How many draws there are."""
        return len(self.grain)

    @property
    def sent(self) -> Sent:
        """Where the solve sends all."""
        return Sent(self.rock, self.ways, self.by_way, self.by_band, [c.stream for c in self.solver.caught])

    def at(self, draws: NDArray[np.intp]) -> Expected:
        """Return some of the draws, as often as they are named."""
        return replace(
            self,
            values={name: value[draws] if value.ndim else value for name, value in self.values.items()},
            sacks={name: sack[draws] for name, sack in self.sacks.items()},
            picked={one: size[draws] for one, size in self.picked.items()},
            rock={name: rock[draws] for name, rock in self.rock.items()},
            gold=Asked(lambda name: self.gold[name][draws]),
            metal=Asked(lambda name: self.metal[name][draws]),
            by_way=self.by_way[draws],
            by_band=[{name: gold[draws] for name, gold in band.items()} for band in self.by_band],
            grain=self.grain[draws],
        )


def expected(
    unknowns: Unknowns,
    z: Array,
    plain: dict[tuple[str, str], Array],
    openings: Sequence[float] = (),
    cluster: Array | None = None,
) -> Expected:
    """Solve a table of unknowns (D, K); ``openings`` (m), falling, part the feed into bands.

    ``cluster`` (D,): grains that lie together, for those who look rocks over; as the sheet has it where it is None.

    ``plain``: log odds of each told step's mean shares in the plain solve; empty, it is filled by a first solve, whose
    unknowns must all be nought.
    """
    model, draws = unknowns.model, len(z)
    drawn = unknowns.drawn(z)
    untold = {at: target.delta for at, target in drawn.slack.items() if at not in unknowns.told}
    values = {**drawn.values, **slack_values(model, untold, draws), **lying_together(model, cluster)}
    inputs = inputs_with(model, values, draws)
    told = {at: target for at, target in drawn.slack.items() if at in unknowns.told}
    solver = SlackSolver(model, inputs, slack=told, plain=plain)
    solver.through(model.stages)
    values.update(slack_values(model, solver.deltas, draws))
    sent = sent_by(model, solver, inputs, openings, draws)
    white: dict[str, Array] = {}

    def metal(stream: str) -> Array:
        white.update(white or silver(model, inputs, solver.streams, solver.caught).streams)
        gold = np.broadcast_to(solver.streams[stream].gold, (draws,))
        return np.asarray(1 + np.divide(white[stream], gold, out=np.zeros(draws), where=gold > 0))

    stacked, grain = sent.by_way, grains.grain_mass(model.grid.size, inputs.site.fineness)
    if not model.grains_known:
        grain, even = _untold(unknowns, z, inputs)
        stacked = stacked.sum(axis=-1, keepdims=True) * even
    grain = np.broadcast_to(grain, (draws, stacked.shape[-1]))

    def gold(stream: str) -> Array:
        found = np.broadcast_to(solver.streams[stream].gold_by_grain, (draws, len(model.grid)))
        return found if model.grains_known else found.sum(axis=-1, keepdims=True) * even

    rows = (sent.rock, Asked(gold), Asked(metal), sent.ways, stacked, sent.by_band, grain)
    return Expected(solver, inputs, values, drawn.sacks, drawn.picked, *rows)


def sent_by(model: Model, solver: SlackSolver, inputs: Inputs, openings: Sequence[float], draws: int) -> Sent:
    """Return where a solve that was gone through sends all; ``openings`` (m), falling, part the feed into bands."""
    ends = [*model.ends, *(f"{CAUGHT} {i}" for i in range(len(solver.caught)))]
    whole = _by_grain(model, solver, ends, draws)
    ways, by_way, by_band, left = [], [], [], dict(whole)
    for band, part in enumerate(_bands(model, inputs, openings)):
        again = Replay(model, replace(inputs, feeds=part, slack={}, added={}), kept=solver.settled)
        again.through(model.stages)
        got = _by_grain(model, again, ends, draws)
        for name in ends:
            mine = np.minimum(got[name], left[name])
            left[name] = left[name] - mine
            ways.append((band, name))
            by_way.append(mine)
        by_band.append(_amounts(again, draws))
    last = _amounts(solver, draws)
    for name in ends:
        ways.append((len(openings), name))
        by_way.append(np.maximum(left[name], 0.0))
    by_band.append({n: np.maximum(one - sum(b[n] for b in by_band), 0.0) for n, one in last.items()})
    rock = {n: np.broadcast_to(m.solids, (draws,)) for n, m in solver.named.items()}
    caught = [c.stream for c in solver.caught]
    return Sent(rock, tuple(ways), np.stack(by_way, axis=1), by_band, caught)


def _by_grain(model: Model, solver: SlackSolver | Replay, ends: Sequence[str], draws: int) -> dict[str, Array]:
    found = {n: solver.streams[n].gold_by_grain for n in model.ends}
    found |= {f"{CAUGHT} {i}": c.material.gold_by_grain for i, c in enumerate(solver.caught)}
    none = np.zeros(len(model.grid))
    return {n: np.broadcast_to(found.get(n, none), (draws, len(model.grid))) for n in ends}


def _amounts(solver: SlackSolver | Replay, draws: int) -> dict[str, Array]:
    return {n: np.broadcast_to(m.gold, (draws,)) for n, m in solver.named.items()}


def _bands(model: Model, inputs: Inputs, openings: Sequence[float]) -> list[dict[str, Material]]:
    """Return the gold of the feeds in rock of each band of sizes but the last, without the rock, coarsest first."""
    none, found, start = np.zeros(len(model.grid)), [], 0
    for opening in openings:
        stop = model.grid.coarser(opening)
        mask = np.zeros(len(model.grid))
        mask[start:stop] = 1.0
        start = stop
        found.append(
            {n: Material(none, none, m.free * mask, m.locked * mask[:, None]) for n, m in inputs.feeds.items()}
        )
    return found


def _untold(unknowns: Unknowns, z: Array, inputs: Inputs) -> tuple[Array, Array]:
    """Return the gold in a grain (D, J) and each class's part of the gold (J,), where no grain sizes are told."""
    u = z[:, unknowns.names.index(SIZE)]
    part = np.full(len(UNTOLD_PARTS), 1 / len(UNTOLD_PARTS))
    return untold_grain(u, np.asarray(inputs.site.fineness)), part
