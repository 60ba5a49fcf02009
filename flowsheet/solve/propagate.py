"""Sending solids and gold through the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve import loops
from flowsheet.solve.balance import Caught, Closure, closure, silver_ratios
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.spec.mistakes import Mistake, SheetError
from flowsheet.steps.base import Operator

MOST_ROUNDS = 200
SETTLED = 1e-13
"""Change of a loop's cuts between two rounds, relative to what is fed, at which it has settled."""
DAMP_AFTER = 40


@dataclass(frozen=True, eq=False)
class Solution:
    """All streams of a sheet, what its loops caught, and how well the balance closes."""

    model: Model
    inputs: Inputs
    streams: dict[str, Material]
    feeds: dict[str, Material]
    """What went into each step."""
    caught: list[Caught]
    closure: Closure
    #: Silver per gold of each stream, shape () or (D,).
    silver: dict[str, Array]
    notes: list[str] = field(default_factory=list)

    @property
    def fed_gold(self) -> Array:
        """Gold in all ores, kg."""
        return np.asarray(sum(self.streams[name].gold for name in self.model.sheet.ores))

    @property
    def fed_solids(self) -> Array:
        """Rock in all ores, kg."""
        return np.asarray(sum(self.streams[name].solids for name in self.model.sheet.ores))

    @property
    def kept_gold(self) -> Array:
        """Gold in the streams that are kept, kg."""
        return np.asarray(sum(self.streams[name].gold for name in self.model.sheet.keep))


def solve(model: Model, inputs: Inputs | None = None) -> Solution:
    """Solve a sheet at its stated values, or for given inputs (draws).

    Raises SheetError where nothing at all can leave a loop.
    """
    inputs = inputs or model.plain
    run = _Run(model, inputs)
    for stage in model.stages:
        if stage.is_loop:
            run.loop(stage)
        else:
            run.single(stage.steps[0])
    silver = silver_ratios(model, inputs, run.streams)
    closed = closure(model.sheet, run.streams, run.feeds, run.caught)
    return Solution(model, inputs, run.streams, run.feeds, run.caught, closed, silver, run.notes)


