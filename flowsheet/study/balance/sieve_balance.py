"""Do the sieves agree with the weights? Rock by the miner's own sieves, balanced over every step that only parts it.

Where nothing is broken, what a step takes of each sieve's class comes out of it: the two-product formula, sieve by
sieve. Here all sieves and all weighed masses are taken together, by least squares, so that one wrong mass stands out
against a dozen sieves that agree with each other. Source of the formula: B. A. Wills, Mineral Processing Technology,
the chapter on mass balances.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array, Mask
from flowsheet.solve.balance import metal_streams
from flowsheet.spec.blocks.measurement import MASS, PASSING, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.study.balance.constrained_lsq import Adjusted, adjust
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM, TIED, chi2_tail
from flowsheet.study.common.units_out import in_units, millimetres

THIN = 1e-4
"""Share of a stream below which a class is not told apart."""


@dataclass(frozen=True)
class SieveClass:
    """Rock of one stream between two sieves (m; None: no sieve above, or the pan), kg; NaN where it is not known."""

    stream: str
    upper: float | None
    lower: float | None
    mass: float
    mass_sd: float
    #: Of the stream, and of all of this class in what was fed to the steps that the sieves tie.
    share: float
    distribution: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        kg = {"mass": ("mass_kg", float), "mass_sd": ("mass_sd_kg", float)}
        mm = {name: (f"{name}_mm", lambda size: None if size is None else millimetres(size))
              for name in ("upper", "lower")}  # fmt: skip
        return in_units(self, {**mm, **kg})


@dataclass(frozen=True)
class SieveBalance:
    """What sieves and masses say together of the streams that they tie."""

    #: In the order of the sheet; coarse first.
    classes: tuple[SieveClass, ...]
    chi2: float
    dof: int
    p: float
    #: The measurement without which all others agree, None where none does or all agree; and those that do as well.
    suspect: Measurement | None
    as_likely: tuple[Measurement, ...]
    #: What it would have to read, in its own unit, and the doubt of that (NaN: the others cannot say).
    should_be: float
    should_be_sd: float
    #: Chance of the misfit without it.
    p_without: float

    @property
    def streams(self) -> tuple[str, ...]:
        """Streams that were sieved or are told by those that were."""
        return tuple(dict.fromkeys(one.stream for one in self.classes))

    @property
    def flow(self) -> bool:
        """Whether what stands out is a mass, which all sieves contradict alike."""
        return self.suspect is not None and self.suspect.what == MASS

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "classes": [one.as_dict() for one in self.classes],
            "chi2": {"value": self.chi2, "dof": self.dof, "p": self.p},
            "suspect": self.suspect and self.suspect.name,
            "as_likely": [one.name for one in self.as_likely],
            "should_be": {"value": self.should_be, "sd": self.should_be_sd},
            "p_without": self.p_without,
        }


def sieve_balances(sheet: Sheet, measured: Sequence[Measurement]) -> list[SieveBalance]:
    """Return the balances of a test's sieves, one for each set of steps that part rock and that sieves check.

    ``measured``: masses and passings, those of other kinds are left out. Where nothing is told twice there is none.
    """
    metal = metal_streams(sheet)
    steps = [step for step in sheet.steps.values() if _parts(step)]
    found = []
    for group in _groups(steps, metal):
        streams = [s for s in (*sheet.ores, *sheet.makers) if any(s in (*p.takes, *p.outlets.values()) for p in group)]
        streams = [s for s in streams if s not in metal]
        kept = tuple(m for m in measured if m.stream in streams and m.what in (MASS, PASSING))
        if len({m.stream for m in kept if m.what == PASSING}) > 1:
            problem = SieveProblem(group, tuple(streams), kept)
            solved = problem.solve()
            if solved.dof > problem.dof_of_masses():
                found.append(_told(problem, solved))
    return found


def _parts(step: StepBlock) -> bool:
    """Whether a step sends rock here and there and leaves its sizes alone; factors of one outlet may be a mill."""
    return not step.melts and not step.breaks and (not step.shares_given or len(step.outlets) > 1)


def _groups(steps: Sequence[StepBlock], metal: set[str]) -> Iterator[tuple[StepBlock, ...]]:
    """Go through the sets of steps that streams of rock join."""
    left = list(steps)
    while left:
        group = [left.pop(0)]
        touched = {*group[0].takes, *group[0].outlets.values()} - metal
        while more := next((s for s in left if touched & {*s.takes, *s.outlets.values()}), None):
            left.remove(more)
            group.append(more)
            touched |= {*more.takes, *more.outlets.values()} - metal
        yield tuple(group)


@dataclass(frozen=True)
class SieveProblem:
    """Unknown are S x C masses (kg): of each stream, by the classes between the sieves, coarse first, the pan last."""

    steps: tuple[StepBlock, ...]
    streams: tuple[str, ...]
    measured: tuple[Measurement, ...]

    @cached_property
    def sieves(self) -> tuple[float, ...]:
        """Openings (m) of which a passing was told, coarse first."""
        return tuple(sorted({m.size for m in self.measured if m.size is not None}, reverse=True))

    @property
    def shape(self) -> tuple[int, int]:
        """Streams and classes."""
        return len(self.streams), len(self.sieves) + 1

    @cached_property
    def given(self) -> set[str]:
        """Streams that these steps give; all others are fed to them."""
        return {name for step in self.steps for name in step.outlets.values()}

    def without(self, k: int) -> SieveProblem:
        """Return the problem without a measurement."""
        return replace(self, measured=self.measured[:k] + self.measured[k + 1 :])

    def dof_of_masses(self) -> int:
        """Return how often the masses alone check each other."""
        masses = tuple(m for m in self.measured if m.what == MASS)
        return replace(self, measured=masses).solve().dof if masses else 0

    def solve(self, near: Array | None = None) -> Adjusted:
        """Return the adjusted masses; ``near`` (n,) is where they may be expected."""
        streams, classes = self.shape
        balance = np.zeros((len(self.steps), classes, streams, classes))
        for i, step in enumerate(self.steps):
            for sign, names in ((1.0, step.takes), (-1.0, step.outlets.values())):
                for name in names:
                    if name in self.streams:
                        balance[i, range(classes), self.streams.index(name), range(classes)] += sign
        rows = balance.reshape(len(self.steps) * classes, streams * classes)
        start = self._start()
        scale = np.maximum(start, THIN * start.max())
        total, sd = np.zeros(len(rows)), np.array([m.sd for m in self.measured])
        told = np.array([m.value for m in self.measured])
        shares = np.array([m.what == PASSING for m in self.measured], dtype=bool)
        if near is None:
            # Misfits of shares have more than one valley: linear ones, which have one, lead into the right one.
            slope = self._linear(start)
            near = adjust(rows, total, lambda x: (slope @ x, slope), np.where(shares, 0.0, told), sd, start, scale).x
        return adjust(rows, total, self.predict, told, sd, 0.99 * near + 0.01 * start, scale)

    def reading(self, m: Measurement, x: Array) -> tuple[float, Array]:
        """Return what a measurement should read, and its derivatives (n,)."""
        slope = np.zeros(self.shape)
        at = self.streams.index(m.stream)
        mine = x.reshape(self.shape)[at]
        if m.what == MASS:
            slope[at] = 1.0
            return float(mine.sum()), slope.ravel()
        finer = self._finer(m)
        mass = max(float(mine.sum()), 1e-12)
        share = float(mine[finer].sum()) / mass
        slope[at] = (finer - share) / mass
        return share, slope.ravel()

    def predict(self, x: Array) -> tuple[Array, Array]:
        """Return what each measurement should read (k,), and the derivatives (k, n)."""
        told = [self.reading(m, x) for m in self.measured]
        return np.array([value for value, _ in told]), np.array([slope for _, slope in told])

    def _finer(self, m: Measurement) -> Mask:
        """Return (C,): whether a class passes the sieve of a measurement."""
        return np.arange(self.shape[1]) > self.sieves.index(m.size or 0.0)

    def _linear(self, near: Array) -> Array:
        """Return derivatives (k, n) that take a share p as what is finer less p of all, over the mass at ``near``."""
        _, slope = self.predict(near)
        for k, m in enumerate(self.measured):
            if m.what == PASSING:
                row = np.zeros(self.shape)
                at = self.streams.index(m.stream)
                row[at] = (self._finer(m) - m.value) / max(float(near.reshape(self.shape)[at].sum()), 1e-12)
                slope[k] = row.ravel()
        return slope

    def _start(self) -> Array:
        """Return streams about as heavy as what was weighed, with their own sieves, or else the mean of all."""
        masses = {m.stream: m.value for m in self.measured if m.what == MASS}
        usual = max(float(np.mean([*masses.values()])), 1e-9) if masses else 1.0
        each = np.array([max(masses.get(name, usual), THIN * usual) for name in self.streams])
        passing = np.full((len(self.streams), len(self.sieves)), np.nan)
        for m in self.measured:
            if m.what == PASSING:
                passing[self.streams.index(m.stream), self.sieves.index(m.size or 0.0)] = m.value
        passing = np.where(np.isnan(passing), np.nanmean(passing, axis=0), passing) if self.sieves else passing
        falling = np.minimum.accumulate(passing, axis=1)
        shares = -np.diff(falling, axis=1, prepend=1.0, append=0.0)
        return np.asarray(each[:, None] * np.maximum(shares, THIN)).ravel()


def _told(problem: SieveProblem, found: Adjusted) -> SieveBalance:
    p = chi2_tail(found.chi2, found.dof)
    able = _able(problem, found) if p < ALARM else []
    if not able:
        nothing = (None, (), math.nan, math.nan, math.nan)
        return SieveBalance(tuple(_classes(problem, found)), found.chi2, found.dof, p, *nothing)
    first, left, then = able[0]
    m = problem.measured[first]
    others = tuple(problem.measured[k] for k, _, one in able[1:] if _ties(one.chi2, min(end.chi2 for *_, end in able)))
    value, slope = left.reading(m, then.x)
    return SieveBalance(
        tuple(_classes(problem, then)), found.chi2, found.dof, p, m, others, value, then.known.sd(slope), _chance(then)
    )


def _able(problem: SieveProblem, found: Adjusted) -> list[tuple[int, SieveProblem, Adjusted]]:
    """Return the measurements without which all others agree, the best first: its place, what is left, and solved.

    Left out in turn are every mass that something checks and, of the sieves, the one that had to move most, in each
    stream: dozens need not be tried, since a sieve that is wrong by itself moves more than those that are not.
    """
    moved = np.nan_to_num(np.abs(found.standardised), nan=-1.0)
    checked = [k for k in range(len(problem.measured)) if moved[k] >= 0]
    sieves = [k for k in checked if problem.measured[k].what == PASSING]
    worst = max(sieves, key=lambda k: moved[k], default=None)
    size = problem.measured[worst].size if worst is not None else None
    # One sieve of one step is one equation: whose passing of it is wrong, feed's or product's, it may not tell.
    tried = [k for k in checked if k not in sieves or problem.measured[k].size == size]
    left = [(k, problem.without(k)) for k in tried]
    solved = [(k, one, one.solve(found.x if one.sieves == problem.sieves else None)) for k, one in left]
    able = [one for one in solved if _chance(one[2]) >= ALARM]
    least = min((then.chi2 for *_, then in able), default=0.0)

    def rank(one: tuple[int, SieveProblem, Adjusted]) -> tuple[float, float]:
        # Of ties, the one that would be off by least.
        k, rest, then = one
        read, would = problem.measured[k].value, rest.reading(problem.measured[k], then.x)[0]
        off = abs(math.log(would / read)) if min(would, read) > 0 else math.inf
        return (0.0 if _ties(then.chi2, least) else then.chi2 - least), round(off, 6)

    return sorted(able, key=rank)


def _ties(chi2: float, least: float) -> bool:
    return chi2 - least < 2 * math.log(TIED)


def _chance(found: Adjusted) -> float:
    """Return the chance of the misfit; 1 where nothing is checked any more."""
    return chi2_tail(found.chi2, found.dof) if found.dof > 0 else 1.0


def _classes(problem: SieveProblem, found: Adjusted) -> Iterator[SieveClass]:
    """Go through the classes of every stream: those that the sieves and masses tell."""
    streams, classes = problem.shape
    held, one = found.x.reshape(problem.shape), np.eye(streams * classes).reshape(streams, classes, -1)
    fed = [i for i, name in enumerate(problem.streams) if name not in problem.given]
    edges = (None, *problem.sieves, None)
    for i, name in enumerate(problem.streams):
        for k in range(classes):
            sd = found.known.sd(one[i, k])
            told = not math.isnan(sd)
            mass, whole, all_of_it = float(held[i, k]), float(held[i].sum()), float(held[fed, k].sum())
            share_known = told and found.known.fixes(one[i].sum(axis=0)) and whole > 0
            fed_known = told and all_of_it > 0 and found.known.fixes(one[fed, k].sum(axis=0))
            yield SieveClass(
                name, edges[k], edges[k + 1], mass if told else math.nan, sd,
                mass / whole if share_known else math.nan, mass / all_of_it if fed_known else math.nan,
            )  # fmt: skip
