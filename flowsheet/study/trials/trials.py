"""What would another setting do? The sheet solved again for every combination of what is tried."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.solve.model import Model, rebuild
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.fields import dimension_of
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.mistakes import SETTINGS, Mistake, SheetError
from flowsheet.spec.text.notes import Note, note, texts
from flowsheet.spec.text.wording import argument, asking, by_asker, setting
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.common.frames import Tabled, Tables, row
from flowsheet.study.common.monte_carlo import DRAWS, cluster
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units
from flowsheet.study.estimate.confidence import SEED
from flowsheet.study.estimate.corrected_draws import gather
from flowsheet.study.money.net_revenue import sheet_value
from flowsheet.study.posterior.grain_luck import likely
from flowsheet.study.run.losses import losses
from flowsheet.study.run.run import FAR_OFF

MOST_TRIALS = 10_000

_RANGE = re.compile(r"(?P<first>.+?)\s+to\s+(?P<last>.+?)\s+in\s+(?P<steps>\d+)")
_ENDS = re.compile(r"[-+.#\d].*\s+to\s+[-+.#\d].*")


TRIAL: Names = {
    "kept": ("kept_g", grams),
    "gain": ("gain_g", grams),
    "worst": ("worst_g", grams),
    "lost": ("lost_g", grams),
}
"""Fields of a trial that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Trial:
    """One combination of settings and what it gives: gold in kg; shares are of all gold fed."""

    settings: dict[str, str]
    kept: float
    kept_share: float
    #: Kept more than with the sheet as it stands.
    gain: float
    worst_stream: str
    #: Gold lost with it.
    worst: float
    worst_share: float
    #: Gold lost by stream, kg.
    lost: dict[str, float]
    #: What it leaves of one sack, and how much more than the sheet as it stands, where the sheet has prices.
    value: float | None = None
    value_gain: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, TRIAL)


@dataclass(frozen=True, repr=False)
class Trials(Tabled):
    """The sheet as it stands, and all that was tried.

    >>> import flowsheet as fs
    >>> fs.trial("sack3.yaml", {"wash.passes": "1 to 3 in 3"})
    <Trials: 3 of wash.passes: 87.3 % kept as it stands, 95.1 % at best>
    """

    base: Trial
    rows: list[Trial]
    #: What moves, in the order given: setting → the values tried.
    moved: dict[str, list[str]]
    #: Of the values, "" where the sheet has no prices.
    currency: str = ""
    #: Luck (kg, one standard deviation) with the grains of the gold kept of one sack: a smaller gain does not show.
    #: None where nothing is known of grains.
    luck: float | None = None
    notes: tuple[Note, ...] = ()

    def _tables(self) -> Tables:
        return {
            "trials": lambda: (
                {**one.settings, **row(one, TRIAL), "currency": self.currency or None} for one in self.rows
            ),
        }

    def _headline(self) -> tuple[str, str]:
        now, *tried = (100 * row.kept_share for row in (self.base, *self.rows))
        told = f"{brief(now)} % kept as it stands, {brief(max(tried))} % at best"
        return "Trials", f"{len(self.rows)} of {', '.join(self.moved)}: {told}"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        trials = [row.as_dict() for row in self.rows]
        return {
            "base": self.base.as_dict(),
            "trials": trials,
            "currency": self.currency or None,
            "luck_of_a_sack_g": grams(self.luck) if self.luck is not None else None,
            "notes": texts(self.notes),
        }


def counts(sheet: Sheet) -> frozenset[str]:
    """Return the settings of a sheet that hold whole numbers (passes, say)."""
    return frozenset(
        f"{prefix}{name}.{field}"
        for name, step in sheet.steps.items()
        for field, found in type(step).model_fields.items()
        if dimension_of(found) is units.COUNT
        for prefix in ("", "steps.")
    )


