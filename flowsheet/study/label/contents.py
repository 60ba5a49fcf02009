"""What a lot sheet tells of a sheet and its tests, as plain data: what was tested, the grade, what is kept."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.measurement import BEAD, MASS, PICKED, picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.brief import counted
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.common.compound_poisson import Spread
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import DRAWS
from flowsheet.study.common.notebook_result import Shown
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units
from flowsheet.study.estimate.another_sack import PileTold
from flowsheet.study.estimate.chance import chance
from flowsheet.study.estimate.corrected_draws import gather
from flowsheet.study.estimate.ore_from_weights import KnownOre

KEPT: Names = {"mass": ("mass_kg", float), "gold": ("gold_g", grams), "interval": ("interval", grams)}
LABEL: Names = {
    "mass": ("mass_kg", float), "head": ("grade_g_per_t", g_per_t), "grade": ("grade", g_per_t),
    "tested": ("tested_kg", float), "found": ("found_g", grams), "found_sd": ("found_sd_g", grams),
    "next_low": ("next_low_g", grams), "next_high": ("next_high_g", grams),
}  # fmt: skip
"""Fields that plain data tells by another name or in another unit."""


@dataclass(frozen=True)
class Kept:
    """One stream that is kept: its mass, and its gold in another sack of the same ore; kg."""

    stream: str
    #: As weighed (the mean of the tests), or by the sheet.
    mass: float
    weighed: bool
    gold: float
    interval: Interval | None


@dataclass(frozen=True, repr=False)
class LotSheet(Shown):
    """What is told of a test; the interval of the head grade is None where the sheet gives no doubts.

    >>> import flowsheet as fs
    >>> fs.label("sack3.yaml").contents
    <LotSheet 'Quillfeather dump, sack 3': 1 test, 12 weighings, grade by weights>
    """

    title: str
    tests: int
    #: Of one test, kg, dry.
    mass: float
    ores: tuple[str, ...]
    days: tuple[str, ...]
    steps: tuple[str, ...]
    #: kg/kg.
    head: float
    grade: Interval | None
    #: "weights" or "sheet".
    rests_on: str
    #: Rock that was tested and the gold found in it, kg; None where no balance tells that.
    tested: float | None
    found: float | None
    found_sd: float | None
    #: What else the doubt of the grade holds.
    rest: str
    #: Tests that were joined to tell the grade of the pile; 0 where it is that of the sacks tested alone.
    joined: int
    #: Sacks of the pile, where the sheet tells.
    sacks: int | None
    #: How far sacks differ besides the luck of grains (relative sd), as counted in what another sack holds and in
    #: what is kept of it: as the tests tell, or as the sheet has it; None where it tells of no pile.
    spread: Interval | float | None
    weighings: int
    kept: tuple[Kept, ...]
    #: Gold in the next sack: kg, nine times in ten; and how often less than half of the mean, more than double.
    next_low: float | None
    next_high: float | None
    less_than_half: float | None
    more_than_double: float | None
    notes: tuple[Note, ...]

    def _headline(self) -> tuple[str, str]:
        of = "weights" if self.rests_on == "weights" else "a guess"
        return f"LotSheet '{self.title}'", f"{counted(self.tests, 'test')}, {self.weighings} weighings, grade by {of}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        kept = [in_units(one, KEPT) for one in self.kept]
        return {**in_units(self, LABEL), "kept": kept, "notes": texts(self.notes)}


@dataclass(frozen=True)
class _Told:
    """What the numbers say: the head grade, and the laws of another sack and of its streams where grains are known."""

    head: Interval
    weighed: KnownOre | None
    notes: list[Note]
    lot: PileTold | None
    spread: Interval | float | None
    streams: Mapping[str, Interval] = field(default_factory=dict)
    next_sack: Spread | None = None
    next_low: float | None = None
    less_than_half: float | None = None
    more_than_double: float | None = None


def lot_sheet(sheet: Sheet, seed: int = 1) -> LotSheet:
    """Return what a lot sheet tells of a sheet."""
    solution = solve(Model.of(sheet))
    gold = float(solution.fed_gold)
    told = _told(solution, seed) if gold > 0 else None
    weighed = told.weighed if told is not None else None
    law = told.next_sack if told is not None else None
    joined = told.lot if told is not None else None
    given = sheet.pile.sacks if sheet.pile is not None else None
    rest = "the luck of grains and how far the sacks differ" if joined is not None else weighed.rest if weighed else ""
    return LotSheet(
        title=sheet.title,
        tests=max(len({m.test for m in sheet.weighed}), 1),
        mass=sum(ore.mass.value for ore in sheet.ores.values()),
        ores=tuple(sheet.ores),
        days=tuple(sorted({m.when for m in sheet.weighed if m.when}, key=_in_order)),
        steps=tuple(f"{name}: {_in_words(step)}" for name, step in sheet.steps.items()),
        head=told.head.mean if told is not None else gold / float(solution.fed_solids),
        grade=told.head if told is not None and not told.head.exact else None,
        rests_on="weights" if weighed is not None else "sheet",
        tested=weighed.rock if weighed is not None else None,
        found=weighed.gold if weighed is not None else None,
        found_sd=weighed.gold_sd if weighed is not None else None,
        rest=rest,
        joined=len(joined.told) if joined is not None else 0,
        sacks=round(given.value) if given is not None else None,
        spread=told.spread if told is not None else None,
        weighings=len(sheet.weighed),
        kept=(
            *(_kept(name, solution, told.streams if told is not None else {}) for name in sheet.keep),
            *_picked(solution),
        ),
        next_low=told.next_low if told is not None else None,
        next_high=law.quantile(0.95) if law is not None else None,
        less_than_half=told.less_than_half if told is not None else None,
        more_than_double=told.more_than_double if told is not None else None,
        notes=tuple(told.notes) if told is not None else tuple(sheet.notes),
    )


def _told(solution: Solution, seed: int) -> _Told:
    """Return what is told of a sheet with gold, as ``chance`` has it where there are grains for luck to part."""
    if solution.model.grains_known:
        one = chance(solution.model.sheet, DRAWS, seed)
        return _Told(one.head_grade, one.weighed, one.notes, one.lot, one.spread, one.streams, one.next_sack,
                     one.next_low, one.less_than_half, one.more_than_double)  # fmt: skip
    gathered = gather(solution, DRAWS, seed)
    notes = [*solution.model.sheet.notes, *gathered.notes]
    return _Told(gathered.head_grade, gathered.weighed, notes, gathered.lot, gathered.spread)


def _kept(name: str, solution: Solution, told: Mapping[str, Interval]) -> Kept:
    material, interval = solution.streams[name], told.get(name)
    metal = float(solution.metal(name)) if name not in solution.model.sheet.ores else 0.0
    gold = float(material.gold) if interval is None else interval.mean
    weights = [m.value for m in solution.model.sheet.weighed if m.stream == name and m.what in (MASS, BEAD)]
    mass = sum(weights) / len(weights) if weights else float(material.solids) + metal
    return Kept(name, mass, bool(weights), gold, interval)


def _picked(solution: Solution) -> Iterator[Kept]:
    """Go through metal that was picked by hand: a mean sack's, of all tests. Another sack is not told of it."""
    weighed = solution.model.sheet.weighed
    tests = len({m.test for m in weighed})
    for name in dict.fromkeys(m.stream for m in weighed if m.what == PICKED):
        mass = sum(m.value for m in weighed if m.what == PICKED and m.stream == name) / tests
        metal, gold = float(solution.metal(name)), float(solution.streams[name].gold)
        yield Kept(picked_from(name), mass, True, mass * gold / metal if metal > 0 else mass, None)


def _in_order(day: str) -> list[tuple[int, int, str]]:
    """Return by what days are put in order: numbers in them by their value."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d{1,9})", day) if part]


def _in_words(step: StepBlock) -> str:
    """Say what a step did, as its kind has it; "to {gap}" and its like is left out where the sheet gives no gap."""
    words = step.done or step.do.replace("_", " ")
    for name in re.findall(r"\{(\w+)\}", words):
        number = getattr(step, name, None)
        words = words.replace(f"{{{name}}}", str(number)) if number is not None else words.partition(f" {{{name}}}")[0]
    words = words.removesuffix(" at").removesuffix(" to").removesuffix(" of")
    return f"{words} (shares given)" if step.split is not None or step.recovery is not None else words
