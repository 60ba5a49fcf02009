"""What is unknown of a test: the numbers in doubt, the grade, how richness goes with size, grain sizes, and slack.

Each unknown is a coordinate z with a standard normal prior, but for the grade where gold was weighed: √g times
Student's t in log g, so wide that a guess that is five times off does not matter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.slack import GOLD, ROCK
from flowsheet.spec.blocks.grain_doubts import clusters_of
from flowsheet.spec.blocks.measurement import PICKED
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.slack import Slack
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.common.uncertain_inputs import doubtful, limits, slack_name, tilt_name

GRADE_SCALE, GRADE_DEGREES = 1.2, 3.0
"""Of Student's t in log g: with these a guess five times too low or too high still lies well within. Typical, set your
own by weighing gold: then the guess hardly counts."""
FAR, MOST_GRADE = 30.0, 0.999
"""Logs of the grade beyond which nobody looks; and no ore is all of gold."""
GUESS = 0.5
"""Relative doubt of a grade that is given without one, where no gold was weighed: typical, set your own."""
SPREAD, SPREAD_DOUBT = "spread:sacks", 0.5
"""How far sacks differ is in doubt by so much of its logarithm: typical, set your own spread."""
SIZE, WIDTH = "grains:size", "grains:spread"
REACH, REACH_OF_SIZES = 40.0, 12.0
"""Standard deviations beyond which no coordinate is followed: what they stand for would overflow."""
LEAST = 1e-7
"""No feed weighs less than this share of what the scale read."""


@dataclass(frozen=True)
class Target:
    """One side of a step's slack for D draws, (D, outlets) log odds, and its prior.

    Where weights tell the step's mean share, ``at`` counts from the log odds of that in the plain solve; else it is δ
    but for the ``shift``.
    """

    at: Array
    sd: float
    shift: float

    @property
    def delta(self) -> Array:
        """δ of each outlet, (D, outlets), for a step of which weights do not tell the mean share."""
        return self.at + self.middle

    @property
    def middle(self) -> Array:
        """What δ is before anything is known, (outlets,): the first outlet's gold is off by ``shift``."""
        found = np.full(self.at.shape[-1], -self.shift / 2)
        found[0] = self.shift / 2
        return found


@dataclass(frozen=True)
class Drawn:
    """What a table of unknowns says: numbers by name and each step's slack, in D draws."""

    values: dict[str, Array]
    slack: dict[tuple[str, str], Target]
    sacks: dict[str, Array]
    #: (test, stream) out of which metal was picked → coordinate of which sizes, (D,).
    picked: dict[tuple[str, str], Array]


