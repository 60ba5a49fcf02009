"""Sending solids and gold through the sheet."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve import loops
from flowsheet.solve.balance import Caught, Closure, closure
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.solve.silver import Silver, silver
from flowsheet.spec.text.brief import brief, one_line
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.steps.base import Operator

MOST_TURNS = 100
SETTLED = 1e-13
"""A loop has settled when its steps' feeds differ by less than this (relative to what is fed to the sheet) from
those that their operators were made for."""
PACES = (0.01, 4.0)
"""Bounds of how much of that difference a turn goes."""
DRAWS_AT_ONCE = 100
"""A loop's gain takes about a megabyte a draw."""


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
    def kept_gold(self) -> Array:
        """Gold in the streams that are kept, kg."""
        return np.asarray(sum(self.streams[name].gold for name in self.model.sheet.keep))


def solve(model: Model, inputs: Inputs | None = None) -> Solution:
    """Solve a sheet at its stated values, or for given inputs (draws).

    Raises SheetError where nothing at all can leave a loop, ContractError or BalanceError where the code is wrong.
    """
    inputs = inputs or model.plain
    run = Solver(model, inputs)
    run.through(model.stages)
    closed = closure(model, run.streams, run.feeds, run.caught).ensured()
    return Solution(model, inputs, run.streams, run.feeds, run.caught, closed, run.notes)


