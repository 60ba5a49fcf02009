"""How sure the answers are: slower than all the rest, so asked for when turning pauses."""

from __future__ import annotations

from flowsheet.show.estimate import sack_pictures
from flowsheet.show.page import render
from flowsheet.show.run import certainty, pictures
from flowsheet.spec.text.notes import texts
from flowsheet.study.estimate.chance import chance
from flowsheet.study.run.run import answered
from flowsheet.study.trials.trials import Pair


def sure_part(both: Pair) -> str:
    """Return how sure the turned sheet's answers are: a sentence, the coarse gold's band, and the next sack."""
    model = both.after.model
    found = chance(model.sheet) if model.grains_known and float(both.after.fed_gold) > 0 else None
    run = answered(both.after, certain=found is None)
    if found is not None:
        run = certainty.as_sure_as(run, found)
    if run.sure is None:
        return render.part("sure", said=certainty.NO_GOLD, against=[], pictures=[])
    drawn = [pictures.coarse_band(run, found), sack_pictures.next_sack(found) if found is not None else None]
    return render.part("sure", said=certainty.said(run), against=texts(certainty.against(run)),
                       pictures=[one for one in drawn if one is not None])  # fmt: skip
