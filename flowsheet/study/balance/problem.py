"""A weigh sheet as a problem of least squares: what is unknown, what balances, what was measured.

Unknown are the rock (kg) of every stream that is no metal, and the fine gold (kg) of every stream; of what was sieved,
and what is parted from it, the rock between the sieves too (``sieved_rock``). Metal (beads, buttons) has no rock: its
weight is gold and silver. Over fire gold alone balances: slag holds flux, a cupel is its own weight, and gases leave
both, so what they weigh is known only if they were weighed. Where the sheet tells the flux, it is unknown too, the
sheet's number is its weight, and rock and flux make the slag.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.grains import gold_share
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.solve.model import FINENESS, Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import (
    BEAD,
    GOLD,
    GRADE,
    MASS,
    PASSING,
    PICKED,
    Measurement,
    measurement,
    picked_from,
)
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.constrained_lsq import Adjusted, Predict, adjust
from flowsheet.study.balance.sieved_rock import SievedRock, fractions_of, sieved_rock

USED = (MASS, GRADE, GOLD, BEAD, PICKED)
"""Kinds of measurement that say how much there is, without which there is nothing to balance."""

SHARES = (GRADE, PASSING)
"""Kinds that are one amount over another."""

LEAST = 1e-4
"""Share of the feed below which a stream's size is not told apart."""

EMPTY = 1e-5
"""No assayed stream is smaller than this share of its typical mass: it would have no grade."""

LINEAR_PASSES = 2
NO_MASS = 0.01
"""While a start is sought, no assayed stream is taken to be smaller than this share of its typical mass."""


