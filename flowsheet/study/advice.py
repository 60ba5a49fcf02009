"""Which one change would win most? Each knob's own suggestion, solved again and ranked."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.mistakes import SheetError
from flowsheet.spec.schema import Sheet
from flowsheet.study import variants

WORTH_TELLING = 1e-6
"""A gain below this share of the gold is none."""


@dataclass(frozen=True)
class Change:
    """A change of the sheet and what it wins; ``gain_share`` is of all gold fed."""

    #: The setting, or the loop's stream that is to be cleaned out by hand.
    setting: str
    what: str
    now: str
    then: str
    gain_g: float
    gain_share: float


def advice(solution: Solution) -> list[Change]:
    """Return every single change that wins gold, best first."""
    sheet, fed = solution.model.sheet, float(solution.fed_gold)
    if fed <= 0:
        return []
    found = []
    for variant in variants.improvements(sheet):
        changed = variant.of(sheet)
        if not _legal(changed, variant.step, solution):
            continue
        try:
            gain = _gain(solution, changed)
        except SheetError:
            continue
        found.append(Change(variant.name, variant.what, str(variant.old), str(variant.new), 1e3 * gain, gain / fed))
    for caught in solution.caught:
        gold = float(caught.material.gold)
        found.append(Change(caught.stream, "what the loop holds", "goes back", "panned first", 1e3 * gold, gold / fed))
    return sorted((c for c in found if c.gain_share > WORTH_TELLING), key=lambda c: -c.gain_share)


def _gain(solution: Solution, changed: Sheet) -> float:
    """Return the gold (kg) that a changed sheet keeps more, with the openings of both as class limits."""
    sheet = solution.model.sheet
    model = Model.of(changed, variants.openings(sheet))
    if len(model.grid) != len(solution.model.grid):  # the change added a class limit: the classes must be alike
        solution = solve(Model.of(sheet, variants.openings(changed)))
    return float(solve(model).kept_gold) - float(solution.kept_gold)


def _legal(changed: Sheet, step: str, solution: Solution) -> bool:
    """Whether the step may be as it was changed (a halved setting must not cross another of its numbers)."""
    return not list(changed.steps[step].faults(solution.model.grid.sized, solution.model.grains_known))
