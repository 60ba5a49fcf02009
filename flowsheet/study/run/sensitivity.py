"""Which one change would win most? Each knob's own suggestion, solved again and ranked."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np

from flowsheet.solve.balance import Caught
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.steps import kind_that
from flowsheet.study.common import what_if
from flowsheet.study.common.uncertain_inputs import inputs_with
from flowsheet.study.common.units_out import Names, grams, in_units
from flowsheet.study.common.what_if import Variant

WORTH_TELLING = 1e-6
"""A gain below this share of the gold is none."""

Bases: TypeAlias = dict[frozenset[float], Solution]

PANNED, AT_MOST = "panned first", "cleaned out by hand, at most"
"""What to do with the stream at which a loop catches gold; of the latter the gain is not worked out, but bounded."""


IMPROVEMENT: Names = {"gain": ("gain_g", grams)}
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Improvement:
    """A change of the sheet and what it wins; ``gain_share`` is of all gold fed."""

    #: The setting, or the loop's stream that is to be cleaned out by hand.
    setting: str
    what: str
    now: str
    then: str
    #: Gold kept more, kg, and its share of all gold fed.
    gain: float
    gain_share: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, IMPROVEMENT)


def advice(solution: Solution) -> list[Improvement]:
    """Return every single change that wins gold, best first."""
    sheet, fed = solution.model.sheet, float(solution.fed_gold)
    if fed <= 0 or solution.unsettled is not None:  # nothing can be said of a change to what is not known
        return []
    bases: Bases = {}
    changed = ((one, one.of(sheet)) for one in what_if.improvements(sheet))
    told = [(one, then) for one, then in changed if _legal(then, one.step, solution)]
    found = [
        Improvement(one.name, one.what, str(one.old), str(one.new), gain, gain / fed)
        for one, gain in _gains(solution, told, bases)
    ]
    for caught in solution.caught:
        if float(caught.material.gold) > 0:
            then, gain = _cleaned(solution, caught, bases)
            found.append(Improvement(caught.stream, "what the loop holds", "goes back", then, gain, gain / fed))
    return sorted((c for c in found if c.gain_share > WORTH_TELLING), key=lambda c: -c.gain_share)


def _gains(solution: Solution, told: list[tuple[Variant, Sheet]], bases: Bases) -> Iterator[tuple[Variant, float]]:
    """Go through the changes (and the sheet with each) with the gold (kg) that each keeps more, where it can be solved.

    Those that leave the class limits as they are make draws of one solve, which takes a fraction of their own. Where a
    loop has to settle each takes long, so that all are draws of one solve, with the class limits that any of them asks
    for; and a change after which it does not settle is no advice.
    """
    model, sheet = solution.model, solution.model.sheet
    settles = any(stage.is_loop and any(model.step(n).hangs_on_feed() for n in stage.steps) for stage in model.stages)
    together: dict[str, float | None] = {}
    if settles:
        model = Model.of(sheet, frozenset[float]().union(*(changed.openings for _, changed in told)))
        together = _as_draws(model, [one for one, _ in told], None)
    else:
        own = sheet.steps
        alike = [one for one, changed in told if changed.steps[one.step].openings() == own[one.step].openings()]
        if len(alike) > 1:
            together = _as_draws(model, alike, solution)
    for one, changed in told:
        with contextlib.suppress(SheetError):
            gain = together[one.name] if one.name in together else _gain(solution, changed, bases)
            if gain is not None:
                yield one, gain


def _as_draws(model: Model, changes: Sequence[Variant], base: Solution | None) -> dict[str, float | None]:
    """Return the gold (kg) that each change keeps more than ``base`` does; None where a loop then does not settle.

    Without a ``base`` the sheet as it stands is one more draw. Nothing where one of them lets nothing out of a loop.
    """
    many = len(changes) + (base is None)
    values = {one.name: np.full(many, one.old.value) for one in changes}
    for i, one in enumerate(changes):
        values[one.name][i] = one.new.value
    try:
        found = solve(model, inputs_with(model, values, many), patient=False)
    except SheetError:
        return {}
    kept = np.broadcast_to(found.kept_gold, (many,))  # nothing kept moves: one for all
    gains = kept - (kept[-1] if base is None else base.kept_gold)
    settled = np.ones(many, dtype=bool) if found.unsettled is None else ~found.unsettled
    if base is None and not settled[-1]:
        settled[:] = False
    return {one.name: float(gains[i]) if settled[i] else None for i, one in enumerate(changes)}


def _cleaned(solution: Solution, caught: Caught, bases: Bases) -> tuple[str, float]:
    """Return how a loop's gold is won, and how much (kg) of it.

    Its recycle goes through a pan before it goes back, and what that keeps is kept: solved again. Without grain
    sizes that has no model; then all that was caught is the most that cleaning the loop out can win.
    """
    if not solution.model.grains_known:
        return AT_MOST, float(caught.material.gold)
    with contextlib.suppress(SheetError):
        gain = _gain(solution, _panned(solution.model.sheet, caught.stream), bases)
        if gain is not None:
            return PANNED, gain
    return AT_MOST, float(caught.material.gold)


def panned_first(solution: Solution, best: Improvement) -> Sheet | None:
    """Return the sheet with a loop's recycle panned before it goes back, where that is what is advised."""
    return _panned(solution.model.sheet, best.setting) if best.then == PANNED else None


def _panned(sheet: Sheet, stream: str) -> Sheet:
    """Return a sheet with a pan before a stream goes back into its loop."""
    taker = sheet.takers[stream]
    kept, back = (_unused(f"{stream} {what}", (*sheet.ores, *sheet.makers)) for what in ("panned off", "panned"))
    cleaner = kind_that("cleans_loops")
    gives = dict(zip((port.name for port in cleaner.ports), (kept, back), strict=True))
    pan = cleaner.model_validate({"do": cleaner.kind, "takes": stream, "gives": gives})
    takes = [back if name == stream else name for name in sheet.steps[taker].takes]
    steps = {**sheet.steps, taker: sheet.steps[taker].model_copy(update={"takes": takes})}
    steps[_unused(f"pan {stream}", sheet.steps)] = pan
    return replace(sheet, steps=steps, keep=(*sheet.keep, kept))


def _unused(name: str, taken: Iterable[str]) -> str:
    """Return a name that no stream (or step) of the sheet has."""
    names = set(taken)
    while name in names:
        name += " "
    return name


def _gain(solution: Solution, changed: Sheet, bases: Bases) -> float | None:
    """Return the gold (kg) that a changed sheet keeps more, with the openings of both as class limits.

    None where a loop of it does not settle.
    ``bases`` remembers the sheet as it stands on other class limits: most changes ask for the same ones.
    """
    sheet = solution.model.sheet
    model = Model.of(changed, sheet.openings)
    if len(model.grid) != len(solution.model.grid):  # the change added a class limit: the classes must be alike
        named = changed.openings
        if named not in bases:
            bases[named] = solve(Model.of(sheet, named))
        solution = bases[named]
    then = solve(model, patient=False)
    return None if then.unsettled is not None else float(then.kept_gold) - float(solution.kept_gold)


def _legal(changed: Sheet, step: str, solution: Solution) -> bool:
    """Whether the step may be as it was changed (a halved setting must not cross another of its numbers)."""
    return not list(changed.steps[step].faults(solution.model.grid.sized, solution.model.grains_known))