@dataclass(frozen=True)
class Problem:
    """What is unknown, and what was measured of it."""

    sheet: Sheet
    #: Every stream, and the place of its rock and its gold among the unknowns.
    rock: dict[str, int]
    gold: dict[str, int]
    measured: tuple[Measurement, ...]
    #: (n,) where to start, and what size things are.
    start: Array
    scale: Array
    #: Gold in metal, as a share, and its standard deviation.
    fine: float
    fine_sd: float
    #: Streams whose rock is unknown by sieve too: those places follow the gold's.
    sieved: tuple[SievedRock, ...] = ()
    #: What steps add ("flux of melt"): its place among the unknowns, behind the gold's.
    added: Mapping[str, int] = field(default_factory=dict)
    #: Streams out of which metal was picked: that is a stream of its own among ``gold`` (``picked_from``).
    picked: tuple[str, ...] = ()

    @classmethod
    def of(cls, sheet: Sheet, measured: Sequence[Measurement]) -> Problem:
        """Set up a sheet's streams; the mass of an ore that was not weighed is the sheet's."""
        names, metal = [*sheet.ores, *sheet.makers], metal_streams(sheet)
        rock = {name: i for i, name in enumerate(n for n in names if n not in metal)}
        gold = {name: len(rock) + i for i, name in enumerate(names)}
        # Metal that was picked is a product of its own: what is left goes on in the stream.
        picked = {m.stream: m for m in measured if m.what == PICKED}
        gold |= {picked_from(name): len(rock) + len(gold) + i for i, name in enumerate(picked)}
        told = {(m.stream, m.what) for m in measured}
        feeds = [
            measurement(name, MASS, ore.mass, file=sheet.file)
            for name, ore in sheet.ores.items()
            if (name, MASS) not in told
        ]
        # A grade of metal is its fineness, which the ore's own tells.
        kept = [m for m in (*feeds, *measured) if m.what in USED and not (m.what == GRADE and m.stream in metal)]
        fine, fine_sd = fineness(sheet)
        start, scale = _start(sheet, rock, gold, kept)
        flux = _added(sheet)
        kept += flux
        added = {m.stream: len(start) + i for i, m in enumerate(flux)}
        masses = np.array([m.value for m in flux])
        start, scale = (np.concatenate([one, np.maximum(masses, LEAST * float(one.max()))]) for one in (start, scale))
        sieved = sieved_rock(sheet, measured, len(start))
        for one in sieved:
            weighed = {m.stream: m.value for m in kept if m.what == MASS and m.value > 0}
            classes = one.start(measured, [weighed.get(name, scale[rock[name]]) for name in one.streams])
            start = np.concatenate([start, classes])
            scale = np.concatenate([scale, np.maximum(classes, LEAST * float(classes.max()))])
            if one.graded:
                share = classes.reshape(-1, one.classes) / classes.reshape(-1, one.classes).sum(axis=1)[:, None]
                metal = (share * start[[gold[name] for name in one.streams]][:, None]).ravel()
                start = np.concatenate([start, metal])
                scale = np.concatenate([scale, np.maximum(metal, LEAST * float(metal.max()))])
        kept = [*fractions_of(kept), *(m for m in measured if m.what == PASSING and m.stream not in metal)]
        return cls(sheet, rock, gold, tuple(kept), start, scale, fine, fine_sd, sieved, added, tuple(picked))

    def of_measured(self, measured: Sequence[Measurement]) -> Problem:
        """Return the same streams with other measurements (no mass of an ore is added)."""
        return replace(self, measured=tuple(measured))

    def without(self, k: int) -> Problem:
        """Return the problem without its measurement ``k``."""
        return self.of_measured([*self.measured[:k], *self.measured[k + 1 :]])

    @property
    def metal(self) -> set[str]:
        """Streams that have no rock."""
        return set(self.gold) - set(self.rock)

    def solve(self, near: Array | None = None) -> Adjusted:
        """Return the adjusted values; ``near`` (n,) is where they may be expected, where dozens of sieves wait."""
        balance = self.balance()
        total, sd = np.zeros(len(balance)), np.array([self.sd(m) for m in self.measured])
        start, graded = self.start, [m.what in SHARES for m in self.measured]
        if any(graded):
            # Bilinear misfits have more than one valley: linear ones, which have one, lead into the right one.
            targets = np.where(graded, 0.0, [m.value for m in self.measured])
            if near is not None and self.sieved:
                start = near
            for _ in range(0 if start is near else LINEAR_PASSES):
                start = adjust(balance, total, self._linear(start), targets, sd, start, self.scale).x
            # From where no stream is empty, since an empty one has no grade.
            nothing = np.zeros((0, len(start)))
            whole = adjust(
                balance, total, lambda x: (np.zeros(0), nothing), np.zeros(0), np.zeros(0), self.start, self.scale
            )
            start = (1 - NO_MASS) * start + NO_MASS * whole.x
        floor = np.zeros(len(start))
        for m in self.measured:
            if m.what in SHARES:
                floor[self.rock[m.stream]] = EMPTY * self.scale[self.rock[m.stream]]
                if m.by_size:
                    places = self.classes_of(m.stream).places(m.stream)
                    floor[places] = EMPTY * self.scale[places]
        measured = np.array([m.value for m in self.measured])
        return adjust(balance, total, self.predict, measured, sd, start, self.scale, floor)

    def _linear(self, near: Array) -> Predict:
        """Return predictions in which a share g is taken as its part less g times mass, over the mass ``near`` (n,)."""
        slopes = []
        for m in self.measured:
            slope = self.reading(m, near)[1]
            if m.what in SHARES:
                rock = self.rock[m.stream]
                mass = max(float(near[rock]), NO_MASS * float(self.scale[rock]))
                slope = np.zeros(len(near))
                slope[rock] = -m.value / mass
                if m.by_size:
                    slope = self._linear_fraction(m, near)
                elif m.what == GRADE:
                    slope[self.gold[m.stream]] = 1 / mass
                else:
                    classes = self.classes_of(m.stream)
                    slope[classes.places(m.stream)] = classes.finer(m.size or 0.0) / mass
            slopes.append(slope)
        fixed = np.array(slopes)
        return lambda x: (fixed @ x, fixed)

    def _linear_fraction(self, m: Measurement, near: Array) -> Array:
        """Return the same for the grade of a fraction."""
        classes, slope = self.classes_of(m.stream), np.zeros(len(near))
        part, rock, gold = classes.fraction(m), classes.places(m.stream), classes.gold_places(m.stream)
        mass = max(float(near[rock][part].sum()), NO_MASS * float(self.scale[rock][part].sum()))
        slope[gold][part], slope[rock][part] = 1 / mass, -m.value / mass
        return slope

    def sd(self, m: Measurement) -> float:
        """Return the doubt of a measurement as one of rock or gold: a bead's has that of its fineness in it."""
        return math.hypot(m.sd, m.value * self.fine_sd / self.fine) if self.is_metal(m) else m.sd

    @cached_property
    def fired(self) -> set[str]:
        """Streams that leave fire beside the metal: they hold more than rock, or less."""
        return fired_streams(self.sheet)

    def is_metal(self, m: Measurement) -> bool:
        """Whether a measurement is the weight of gold and silver together."""
        return m.what in (BEAD, PICKED) or (m.what == MASS and m.stream in self.metal)

    def balance(self) -> Array:
        """Return (c, n): what goes into each step less what comes out, of gold, and of rock where nothing melts.

        Of rock too where it melts with a flux that is told.
        """
        rows = []
        for name, step in self.sheet.steps.items():
            flux = _added_name(name, step)
            for at in (self.gold,) if step.melts and flux not in self.added else (self.rock, self.gold):
                row = np.zeros(len(self.start))
                if at is self.rock and flux in self.added:
                    row[self.added[flux]] = 1
                for sign, streams in ((1, step.takes), (-1, step.outlets.values())):
                    for stream in streams:
                        if stream in at:
                            row[at[stream]] += sign
                        # Of an ore all counts that was fed, so that what was picked does not go on.
                        if at is self.gold and stream in self.picked and (sign < 0 or stream in self.sheet.ores):
                            row[at[picked_from(stream)]] -= 1
                rows.append(row)
        for one in self.sieved:
            rows += one.balance(self.rock, self.gold, len(self.start), self.picked)
        return np.array(rows)

    def classes_of(self, stream: str) -> SievedRock:
        """Return the sieved rock that a stream belongs to; there must be one."""
        return next(one for one in self.sieved if stream in one.streams)

    def pressed(self, found: Adjusted) -> list[int]:
        """Return the places of streams' rock and gold that the measurements press against nothing."""
        return [int(i) for i in found.held.nonzero()[0] if i < len(self.rock) + len(self.gold)]

    def predict(self, x: Array) -> tuple[Array, Array]:
        """Return what each measurement should read (k,), and the derivatives (k, n)."""
        values, slope = np.zeros(len(self.measured)), np.zeros((len(self.measured), len(x)))
        for k, m in enumerate(self.measured):
            values[k], slope[k] = self.reading(m, x)
        return values, slope

    def reading(self, m: Measurement, x: Array) -> tuple[float, Array]:
        """Return what one measurement should read, and its derivatives (n,)."""
        slope = np.zeros(len(x))
        if m.stream in self.added:
            slope[self.added[m.stream]] = 1
            return float(x[self.added[m.stream]]), slope
        gold = self.gold[picked_from(m.stream) if m.what == PICKED else m.stream]
        if self.is_metal(m):
            slope[gold] = 1 / self.fine
            return float(x[gold]) / self.fine, slope
        if m.what == GOLD:
            slope[gold] = 1
            return float(x[gold]), slope
        rock = self.rock[m.stream]
        if m.what == MASS:
            slope[rock] = 1
            return float(x[rock]), slope
        least = EMPTY * float(self.scale[rock])
        if m.what == PASSING:
            return self.classes_of(m.stream).reading(m, x, rock, least)
        if m.by_size:
            return self.classes_of(m.stream).grade(m, x, least)
        mass = max(float(x[rock]), least)
        slope[gold], slope[rock] = 1 / mass, -x[gold] / mass**2
        return float(x[gold]) / mass, slope

    def head(self, x: Array) -> tuple[float, Array]:
        """Return the head grade (all gold fed over all rock fed, as a share) and its derivatives (n,)."""
        return self.share_of_feed(x, list(self.sheet.ores))

    def share_of_feed(self, x: Array, streams: Sequence[str]) -> tuple[float, Array]:
        """Return the gold of ``streams`` over all rock fed, and its derivatives (n,)."""
        fed, gold = [self.rock[name] for name in self.sheet.ores], [self.gold[name] for name in streams]
        mass, slope = max(float(x[fed].sum()), 1e-12), np.zeros(len(x))
        value = float(x[gold].sum()) / mass
        slope[gold], slope[fed] = 1 / mass, -value / mass
        return value, slope


