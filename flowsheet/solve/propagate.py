"""Sending solids and gold through the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array, Mask
from flowsheet.ore.material import Material
from flowsheet.solve.balance import Caught, Closure, closure
from flowsheet.solve.loop.absorb import Solved
from flowsheet.solve.loop.stage import Loop, named
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.solve.silver import Silver, silver
from flowsheet.solve.slack import Deltas, slackened
from flowsheet.spec.text.brief import brief, one_line
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note
from flowsheet.steps.base import Operator


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
    notes: list[Note] = field(default_factory=list)
    #: Draws (one of a plain solve) in which a loop has not settled, (D,); None where all have.
    unsettled: Mask | None = None

    def __repr__(self) -> str:
        draws = f", mean of {self.inputs.draws} draws" if self.inputs.draws is not None else ""
        told = f"{brief(self.fed_solids)} kg, {brief(1e3 * self.fed_gold)} g gold, {brief(1e3 * self.kept_gold)} g kept"
        return one_line(f"Solution '{self.model.sheet.title}'", f"{told}{draws}")

    @cached_property
    def silver(self) -> Silver:
        """Silver in each stream, and caught in loops, kg."""
        return silver(self.model, self.inputs, self.streams, self.caught)

    def metal(self, stream: str) -> Array:
        """Return the gold and silver of a stream, kg."""
        return np.asarray(self.streams[stream].gold + self.silver.streams[stream])

    @property
    def fed_gold(self) -> Array:
        """Gold in all ores, kg."""
        return np.asarray(sum(self.streams[name].gold for name in self.model.sheet.ores))

    @property
    def fed_solids(self) -> Array:
        """Rock in all ores, kg."""
        return np.asarray(sum(self.streams[name].solids for name in self.model.sheet.ores))

    @property
    def added_solids(self) -> Array:
        """What steps have added (flux), kg."""
        return np.asarray(sum(self.inputs.added.values(), np.zeros(())))

    @property
    def kept_gold(self) -> Array:
        """Gold in the streams that are kept, kg."""
        return np.asarray(sum(self.streams[name].gold for name in self.model.sheet.keep))


def solve(model: Model, inputs: Inputs | None = None, patient: bool = True) -> Solution:
    """Solve a sheet at its stated values, or for given inputs (draws).

    Not ``patient``, it gives up loops that hardly settle: for changes that are only tried, and left if they do not.

    Raises SheetError where nothing at all can leave a loop, ContractError or BalanceError where the code is wrong.
    """
    inputs = inputs or model.plain
    run = Solver(model, inputs, patient)
    run.through(model.stages)
    closed = closure(model, run.streams, run.feeds, run.caught).ensured()
    return Solution(model, inputs, run.named, run.feeds, run.caught, closed, run.notes, run.unsettled)


@dataclass
class Solver:
    """One solve under way."""

    model: Model
    inputs: Inputs
    patient: bool = True
    streams: dict[str, Material] = field(init=False)
    feeds: dict[str, Material] = field(default_factory=dict)
    caught: list[Caught] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    unchecked: list[tuple[str, Operator]] = field(default_factory=list)
    """Operators without draws: their numbers are small, and quicker checked together."""
    unsettled: Mask | None = None
    settled: dict[str, Operator] = field(default_factory=dict)
    """The operators in force, by step."""

    def __post_init__(self) -> None:
        self.streams = self.model.all_fed(self.inputs)

    @property
    def named(self) -> dict[str, Material]:
        """The streams that the sheet names: without those of what steps add."""
        return {name: material for name, material in self.streams.items() if name not in self.model.sources.values()}

    def through(self, stages: Iterable[Stage]) -> None:
        """Solve stages in order. Raises as ``solve``; where shares are wrong that is told, not what they led to."""
        try:
            for stage in stages:
                if stage.is_loop:
                    self.loop(stage)
                else:
                    self.single(stage.steps[0])
        finally:
            if self.unchecked:
                self.model.check_numbers(self.unchecked)
                self.unchecked.clear()

    def single(self, name: str) -> None:
        """Solve a step that no loop holds."""
        feed = self._feed(name, self.streams)
        self.feeds[name] = feed
        self.settled[name] = self._operator(name, feed)
        self.streams.update(self._give(name, self.settled[name], feed))

    def loop(self, stage: Stage) -> None:
        """Solve a loop exactly, with the operators that belong to what its steps are fed."""
        loop = self._loop(stage)
        if loop.bent and not loop.operators and self.inputs is not self.model.plain:
            self._tuned_before(stage)
        solved, given = loop.solve()
        self.settled.update(loop.operators)
        self.notes.extend(loop.notes)
        if loop.missed is not None:
            self.unsettled = loop.missed if self.unsettled is None else self.unsettled | loop.missed
        self._note_caught(stage, solved)
        streams = {**self.streams, **given, **solved.cuts}
        self.feeds.update({name: self._feed(name, streams) for name in stage.steps})
        self.streams.update({**given, **solved.cuts})

    def _tuned_before(self, stage: Stage) -> None:
        """See to it that it is known what a loop comes to at the stated values, from where draws set out."""
        if stage not in self.model.tunings:
            with suppress(SheetError):
                before = self.model.stages[: self.model.stages.index(stage) + 1]
                Solver(self.model, self.model.plain).through(before)

    def _loop(self, stage: Stage) -> Loop:
        return Loop(self.model, self.inputs, stage, self.streams, self.unchecked, patient=self.patient)

    def _feed(self, name: str, streams: Mapping[str, Material]) -> Material:
        return Material.total(streams[stream] for stream in self.model.takes[name])

    def _operator(self, name: str, feed: Material) -> Operator:
        later = self.inputs.draws is None
        operator = self.model.operator(name, feed, self.inputs.values[name], self.inputs.site, shapes_only=later)
        if later:
            self.unchecked.append((name, operator))
        return slackened(operator, self.inputs.slack.get(name, Deltas()))

    def _give(self, name: str, operator: Operator, feed: Material) -> dict[str, Material]:
        outlets = self.model.outlets[name]
        return {outlets[outlet]: material for outlet, material in operator(feed).items()}

    def _note_caught(self, stage: Stage, solved: Solved) -> None:
        """Set aside what the loop caught. Raises SheetError where that is all that was fed to it."""
        taken = [stream for name in stage.steps for stream in self.model.takes[name]]
        fed = Material.total(self.streams[stream] for stream in taken if stream in self.streams)
        if _all_caught(fed, Material.total(solved.caught.values())):
            first = stage.steps[0]
            line, column = self.model.sheet.places.get(first, (0, 0))
            raise SheetError([Mistake(
                f"nothing ever leaves the loop {named(stage)}", "Give one of its steps a share or size that leaves",
                field=f"steps.{first}", file=self.model.sheet.file, line=line, column=column,
                code="loop_lets_nothing_out",
            )])  # fmt: skip
        returned = Material.total(solved.cuts.values()).solids
        fresh = np.where(fed.solids > 0, fed.solids, np.inf)
        for cut in stage.cuts:
            self.caught.append(Caught(stage.steps, cut, solved.caught[cut], np.asarray(returned / fresh)))


def _all_caught(fed: Material, caught: Material) -> bool:
    solids, gold = np.max(fed.solids), np.max(fed.gold)
    return bool(
        solids > 0
        and np.all(caught.solids >= fed.solids * (1 - 1e-9))
        and (gold == 0 or np.all(caught.gold >= fed.gold * (1 - 1e-9)))
    )