@dataclass
class _Run:
    """One solve under way."""

    model: Model
    inputs: Inputs
    streams: dict[str, Material] = field(init=False)
    feeds: dict[str, Material] = field(default_factory=dict)
    caught: list[Caught] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.streams = dict(self.inputs.feeds)

    def single(self, name: str) -> None:
        self.feeds[name] = Material.total(self.streams[s] for s in self.model.sheet.steps[name].takes)
        self.streams.update(self._give(name, self._operator(name, self.feeds[name]), self.feeds[name]))

    def loop(self, stage: Stage) -> None:
        """Solve a loop with its operators settled; where they depend on the feed, settle them by turns."""
        linear = all(self.model.step(name).linear() for name in stage.steps)
        operators, settled = self._start(stage), linear
        before: dict[str, Material] | None = None
        scale = max(float(np.max(sum(m.solids for m in self.inputs.feeds.values()))), 1e-300)
        for turn in range(1 if linear else MOST_ROUNDS):
            solved, given = self._solve_linear(stage, operators)
            feeds = {name: self._feed(name, given, solved.cuts) for name in stage.steps}
            if linear:
                break
            if before is not None and _change(before, feeds, scale) < SETTLED:
                settled = True
                break
            if before is not None and turn > DAMP_AFTER:
                half = {name: _between(before[name], feeds[name]) for name in stage.steps}
                feeds_for_operators = half
            else:
                feeds_for_operators = feeds
            before = feeds
            operators = {name: self._operator(name, feeds_for_operators[name]) for name in stage.steps}
        if not settled:
            self.notes.append(
                f"the loop {_named(stage)} had not settled after {MOST_ROUNDS} turns; its split is approximate."
            )
        self.feeds.update(feeds)
        self._note_caught(stage, solved, given)
        self.streams.update({**given, **solved.cuts})

    def _start(self, stage: Stage) -> dict[str, Operator]:
        """Return operators for a first round in which nothing has come back yet."""
        given: dict[str, Material] = {}
        empty = {cut: Material.nothing(len(self.model.grid)) for cut in stage.cuts}
        operators = {}
        for name in stage.steps:
            feed = self._feed(name, given, empty)
            operators[name] = self._operator(name, feed)
            given.update(self._give(name, operators[name], feed))
        return operators

    def _solve_linear(
        self, stage: Stage, operators: Mapping[str, Operator]
    ) -> tuple[loops.Solved, dict[str, Material]]:
        members = {s for name in stage.steps for s in self.model.sheet.steps[name].takes}
        leaving = [s for n in stage.steps for s in self.model.sheet.steps[n].outlets.values() if s not in members]
        nothing = Material.nothing(len(self.model.grid))

        def round_trip(cuts: loops.Streams, fed: bool) -> dict[str, Material]:
            given: dict[str, Material] = {}
            for name in stage.steps:
                feed = self._feed(name, given, cuts, outside=None if fed else nothing)
                given.update(self._give(name, operators[name], feed))
            return given

        solved = loops.solve_linear(round_trip, stage.cuts, leaving, len(self.model.grid))
        return solved, round_trip(solved.cuts, True)

    def _feed(
        self,
        name: str,
        given: Mapping[str, Material],
        cuts: Mapping[str, Material],
        outside: Material | None = None,
    ) -> Material:
        """Return what a step of a loop is fed: cut streams as they come back, others as this round gave them."""
        parts = []
        for stream in self.model.sheet.steps[name].takes:
            if stream in cuts:
                parts.append(cuts[stream])
            elif stream in given:
                parts.append(given[stream])
            else:
                parts.append(self.streams[stream] if outside is None else outside)
        return Material.total(parts)

    def _operator(self, name: str, feed: Material) -> Operator:
        return self.model.step(name).operator(feed, self.inputs.values[name], self.inputs.site)

    def _give(self, name: str, operator: Operator, feed: Material) -> dict[str, Material]:
        outlets = self.model.sheet.steps[name].outlets
        return {outlets[outlet]: material for outlet, material in operator(feed).items()}

    def _note_caught(self, stage: Stage, solved: loops.Solved, given: Mapping[str, Material]) -> None:
        fed = sum(
            (self.streams[s] for name in stage.steps for s in self.model.sheet.steps[name].takes
             if s not in given), start=Material.nothing(len(self.model.grid)),
        )  # fmt: skip
        caught = Material.total(solved.caught.values())
        if _all_caught(fed, caught):
            first = stage.steps[0]
            raise SheetError([Mistake(
                f"nothing ever leaves the loop {_named(stage)}", "Give one of its steps a share or size that leaves",
                field=f"steps.{first}", file=self.model.sheet.file,
            )])  # fmt: skip
        returned = Material.total(solved.cuts.values()).solids
        with np.errstate(divide="ignore", invalid="ignore"):
            load = np.where(fed.solids > 0, returned / fed.solids, 0.0)
        for cut in stage.cuts:
            self.caught.append(Caught(stage.steps, cut, solved.caught[cut], np.asarray(load)))


def _all_caught(fed: Material, caught: Material) -> bool:
    solids, gold = np.max(fed.solids), np.max(fed.gold)
    return bool(
        solids > 0
        and np.all(caught.solids >= fed.solids * (1 - 1e-9))
        and (gold == 0 or np.all(caught.gold >= fed.gold * (1 - 1e-9)))
    )


def _named(stage: Stage) -> str:
    return " → ".join([*stage.steps, stage.steps[0]])


def _change(before: Mapping[str, Material], now: Mapping[str, Material], scale: float) -> float:
    """Return the largest change of any class of any feed, of the rock and of the gold, relative to what is fed."""
    worst = 0.0
    for name, material in now.items():
        change = material - before[name]
        gold = max(float(np.max(material.gold)), 1e-300)
        worst = max(
            worst,
            float(np.max(np.abs(change.light))) / scale,
            float(np.max(np.abs(change.heavy))) / scale,
            float(np.max(np.abs(change.free))) / gold,
            float(np.max(np.abs(change.locked))) / gold,
        )
    return worst


def _between(a: Material, b: Material) -> Material:
    half = np.asarray(0.5)
    return (a + b) * Material(half, half, half, half)
