"""How sure the answers are: of one set of draws, so that every place tells the same intervals."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from flowsheet.ore.plausibility import NUGGETS_NOT_TOLD
from flowsheet.show.run.by_weights import how_sure
from flowsheet.show.text import spans
from flowsheet.show.text.figures import length
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS
from flowsheet.spec.text.notes import Note
from flowsheet.spec.text.wording import listed
from flowsheet.study.balance.believed_weights import WEIGHTS_CONTRADICT
from flowsheet.study.balance.first_weighing import COARSE, HELD, KEPT
from flowsheet.study.common.grain_lots import UNTOLD_D50, UNTOLD_SD
from flowsheet.study.estimate.confidence import Confidence
from flowsheet.study.run.gains import gains
from flowsheet.study.run.run import Run, notes_of, refuted, warnings

if TYPE_CHECKING:
    from flowsheet.study.estimate.chance import Chance

ANSWERS = {HELD: "the gold held", KEPT: "the share kept", COARSE: "the coarse rock's share"}
WEIGHED = {
    BEAD: "weighing {stream}",
    MASS: "weighing {stream}",
    GRADE: "an assay of {stream}",
    GOLD: "the gold of {stream}, got out of it apart,",
}
NO_GOLD = "There is no gold in the ore to be sure of."


def as_sure_as(run: Run, found: Chance) -> Run:
    """Return a run that is as sure as the chances say: both come of the same draws, which take their time once."""
    solution = run.solution
    told = [*warnings(solution), *refuted(solution, found)]
    won = gains(solution, run.finer, run.advice, found)
    notes = dict.fromkeys(notes_of(solution, found, won))
    return replace(run, sure=found, gains=won, warnings=told, notes=list(notes))


def said(run: Run) -> str:
    """Say how sure the answers are: by the weights, or, where nothing is weighed, as a forecast."""
    if run.sure is None:
        return NO_GOLD
    if run.sure.this_test is not None or run.sure.fitted:
        return how_sure(run, run.sure)
    return forecast(run, run.sure)


def forecast(run: Run, sure: Confidence) -> str:
    """Say between which ends the grade and what is kept lie nine times in ten, and what that takes for true."""
    sheet = run.solution.model.sheet
    differ = " and how far sacks differ" if sure.spread else ""
    ore = "" if sure.head_grade.exact else f"the ore holds {spans.grade(sure.head_grade)}, and "
    text = (
        f"Nothing is weighed yet, so this is a forecast: {ore}nine times in ten a sack like this gives "
        f"{spans.gold(sure.kept)} to keep, {spans.percent(sure.kept_share)} of its gold, luck with grains{differ} "
        "counted in."
    )
    slack = {name: step.slack_of() for name, step in sheet.steps.items()}
    if any(one.assumed for one in slack.values()):
        text += " Each step is taken to be off its model as far as is typical."
    if best := [name for name, one in slack.items() if one.gold_shift < 0]:
        text += (
            f" What {listed(best)} would recover by the handbook is a best case that a bench seldom reaches, so the "
            "middle of the forecast lies below the plan above."
        )
    if not run.solution.model.grains_known:
        text += f" {untold_grains()}"
    return " ".join([text, *([what_to_weigh(run)] if run.first_weighings else [])])


def what_to_weigh(run: Run) -> str:
    """Say which single weighing would narrow each answer most, and how much of its width it would leave."""
    told: dict[str, list[str]] = {}
    for one in run.first_weighings:
        left = f"{ANSWERS[one.answer]} to {100 * one.left:.0f} %"
        told.setdefault(WEIGHED[one.what].format(stream=one.stream), []).append(left)
    parts = [f"{how} would narrow {listed(answers)} of its width" for how, answers in told.items()]
    return f"What to weigh first: {'; '.join(parts)} (each alone, with the usual error of such a weighing)."


def untold_grains() -> str:
    """Say what is taken for the sizes of the grains where the sheet says nothing of them."""
    times = math.exp(UNTOLD_SD)
    return (
        f"The sheet says nothing of grain sizes: half of the gold is taken to be in grains finer than "
        f"{length(UNTOLD_D50)}, or {times:.0f} times that either way (typical; your own: gold: {{d50: …, d95: …}})."
    )


def against(run: Run) -> list[Note]:
    """Return what speaks against the intervals that ``said`` tells; it is to be read with them."""
    if run.sure is None:
        return []
    contradict = (note for note in run.notes if note.code in (WEIGHTS_CONTRADICT, NUGGETS_NOT_TOLD))
    return [*refuted(run.solution, run.sure), *contradict]
