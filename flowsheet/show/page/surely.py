"""How sure the answers are: slower than all the rest, so asked for when turning pauses."""

from __future__ import annotations

from dataclasses import replace

from flowsheet.show import pictures
from flowsheet.show.page import render
from flowsheet.show.sentences import how_sure
from flowsheet.study.chance import Chance, chance
from flowsheet.study.doubts import doubtful
from flowsheet.study.run import Run, answered
from flowsheet.study.sure import Sure
from flowsheet.study.trials import Pair

UNTOLD = (
    "The sheet gives no number a doubt and nothing is weighed, so nobody can tell. Write the grade as 22 g/t ± 8 g/t, "
    "or weigh what comes out."
)


def sure_part(both: Pair) -> str:
    """Return how sure the turned sheet's answers are: a sentence, the coarse gold's band, and the next sack."""
    model = both.after.model
    if not doubtful(model.sheet) and not model.sheet.weighed:
        return render.part("sure", said=UNTOLD, pictures=[])
    found = chance(model.sheet) if model.grains_known and float(both.after.fed_gold) > 0 else None
    run = answered(both.after, certain=found is None)
    if found is not None:
        run = _with(run, found)
    if run.sure is None:
        return render.part("sure", said="There is no gold in the ore to be sure of.", pictures=[])
    drawn = [pictures.coarse_band(run, found), pictures.next_sack(found) if found is not None else None]
    return render.part("sure", said=how_sure(run, run.sure), pictures=[one for one in drawn if one is not None])


def _with(run: Run, found: Chance) -> Run:
    """Return a run that is as sure as the chances say: both come of the same draws, which take their time once."""
    weighed = found.weighed is not None
    known = Sure(found.head_grade, found.kept, found.kept_share, found.coarse, found.coarse_weighed, weighed,
                 found.fitted, found.notes)  # fmt: skip
    return replace(run, sure=known)
