"""A loop whose steps' shares hang on what they are fed by a few numbers each: gaps, presentations, shares.

These are sought, by the rock alone (``fixed_point.tuned``), in place of all that goes round: twenty of them tell what
a thousand amounts of rock by size would.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from flowsheet.ore.arrays import Array, Draws, Mask
from flowsheet.ore.material import Material
from flowsheet.solve.loop.by_class import Passage
from flowsheet.solve.loop.fixed_point import MOST_CORRECTIONS, RIGHT, Ends, settle, tuned
from flowsheet.solve.loop.rock import rock_fed
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.network import Stage
from flowsheet.solve.slack import Deltas, slackened
from flowsheet.steps.base import Operator, Site, Values

ALL = slice(None)
#: A step's name, its own operator, its feed, its numbers and the site → something of each of its numbers, (..., K).
Ask: TypeAlias = Callable[[str, Operator, Material, Values, Site], Array]

MANY, RIGHT_OF_MANY = 100, 1e-9
"""Of so many draws, none is told by itself: their numbers need be no better, and the last step then tells more yet."""
AT_ONCE = 100
"""Draws whose rock is sent round together."""


@dataclass(frozen=True)
class Tuned:
    """The numbers (K,) of a loop at the sheet's own values, and the inverse of how far they are off with them."""

    numbers: Array
    inverse: Array
    #: Step → its own of the numbers.
    place: Mapping[str, slice]


