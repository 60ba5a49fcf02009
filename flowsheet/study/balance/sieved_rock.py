"""Rock by the miner's own sieves as unknowns of the balance, so that sieves check and move flows as scales do.

Where nothing is broken, what a step takes of each class comes out of it: the two-product formula, sieve by sieve. All
sieves and all weights are taken together, by least squares. Source of the formula: B. A. Wills, Mineral Processing
Technology, the chapter on mass balances.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array, Mask
from flowsheet.solve.balance import metal_streams
from flowsheet.spec.blocks.measurement import PASSING, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock

THIN = 1e-4
"""Share of a stream below which a class is not told apart."""


@dataclass(frozen=True)
class SievedRock:
    """Streams that steps part without breaking, by the classes between the sieves: coarse first, the pan last."""

    steps: tuple[StepBlock, ...]
    #: In the order of the sheet.
    streams: tuple[str, ...]
    #: Openings (m) of which a passing was told, coarse first.
    sieves: tuple[float, ...]
    #: Place of the first stream's first class among the unknowns; the others follow.
    at: int
    #: Whether any fraction was assayed: the gold of each class is unknown too, and follows the rock.
    graded: bool = False

    @property
    def classes(self) -> int:
        """How many classes there are."""
        return len(self.sieves) + 1

    @property
    def size(self) -> int:
        """How many unknowns these are."""
        return len(self.streams) * self.classes * (2 if self.graded else 1)

    @cached_property
    def fed(self) -> tuple[str, ...]:
        """Streams that none of these steps gives."""
        given = {name for step in self.steps for name in step.outlets.values()}
        return tuple(name for name in self.streams if name not in given)

    def places(self, stream: str) -> slice:
        """Return where the classes of a stream stand among the unknowns."""
        first = self.at + self.streams.index(stream) * self.classes
        return slice(first, first + self.classes)

    def gold_places(self, stream: str) -> slice:
        """Return where the gold of a stream's classes stands among the unknowns."""
        rock, on = self.places(stream), len(self.streams) * self.classes
        return slice(rock.start + on, rock.stop + on)

    def fraction(self, m: Measurement) -> slice:
        """Return the classes of which a fraction was assayed; what was on one sieve may have lain on several finer."""
        part = m.by_size[0]
        first = 0 if part.upper is None else self.sieves.index(part.upper) + 1
        return slice(first, self.sieves.index(part.lower) + 1 if part.lower else self.classes)

    def finer(self, sieve: float) -> Mask:
        """Return (C,): whether a class passes a sieve."""
        return np.arange(self.classes) > self.sieves.index(sieve)

    def balance(
        self, rock: Mapping[str, int], gold: Mapping[str, int], unknowns: int, picked: Sequence[str] = ()
    ) -> Iterator[Array]:
        """Go through rows (n,) that are nothing: a stream less its classes, and of each class what a step parts.

        Nobody knows which classes lost gold that was ``picked`` out of a stream.
        """
        for whole, places in ((rock, self.places), (gold, self.gold_places))[: 2 if self.graded else 1]:
            for stream in self.streams:
                row = np.zeros(unknowns)
                row[whole[stream]], row[places(stream)] = 1.0, -1.0
                yield row
            for step in self.steps:
                if whole is gold and not set(picked).isdisjoint((*step.takes, *step.outlets.values())):
                    continue
                rows = np.zeros((self.classes, unknowns))
                for sign, names in ((1.0, step.takes), (-1.0, step.outlets.values())):
                    for name in names:
                        if name in self.streams:
                            rows[:, places(name)] += sign * np.eye(self.classes)
                yield from rows

    def reading(self, m: Measurement, x: Array, rock: int, least: float) -> tuple[float, Array]:
        """Return what a passing should read, and its derivatives (n,); the stream is taken to weigh ``least`` (kg)."""
        slope, finer, mine = np.zeros(len(x)), self.finer(m.size or 0.0), self.places(m.stream)
        mass = max(float(x[rock]), least)
        share = float(x[mine][finer].sum()) / mass
        slope[mine] = finer / mass
        slope[rock] = -share / mass
        return share, slope

    def grade(self, m: Measurement, x: Array, least: float) -> tuple[float, Array]:
        """Return what the grade of a fraction should read, and its derivatives (n,); it weighs ``least`` kg or more."""
        slope, part = np.zeros(len(x)), self.fraction(m)
        rock, gold = self.places(m.stream), self.gold_places(m.stream)
        mass = max(float(x[rock][part].sum()), least)
        value = float(x[gold][part].sum()) / mass
        slope[gold][part], slope[rock][part] = 1 / mass, -value / mass
        return value, slope

    def start(self, measured: Sequence[Measurement], masses: Sequence[float]) -> Array:
        """Return the classes (kg) of streams of such ``masses`` with their own sieves, or else the mean of all."""
        passing = np.full((len(self.streams), len(self.sieves)), np.nan)
        for m in measured:
            if m.what == PASSING and m.stream in self.streams:
                passing[self.streams.index(m.stream), self.sieves.index(m.size or 0.0)] = m.value
        falling = np.minimum.accumulate(np.where(np.isnan(passing), np.nanmean(passing, axis=0), passing), axis=1)
        shares = -np.diff(falling, axis=1, prepend=1.0, append=0.0)
        return np.asarray(np.asarray(masses)[:, None] * np.maximum(shares, THIN)).ravel()


def fractions_of(measured: Iterable[Measurement]) -> Iterator[Measurement]:
    """Go through measurements with each grade of several fractions in their place."""
    for m in measured:
        if m.by_size:
            for part in m.by_size:
                yield replace(m, value=part.value, sd=part.sd, size=part.lower, by_size=(part,))
        else:
            yield m


def sieved_rock(sheet: Sheet, measured: Sequence[Measurement], first: int) -> tuple[SievedRock, ...]:
    """Return the sets of streams whose rock is told by sieves; the first unknown of them stands at ``first``."""
    metal = metal_streams(sheet)
    told = {m.stream for m in measured if m.what == PASSING} - metal
    groups = [(group, _touched(group, metal)) for group in _groups(sheet.steps.values(), metal)]
    # What no step parts stands by itself.
    alone = told.difference(*(streams for _, streams in groups))
    found: list[SievedRock] = []
    for group, touched in [*groups, *(((), {name}) for name in sheet.makers if name in alone)]:
        sizes = {m.size for m in measured if m.what == PASSING and m.stream in touched and m.size is not None}
        if sizes:
            streams = tuple(name for name in (*sheet.ores, *sheet.makers) if name in touched)
            graded = any(m.by_size for m in measured if m.stream in touched)
            found.append(SievedRock(group, streams, tuple(sorted(sizes, reverse=True)), first, graded))
            first += found[-1].size
    return tuple(found)


def _parts(step: StepBlock) -> bool:
    """Whether a step sends rock here and there and leaves its sizes alone; factors of one outlet may be a mill."""
    return not step.melts and not step.breaks and (not step.shares_given or len(step.outlets) > 1)


def _touched(group: Sequence[StepBlock], metal: set[str]) -> set[str]:
    return {name for step in group for name in (*step.takes, *step.outlets.values())} - metal


def _groups(steps: Iterable[StepBlock], metal: set[str]) -> Iterator[tuple[StepBlock, ...]]:
    """Go through the sets of steps that only part rock and that streams of it join."""
    left = [step for step in steps if _parts(step)]
    while left:
        group = [left.pop(0)]
        while more := next((s for s in left if _touched(group, metal) & _touched([s], metal)), None):
            left.remove(more)
            group.append(more)
        yield tuple(group)