def _added_name(name: str, step: StepBlock) -> str:
    return f"{step.adds} of {name}"


def _added(sheet: Sheet) -> list[Measurement]:
    """Return what steps add, as the sheet tells it: that is its weight."""
    return [
        replace(
            measurement(_added_name(name, step), MASS, step.added, file=sheet.file), assumed=not step.added.told_doubt
        )
        for name, step in sheet.steps.items()
        if step.added is not None
    ]


def fineness(sheet: Sheet) -> tuple[float, float]:
    """Return the gold in metal, as a share, and its standard deviation: the mean of the ores'."""
    numbers = [ore.gold.fineness if ore.gold is not None else FINENESS for ore in sheet.ores.values()]
    value, sd = (float(np.mean(one)) for one in ([n.value for n in numbers], [n.sd for n in numbers]))
    return gold_share(value), gold_share(sd)


def _start(
    sheet: Sheet, rock: dict[str, int], gold: dict[str, int], measured: Sequence[Measurement]
) -> tuple[Array, Array]:
    """Return where to start and what size things are: the sheet's own model, else even streams."""
    picked = {picked_from(m.stream): m.value for m in measured if m.what == PICKED}
    try:
        streams = solve(Model.of(sheet)).streams
        solids = np.array([float(streams[name].solids) for name in rock])
        metal = np.array([picked[name] if name in picked else float(streams[name].gold) for name in gold])
    except SheetError:
        solids, metal = np.ones(len(rock)), np.zeros(len(gold))
    fed = sum(m.value for m in measured if m.what == MASS and m.stream in sheet.ores)
    ours = sum(solids[rock[name]] for name in sheet.ores)
    if fed > 0 and ours > 0:
        solids, metal = solids * fed / ours, metal * fed / ours
    told = [m.value for m in measured if m.what in (GOLD, BEAD, PICKED) or (m.what == MASS and m.stream not in rock)]
    told += [m.value * solids[rock[m.stream]] for m in measured if m.what == GRADE]
    typical = max(*told, float(metal.max()), 1e-9)
    if metal.max() <= 0:
        metal = np.full(len(gold), typical)
    # Where nothing tells, values keep their proportions: each moves in units of its own size.
    scale = np.concatenate([np.maximum(solids, LEAST * solids.max()), np.maximum(metal, LEAST * typical)])
    return np.concatenate([solids, metal]), scale
