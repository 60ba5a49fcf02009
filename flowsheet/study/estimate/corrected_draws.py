"""A sheet's doubts, as the weights have corrected them, drawn and solved: what every statement of chance rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import draw
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.notes import Note, note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.text.units import GRADE
from flowsheet.study.common.monte_carlo import DrawnTotals, Progress, cluster, drawn
from flowsheet.study.common.uncertain_inputs import doubtful

if TYPE_CHECKING:
    from flowsheet.study.estimate.ore_from_weights import KnownOre

GRADE_OF_WEIGHTS, STILL_DISAGREES = "grade_of_the_weights", "fit_still_disagrees"
"""Codes of the notes that the weights tell the grade, and that they contradict the sheet even after the fit."""


@dataclass(frozen=True)
class CorrectedDraws:
    """Draws of a sheet, and where their numbers come from."""

    solution: Solution
    found: DrawnTotals
    numbers: Mapping[str, Number]
    values: Mapping[str, Array]
    #: What the weights told of the grade; None where they did not.
    weighed: KnownOre | None
    #: Whether the other numbers are those that the weights left.
    fitted: bool
    rng: np.random.Generator
    notes: list[Note]

    def by_grain(self, names: Sequence[str]) -> Array:
        """Return the gold of several streams together by grain class, of some draws, kg, (E, S)."""
        return np.asarray(sum(self.found.by_grain[name] for name in names))


def gather(
    solution: Solution, draws: int, seed: int, openings: Sequence[float] = (), progress: Progress = iter
) -> CorrectedDraws:
    """Draw a solved sheet's doubtful numbers: the grade by the balance of the weights, the others by the fit."""
    model = solution.model
    sheet = model.sheet
    rng = np.random.default_rng(seed)
    numbers = doubtful(sheet)
    values = {name: draw(number, draws, rng) for name, number in numbers.items()}
    notes: list[Note] = []
    weighed = _weighed(sheet, solution) if sheet.weighed else None
    to_fit = sheet if weighed is None else _without_guess(solution, weighed)
    # Of several ores the weights tell what they held together: how they compare stays as the sheet has it.
    several = weighed is not None and len(sheet.ores) > 1
    apart = {name: value for name, value in values.items() if several and name.endswith(".grade")}
    fitted_before = bool(sheet.weighed) and _written_by_fit(sheet)
    fitted = bool(sheet.weighed) and not fitted_before and _fit(to_fit, values, draws, seed, notes)
    values.update(apart)
    gold = None
    if weighed is not None:
        rock = sum((values.get(n, np.asarray(o.mass.value)) for n, o in _masses(sheet).items()), np.zeros(draws))
        gold = weighed.grade.draws(rng, draws) * rock
        notes.append(grade_of_weights())
        notes.extend(weighed.notes)
    elif sheet.weighed and not fitted and not fitted_before:
        sentence = (
            "what was weighed does not tell the head grade (flowsheet reconcile says what would), and corrects no "
            "number: these intervals are the sheet's own, whatever the weights say."
        )
        notes.append(note("weights_tell_nothing", sentence))
    many = draws if numbers or gold is not None else 1
    found = drawn(model, values, many, openings, gold, progress)
    return CorrectedDraws(solution, found, numbers, values, weighed, fitted, rng, notes)


def grade_of_weights() -> Note:
    """Return the note that the weights tell the grade."""
    return note(GRADE_OF_WEIGHTS, "the grade is that of the weights; the sheet's own guess of it is not used.")


def _masses(sheet: Sheet) -> dict[str, Any]:
    """Return each ore by the name of its mass."""
    one = list(sheet.ores) == ["ore"]
    return {"ore.mass" if one else f"ores.{name}.mass": ore for name, ore in sheet.ores.items()}


def _weighed(sheet: Sheet, solution: Solution) -> KnownOre | None:
    """Return what the balance of the weights tells of the ore; None where it tells nothing."""
    from flowsheet.study.balance.problem import USED
    from flowsheet.study.balance.reconcile import reconcile_sheet
    from flowsheet.study.estimate.ore_from_weights import known_ore

    if not any(m.what in USED for m in sheet.weighed):
        return None
    return known_ore(solution, reconcile_sheet(sheet, look_further=False), cluster(solution.model))


def _without_guess(solution: Solution, weighed: KnownOre) -> Sheet:
    """Return the sheet with the grade of the weights, so much in doubt that a fit takes nothing from it.

    A wrong guess, held for sure, would have the steps explain what the ore must. Several ores keep their proportions.
    """
    sheet = solution.model.sheet
    guess = float(solution.fed_gold) / sum(ore.mass.value for ore in sheet.ores.values())
    ores = dict(sheet.ores)
    for name, ore in sheet.ores.items():
        if ore.grade is not None:
            grade = ore.grade.value * weighed.grade.mean / guess
            ores[name] = ore.model_copy(update={"grade": Number(grade, sd=grade, dimension=GRADE)})
    return replace(sheet, ores=ores)


def _fit(sheet: Sheet, values: dict[str, Array], draws: int, seed: int, notes: list[Note]) -> bool:
    """Draw the doubtful numbers anew from what the fit to the weights leaves of their doubt, where it can be made."""
    from flowsheet.study.estimate.fit import ALARM, fit

    if not values:
        return False
    try:
        fitted = fit(sheet, sheet.weighed, seed, look_further=False)
    except SheetError as wrong:
        sentence = "the doubtful numbers could not be fitted to the weights: {why}."
        notes.append(note("not_fitted", sentence, why=wrong.mistakes[0].message))
        return False
    if fitted.p < ALARM:
        # Numbers pressed into what they cannot explain would be told as if the weights had said so.
        sentence = (
            "the sheet, fitted to the weights, still does not agree with them (flowsheet fit tells where): its numbers "
            "are taken as they are written."
        )
        notes.append(note(STILL_DISAGREES, sentence, p=fitted.p))
        return False
    drawn_anew = fitted.posterior.draws(draws, seed)
    for i, parameter in enumerate(fitted.parameters):
        if parameter.name in values and parameter.unknown.test is None and not parameter.jumps:
            values[parameter.name] = drawn_anew[:, i]
    return True


def _written_by_fit(sheet: Sheet) -> bool:
    """Whether a fit has written this sheet: its numbers are those that the weights left, doubts and all."""
    from flowsheet.study.estimate.fitted_sheet import MARK

    path = Path(sheet.file)
    if not path.is_file():
        return False
    with path.open(encoding="utf-8", errors="replace") as file:
        return file.readline().lstrip("\ufeff").startswith(MARK)