@dataclass(frozen=True)
class Unknowns:
    """The coordinates by name, and what a table of them (D, K) means."""

    model: Model
    names: tuple[str, ...]
    #: Whether any weight speaks of gold.
    weighs_gold: bool
    #: (step, "rock" or "gold") whose mean share the weights tell.
    told: frozenset[tuple[str, str]]
    #: Numbers that a weighing stands in for, the feed's mass say.
    replaced: Mapping[str, Number] = field(default_factory=dict)
    #: Relative doubt between the sacks of several tests.
    spread: float = 0.0
    #: (test, stream) out of which metal was picked.
    picked: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(
        cls,
        model: Model,
        weighs_gold: bool,
        told: frozenset[tuple[str, str]] = frozenset(),
        replaced: Mapping[str, Number] | None = None,
        tests: tuple[str, ...] = (),
        spread: float = 0.0,
        picked: tuple[tuple[str, str], ...] = (),
    ) -> Unknowns:
        """Gather the unknowns of a sheet; ``tests``: several, each of a sack of its own."""
        sheet = model.sheet
        replaced = replaced or {}
        numbers = {**doubtful(sheet), **{n: number for n, number in replaced.items() if number.doubtful}}
        names = [name for name in numbers if not name.endswith(".grade") or name not in _grades(sheet)]
        names += list(_grades(sheet))
        names += [name for name, number in _tilts(sheet).items() if model.grid.sized and number.doubtful]
        if model.grains_known:
            size, wide = _grain_doubts(sheet)
            names += [SIZE] * (size > 0) + [WIDTH] * (wide > 0)
        else:
            names += [SIZE]
        for name, step in sheet.steps.items():
            slack = step.slack_of()
            for what, sd in ((ROCK, slack.rock), (GOLD, slack.gold)):
                names += [f"{name}:{what}:{i}" for i in range(len(step.outlets) - 1)] if sd > 0 else []
        if len(tests) > 1 and spread > 0:
            names += [f"sack:{test}" for test in tests] + [SPREAD]
        names += [f"{PICKED}:{i}" for i in range(len(picked))]
        return cls(model, tuple(names), weighs_gold, told, replaced, spread, picked)

    @property
    def grade_rows(self) -> list[int]:
        """Places of the grades among the coordinates."""
        grades = _grades(self.model.sheet)
        return [i for i, name in enumerate(self.names) if name in grades]

    @property
    def own_prior(self) -> Array:
        """Which coordinates have their standard normal prior (K,): the solve counts that of slack that weights tell."""
        parts = [name.split(":") for name in self.names]
        return np.array([not (len(p) == 3 and (p[0], p[1]) in self.told) for p in parts], dtype=bool)

    def log_prior(self, z: Array) -> Array:
        """Return the log prior density of ``z`` (D, K), up to a constant, (D,); without that of slack that is told."""
        found = -0.5 * (z[:, self.own_prior] ** 2).sum(axis=-1)
        for i in self.grade_rows if self.weighs_gold else ():
            u = z[:, i]
            found = found + 0.5 * u**2 + 0.5 * GRADE_SCALE * u
            found = found - (GRADE_DEGREES + 1) / 2 * np.log1p(u**2 / GRADE_DEGREES)
        return np.asarray(found)

    def drawn(self, z: Array) -> Drawn:
        """Return what a table (D, K) says."""
        sheet, bounds, numbers = self.model.sheet, limits(self.model.sheet), doubtful(self.model.sheet)
        grades, tilts = _grades(sheet), _tilts(sheet)
        sizes = {SIZE, WIDTH, SPREAD, *(f"{PICKED}:{i}" for i in range(len(self.picked)))}
        reach = {name: REACH_OF_SIZES if name in sizes else REACH for name in self.names}
        at = {name: np.clip(z[:, i], -reach[name], reach[name]) for i, name in enumerate(self.names)}
        values: dict[str, Array] = {}
        for name, u in at.items():
            if name in grades:
                values[name] = self._grade(grades[name], u)
            elif name in tilts:
                values[name] = _between(tilts[name], u, (-3.0, 3.0))
            elif name in self.replaced:
                values[name] = _between(self.replaced[name], u, (LEAST * self.replaced[name].value, np.inf))
            elif name in numbers:
                values[name] = _between(numbers[name], u, bounds[name])
        values.update({name: np.full(len(z), n.value) for name, n in self.replaced.items() if name not in values})
        for name, number in tilts.items():
            if name not in values and number.value:
                values[name] = np.full(len(z), number.value)
        if self.model.grains_known:
            values.update(self._grains(values, at, len(z)))
        sigma = math.sqrt(math.log1p(self.spread**2)) * np.exp(SPREAD_DOUBT * at.get(SPREAD, np.zeros(len(z))))
        off = {name.partition(":")[2]: u for name, u in at.items() if name.startswith("sack:")}
        sacks = {test: np.exp(np.clip(sigma * u - sigma**2 / 2, -FAR, FAR)) for test, u in off.items()}
        picked = {one: at[f"{PICKED}:{i}"] for i, one in enumerate(self.picked)}
        return Drawn(values, self._slack(at), sacks, picked)

    def _grade(self, number: Number, u: Array) -> Array:
        if self.weighs_gold:
            return np.minimum(number.value * np.exp(np.clip(GRADE_SCALE * u, -FAR, FAR)), MOST_GRADE)
        if number.low is not None and number.high is not None:
            return _even(number.low, number.high, u)
        relative = number.sd / number.value if number.told_doubt and number.value > 0 else GUESS
        sigma = math.sqrt(math.log1p(relative**2))
        # The guess is the mean, and the doubt its standard deviation.
        return np.minimum(number.value * np.exp(np.clip(sigma * u - sigma**2 / 2, -FAR, FAR)), MOST_GRADE)

    def _grains(self, values: Mapping[str, Array], at: Mapping[str, Array], draws: int) -> dict[str, Array]:
        """Return d50 and d95 of each ore's gold, with the factors that they have in common."""
        sheet, found = self.model.sheet, {}
        for name, ore in sheet.ores.items():
            gold = ore.gold
            if gold is None or gold.d50 is None or gold.d95 is None:
                continue
            doubts, where = gold.doubts(), f"{sheet.field_of(name)}.gold"
            d50 = values.get(f"{where}.d50", np.full(draws, gold.d50.value))
            d95 = values.get(f"{where}.d95", np.full(draws, gold.d95.value))
            wide = np.log(np.maximum(d95 / d50, 1.0001))
            if SIZE in at and not doubts.size_told:
                d50 = d50 * np.exp(doubts.size_sd * at[SIZE])
            if WIDTH in at and not doubts.spread_told:
                wide = wide * np.exp(doubts.spread_sd * at[WIDTH])
            found[f"{where}.d50"], found[f"{where}.d95"] = d50, d50 * np.exp(wide)
        return found

    def _slack(self, at: Mapping[str, Array]) -> dict[tuple[str, str], Target]:
        found = {}
        for name, step in self.model.sheet.steps.items():
            slack: Slack = step.slack_of()
            for what, sd in ((ROCK, slack.rock), (GOLD, slack.gold)):
                n = len(step.outlets)
                mine = [at[f"{name}:{what}:{i}"] for i in range(n - 1) if f"{name}:{what}:{i}" in at]
                if mine:
                    # Pairwise logs of the shares then have the standard deviation that the slack tells.
                    moves = sd / math.sqrt(2) * np.stack(mine, axis=-1) @ contrasts(n)
                    shift = slack.gold_shift if what == GOLD else 0.0
                    found[name, what] = Target(moves, sd, shift)
        return found


