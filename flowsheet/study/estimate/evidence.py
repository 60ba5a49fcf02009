"""What a fit weighs against each other: the numbers given with doubt, and all that was measured in one test or several.

A weigh sheet is one test: a sack of the same ore, run through the same steps, at its own feed mass if it tells that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.measurement import GRAINS, MASS, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import units
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.number_with_doubt import Number, written
from flowsheet.spec.text.wording import asking
from flowsheet.study.common.uncertain_inputs import doubtful, inputs_with, limits, mass_name, meanings
from flowsheet.study.estimate import predicted_weights

DRAWS_AT_ONCE = 256
LEAST = 1e-6
"""No feed weighs less than this share of what the scale read."""


@dataclass(frozen=True)
class Unknown:
    """A parameter: its prior (normal, cut off at the bounds, or even between them), in SI."""

    name: str
    number: Number
    lower: float
    upper: float
    what: str = ""
    #: The test whose feed this is the mass of; None for a number of the sheet.
    test: int | None = None
    test_name: str = ""
    #: What the sheet says of a feed's mass, where that was weighed and ``number`` is what the scale read.
    stated: str = ""

    @property
    def label(self) -> str:
        """Return how a table calls it."""
        return self.name if self.test is None else f"{self.name} ({self.test_name or 'the sheet'})"

    @property
    def even(self) -> bool:
        """Whether any value within the bounds is as likely."""
        return self.number.low is not None


@dataclass(frozen=True, eq=False)
class Evidence:
    """A sheet, its unknowns and its measurements, ready to be solved for many sets of parameters at once."""

    model: Model
    unknowns: tuple[Unknown, ...]
    measured: tuple[Measurement, ...]
    #: The measurements of each test.
    tests: tuple[tuple[int, ...], ...]
    #: (K,): variances of the measurements themselves; a count has none but its luck.
    variance: Array
    #: What was measured that the sheet knows too little to say anything of.
    unused: tuple[Measurement, ...] = ()
    #: Numbers given with doubt that move what was measured only in jumps: no fit can follow, so they stay.
    jumping: tuple[Unknown, ...] = ()

    @classmethod
    def of(cls, sheet: Sheet, measured: Sequence[Measurement], openings: Sequence[float] = ()) -> Evidence:
        """Gather the evidence. A feed's mass that was weighed is that test's own unknown if there are several tests or
        the sheet gives the mass without doubt, else it stands in for the sheet's: both are one weighing.
        """
        model = Model.of(sheet, {*predicted_weights.sieves(measured), *openings})
        unused = tuple(m for m in measured if not predicted_weights.foretold(model, m))
        measured = [m for m in measured if m not in unused]
        names = list(dict.fromkeys(m.test for m in measured))
        tests = tuple(tuple(k for k, m in enumerate(measured) if m.test == name) for name in names)
        bounds, words = limits(sheet), meanings(sheet)
        found = [Unknown(name, n, *bounds[name], words[name]) for name, n in doubtful(sheet).items()]
        dropped: set[int] = set()
        for t, test in enumerate(tests):
            for k in test:
                m = measured[k]
                if m.what != MASS or m.stream not in sheet.ores:
                    continue
                name, ends = mass_name(sheet, m.stream), (LEAST * m.value, np.inf)
                if len(tests) == 1 and name in bounds:
                    stated = sheet.ores[m.stream].mass
                    number = stated.rewritten(m.value, m.sd)
                    at = next(i for i, u in enumerate(found) if u.name == name)
                    found[at] = Unknown(name, number, *ends, words[name], stated=stated.text)
                    dropped.add(k)
                elif (name, t) not in {(u.name, u.test) for u in found}:
                    number = replace(written(m.value, "kg", units.MASS), sd=m.sd)
                    found.append(Unknown(name, number, *ends, "mass of the feed", t, names[t]))
                    dropped.add(k)
        variance = np.array([0.0 if m.what == GRAINS else m.sd**2 for m in measured])
        kept = tuple(k for k in range(len(measured)) if k not in dropped)
        new = {k: i for i, k in enumerate(kept)}
        return cls(
            model,
            tuple(found),
            tuple(measured[k] for k in kept),
            tuple(tuple(new[k] for k in test if k in new) for test in tests),
            variance[np.array(kept, dtype=int)],
            unused,
        )

    @property
    def prior(self) -> Array:
        """Prior values, (n,)."""
        return np.array([u.number.value for u in self.unknowns])

    @property
    def prior_sd(self) -> Array:
        """Prior standard deviations, (n,)."""
        return np.array([u.number.sd for u in self.unknowns])

    @property
    def lower(self) -> Array:
        """Lower bounds, (n,)."""
        return np.array([u.lower for u in self.unknowns])

    @property
    def upper(self) -> Array:
        """Upper bounds, (n,)."""
        return np.array([u.upper for u in self.unknowns])

    @property
    def even(self) -> Array:
        """Which priors are even, (n,)."""
        return np.array([u.even for u in self.unknowns], dtype=bool)

    @property
    def values(self) -> Array:
        """What was measured, (K,)."""
        return np.array([m.value for m in self.measured])

    def without_jumps(self) -> Evidence:
        """Set aside the numbers with which what was measured does not change but in jumps."""
        if not self.measured or not self.unknowns:
            return self
        sd = np.sqrt(np.diag(self.covariance(self.prior)))
        reach = np.linspace(-2, 2, LOOKS)[:, None]
        found = []
        for i, unknown in enumerate(self.unknowns):
            sets = np.clip(self.prior + reach * self.prior_sd * np.eye(len(self.prior))[i], self.lower, self.upper)
            moved = np.abs(np.diff(self.predicted(sets) / sd, axis=0)).max(axis=1) > STILL
            if moved.any() and not np.any(moved[1:] & moved[:-1]):
                found.append(unknown)
        left = tuple(unknown for unknown in self.unknowns if unknown not in found)
        return replace(self, unknowns=left, jumping=tuple(found))

    def solution(self, sets: Array) -> Solution:
        """Solve every test for every one of the parameter ``sets`` (P, n): P × T draws, tests running fastest."""
        tests = len(self.tests)
        values: dict[str, Array] = {}
        for i, unknown in enumerate(self.unknowns):
            drawn = np.repeat(sets[:, i], tests)
            if unknown.test is None:
                values[unknown.name] = drawn
        for i, unknown in enumerate(self.unknowns):
            if unknown.test is not None:
                stated = masses(self.model.sheet)[unknown.name].value
                shared = values.get(unknown.name, np.full(len(sets) * tests, stated))
                own = np.tile(np.arange(tests) == unknown.test, len(sets))
                values[unknown.name] = np.where(own, np.repeat(sets[:, i], tests), shared)
        return solve(self.model, inputs_with(self.model, values, len(sets) * tests))

    def predicted(self, sets: Array) -> Array:
        """Return what every measurement should be for each of the ``sets`` (P, n), shape (P, K)."""
        at_once = max(1, DRAWS_AT_ONCE // len(self.tests))
        return np.concatenate([self._predicted(sets[i : i + at_once]) for i in range(0, len(sets), at_once)])

    def _predicted(self, sets: Array) -> Array:
        all_tests = predicted_weights.predict(self.solution(sets), self.measured).reshape(
            len(sets), len(self.tests), -1
        )
        found = np.empty((len(sets), len(self.measured)))
        for t, mine in enumerate(self.tests):
            found[:, list(mine)] = all_tests[:, t, list(mine)]
        return found

    def covariance(self, x: Array) -> Array:
        """Return the covariance (K, K) of the measurements at parameters ``x`` (n,): their own doubt and luck."""
        luck = predicted_weights.luck(self.solution(x[None]), self.measured, self.tests)
        counts = np.array([m.what == GRAINS for m in self.measured])
        # Of a count of which next to none is expected, the square of the misfit must not outweigh all else.
        least = np.where(counts, np.maximum(LEAST_COUNT - np.diag(luck), 0.0), 0.0)
        return np.asarray(luck + np.diag(self.variance + least))


LOOKS = 41
"""Values of a number, over two standard deviations both ways, at which jumps are looked for."""
STILL = 1e-9
"""Change (in standard deviations of the measurements) that is none."""
LEAST_COUNT = 0.1
"""Variance (grains squared) below which the luck of a count is not taken."""


def masses(sheet: Sheet) -> dict[str, Number]:
    """Return the masses of the ores by name."""
    return {mass_name(sheet, name): ore.mass for name, ore in sheet.ores.items()}


def refuse_nothing(sheet: Sheet, evidence: Evidence) -> None:
    """Raise SheetError where no number is in doubt, or nothing was weighed."""
    if not any(u.test is None for u in evidence.unknowns):
        name, ore = next(iter(sheet.ores.items()))
        grade = ore.grade.text if ore.grade is not None else "22 g/t"
        raise SheetError([Mistake(
            "no number of the sheet has a doubt, so there is none to fit",
            f"Say how sure you are of those that you guessed, as grade: {grade} ± 30 %",
            field=f"{sheet.field_of(name)}.grade", file=sheet.file,
            code="nothing_in_doubt",
        )])  # fmt: skip
    if not evidence.measured:
        raise SheetError([Mistake(
            "nothing but feeds was weighed, so there is nothing to fit the sheet to" if evidence.tests else
            "nothing was weighed, so there is nothing to fit the sheet to",
            f"Add weighed: {{{(sheet.keep or ('tails',))[0]}: {{mass: …}}}}, with what you weighed or had assayed",
            field="weighed", file=sheet.file, code="nothing_to_fit_to"
        )])  # fmt: skip


def refuse_jumps(sheet: Sheet, evidence: Evidence) -> None:
    """Raise SheetError where all that is in doubt moves the weights in jumps alone."""
    if not any(u.test is None for u in evidence.unknowns):
        name, number = evidence.jumping[0].name, evidence.jumping[0].number
        raise SheetError([Mistake(
            "what was weighed moves with it only in jumps, from one size class to the next, which a fit cannot follow",
            f"Try some values with {asking('try')}, or give other numbers a doubt too", field=name, read=number.text,
            file=sheet.file, code="moves_in_jumps"
        )])  # fmt: skip
