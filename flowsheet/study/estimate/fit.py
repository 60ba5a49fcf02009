"""What do the weights teach of this ore and these steps? The one estimate, number by number, and as a sheet of its own.

No search of its own: the draws are those from which every command tells. A number counts as moved where the weights
took so much of its doubt, or moved it so far, that chance among so many draws does not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.solve.slack import GOLD, ROCK
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate, FittedPile
from flowsheet.spec.blocks.measurement import PICKED, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.balance.result import UNITS
from flowsheet.study.common.frames import Row, Tabled, Tables, row
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.uncertain_inputs import inputs_with, mass_name, meanings, slack_name, told_numbers
from flowsheet.study.common.units_out import TOLD, Names, millimetres
from flowsheet.study.estimate.another_sack import joined
from flowsheet.study.estimate.corrected_draws import estimate_of
from flowsheet.study.estimate.fitted_sheet import checked_text, fitted_text, source_text, with_block
from flowsheet.study.estimate.next_look import Confounded, Weighing, advise, tied
from flowsheet.study.estimate.ore_from_weights import thin
from flowsheet.study.estimate.predicted_weights import estimated
from flowsheet.study.posterior.estimate import Posterior
from flowsheet.study.posterior.unknowns import Unknowns
from flowsheet.study.posterior.written_estimate import block_of

INFORMED, SHIFTED = 0.1, 0.25
"""Share of the variance before that the weights must take away, or shift in standard deviations, to count."""
BY_CHANCE = 3.0
"""Standard errors of as many draws below which a change is none."""
PRIOR_DRAWS = 4000
FAR = 2.5
"""Standard deviations by which a weight must be off the estimate to be told."""
ROUNDING = 1e-12


@dataclass(frozen=True)
class Parameter:
    """A number of the sheet before and after, in SI."""

    name: str
    number: Number
    #: What its field says that it is.
    what: str
    #: Before: as the sheet has it, with the doubt that is assumed where it tells none.
    before: float
    before_sd: float
    #: After: the mean of the draws, half the width of their middle two thirds, and the ends that hold nine in ten.
    value: float
    sd: float
    low: float
    high: float
    #: Share of the variance before that the weights took away (negative: they left it wider).
    told: float
    #: Whether the weights moved it, more than chance among the draws does.
    moved: bool
    #: Whether it was weighed itself, so that the weighing counts in its place.
    weighed: bool = False
    #: Whether it is a grade without a lower end, since what was weighed cannot be told from no gold at all.
    below: bool = False

    def row(self) -> Row:
        """Return it as a row of a table, in the unit that its sheet has it in."""
        unit, one = self.number.unit
        scaled = ("before", "before_sd", "value", "sd", "low", "high")
        names: Names = {name: (name, lambda value: value / one) for name in scaled}
        found = row(self, names, deep=False)
        return {"name": found.pop("name"), "unit": unit, **found}


ODDS: Names = {
    "before": ("before_log_odds", float),
    "before_sd": ("before_sd_log_odds", float),
    "value": ("log_odds", float),
    "sd": ("sd_log_odds", float),
}


@dataclass(frozen=True)
class StepSlack:
    """How far a step's shares are off what the sheet says of them: log odds of an outlet against its last."""

    step: str
    #: "rock" or "gold".
    side: str
    outlet: str
    before: float
    before_sd: float
    value: float
    sd: float
    told: float
    moved: bool


@dataclass(frozen=True)
class Checked:
    """A measurement, and what the estimate makes of it (SI)."""

    measurement: Measurement
    fitted: float
    fitted_sd: float
    #: Measured less estimated, over both doubts together.
    off: float

    def row(self) -> Row:
        """Return it as a row of a table, in the unit of what was measured."""
        m, unit = self.measurement, UNITS.get(self.measurement.what, "")
        names: Names = {name: (name, TOLD[unit]) for name in ("value", "sd", "fitted", "fitted_sd")}
        names = {**names, "size": ("size_mm", millimetres), "assay_mass": ("assay_mass_kg", float)}
        named = {"stream": m.stream, "what": m.what, "unit": unit}
        return named | row(m, names, deep=False) | row(self, names, deep=False)


