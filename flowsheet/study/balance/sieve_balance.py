"""The table by the miner's own sieves: rock of each stream between them, as written and as all weights have it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from flowsheet.spec.blocks.measurement import PASSING, Measurement
from flowsheet.study.balance.constrained_lsq import Adjusted
from flowsheet.study.balance.problem import Problem
from flowsheet.study.balance.sieved_rock import SievedRock
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units, millimetres


def _size(size: float | None) -> float | None:
    return None if size is None else millimetres(size)


CLASS: Names = {
    "upper": ("upper_mm", _size),
    "lower": ("lower_mm", _size),
    "mass": ("mass_kg", float),
    "mass_sd": ("mass_sd_kg", float),
    "grade_written": ("grade_written_g_per_t", g_per_t),
    "grade": ("grade_g_per_t", g_per_t),
    "grade_sd": ("grade_sd_g_per_t", g_per_t),
    "gold": ("gold_g", grams),
}
"""How plain data and tables call the fields of a class, and the unit that they say."""


@dataclass(frozen=True)
class SieveClass:
    """Rock and gold of one stream between two sieves (m; None: none above, or the pan), kg; NaN where not known."""

    stream: str
    upper: float | None
    lower: float | None
    mass: float
    mass_sd: float
    #: Of the stream: as its own sieves were written, and as all weights and sieves have it.
    written: float
    share: float
    #: Of all of this class in what was fed to the steps that the sieves tie.
    distribution: float
    #: Grade (kg/kg): as assayed, and as all weights have it; the gold (kg), and its part of that of the class fed.
    grade_written: float = math.nan
    grade: float = math.nan
    grade_sd: float = math.nan
    gold: float = math.nan
    gold_distribution: float = math.nan

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return in_units(self, CLASS)


@dataclass(frozen=True)
class SieveBalance:
    """What sieves and weights say together of streams that steps part without breaking."""

    #: In the order of the sheet; coarse first.
    classes: tuple[SieveClass, ...]
    #: How many openings were used, and whether any passing is checked by another measurement.
    sieves: int
    checked: bool

    @property
    def streams(self) -> tuple[str, ...]:
        """Streams that were sieved or are told by those that were."""
        return tuple(dict.fromkeys(one.stream for one in self.classes))

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "streams": list(self.streams),
            "checked": self.checked,
            "classes": [one.as_dict() for one in self.classes],
        }


def sieve_balances(problem: Problem, found: Adjusted, measured: Sequence[Measurement]) -> tuple[SieveBalance, ...]:
    """Return the tables of a problem's sieves as it was solved; ``measured`` is all that was written."""
    told = []
    for one in problem.sieved:
        checks = zip(problem.measured, found.standardised, strict=True)
        checked = any(m.what == PASSING and m.stream in one.streams and not math.isnan(sd) for m, sd in checks)
        classes = tuple(_classes(one, problem, found, measured))
        told.append(SieveBalance(classes, len(one.sieves), checked))
    return tuple(told)


def _classes(
    one: SievedRock, problem: Problem, found: Adjusted, measured: Sequence[Measurement]
) -> Iterator[SieveClass]:
    """Go through the classes of every stream."""
    x, unit = found.x, np.eye(len(found.x))
    edges = (None, *one.sieves, None)
    for name in one.streams:
        whole, rock = float(x[problem.rock[name]]), unit[problem.rock[name]]
        written = _written(one, name, measured)
        for k in range(one.classes):
            at = one.places(name).start + k
            fed = [one.places(feed).start + k for feed in one.fed]
            sd, all_of_it = found.known.sd(unit[at]), float(x[fed].sum())
            told = not math.isnan(sd)
            share_known = told and whole > 0 and found.known.fixes(rock)
            fed_known = told and all_of_it > 0 and found.known.fixes(unit[fed].sum(axis=0))
            mass = float(x[at])
            yield SieveClass(
                stream=name,
                upper=edges[k],
                lower=edges[k + 1],
                mass=mass if told else math.nan,
                mass_sd=sd,
                written=written[k],
                share=mass / whole if share_known else math.nan,
                distribution=mass / all_of_it if fed_known else math.nan,
                **(_gold(one, name, k, found, problem.measured) if one.graded else {}),
            )


def _gold(one: SievedRock, stream: str, k: int, found: Adjusted, measured: Sequence[Measurement]) -> dict[str, float]:
    """Return what is known of the gold of a class, NaN where nothing is."""
    x, unit = found.x, np.eye(len(found.x))
    at, rock = one.gold_places(stream).start + k, one.places(stream).start + k
    told = {}
    own = [m for m in measured if m.by_size and m.stream == stream and one.fraction(m) == slice(k, k + 1)]
    if own:
        told["grade_written"] = own[0].value
    if found.known.fixes(unit[at]):
        told["gold"] = float(x[at])
        fed = [one.gold_places(feed).start + k for feed in one.fed]
        all_of_it = float(x[fed].sum())
        if all_of_it > 0 and found.known.fixes(unit[fed].sum(axis=0)):
            told["gold_distribution"] = float(x[at]) / all_of_it
    if x[rock] > 0:
        grade = float(x[at] / x[rock])
        sd = found.known.sd((unit[at] - grade * unit[rock]) / x[rock])
        told |= {} if math.isnan(sd) else {"grade": grade, "grade_sd": sd}
    return told


def _written(one: SievedRock, stream: str, measured: Sequence[Measurement]) -> list[float]:
    """Return the share of each class as the stream's own sieves tell it, NaN where they do not."""
    own = {m.size: m.value for m in measured if m.what == PASSING and m.stream == stream}
    if not own:
        return [math.nan] * one.classes
    passing = [1.0, *(own.get(size, math.nan) for size in one.sieves), 0.0]
    return [above - below for above, below in pairwise(passing)]