def parse_settings(texts: Iterable[str], whole: Container[str] = ()) -> dict[str, list[str]]:
    """Read ``scalp.opening=20mm,12mm`` and ``scalp.opening=5 mm to 20 mm in 4``: setting → values.

    A range of lengths is spread evenly in ratio, as sieves are; any other evenly, those of ``whole`` over whole
    numbers. Raises SheetError.
    """
    moved: dict[str, list[str]] = {}
    for text in texts:
        name, equals, values = text.partition("=")
        name = name.strip()
        if not equals or not name or not values.strip():
            remedy = f"Write {setting('step.field', 'value')}, as {setting('scalp.opening', '20mm,12mm')}"
            raise _wrong(text, "this is no setting", remedy, code="no_setting")
        if name in moved:
            remedy = by_asker("Put all values behind one =, with commas", "Put all of its values into one list")
            raise _wrong(text, "set twice", remedy, code="set_twice")
        moved[name] = [one for part in values.split(",") for one in _spread(part.strip(), text, name in whole)]
    total = int(np.prod([len(v) for v in moved.values()]))
    if total > MOST_TRIALS:
        raise _wrong(None, f"{total} combinations", f"Try at most {MOST_TRIALS} at once", code="too_many")
    return moved


def _spread(part: str, text: str, whole: bool) -> list[str]:
    found = _RANGE.fullmatch(part)
    if found is None:
        if _ENDS.fullmatch(part):  # a doubt, in a sheet; but no setting that can be compared with another
            raise _wrong(
                text,
                "the range does not say how many values to try",
                f"Add how many, as {part} in 4",
                code="range_without_count",
            )
        return [part]
    try:
        first, last = (number_with_doubt.number_and_unit(found[end].strip()) for end in ("first", "last"))
    except number_with_doubt.NumberMistake as wrong:
        raise _wrong(text, wrong.message, wrong.remedy, code=wrong.code) from None
    count = int(found["steps"][:9])
    if first is None or last is None or not 2 <= count <= MOST_TRIALS:
        raise _wrong(text, "this range cannot be read", "Write it as 5 mm to 20 mm in 4", code="range_unreadable")
    (a, start, one), (b, end, other) = first, last
    unit = one or other
    if one not in ("", unit) or other not in ("", unit):
        raise _wrong(text, "the ends of the range have different units", "Use one unit for both", code="units_differ")
    if a == b:
        raise _wrong(
            text, "both ends of the range are the same", "Write one value, or two that differ", code="range_of_one"
        )
    if whole and a == int(a) and b == int(b) and (b - a) % (count - 1) != 0:
        message = f"no {count} whole numbers lie evenly from {start} to {end}"
        raise _wrong(text, message, _fitting(start, end, b - a, count), code="whole_number_wanted")
    steps = np.geomspace(a, b, count) if _is_length(unit) and min(a, b) > 0 else np.linspace(a, b, count)
    # Three digits read best; more where values as close as these would not differ otherwise.
    digits = max(3, 2 + math.ceil(math.log10(max(abs(a), abs(b)) / np.abs(np.diff(steps)).min())))
    inner = (np.format_float_positional(s, precision=digits, fractional=False, trim="-") for s in steps[1:-1])
    return [f"{number} {unit}".strip() for number in (start, *inner, end)]


def _fitting(start: str, end: str, span: float, count: int) -> str:
    """Say how many whole numbers lie evenly in a range, as near to ``count`` as can be from below and above."""
    fit = [n for n in range(2, min(int(abs(span)) + 1, MOST_TRIALS) + 1) if span % (n - 1) == 0]
    near = [max((n for n in fit if n < count), default=None), min((n for n in fit if n > count), default=None)]
    return "Write " + " or ".join(f"{start} to {end} in {n}" for n in near if n is not None)


def _is_length(unit: str) -> bool:
    try:
        units.factor(unit, units.LENGTH)
    except units.UnitMistake:
        return False
    return True