@dataclass(frozen=True, eq=False, repr=False)
class Fitted(Tabled):
    """What the weights left of a sheet's numbers, and the sheet that holds it.

    >>> import flowsheet as fs
    >>> fs.fit("sack3.yaml")
    <Fitted 'Quillfeather dump, sack 3': the weights moved 5 of 7 numbers>
    """

    sheet: Sheet
    posterior: Posterior
    parameters: tuple[Parameter, ...]
    slacks: tuple[StepSlack, ...]
    checked: tuple[Checked, ...]
    tied: tuple[Confounded, ...]
    advice: tuple[Weighing, ...]
    notes: tuple[Note, ...]

    def _tables(self) -> Tables:
        return {
            "numbers": lambda: (one.row() for one in self.parameters),
            "slack": lambda: (row(one, ODDS, deep=False) for one in self.slacks),
            "weights": lambda: (one.row() for one in self.checked),
        }

    def _headline(self) -> tuple[str, str]:
        moved = sum(one.moved for one in self.parameters)
        return f"Fitted '{self.sheet.title}'", f"the weights moved {moved} of {len(self.parameters)} numbers"

    @cached_property
    def text(self) -> str:
        """The sheet's own text with each moved number in the place of the old one, and the estimate behind it.

        Raises SheetError where a number cannot be replaced by itself.
        """
        document, source = source_text(self.sheet)
        moved = {one.name: (one.value, one.sd) for one in self.parameters if one.moved}
        text = fitted_text(document, source, self.sheet, moved)
        return with_block(document, text, self.block(checked_text(text, document)))

    def block(self, written: Sheet) -> FittedEstimate:
        """Return the estimate as a block of a sheet in which numbers stand as in ``written``."""
        texts = {name: number.text for name, number in told_numbers(written).items()}
        pile, _ = joined(self.sheet) if self.posterior.weighs_gold else (None, [])
        told = FittedPile(grade=_five(pile.law), spread=_five(pile.spread)) if pile is not None else None
        return block_of(self.posterior, self.sheet.sources.sha256, self.sheet.weighed, texts, told)

    @cached_property
    def fitted_sheet(self) -> Sheet:
        """The sheet with the estimate, for ``run`` and all else; its weights are not read again.

        Raises SheetError where fitted numbers contradict each other.
        """
        document, _ = source_text(self.sheet)
        return checked_text(self.text, document)


def _five(one: Interval) -> list[float]:
    return [one.mean, one.sd, one.p5, one.p50, one.p95]


def fit(sheet: Sheet, seed: int = 1) -> Fitted:
    """Return what the weights left of the sheet's numbers. Raises SheetError where nothing was weighed, or no gold."""
    refuse_nothing(sheet)
    model = Model.of(sheet)
    if float(solve(model).fed_gold) <= 0:
        at = f"{sheet.field_of(next(iter(sheet.ores)))}.grade"
        remedy = "Give a grade, as 20 g/t ± 8 g/t; a guess will do"
        raise SheetError([Mistake("there is no gold to tell of", remedy, at, file=sheet.file, code="no_gold")])
    trusted, _, notes = believed(sheet, balanced(sheet))
    found = estimate_of(replace(model, sheet=trusted), seed)
    if found.unknowns is None:
        raise TypeError("the estimate of this sheet is written already")
    parameters = _parameters(found, found.unknowns)
    solution = solve(model, inputs_with(model, found.values, len(found.grade)))
    open_ones = [one.name for one in parameters if not one.moved]
    return Fitted(
        sheet,
        found,
        parameters,
        _slacks(found),
        _checked(found, solution, sheet),
        tied({one.name: found.values[one.name] for one in parameters if one.moved}),
        advise(solution, {name: found.values[name] for name in open_ones}, sheet.weighed),
        (*sheet.notes, *notes, *thin(found)),
    )


def refuse_nothing(sheet: Sheet) -> None:
    """Raise SheetError where nothing was weighed but feeds."""
    if any(m.stream not in sheet.ores for m in sheet.weighed):
        return
    raise SheetError([Mistake(
        "nothing but feeds was weighed, so there is nothing to fit the sheet to" if sheet.weighed else
        "nothing was weighed, so there is nothing to fit the sheet to",
        f"Add weighed: {{{(sheet.keep or ('tails',))[0]}: {{mass: …}}}}, with what you weighed or had assayed",
        field="weighed", file=sheet.file, code="nothing_to_fit_to"
    )])  # fmt: skip


