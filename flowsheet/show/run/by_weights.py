"""What the weights say: what was held, kept and lost, how sure that is, and what contradicts it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from flowsheet.show.balance.suspected import said
from flowsheet.show.run.told_tables import name_of
from flowsheet.show.text import spans
from flowsheet.show.text.figures import count, gold, percent
from flowsheet.spec.blocks.measurement import picked_from
from flowsheet.spec.text.wording import listed
from flowsheet.study.balance.believed_weights import Doubted
from flowsheet.study.common.interval import Interval
from flowsheet.study.estimate.confidence import AsWritten, Confidence
from flowsheet.study.estimate.this_test import SHEET, WEIGHTS, ThisTest
from flowsheet.study.run.gains import Gain
from flowsheet.study.run.run import Run
from flowsheet.study.run.told import ToldLoss

MOST_LOST = 3
WORTH_IT = 0.01
"""A gain of less than this share of the gold is told as hardly worth it: typical, set your own."""
FEW_GRAINS = 5.0
"""With fewer that matter, intervals of the ore hang on single grains: its upper end is rough."""


class Gained(Protocol):
    """A gain and its ends, kg."""

    @property
    def value(self) -> float:
        """Mean."""

    @property
    def p5(self) -> float:
        """Gain that is passed with 95 %."""

    @property
    def p95(self) -> float:
        """Gain that is passed with 5 %."""


def how_sure(run: Run, sure: Confidence) -> str:
    """Say between which ends the grade and what is kept lie nine times in ten, and what that rests on."""
    counted = [
        *(["luck with grains"] if run.solution.model.grains_known else []),
        *(["how far sacks differ"] if sure.spread else []),
    ]
    grains = f", {listed(counted)} counted in" if counted else ""
    sack = "another sack like this" if sure.this_test is not None else "a sack like this"
    none = sure.this_test is not None and sure.this_test.kept_share is None
    times = "Nineteen times in twenty" if none else "Nine times in ten"
    of = "" if none else f", {spans.percent(sure.kept_share)} of its gold"
    text = f"{times} {sack} gives {spans.gold(sure.kept)} to keep{of}{grains}."
    if sure.this_test is not None:
        of = f"{few(sure.this_test)}{held(run, sure.this_test)}"
        told = f"{of} By that the {whole(sure)} holds {spans.grade(sure.head_grade)}. {text}"
        written = sure.with_suspects
        return told if written is None else f"{told} {not_believed(written)} {as_written(written)}"
    return f"As the weights correct the sheet, the ore holds {spans.grade(sure.head_grade)}. {text}"


def whole(sure: Confidence) -> str:
    """Say of what the grade is: of the ore that was tested, or of the pile that several tests tell of together."""
    return "ore" if sure.lot is None else "pile"


def few(test: ThisTest) -> str:
    """Say first, where it is so, that hardly any grains carried the gold: all that follows hangs on them."""
    grains = test.effective_grains
    if grains is None or grains >= FEW_GRAINS or test.kept_share is None:
        return ""
    return (
        f"Few grains: the gold that was found lay in no more than about {max(round(grains), 1)} of the size that "
        "matters. What this test held is known; what the ore holds hangs on luck, and only more rock tells more. "
    )


def held(run: Run, test: ThisTest) -> str:
    """Say what the test held, what was kept and lost of it, and what of that nobody weighed."""
    sheet = run.solution.model.sheet
    which = "this test" if test.tests == 1 else f"these {count(test.tests)} tests"
    told = {name: test.streams[name].gold for name in sheet.keep}
    told |= {picked_from(name): gold for name, (gold, _) in test.picked.items()}
    names = listed([f"{name} {spans.gold(gold)}" for name, gold in told.items()])
    if test.kept_share is None:
        return (
            f"By your weights {which} held {spans.gold(test.held)} of gold, nineteen times in twenty. What was weighed "
            "cannot be told from no gold at all, so there is no lower end, nor a share that you kept."
        )
    text = (
        f"By your weights {which} held {spans.gold(test.held)} of gold, and you kept {spans.percent(test.kept_share)}"
    )
    text += f" of it: {names}."
    losses = {name: test.streams[name].gold for name in test.lost}
    losses |= {f"what was caught in {name}": gold for name, (gold, _) in test.caught.items()}
    lost = [name for name in sorted(losses, key=lambda name: -losses[name].mean) if losses[name].mean > 0][:MOST_LOST]
    if lost:
        text += f" Most of what was lost: {listed([f'{name} {spans.gold(losses[name])}' for name in lost])}."
    guessed = [n for n in (*sheet.keep, *lost) if n not in test.streams or test.streams[n].gold_from != WEIGHTS]
    if guessed:
        text += f" Nobody weighed the gold of {listed(guessed)}: that is the sheet's guess, with its doubt."
    return text


def worth_it(gain: Gained, share: float, luck: float) -> str:
    """Say whether a gain (kg, of one sack) is worth the trouble; ``share`` is its part of the gold."""
    if gain.p5 <= 0 <= gain.p95:
        return "Hardly worth it: it may as well gain nothing."
    if gain.value < 0:
        return "Leave it as it is."
    if share < WORTH_IT:
        return "Hardly worth it."
    if gain.value < luck:
        return (
            f"For one sack that is hardly worth it, since the luck of which grains it holds is larger "
            f"(± {gold(luck)}); over many sacks it adds up."
        )
    return "That is worth trying."


def ends(gain: Gained) -> str:
    """Return a gain (kg) with its ends, each with its sign where one may be a loss."""
    if gain.p5 >= 0:
        return spans.gold(Interval(gain.value, 0.0, gain.p5, gain.value, gain.p95))
    return f"{gold(gain.value)} (between {gold(-gain.p5)} less and {gold(gain.p95)} more)"


def of_a_sack(run: Run) -> str:
    """Say of what a gain is."""
    return "of this sack" if run.this_test is None or run.this_test.tests == 1 else "of a sack like these"


def best_change(run: Run, won: Gain) -> Iterator[str]:
    """Say which change would win most, what it would have won on what was tested, and whether that is worth it."""
    best = run.advice[0]
    if any(row.stream == best.setting for row in run.caught):
        what = f"Panning {best.setting} each round is the one change that would win most"
    else:
        change = f"{best.setting} ({best.what}) from {best.now} to {best.then}"
        what = f"The one change that would win most by the sheet: {change}"
    yield f"{what}. It would have kept {ends(won.gain)} more {of_a_sack(run)}, {percent(won.share)} of the gold."
    yield worth_it(won.gain, won.share, won.luck)


def went(loss: ToldLoss) -> str:
    """Begin a sentence of the largest loss."""
    return f"Most was {name_of(loss)}" if loss.reasons.get("caught") else f"Most went with {loss.stream}"


def amount_of(loss: ToldLoss) -> str:
    """Return a loss with its ends; and that nobody weighed it, where that is so."""
    return f"{spans.gold(loss.gold)}{', which nobody weighed' if loss.source == SHEET else ''}"


def without_and_with(sure: Confidence) -> str:
    """Say what is told without what contradicts the other weights, and with all as written; "" where none does."""
    written, test = sure.with_suspects, sure.this_test
    if written is None or test is None:
        return ""
    kept = f", of which you kept {spans.percent(test.kept_share)}" if test.kept_share is not None else ""
    return (
        f"{not_believed(written)} Told so, the gold tested was {spans.gold(test.held)}{kept}, "
        f"and the {whole(sure)} holds {spans.grade(sure.head_grade)}. "
        f"{as_written(written)}"
    )


def not_believed(written: AsWritten) -> str:
    """Say of each test which weights are left out, or taken as doubtful."""
    return " ".join(map(_not_believed, written.doubted))


def as_written(written: AsWritten) -> str:
    """Say what would be told with all weights as they are written."""
    told = [spans.gold(written.held)]
    told += [spans.percent(written.kept_share)] if written.kept_share is not None else []
    told += [spans.grade(written.head_grade)] if written.head_grade is not None else []
    return f"With every weight as it is written: {listed(told)}."


def _not_believed(one: Doubted) -> str:
    names, of = listed([said(name) for name in one.names], "or"), f" of {one.test}" if one.test else ""
    if one.left_out:
        return f"Left out{of}, since it contradicts the other weights: {names}."
    return f"One of these{of} is wrong, and nobody can tell which, so each is taken as doubtful: {names}."