def run_trials(
    document: Document, moved: dict[str, list[str]], progress: Callable[[Iterable[int]], Iterable[int]] = iter
) -> Trials:
    """Solve the sheet as it stands and for every combination of ``moved``; all on one grid.

    Raises SheetError for a setting that is wrong, before anything is solved.
    """
    combinations = [dict(zip(moved, values, strict=True)) for values in itertools.product(*moved.values())]
    base_sheet = rebuild(document)
    sheets = [rebuild(with_settings(document, settings)) for settings in combinations]
    named = set().union(base_sheet.openings, *(sheet.openings for sheet in sheets))
    base = solve(Model.of(base_sheet, named))
    kept, value = float(base.kept_gold), sheet_value(base)
    rows = []
    for i in progress(range(len(sheets))):
        rows.append(_trial(combinations[i], solve(Model.of(sheets[i], named)), kept, value))
    currency = base_sheet.worth.currency if value is not None else ""
    notes = tuple(_refuted(base) if currency else ())
    return Trials(_trial({}, base, kept, value), rows, moved, currency, luck_of(base), notes)


def luck_of(solution: Solution) -> float | None:
    """Return the luck (kg, one standard deviation) of the gold that one sack has kept; None where no grains are known.

    Clusters of n grains of mass m are Poisson, so that the variance is Σ gold · n m over the grain classes; those so
    large that hardly any sack holds one are left out, as they are where the estimate tells of luck.
    """
    model = solution.model
    if not model.grains_known:
        return None
    mass = cluster(model) * grains.grain_mass(model.grid.size, solution.inputs.site.fineness)
    kept = np.asarray(sum(solution.streams[name].gold_by_grain for name in model.sheet.keep))
    number, _ = likely((kept / mass)[None, None, :])
    return math.sqrt(float((number[0, 0] * mass**2).sum()))


@dataclass(frozen=True)
class Pair:
    """One other setting of a sheet beside the sheet as it stands: both solved on one grid, and what they give."""

    before: Solution
    after: Solution
    base: Trial
    trial: Trial


def pair(base: Sheet, sheet: Sheet, settings: dict[str, str]) -> Pair:
    """Solve a sheet as it stands and with ``settings`` (``sheet``), as ``run_trials`` does. Raises SheetError."""
    named = base.openings | sheet.openings
    before = solve(Model.of(base, named))
    after = solve(Model.of(sheet, named)) if settings else before
    kept, value = float(before.kept_gold), sheet_value(before)
    return Pair(before, after, _trial({}, before, kept, value), _trial(settings, after, kept, value))


def _refuted(solution: Solution) -> Iterator[Note]:
    """Say that the money is told at a guess of the grade that the weights contradict."""
    sheet = solution.model.sheet
    if not sheet.weighed or float(solution.fed_gold) <= 0:
        return
    gathered = gather(solution, DRAWS, SEED)
    if gathered.weighed is None:
        return
    guess = float(solution.fed_gold) / float(solution.fed_solids)
    known = float(gathered.grade.mean())
    if abs(guess / known - 1) < FAR_OFF:
        return
    sentence = (
        "the money is told at the sheet's {guess_g_per_t:.3g} g/t; the weights say {weighed_g_per_t:.3g} g/t: put that "
        "into the sheet ({fitted} goes by the weights, but tells no money)."
    )
    fitted = by_asker("--fitted", asking("forecast"))
    yield note(
        "money_at_a_refuted_guess",
        sentence,
        guess_g_per_t=g_per_t(guess),
        weighed_g_per_t=g_per_t(known),
        fitted=fitted,
    )


def _trial(settings: dict[str, str], solution: Solution, kept_now: float, value_now: float | None) -> Trial:
    fed, kept = float(solution.fed_gold), float(solution.kept_gold)
    lost = losses(solution)
    worst = lost[0] if lost else None
    value = sheet_value(solution) if value_now is not None else None
    return Trial(
        settings=settings,
        kept=kept,
        kept_share=kept / fed if fed > 0 else 0.0,
        gain=kept - kept_now,
        worst_stream=worst.stream if worst else "",
        worst=worst.gold if worst else 0.0,
        worst_share=worst.share if worst else 0.0,
        lost={loss.stream: loss.gold for loss in lost},
        value=value,
        value_gain=None if value is None or value_now is None else value - value_now,
    )


def _wrong(text: str | None, message: str, remedy: str, code: str) -> SheetError:
    return SheetError([Mistake(message, remedy, read=text, file=argument(SETTINGS), line=0, code=code)])