def _parameters(found: Posterior, unknowns: Unknowns) -> tuple[Parameter, ...]:
    sheet = found.model.sheet
    numbers, words = told_numbers(sheet), meanings(sheet)
    z = np.random.default_rng(0).standard_normal((PRIOR_DRAWS, len(unknowns.names)))
    before = unknowns.drawn(z).values
    weighed = {name for name in unknowns.replaced if name in {mass_name(sheet, ore) for ore in sheet.ores}}
    rows = []
    for name, number in numbers.items():
        if name not in found.values or not (np.ptp(before.get(name, np.zeros(1))) > 0 or name in weighed):
            continue
        was = Spread.of(before[name]) if name not in weighed else Spread(number.value, number.sd, 0.0, 0.0)
        draws = np.broadcast_to(found.values[name], found.grade.shape)
        now = Spread.of(draws)
        told, moved = _moved(was, now, found.effective)
        below = found.next_to_none and name.endswith(".grade")
        low = 0.0 if below else now.low
        rows.append(
            # The mean, as every command tells an amount.
            Parameter(name, number, words.get(name, ""), was.middle, was.sd, float(np.mean(draws)), now.sd, low,
                      now.high, told, moved or name in weighed, name in weighed, below)
        )  # fmt: skip
    return tuple(rows)


@dataclass(frozen=True)
class Spread:
    """The middle of some draws, their standard deviation as of a normal law, and the ends that hold nine in ten."""

    middle: float
    sd: float
    low: float
    high: float

    @classmethod
    def of(cls, draws: Array) -> Spread:
        """Read draws (D,): by their quantiles, which a few far ones do not move."""
        low, middle, high = np.percentile(draws, (5, 50, 95))
        return cls(float(middle), float(high - low) / (2 * NORMAL_95), float(low), float(high))


def _moved(was: Spread, now: Spread, draws: float) -> tuple[float, bool]:
    """Return the share of the variance that went, and whether that or the shift is more than chance among draws."""
    if was.sd <= 0:
        return 0.0, False
    told = 1 - (now.sd / was.sd) ** 2
    shift = abs(now.middle - was.middle) / was.sd
    least = max(INFORMED, BY_CHANCE * math.sqrt(2 / draws))
    return told, bool(told > least or shift > max(SHIFTED, BY_CHANCE / math.sqrt(draws)))


def _slacks(found: Posterior) -> tuple[StepSlack, ...]:
    rows = []
    for name, step in found.model.sheet.steps.items():
        slack = step.slack_of()
        *others, last = step.outlets
        for side, sd, shift in ((ROCK, slack.rock, 0.0), (GOLD, slack.gold, slack.gold_shift)):
            if (at := slack_name(name, side, last)) not in found.values:
                continue
            for i, outlet in enumerate(others):
                off = found.values[slack_name(name, side, outlet)] - found.values[at]
                was, now = Spread(shift if i == 0 else 0.0, sd, 0.0, 0.0), Spread.of(off)
                told, moved = _moved(was, now, found.effective)
                rows.append(StepSlack(name, side, outlet, was.middle, sd, now.middle, now.sd, told, moved))
    return tuple(rows)


def _checked(found: Posterior, solution: Solution, sheet: Sheet) -> tuple[Checked, ...]:
    tests: Mapping[str, int] = {test.name: i for i, test in enumerate(found.tests)}
    rows = []
    for m in sheet.weighed:
        test = found.tests[tests[m.test]]
        gold = test.picked[m.stream] if m.what == PICKED else test.gold[m.stream]
        draws = estimated(solution, m, gold, test.rock[m.stream], test.ratio)
        if draws is not None:
            mean, sd = float(np.mean(draws)), float(np.std(draws))
            sd = 0.0 if sd < ROUNDING * abs(mean) else sd
            rows.append(Checked(m, mean, sd, (m.value - mean) / max(math.hypot(m.sd, sd), 1e-300)))
    return tuple(rows)
