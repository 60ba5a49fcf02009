"""What to weigh first: the single weighing that would narrow each answer of a forecast most, by the forecast's draws.

Each draw is a sack: its ends hold lots of grains by chance. An answer is regressed on what a scale or an assayer would
read of the draws, with the typical error of such a weighing; what is left of the answer's width is that of the
residuals.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.measurement import ASSAY_MASS, ASSAY_SHARE, BEAD, GOLD, GRADE, MASS, MASS_SHARE
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import DrawnTotals

HELD, KEPT, COARSE = "gold held", "kept share", "coarse share"
WORTH_IT = 0.9
"""A weighing that leaves more than this of an answer's width is not worth naming: typical, set your own."""
SCALE, FINENESS = 1e-6, 0.01
"""A scale for a bead is off by a milligram, and what is known of its fineness by so much of it: typical."""
LEAST_ROCK = 1e-4
"""Streams of less rock than this, of all that is fed, are not weighed for it."""
ASSAYED, FINER = 5e-3, 0.95
"""An assayer takes his sample of rock of which so much is finer than this (m): typical."""
NIL = 1e-12


@dataclass(frozen=True)
class FirstWeighing:
    """The weighing that would narrow an answer most: of which stream, what, and the part of its width that is left."""

    answer: str
    stream: str
    what: str
    left: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self)


def first_weighings(solution: Solution, found: DrawnTotals, rng: np.random.Generator) -> list[FirstWeighing]:
    """Return the best weighing for the gold that a sack holds, the share kept of it, and that of its coarse rock."""
    sheet = solution.model.sheet
    if len(next(iter(found.by_grain.values()))) < 2:
        return []
    gold = {name: _thrown(found, name, rng) for name in sheet.ends if name not in sheet.ores}
    lots = dict(gold)
    held = _sum(gold.values())
    kept = _sum(gold[name] for name in sheet.keep if name in gold)
    answers = {HELD: held, KEPT: np.divide(kept, held, out=np.zeros_like(held), where=held > 0)}
    for step in sheet.steps.values():
        if step.parts_at_size and set(step.takes) == set(sheet.ores):
            over, under = (_thrown(found, step.stream(i), rng) for i in (0, 1))
            lots |= {step.stream(0): over, step.stream(1): under}
            answers[COARSE] = np.divide(over, over + under, out=np.zeros_like(over), where=over + under > 0)
            break
    read = {(stream, what): one for stream, what, one in _readings(solution, found, lots, rng)}
    best = []
    for answer, draws in answers.items():
        if draws.std() <= NIL * abs(draws.mean()):
            continue
        left = {at: _left(draws, reading) for at, reading in read.items()}
        at = min(left, key=lambda one: left[one], default=None)
        if at is not None and left[at] < WORTH_IT:
            best.append(FirstWeighing(answer, *at, left[at]))
    return best


def _thrown(found: DrawnTotals, stream: str, rng: np.random.Generator) -> Array:
    """Return the gold (kg) that chance puts into a stream in each draw, (E,)."""
    expected, mass = found.by_grain[stream], found.mass
    if not mass.any():
        return np.asarray(expected.sum(axis=-1))
    return np.asarray(rng.poisson(np.minimum(expected / mass, 1e15)) @ mass)


def _readings(
    solution: Solution, found: DrawnTotals, lots: dict[str, Array], rng: np.random.Generator
) -> Iterator[tuple[str, str, Array]]:
    """Go through all that could be weighed: (stream, what, its reading in each draw)."""
    sheet = solution.model.sheet
    metal, fired, fed = metal_streams(sheet), fired_streams(sheet), float(np.mean(found.rock))

    def off(share: float, size: int) -> Array:
        return np.asarray(1 + share * rng.standard_normal(size))

    for stream in sheet.makers:
        rock = found.by_rock[stream]
        if stream not in metal | fired and float(rock.mean()) > LEAST_ROCK * fed:
            yield stream, MASS, rock * off(MASS_SHARE, len(rock))
    for stream, gold in lots.items():
        rock, draws = found.by_rock[stream], len(gold)
        if stream in metal:
            yield stream, BEAD, gold * off(FINENESS, draws) + SCALE * rng.standard_normal(draws)
        elif stream not in fired:
            if stream in sheet.keep or stream not in sheet.ends:
                yield stream, GOLD, gold * off(ASSAY_SHARE, draws)
            elif float(rock.mean()) > LEAST_ROCK * fed and _fine(solution, stream):
                grade = gold / np.maximum(rock, 1e-300)
                expected = found.by_grain[stream]
                lump = expected @ found.mass / np.maximum(expected.sum(axis=-1), 1e-300)
                luck = np.sqrt(grade * lump / ASSAY_MASS) * rng.standard_normal(draws)
                yield stream, GRADE, grade * off(ASSAY_SHARE, draws) + luck


def _fine(solution: Solution, stream: str) -> bool:
    """Whether an assayer could take a sample of a stream: it is fine enough, or nobody knows."""
    grid = solution.model.grid
    if not grid.sized:
        return True
    rock = solution.streams[stream].rock_by_size
    below = float(rock[np.asarray(grid.upper) <= ASSAYED].sum())
    return below >= FINER * float(rock.sum())


def _left(answer: Array, reading: Array) -> float:
    """Return the width of ``answer`` (nine draws in ten) about its regression on ``reading``, over its own width."""
    spread = float(reading.std())
    if spread <= NIL * abs(float(reading.mean())):
        return 1.0
    # Ranks: a few rich sacks must not draw the line alone.
    place = np.empty(len(reading))
    place[np.argsort(reading, kind="stable")] = np.linspace(-1, 1, len(reading))
    table = np.stack([np.ones_like(place), place, place**2, place**3, (reading - reading.mean()) / spread], axis=-1)
    slopes = np.linalg.lstsq(table, answer, rcond=None)[0]
    rest = answer - table @ slopes
    many = len(answer)
    one, other = Interval.of_draws(rest), Interval.of_draws(answer)
    fitted = np.sqrt(many / max(many - table.shape[1], 1))
    return float(fitted * (one.p95 - one.p5) / max(other.p95 - other.p5, 1e-300))


def _sum(parts: Any) -> Array:
    return np.asarray(sum(parts))
