"""How sure the answers are: of one set of draws, so that every place tells the same intervals."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from flowsheet.show.run.by_weights import how_sure
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note
from flowsheet.study.balance.believed_weights import WEIGHTS_CONTRADICT
from flowsheet.study.common.uncertain_inputs import doubtful
from flowsheet.study.run.run import Run, refuted, warnings

if TYPE_CHECKING:
    from flowsheet.study.estimate.chance import Chance

UNTOLD = (
    "The sheet gives no number a doubt and nothing is weighed, so nobody can tell. Write the grade as 22 g/t ± 8 g/t, "
    "or weigh what comes out."
)
NO_GOLD = "There is no gold in the ore to be sure of."


def can_tell(sheet: Sheet) -> bool:
    """Whether a sheet gives anything to be sure by: a number with doubt, or a weight."""
    return bool(sheet.weighed) or bool(doubtful(sheet))


def as_sure_as(run: Run, found: Chance) -> Run:
    """Return a run that is as sure as the chances say: both come of the same draws, which take their time once."""
    solution = run.solution
    told = [*warnings(solution), *refuted(solution, found)]
    notes = dict.fromkeys((*solution.model.notes(), *solution.notes, *found.notes))
    return replace(run, sure=found, warnings=told, notes=list(notes))


def said(run: Run) -> str:
    """Say how sure the answers are, or why nobody can tell and what to write."""
    if not can_tell(run.solution.model.sheet):
        return UNTOLD
    return NO_GOLD if run.sure is None else how_sure(run, run.sure)


def against(run: Run) -> list[Note]:
    """Return what speaks against the intervals that ``said`` tells; it is to be read with them."""
    if run.sure is None:
        return []
    contradict = (note for note in run.sure.notes if note.code == WEIGHTS_CONTRADICT)
    return [*refuted(run.solution, run.sure), *contradict]