@dataclass
class Solver:
    """One solve under way."""

    model: Model
    inputs: Inputs
    streams: dict[str, Material] = field(init=False)
    feeds: dict[str, Material] = field(default_factory=dict)
    caught: list[Caught] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    unchecked: list[tuple[str, Operator]] = field(default_factory=list)
    """Operators without draws: their numbers are small, and quicker checked together."""

    def __post_init__(self) -> None:
        self.streams = dict(self.inputs.feeds)

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
        self.streams.update(self._give(name, self._operator(name, feed), feed))

    def loop(self, stage: Stage) -> None:
        """Solve a loop exactly, with the operators that belong to what its steps are fed."""
        bent = [name for name in stage.steps if not self.model.step(name).linear()]
        operators = self._start(stage)
        if bent:
            operators = self._settle(stage, operators, bent)
        solved, given = self._solve_linear(stage, operators)
        self._note_caught(stage, solved)
        self.feeds.update({name: self._feed(name, {**self.streams, **given, **solved.cuts}) for name in stage.steps})
        self.streams.update({**given, **solved.cuts})

    def _start(self, stage: Stage) -> dict[str, Operator]:
        """Return the operators of a first round in which nothing has come back yet."""
        streams = {**self.streams, **{cut: Material.nothing(len(self.model.grid)) for cut in stage.cuts}}
        operators = {}
        for name in stage.steps:
            feed = self._feed(name, streams)
            operators[name] = self._operator(name, feed)
            given = self._give(name, operators[name], feed)
            streams.update({stream: given[stream] for stream in given if stream not in stage.cuts})
        return operators

    def _settle(self, stage: Stage, operators: dict[str, Operator], bent: list[str]) -> dict[str, Operator]:
        """Find the operators of the steps that depend on their feed, such that they get the feed they were made for.

        A fixed point: a feed makes the operators, and they (with the loop solved exactly) make the feed. Each turn
        goes on by as much of the difference as its last two values ask for (B. M. Irons & R. C. Tuck, Int. J.
        Numer. Methods Eng. 1 (1969), 275, from memory), draw by draw.
        """
        scale = self._scale()
        guess: Array | None = None
        gap: Array | None = None
        pace = np.ones((1, 1, 1))
        for _ in range(MOST_TURNS):
            solved, given = self._solve_linear(stage, operators)
            streams = {**self.streams, **given, **solved.cuts}
            fed = [loops.pack(self._feed(name, streams)) for name in bent]
            found = np.stack(np.broadcast_arrays(*fed), axis=-3) / scale
            if guess is not None:
                before, gap = gap, found - guess
                if np.max(np.abs(gap)) < SETTLED:
                    return operators
                pace = pace if before is None else _paced(pace, before, gap)
                found = np.maximum(guess + pace * gap, 0.0)
            guess = found
            for i, name in enumerate(bent):
                operators[name] = self._operator(name, loops.unpack((guess * scale)[..., i, :, :]))
        sentence = (
            "the loop {loop} had not settled after {turns} turns, so its split is approximate; "
            "perhaps its steps let out less than is fed to it."
        )
        about = Subject(step=stage.steps[0])
        self.notes.append(note("loop_not_settled", sentence, about, loop=_named(stage), turns=MOST_TURNS))
        return operators

    def _scale(self) -> Array:
        """Return what is fed to the sheet, rock for the blocks of rock and gold for those of gold."""
        fed = Material.total(self.inputs.feeds.values())
        solids, gold = (np.maximum(amount, 1e-300)[..., None] for amount in (fed.solids, fed.gold))
        blocks = [solids, solids, *[gold] * len(self.model.grid)]
        return np.concatenate(np.broadcast_arrays(*blocks), axis=-1)[..., None, :, None]

    def _solve_linear(
        self, stage: Stage, operators: Mapping[str, Operator]
    ) -> tuple[loops.Solved, dict[str, Material]]:
        """Solve a loop whose operators are settled, some draws at a time."""
        steps = self.model.sheet.steps
        taken = {stream for name in stage.steps for stream in steps[name].takes}
        leaving = [s for name in stage.steps for s in steps[name].outlets.values() if s not in taken]
        outside = {stream: self.streams[stream] for stream in taken if stream in self.streams}
        classes = len(self.model.grid)
        nothing = {stream: Material.nothing(classes) for stream in outside}

        def part(draws: slice) -> loops.Solved:
            mine = {name: operators[name].part(draws) for name in stage.steps}
            fed = {stream: material.part(draws) for stream, material in outside.items()}

            def round_trip(cuts: loops.Streams, with_feed: bool) -> dict[str, Material]:
                return self._round(stage, mine, {**(fed if with_feed else nothing), **cuts})

            return loops.solve_linear(round_trip, stage.cuts, leaving, classes)

        parts = [part(draws) for draws in _parts(self.inputs.draws)]
        solved = loops.Solved(
            {cut: Material.join([one.cuts[cut] for one in parts]) for cut in stage.cuts},
            {cut: Material.join([one.caught[cut] for one in parts]) for cut in stage.cuts},
        )
        return solved, self._round(stage, operators, {**outside, **solved.cuts})

    def _round(
        self, stage: Stage, operators: Mapping[str, Operator], streams: Mapping[str, Material]
    ) -> dict[str, Material]:
        """Go through a loop's steps once, from its cuts and what is fed to it; return all that the steps give."""
        given: dict[str, Material] = {}
        for name in stage.steps:
            # What a cut carries on is not what has just arrived there.
            feed = self._feed(name, {**given, **streams})
            given.update(self._give(name, operators[name], feed))
        return given

    def _feed(self, name: str, streams: Mapping[str, Material]) -> Material:
        return Material.total(streams[stream] for stream in self.model.sheet.steps[name].takes)

    def _operator(self, name: str, feed: Material) -> Operator:
        later = self.inputs.draws is None
        operator = self.model.operator(name, feed, self.inputs.values[name], self.inputs.site, shapes_only=later)
        if later:
            self.unchecked.append((name, operator))
        return operator

    def _give(self, name: str, operator: Operator, feed: Material) -> dict[str, Material]:
        outlets = self.model.outlets[name]
        return {outlets[outlet]: material for outlet, material in operator(feed).items()}

    def _note_caught(self, stage: Stage, solved: loops.Solved) -> None:
        """Set aside what the loop caught. Raises SheetError where that is all that was fed to it."""
        taken = [stream for name in stage.steps for stream in self.model.sheet.steps[name].takes]
        fed = Material.total(self.streams[stream] for stream in taken if stream in self.streams)
        if _all_caught(fed, Material.total(solved.caught.values())):
            first = stage.steps[0]
            line, column = self.model.sheet.places.get(first, (0, 0))
            raise SheetError([Mistake(
                f"nothing ever leaves the loop {_named(stage)}", "Give one of its steps a share or size that leaves",
                field=f"steps.{first}", file=self.model.sheet.file, line=line, column=column,
                code="loop_lets_nothing_out",
            )])  # fmt: skip
        returned = Material.total(solved.cuts.values()).solids
        fresh = np.where(fed.solids > 0, fed.solids, np.inf)
        for cut in stage.cuts:
            self.caught.append(Caught(stage.steps, cut, solved.caught[cut], np.asarray(returned / fresh)))


def _parts(draws: int | None) -> list[slice]:
    """Return slices of at most DRAWS_AT_ONCE draws, all of much the same length; one of all if there are none."""
    if not draws:
        return [slice(None)]
    ends = np.linspace(0, draws, -(-draws // DRAWS_AT_ONCE) + 1).astype(int)
    return [slice(int(a), int(b)) for a, b in pairwise(ends)]


def _paced(pace: Array, before: Array, gap: Array) -> Array:
    """Return how much of ``gap`` to go next, (..., 1, 1, 1), from how it changed since ``before``."""
    axes = (-3, -2, -1)
    change = gap - before
    along = (before * change).sum(axis=axes, keepdims=True)
    length = (change * change).sum(axis=axes, keepdims=True)
    asked = -pace * along / np.where(length > 0, length, np.inf)
    return np.where(length > 0, np.clip(asked, *PACES), pace)


def _all_caught(fed: Material, caught: Material) -> bool:
    solids, gold = np.max(fed.solids), np.max(fed.gold)
    return bool(
        solids > 0
        and np.all(caught.solids >= fed.solids * (1 - 1e-9))
        and (gold == 0 or np.all(caught.gold >= fed.gold * (1 - 1e-9)))
    )


def _named(stage: Stage) -> str:
    return " → ".join([*stage.steps, stage.steps[0]])
