"""How sure the answers are: slower than all the rest, so asked for when turning pauses.

Where something was weighed the weights lead: as long as nothing is turned, the page's answers, its drawing, its bar and
its tables are the estimate's, and when something is, it is told what that would have kept of the sack that was weighed.
"""

from __future__ import annotations

from flowsheet.show.estimate import sack_pictures
from flowsheet.show.page import fragments, render
from flowsheet.show.run import by_weights, certainty, pictures, sentences, told_tables
from flowsheet.show.run.gold_bar import gold_bar
from flowsheet.show.text import spans
from flowsheet.show.text.figures import percent
from flowsheet.spec.text.notes import texts
from flowsheet.study.estimate.bench_draws import BenchDraws, luck_of_a_sack
from flowsheet.study.estimate.chance import Chance, chance
from flowsheet.study.estimate.confidence import Confidence
from flowsheet.study.run.gains import every_so_many, gain_of
from flowsheet.study.run.run import Run, answered
from flowsheet.study.trials.trials import Pair


def sure_part(both: Pair) -> str:
    """Return how sure the turned sheet's answers are: a sentence, the coarse gold's band, and the next sack."""
    return sure_parts(both)["sure"]


def sure_parts(both: Pair) -> dict[str, str]:
    """Return that part, and, where weights tell of the sheet as written, all parts that are then theirs to tell."""
    run, found = _surely(both)
    sure = run.sure
    if sure is None:
        return {"sure": render.part("sure", said=certainty.NO_GOLD, against=[], pictures=[])}
    if sure.weighed is not None and both.after is not both.before:
        return {"sure": render.part("sure", said=_would_have(both, sure), against=[], pictures=[])}
    drawn = [pictures.coarse_band(run, found), sack_pictures.next_sack(found) if found is not None else None]
    # By the weights, it is the first of the answers, and is not told twice.
    said = SAID_ABOVE if run.this_test is not None else certainty.said(run)
    part = render.part("sure", said=said, against=texts(certainty.against(run)),
                       pictures=[one for one in drawn if one is not None])  # fmt: skip
    return {"sure": part, **_led(run, found)}


SAID_ABOVE = "By the weights, all ends above hold the truth nine times in ten. Another sack has luck of its own:"


def _surely(both: Pair) -> tuple[Run, Chance | None]:
    """Return the run that is as sure as its weights are, as written where there are any."""
    solution = both.before if both.before.model.sheet.weighed else both.after
    model = solution.model
    found = chance(model.sheet) if model.grains_known and float(solution.fed_gold) > 0 else None
    run = answered(solution, certain=found is None)
    return (run if found is None else certainty.as_sure_as(run, found)), found


def _would_have(both: Pair, sure: Confidence) -> str:
    """Say what the turned settings would have kept of what was weighed."""
    if sure.weighed is None or sure.this_test is None:
        return ""
    found = sure.weighed.found
    before, after = both.before.model.sheet, both.after.model.sheet
    openings = sorted(before.openings | after.openings)
    bench = BenchDraws.of(found, openings, every_so_many(found))
    won = gain_of(bench, after, openings, luck_of_a_sack(found))
    of = "this sack" if sure.this_test.tests == 1 else "a sack like these"
    text = f"As it was run you kept {spans.percent(sure.this_test.kept_share)}" if sure.this_test.kept_share else ""
    return (
        f"{text} of the gold, by your weights. Turned so, it would have kept {by_weights.ends(won.gain)} more of {of}, "
        f"{percent(won.share)} of its gold. {by_weights.worth_it(won.gain, won.share, won.luck)} What the steps did, "
        "and the luck of the sack, are taken as they were."
    )


def _led(run: Run, found: Chance | None) -> dict[str, str]:
    """Return the parts that the weights tell, as long as nothing is turned; none where no weight speaks of gold."""
    test = run.this_test
    if test is None:
        return {}
    coarse = told_tables.coarse(run, test, found) if run.coarse else None
    share = spans.percent(test.kept_share) if test.kept_share is not None else "nobody can say what part"
    kept = {"grams": spans.gold(test.kept), "share": share, "gain": "", "more": False, "less": False}
    tables = (told_tables.gold(run, test), told_tables.rock(run, test))
    return {
        "kept": render.part("kept", **kept, by="by your weights"),
        "answers": render.part("answers", told=sentences.answers(run), against=""),
        "gold": render.part("gold", bar=gold_bar(run).picture, grid=gold_bar(run).table(),
                            losses=told_tables.losses(run, test)),
        "drawing": fragments.drawn(run, ""),
        "coarse": render.part("coarse", coarse=coarse, finer=fragments.finer_grid(run)),
        "balance": render.part("streams", grids=tables, what=told_tables.WHAT_FROM),
        "notes": fragments.notes(run),
    }  # fmt: skip
