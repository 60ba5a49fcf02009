"""What a lot sheet tells of one test, as plain data: what was tested and how, the head grade, what is kept."""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass
from typing import Any

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.schema import Sheet, StepBlock
from flowsheet.spec.weighing import BEAD, MASS
from flowsheet.study.chance import Chance, chance
from flowsheet.study.gathered import gather
from flowsheet.study.interval import Interval

DRAWS = 1000

WORDS = {
    "screen": "screened at {opening}",
    "sort": "looked over for visible gold",
    "jaw_crush": "crushed to {setting}",
    "pulverize": "pulverized to {gap}",
    "pan": "panned",
    "sluice": "run over a sluice",
    "magnet": "cleaned with a magnet",
    "smelt": "melted",
    "cupel": "cupelled",
    "saw": "sawn into slabs of {slab}",
    "split": "split",
    "factors": "parted",
}
"""What was done, by the kind of step."""


@dataclass(frozen=True)
class Kept:
    """One stream that is kept: its mass, and its gold in a sack like this one."""

    stream: str
    #: As weighed (the mean of the tests), or by the sheet.
    mass_kg: float
    weighed: bool
    gold_g: float
    interval: Interval | None


@dataclass(frozen=True)
class LotSheet:
    """What is told of a test; the interval of the head grade is None where the sheet gives no doubts."""

    title: str
    tests: int
    mass_kg: float
    ores: tuple[str, ...]
    days: tuple[str, ...]
    steps: tuple[str, ...]
    grade_g_per_t: float
    grade: Interval | None
    #: "weights" or "sheet".
    rests_on: str
    tested_kg: float | None
    found_g: float | None
    found_sd_g: float | None
    #: What else the doubt of the grade holds.
    rest: str
    weighings: int
    kept: tuple[Kept, ...]
    #: Gold in the next sack: g, nine times in ten; and how often less than half of the mean, more than double.
    next_low_g: float | None
    next_high_g: float | None
    less_than_half: float | None
    more_than_double: float | None
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return asdict(self)


def lot_sheet(sheet: Sheet, seed: int = 1) -> LotSheet:
    """Return what a lot sheet tells of a sheet."""
    solution = solve(Model.of(sheet))
    gold = float(solution.fed_gold)
    known = solution.model.grains_known and gold > 0
    told = chance(sheet, DRAWS, seed) if known else None
    weighed = told.weighed if told is not None else None
    law = told.next_sack if told is not None else None
    plain = 1e6 * gold / float(solution.fed_solids)
    head = told.head_grade if told is not None else _by_sheet(solution, seed) if gold > 0 else None
    return LotSheet(
        title=sheet.title,
        tests=max(len({m.test for m in sheet.weighed}), 1),
        mass_kg=sum(ore.mass.value for ore in sheet.ores.values()),
        ores=tuple(sheet.ores),
        days=tuple(sorted({m.when for m in sheet.weighed if m.when}, key=_in_order)),
        steps=tuple(f"{name}: {_in_words(step)}" for name, step in sheet.steps.items()),
        grade_g_per_t=head.mean if head is not None else plain,
        grade=head if head is not None and head.sd > 0 else None,
        rests_on="weights" if weighed is not None else "sheet",
        tested_kg=weighed.rock if weighed is not None else None,
        found_g=1e3 * weighed.gold if weighed is not None else None,
        found_sd_g=1e3 * weighed.gold_sd if weighed is not None else None,
        rest=weighed.rest if weighed is not None else "",
        weighings=len(sheet.weighed),
        kept=tuple(_kept(name, solution, told) for name in sheet.keep),
        next_low_g=1e3 * law.quantile(0.05) if law is not None else None,
        next_high_g=1e3 * law.quantile(0.95) if law is not None else None,
        less_than_half=told.less_than_half if told is not None else None,
        more_than_double=told.more_than_double if told is not None else None,
        notes=tuple(told.notes) if told is not None else (),
    )


def _by_sheet(solution: Solution, seed: int) -> Interval:
    """Return the head grade by the sheet's own doubts, where no grains are known."""
    found = gather(solution, DRAWS, seed).found
    return Interval.of_draws(found.fed / found.rock, 1e6)


def _kept(name: str, solution: Solution, told: Chance | None) -> Kept:
    material = solution.streams[name]
    interval = told.streams[name] if told is not None else None
    metal = float(solution.metal(name)) if name not in solution.model.sheet.ores else 0.0
    gold = 1e3 * float(material.gold) if interval is None else interval.mean
    weights = [m.value for m in solution.model.sheet.weighed if m.stream == name and m.what in (MASS, BEAD)]
    mass = sum(weights) / len(weights) if weights else float(material.solids) + metal
    return Kept(name, mass, bool(weights), gold, interval)


def _in_order(day: str) -> list[tuple[int, int, str]]:
    """Return by what days are put in order: numbers in them by their value."""
    return [(0, int(part), "") if part.isdecimal() else (1, 0, part) for part in re.split(r"(\d{1,9})", day) if part]


def _in_words(step: StepBlock) -> str:
    words = WORDS.get(step.do, step.do)
    for field in ("opening", "setting", "gap", "slab"):
        if f"{{{field}}}" in words:
            number = getattr(step, field, None)
            words = words.replace(f"{{{field}}}", str(number)) if number is not None else words.split(" {")[0]
    words = words.removesuffix(" at").removesuffix(" to").removesuffix(" of")
    return f"{words} (shares given)" if step.split is not None or step.recovery is not None else words