@dataclass(frozen=True)
class Tuning:
    """A loop's steps that are to be tuned; ``others`` are the operators of its other steps, of rock alone."""

    model: Model
    inputs: Inputs
    stage: Stage
    bent: Sequence[str]
    others: Mapping[str, Operator]
    outside: Mapping[str, Material]
    #: What the loop comes to at the sheet's own values, from which draws set out.
    center: Tuned | None
    #: Step → its own of the K numbers.
    place: Mapping[str, slice]
    start: Array
    ends: Ends

    @classmethod
    def of(
        cls,
        model: Model,
        inputs: Inputs,
        stage: Stage,
        bent: Sequence[str],
        others: Mapping[str, Operator],
        outside: Mapping[str, Material],
        center: Tuned | None,
    ) -> Tuning | None:
        """Return the tuning of a loop; None if one of its ``bent`` steps does not hang on its feed by a few numbers.

        Without a ``center`` it sets out from what the steps call for in a first round, in which nothing comes back.
        """
        site = replace(inputs.site, grains_known=False)
        if center is not None:
            ends = [model.step(name).tuning_ends(site) for name in center.place]
            start = np.array(np.broadcast_to(center.numbers, (inputs.draws or 1, len(center.numbers))))
            return cls(model, inputs, stage, bent, others, outside, center, center.place, start, _joined(ends))
        streams = {stream: _rock(material.light, material.heavy) for stream, material in outside.items()}
        streams |= dict.fromkeys(stage.cuts, Material.nothing(len(model.grid)))
        place: dict[str, slice] = {}
        found: list[Array] = []
        ends = []
        k = 0
        for name in stage.steps:
            step, values = model.step(name), inputs.values[name]
            feed = Material.total(streams[stream] for stream in model.takes[name])
            operator = others.get(name)
            if operator is None:
                numbers = step.tuned(feed, values, site)
                if numbers is None:
                    return None
                place[name] = slice(k, k := k + numbers.shape[-1])
                found.append(numbers)
                ends.append(step.tuning_ends(site))
                operator = step.with_factors(partial(step.model_at, numbers, values, site), values, site)
            given = operator(feed)
            streams |= {s: given[outlet] for outlet, s in model.outlets[name].items() if s not in stage.cuts}
        start = np.concatenate([np.broadcast_to(n, (inputs.draws or 1, n.shape[-1])) for n in found], axis=-1)
        return cls(model, inputs, stage, bent, others, outside, None, place, start, _joined(ends))

    def numbers(self, patient: bool) -> tuple[Array, Mask, Array]:
        """Return the numbers (D, K) at which no step is off, of which draws they are, and the inverse slopes there.

        ``patient``: where that does not find them, each step is set to what it is fed, round after round.
        """
        start, inverse = self.start, self.center.inverse if self.center is not None else None
        most = MOST_CORRECTIONS if patient else MOST_CORRECTIONS // 2
        right = RIGHT_OF_MANY if len(start) > MANY else RIGHT
        found, settled, inverse = tuned(start, self._off, self.ends, inverse, most, right)
        if patient and not settled.all():
            start[settled] = found[settled]
            found, settled = settle(start, self._called, settled, self.ends)
        return found, settled, inverse

    def operators(self, numbers: Array) -> dict[str, Operator]:
        """Return the operators in force of the bent steps at ``numbers`` (D, K)."""
        own = self._own(numbers, ALL, self.inputs.site)
        return {name: self._in_force(name, one, ALL, self.inputs.site, True) for name, one in own.items()}

    def _own(self, numbers: Array, draws: Draws, site: Site) -> dict[str, Operator]:
        """Return what the bent steps' models are at some numbers, without the sheet's factors."""
        if self.inputs.draws is None and len(numbers) == 1:
            numbers = numbers[0]
        return {
            name: self.model.step(name).model_at(numbers[..., at], self.inputs.values[name].part(draws), site)
            for name, at in self.place.items()
        }

    def _in_force(self, name: str, own: Operator, draws: Draws, site: Site, gold: bool) -> Operator:
        slack = self.inputs.slack.get(name, Deltas()).part(draws)
        found = self.model.step(name).with_factors(lambda: own, self.inputs.values[name].part(draws), site)
        return slackened(found, slack if gold else replace(slack, gold={}))

    def _off(self, numbers: Array, draws: npt.NDArray[np.intp]) -> Array:
        """Return how far ``numbers`` (A, K) of some draws are off, (A, K)."""

        def off(name: str, own: Operator, feed: Material, values: Values, site: Site) -> Array:
            return self.model.step(name).off(own, feed, values, site)

        return self._each(numbers, draws, off)

    def _called(self, numbers: Array, draws: npt.NDArray[np.intp]) -> Array:
        """Return what numbers the feeds call for that come of ``numbers`` (A, K) of some draws, (A, K)."""

        def called(name: str, own: Operator, feed: Material, values: Values, site: Site) -> Array:
            found = self.model.step(name).tuned(feed, values, site)
            return np.zeros(0) if found is None else found

        return self._each(numbers, draws, called)

    def _each(self, numbers: Array, draws: npt.NDArray[np.intp], ask: Ask) -> Array:
        """Ask each bent step, with its own operator and its feed, at some numbers (A, K) of some draws."""
        whole = len(draws) == self.inputs.draws and np.array_equal(draws, np.arange(len(draws)))
        found = []
        for a in range(0, len(numbers), AT_ONCE):
            b = min(a + AT_ONCE, len(numbers))
            some = slice(a, b) if whole else draws[a:b]
            asked = self._each_of(numbers[a:b], some, ask)
            found.append(np.concatenate([np.broadcast_to(one, (b - a, one.shape[-1])) for one in asked], axis=-1))
        return np.concatenate(found)

    def _each_of(self, numbers: Array, draws: Draws, ask: Ask) -> list[Array]:
        site = replace(self.inputs.site.part(draws), grains_known=False)
        own = self._own(numbers, draws, site)
        mine = {name: operator.part(draws) for name, operator in self.others.items()}
        mine |= {name: self._in_force(name, one, draws, site, False) for name, one in own.items()}
        passages = [Passage(self.model.takes[n], mine[n], self.model.outlets[n]) for n in self.stage.steps]
        outside = {stream: material.part(draws) for stream, material in self.outside.items()}
        which = [self.stage.steps.index(name) for name in self.bent]
        fed = rock_fed(passages, self.stage.cuts, outside, len(self.model.grid), which)
        feeds = {name: _rock(fed[:, t, 0], fed[:, t, 1]) for t, name in enumerate(self.bent)}
        return [
            np.atleast_2d(ask(name, own[name], feeds[name], self.inputs.values[name].part(draws), site))
            for name in self.place
        ]


def _joined(ends: Sequence[tuple[Array, Array]]) -> Ends:
    return Ends(*(np.concatenate(side) for side in zip(*ends, strict=True)))


def _rock(light: Array, heavy: Array) -> Material:
    """Return rock without gold."""
    nothing = Material.nothing(light.shape[-1])
    return Material(light, heavy, nothing.free, nothing.locked)
