"""What to weigh next: what would make an unknown stream known, and what would tell most of the head grade."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.spec.blocks.measurement import ASSAY_SHARE, GRADE, MASS, MASS_SHARE, PASSING, PICKED, Measurement
from flowsheet.study.balance.constrained_lsq import Adjusted, Determined
from flowsheet.study.balance.problem import Problem
from flowsheet.study.common.units_out import g_per_t, in_units

WORTH_IT = 0.99
"""A weighing that leaves more than this of the head grade's doubt is not worth naming: typical, set your own."""

FAINT = 1e-3
"""A weighing is taken to read at least this share of a stream's typical size: nothing is weighed with no doubt."""


@dataclass(frozen=True)
class Suggestion:
    """A weighing to make, and the sd that it would leave to the head grade (kg/kg; NaN: still unknown)."""

    stream: str
    what: str
    sd_then: float
    #: Whether it was made before, and is to be made once more.
    again: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return in_units(self, {"sd_then": ("sd_then", g_per_t)})


@dataclass(frozen=True)
class _Choice:
    measurement: Measurement
    again: bool
    known: Determined


class Choices:
    """Every single weighing that could come next, and what would be known with it.

    Those made already may be made again, with the same doubt. A new one has the doubt assumed of its kind. The
    grade of an ore is none of them: raw lumps cannot be assayed, and the head grade is what is asked.
    """

    def __init__(self, problem: Problem, found: Adjusted) -> None:
        self.problem, self.found = problem, found
        self.choices = [
            _Choice(m, again, found.knowing(problem.reading(m, found.x)[1], problem.sd(m)))
            for m, again in _possible(problem, found)
        ]

    def most_telling(self) -> Suggestion | None:
        """Return the weighing that leaves the head grade least in doubt; None where none helps.

        Where no single one makes it known: the first towards it, of the lost stream that may hold most.
        """
        _, slope = self.problem.head(self.found.x)
        now = self.found.known.sd(slope)
        told = [(choice.known.sd(slope), choice) for choice in self.choices]
        told = [(sd, choice) for sd, choice in told if not math.isnan(sd)]
        if not told:
            return self._first_step()
        sd, best = min(told, key=lambda one: one[0])
        if sd > WORTH_IT * now:  # never so where now is NaN
            return None
        return Suggestion(best.measurement.stream, best.measurement.what, sd, best.again)

    def _first_step(self) -> Suggestion | None:
        ends = self._open_ends()
        if not ends:
            return None
        stream = max(ends, key=lambda s: self.found.x[self.problem.gold[s]])
        return Suggestion(*self._own(stream)[0], math.nan)

    def _open_ends(self) -> list[str]:
        return [s for s in self.problem.sheet.ends if not self.found.known.determined[self.problem.gold[s]]]

    def _own(self, stream: str) -> list[tuple[str, str]]:
        """Return what to measure of a stream itself so that its gold is known."""
        rock = self.problem.rock.get(stream)
        if rock is None:
            return [(stream, MASS)]
        return [(stream, GRADE)] if self.found.known.determined[rock] else [(stream, MASS), (stream, GRADE)]

    def to_know(self, stream: str) -> list[tuple[str, str]]:
        """Return the (stream, what) to weigh so that an unknown stream is known: one that does, or its own."""
        # Nobody asks what a slag weighs for its own sake: flux is no rock of the test.
        rock = None if stream in self.problem.fired else self.problem.rock.get(stream)
        at = [i for i in (rock, self.problem.gold[stream]) if i is not None]
        if self.found.known.determined[at].all():
            return []
        able = [choice for choice in self.choices if choice.known.determined[at].all()]
        if able:
            # Of those that do, the one that makes most other streams known, its own first.
            best = max(able, key=lambda c: (int(c.known.determined.sum()), c.measurement.stream == stream))
            return [(best.measurement.stream, best.measurement.what)]
        ores = self.problem.sheet.ores
        if len(ores) > 1 and stream in ores:
            return [(stream, GRADE)]  # once they are mixed, nothing tells them apart
        if stream in ores:
            return [one for end in self._open_ends() for one in self._own(end)]
        return self._own(stream)


def _possible(problem: Problem, found: Adjusted) -> Iterator[tuple[Measurement, bool]]:
    for m in problem.measured:
        # What was picked and what was added is gone: nobody weighs it again.
        if m.what not in (PASSING, PICKED) and m.stream not in problem.added:
            yield m, True
    told = {(m.stream, m.what) for m in problem.measured}
    size = np.maximum(found.x, FAINT * problem.scale)
    for stream in (*problem.sheet.ores, *problem.sheet.makers):
        at, rock = problem.gold[stream], problem.rock.get(stream)
        for what in (MASS,) if rock is None else (MASS, GRADE):
            if (stream, what) in told or (what == GRADE and not _can_be_assayed(problem, found, stream)):
                continue
            value = size[at] / problem.fine if rock is None else size[rock] if what == MASS else size[at] / size[rock]
            yield Measurement(stream, what, float(value), float(_share(what) * value), True), False


def _can_be_assayed(problem: Problem, found: Adjusted, stream: str) -> bool:
    """Whether there is rock to take a sample of, and it has been through a step."""
    rock = problem.rock[stream]
    return stream not in problem.sheet.ores and bool(found.x[rock] > FAINT * problem.scale[rock])


def _share(what: str) -> float:
    return ASSAY_SHARE if what == GRADE else MASS_SHARE