def slack_values(model: Model, deltas: Mapping[tuple[str, str], Array], draws: int) -> dict[str, Array]:
    """Return each δ, (D, outlets) by step and side, by its name."""
    found = {}
    for (step, what), delta in deltas.items():
        for i, outlet in enumerate(model.sheet.steps[step].outlets):
            found[slack_name(step, what, outlet)] = np.broadcast_to(delta[..., i], (draws,))
    return found


def lying_together(model: Model, cluster: Array | None) -> dict[str, Array]:
    """Return how many grains lie together, (D,), by the names of the steps' numbers of it."""
    if cluster is None or not model.grains_known or np.ptp(cluster) == 0:
        return {}
    together = {name: step.together_by for name, step in model.sheet.steps.items()}
    return {f"{name}.{number}": cluster for name, number in together.items() if number}


def contrasts(n: int) -> Array:
    """Return n - 1 orthonormal contrasts of n outlets, (n - 1, n)."""
    basis = np.zeros((n - 1, n))
    for i in range(n - 1):
        basis[i, : i + 1], basis[i, i + 1] = -1.0, i + 1.0
        basis[i] /= np.linalg.norm(basis[i])
    return basis


def _between(number: Number, u: Array, ends: tuple[float, float]) -> Array:
    if number.low is not None and number.high is not None:
        return _even(number.low, number.high, u)
    return np.clip(number.value + number.sd * u, *ends)


def _even(low: float, high: float, u: Array) -> Array:
    """Return what is as likely anywhere between two ends, of a normal ``u``."""
    # Not that of scipy: a run without weights need not load it.
    below = np.fromiter((math.erf(x) for x in (u / math.sqrt(2)).ravel()), dtype=float, count=u.size)
    return np.asarray(low + (high - low) * (0.5 + 0.5 * below.reshape(u.shape)))


def _grades(sheet: Sheet) -> dict[str, Number]:
    return {f"{sheet.field_of(n)}.grade": ore.grade for n, ore in sheet.ores.items() if ore.grade is not None}


def cluster_law(sheet: Sheet) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return how many grains may lie together, and the chance of each: the sheet's own word, else what is typical."""
    stated = [step.lie_together() for step in sheet.steps.values()]
    if max(stated, default=1.0) > 1.0:
        return (max(stated),), (1.0,)
    told = [ore.gold.cluster for ore in sheet.ores.values() if ore.gold is not None and ore.gold.cluster is not None]
    return clusters_of(told[0] if told else None)


def _tilts(sheet: Sheet) -> dict[str, Number]:
    return {tilt_name(sheet, n): ore.tilt for n, ore in sheet.ores.items()}


def _grain_doubts(sheet: Sheet) -> tuple[float, float]:
    """Return the largest assumed doubt of any ore's grain sizes, and of their spread; told ones are numbers."""
    doubts = [ore.gold.doubts() for ore in sheet.ores.values() if ore.gold is not None]
    size = max((one.size_sd for one in doubts if not one.size_told), default=0.0)
    return size, max((one.spread_sd for one in doubts if not one.spread_told), default=0.0)
