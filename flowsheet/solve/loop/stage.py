"""One loop of a sheet: its steps' operators, settled where they depend on what is fed, and its exact answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from flowsheet.ore.arrays import Array, Draws, Mask
from flowsheet.ore.material import Material, some
from flowsheet.solve.loop.absorb import Solved, Streams, pack, solve_linear, unpack
from flowsheet.solve.loop.by_class import Passage, coarsens, solve_by_class
from flowsheet.solve.loop.fixed_point import MOST_TURNS, Answer, settle
from flowsheet.solve.loop.rock import rock_fed
from flowsheet.solve.loop.tuning import Tuned, Tuning
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.solve.slack import Deltas, slackened
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.steps.base import Operator

DRAWS_AT_ONCE = 100
"""A loop takes up to a third of a megabyte a draw, besides the streams themselves."""
AT_ONCE = 1 << 20
"""Numbers that are sought together where all that goes round is sought: turn upon turn of them is remembered."""
FEW_TURNS = 20
"""How long a loop is given that is only tried."""
ALL = slice(None)


@dataclass
class Loop:
    """A loop under way: ``streams`` are all that is known before it, ``unchecked`` takes operators to be checked."""

    model: Model
    inputs: Inputs
    stage: Stage
    streams: Mapping[str, Material]
    unchecked: list[tuple[str, Operator]]
    notes: list[Note] = field(default_factory=list)
    #: The operators in force, of each step, once the loop is solved; given, they are taken as they are.
    operators: Mapping[str, Operator] = field(default_factory=dict)
    #: Whether to go on where it hardly settles.
    patient: bool = True
    #: Draws that have not settled, (D,); None where all have.
    missed: Mask | None = None

    def __post_init__(self) -> None:
        self.classes = len(self.model.grid)
        self.takes = {name: self.model.takes[name] for name in self.stage.steps}
        self.taken = {stream for takes in self.takes.values() for stream in takes}
        self.outside = {stream: self.streams[stream] for stream in self.taken if stream in self.streams}
        self.bent = [name for name in self.stage.steps if self.model.step(name).hangs_on_feed()]

    def solve(self) -> tuple[Solved, dict[str, Material]]:
        """Return what the cuts carry and what is caught, and all that the steps give."""
        operators = dict(self.operators) or self._tuned()
        if not operators:
            operators = self._settled(self._start()) if self.bent else self._start()
        self.operators = operators
        parts = [self._part(operators, draws) for draws in _parts(self.inputs.draws)]
        solved = Solved(
            {cut: Material.join([one.cuts[cut] for one in parts]) for cut in self.stage.cuts},
            {cut: Material.join([one.caught[cut] for one in parts]) for cut in self.stage.cuts},
        )
        return solved, self._round(operators, {**self.outside, **solved.cuts})

    def feed(self, name: str, streams: Mapping[str, Material]) -> Material:
        """Return what a step is fed."""
        return Material.total(streams[stream] for stream in self.takes[name])

    # ── with operators that are known ───────────────────────────────────────────────────────────────────────

    def _part(self, operators: Mapping[str, Operator], draws: Draws) -> Solved:
        """Solve the loop for some of the draws."""
        mine = {name: operator.part(draws) for name, operator in operators.items()}
        return self._solved(mine, {stream: material.part(draws) for stream, material in self.outside.items()})

    def _solved(self, mine: Mapping[str, Operator], outside: Mapping[str, Material]) -> Solved:
        """Solve the loop with these operators."""
        if not any(map(coarsens, mine.values())):
            return solve_by_class(self._passages(mine), self.stage.cuts, outside, self.classes)
        nothing = dict.fromkeys(outside, Material.nothing(self.classes))
        leaving = [s for n in self.stage.steps for s in self.model.outlets[n].values() if s not in self.taken]

        def round_trip(cuts: Streams, with_feed: bool) -> dict[str, Material]:
            return self._round(mine, {**(outside if with_feed else nothing), **cuts})

        return solve_linear(round_trip, self.stage.cuts, leaving, self.classes)

    def _passages(self, operators: Mapping[str, Operator]) -> list[Passage]:
        return [Passage(self.takes[n], operators[n], self.model.outlets[n]) for n in self.stage.steps]

    def _round(self, operators: Mapping[str, Operator], streams: Mapping[str, Material]) -> dict[str, Material]:
        """Go through the steps once, from the cuts and what is fed from elsewhere; return all that the steps give."""
        given: dict[str, Material] = {}
        for name in self.stage.steps:
            # What a cut carries on is not what has just arrived there.
            given.update(self._give(name, operators[name], self.feed(name, {**given, **streams})))
        return given

    def _give(self, name: str, operator: Operator, feed: Material) -> dict[str, Material]:
        outlets = self.model.outlets[name]
        return {outlets[outlet]: material for outlet, material in operator(feed).items()}

    # ── operators that depend on what is fed ────────────────────────────────────────────────────────────────

    def _operator(self, name: str, feed: Material, draws: Draws = ALL, rock: bool = False) -> Operator:
        """Return the operator of a step for a feed; with the shares of ``rock`` alone, it is only passing."""
        values, site = self.inputs.values[name].part(draws), self.inputs.site.part(draws)
        slack = self.inputs.slack.get(name, Deltas()).part(draws)
        if rock:
            site = replace(site, grains_known=False)
            operator = self.model.operator(name, feed, values, site, shapes_only=True)
            return slackened(operator, replace(slack, gold={}))
        later = self.inputs.draws is None
        operator = self.model.operator(name, feed, values, site, shapes_only=later)
        if later:
            self.unchecked.append((name, operator))
        return slackened(operator, slack)

    def _start(self) -> dict[str, Operator]:
        """Return the operators of a first round in which nothing has come back yet."""
        streams = {**self.outside, **dict.fromkeys(self.stage.cuts, Material.nothing(self.classes))}
        operators = {}
        for name in self.stage.steps:
            feed = self.feed(name, streams)
            operators[name] = self._operator(name, feed)
            given = self._give(name, operators[name], feed)
            streams.update({stream: given[stream] for stream in given if stream not in self.stage.cuts})
        return operators

    def _tuned(self) -> dict[str, Operator]:
        """Return the operators of a loop whose bent steps hang on their feed by a few numbers each; none if it is not.

        That of a linear step is the same for every feed, so also for none.
        """
        if not self.bent or not all(self.model.step(name).by_rock_alone for name in self.bent):
            return {}
        nothing = Material.nothing(self.classes)
        linear = {n: self._operator(n, nothing) for n in self.stage.steps if n not in self.bent}
        if any(map(coarsens, linear.values())):
            return {}
        plain = self.inputs is self.model.plain
        center = None if plain else self.model.tunings.get(self.stage)
        others = {name: _rock_alone(operator) for name, operator in linear.items()}
        tuning = Tuning.of(self.model, self.inputs, self.stage, self.bent, others, self.outside, center)
        if tuning is None:
            return {}
        numbers, settled, inverse = tuning.numbers(self.patient)
        if plain and settled.all():
            self.model.tunings[self.stage] = Tuned(numbers[0], inverse[0], tuning.place)
        if not settled.all():
            self._note_not_settled(settled)
        return {**linear, **self._checked(tuning.operators(numbers))}

    def _settled(self, operators: dict[str, Operator]) -> dict[str, Operator]:
        """Find the operators of the steps that depend on their feed, such that they get the feed they were made for.

        A fixed point: a feed makes the operators, and they (with the loop solved exactly) make the feed. Where the
        steps ask for no more than the rock of it, the gold is left out until that is found.
        """
        rock = all(self.model.step(name).by_rock_alone for name in self.bent)
        rock = rock and not any(map(coarsens, operators.values()))
        others = {name: _rock_alone(operator) if rock else operator for name, operator in operators.items()}
        scale = self._scale(rock)
        first = self._fed(operators, ALL, rock) / scale
        drawn = len(first) == self.inputs.draws

        def made(guess: Array, draws: Draws, rock_alone: bool) -> dict[str, Operator]:
            """Return the operators of the bent steps for some draws, made for what they are guessed to be fed."""
            fed = (guess.reshape(-1, *first.shape[1:]) * some(scale, draws, 3)).swapaxes(0, 1)
            feeds = [_material(packed if drawn else packed[0], rock, self.classes) for packed in fed]
            return {n: self._operator(n, feed, draws, rock_alone) for n, feed in zip(self.bent, feeds, strict=True)}

        def comes(guess: Array, draws: npt.NDArray[np.intp]) -> Array:
            mine = {n: operator.part(draws) for n, operator in others.items() if n not in self.bent}
            fed = self._fed({**mine, **made(guess, draws, rock)}, draws, rock) / some(scale, draws, 3)
            return np.broadcast_to(fed, (len(guess), *first.shape[1:])).reshape(len(guess), -1)

        guesses = first.reshape(len(first), -1)
        most = MOST_TURNS if self.patient else FEW_TURNS
        found, settled = np.empty(guesses.shape), np.empty(len(guesses), dtype=bool)
        for part in _slices(len(guesses), max(1, AT_ONCE // guesses.shape[1])):
            ask = partial(_of_part, comes, part.start)
            found[part], settled[part] = settle(guesses[part], ask, most=most)
        if not settled.all():
            self._note_not_settled(settled)
        return {**operators, **made(found, ALL, False)}

    def _checked(self, operators: dict[str, Operator]) -> dict[str, Operator]:
        """Check operators that were not made by ``Model.operator``, now or, of a plain solve, with all others."""
        if self.inputs.draws is None:
            self.unchecked.extend(operators.items())
        else:
            self.model.check_numbers(list(operators.items()))
        return operators

    def _fed(self, operators: Mapping[str, Operator], draws: Draws, rock: bool) -> Array:
        """Return what the bent steps are fed, (D, steps, blocks, S): light and heavy rock, or all that a feed is."""
        outside = {stream: material.part(draws) for stream, material in self.outside.items()}
        if rock:
            which = [self.stage.steps.index(name) for name in self.bent]
            return rock_fed(self._passages(operators), self.stage.cuts, outside, self.classes, which)
        feeds = []
        for part in _parts(len(draws) if isinstance(draws, np.ndarray) else self.inputs.draws):
            mine = {name: operator.part(part) for name, operator in operators.items()}
            sources = {stream: material.part(part) for stream, material in outside.items()}
            solved = self._solved(mine, sources)
            streams = {**sources, **self._round(mine, {**sources, **solved.cuts}), **solved.cuts}
            packed = [pack(self.feed(name, streams)) for name in self.bent]
            feeds.append(np.stack(np.broadcast_arrays(*packed), axis=-3))
        return np.concatenate(feeds) if feeds[0].ndim > 3 else feeds[0][None]

    def _scale(self, rock: bool) -> Array:
        """Return what is fed to the sheet: rock for blocks of rock, gold for those of it, (..., 1, blocks, 1)."""
        fed = Material.total(self.inputs.feeds.values())
        solids, gold = (np.maximum(amount, 1e-300)[..., None] for amount in (fed.solids, fed.gold))
        blocks = [solids, solids, *([] if rock else [gold] * self.classes)]
        return np.concatenate(np.broadcast_arrays(*blocks), axis=-1)[..., None, :, None]

    def _note_not_settled(self, settled: Mask) -> None:
        sentence = (
            "the loop {loop} had not settled after {turns} turns{where}, so its split is approximate; "
            "perhaps its steps let out less than is fed to it. Let more out, or give {steps} a setting or shares of "
            "its own in place of what it should come to."
        )
        self.missed = ~settled
        missed, draws = np.count_nonzero(~settled), len(settled)
        where = f" in {missed} of {draws} draws" if draws > 1 else ""
        told = {"loop": named(self.stage), "turns": MOST_TURNS, "where": where, "steps": " or ".join(self.bent)}
        self.notes.append(note("loop_not_settled", sentence, Subject(step=self.stage.steps[0]), **told))


def named(stage: Stage) -> str:
    """Return how a loop is called."""
    return " → ".join([*stage.steps, stage.steps[0]])


def _material(packed: Array, rock: bool, classes: int) -> Material:
    """Return the material of a feed's blocks; of rock alone, without gold."""
    if not rock:
        return unpack(packed)
    nothing = Material.nothing(classes)
    return Material(packed[..., 0, :], packed[..., 1, :], nothing.free, nothing.locked)


def _rock_alone(operator: Operator) -> Operator:
    """Return an operator without its shares of gold."""
    none = Material.nothing(1)
    shares = {outlet: Material(s.light, s.heavy, none.free, none.locked) for outlet, s in operator.shares.items()}
    return replace(operator, shares=shares)


def _parts(draws: int | None) -> list[slice]:
    """Return slices of at most DRAWS_AT_ONCE draws, all of much the same length; one of all if there are none."""
    return _slices(draws, DRAWS_AT_ONCE) if draws else [ALL]


def _of_part(answer: Answer, start: int, guess: Array, draws: npt.NDArray[np.intp]) -> Array:
    """Return the answer for draws that are counted from ``start``."""
    return answer(guess, draws + start)


def _slices(draws: int, most: int) -> list[slice]:
    """Return slices of at most ``most`` draws, all of much the same length."""
    ends = np.linspace(0, draws, -(-draws // most) + 1).astype(int)
    return [slice(int(a), int(b)) for a, b in pairwise(ends)]
