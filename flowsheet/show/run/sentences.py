"""The answers as a miner would say them: the number, its share, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.show.run import certainty
from flowsheet.show.run.by_weights import WORTH_IT, amount_of, best_change, ends, of_a_sack, went, worth_it
from flowsheet.show.run.told_tables import name_of
from flowsheet.show.text import spans
from flowsheet.show.text.figures import count, gold, grade, length, mass, percent
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.wording import listed
from flowsheet.steps import kind_that
from flowsheet.study.common.coarse_fraction import STANDARD, Coarse
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.units_out import told_apart
from flowsheet.study.estimate.this_test import WEIGHTS, ThisTest
from flowsheet.study.run.losses import Loss
from flowsheet.study.run.run import Run
from flowsheet.study.run.screen_options import Finer
from flowsheet.study.run.sensitivity import AT_MOST
from flowsheet.study.run.told import ToldLoss

NEARLY_ALL = 1 - 1e-9
"""A share of a loss above this is all of it, but for rounding."""

REASONS = {
    "too_fine": "too fine to be held",
    "locked": "still locked in rock",
    "not_seen": "not seen when looking over",
    "soaked_up": "soaked up by slag or cupel",
    "caught": "caught in a loop",
    "unused": "because no step takes it",
    "other": "for other reasons",
}

REMEDIES = {
    "too_fine": "Gold this fine wants a slower wash or a second one; keep the tailings and have them assayed",
    "locked": "Locked gold wants finer breaking; keep the tailings and have them assayed",
    "not_seen": "Crush what was looked over and left, rather than throw it away",
    "soaked_up": "Keep slag and cupels: crush and wash them with the next batch",
    "caught": "Clean the loop out by hand",
    "unused": "Let a step take it, or put it among what you keep",
    "other": "Keep it, weigh it and have it assayed before it is thrown away",
}

HOW_SURE = "How sure is that?"
BY_WEIGHTS = "What the weights say"
AS_PLANNED = "As planned by the sheet, for comparison"
MOST_LOST = 3
"""Losses that are told after the first."""


def answers(run: Run) -> list[tuple[str, str]]:
    """Return (question, answer) for how much is coarse, what a finer screen brings, and where gold is lost."""
    first, *others = answers_without_doubt(run)
    if run.sure is None:
        return [first, *others]
    sure = (HOW_SURE, certainty.said(run))
    if run.sure.this_test is None:
        return [first, sure, *others]
    return [(BY_WEIGHTS, sure[1]), first, *others]


def answers_without_doubt(run: Run) -> list[tuple[str, str]]:
    """Return the same (question, answer) without how sure they are."""
    return [
        (AS_PLANNED if run.sure is not None and run.sure.this_test is not None else "What you keep", kept(run)),
        ("How much gold does the coarse fraction hold?", coarse(run)),
        ("What would a finer screen bring?", finer(run)),
        ("Where is gold lost?", " ".join(losses(run))),
    ]


def kept(run: Run) -> str:
    """Say what is kept of what is fed."""
    ores = [run.streams[name] for name in run.solution.model.sheet.ores]
    rock, held = sum(o.mass for o in ores), sum(o.gold for o in ores)
    head = held / rock if rock else 0.0
    names = listed([f"{name} ({gold(run.streams[name].gold)})" for name in run.solution.model.sheet.keep])
    return (
        f"Of {gold(held)} of gold in {mass(rock)} of ore ({grade(head)}) you keep {gold(run.kept)}, "
        f"{percent(run.kept_share)}: {names}."
    )


def coarse(run: Run) -> str:
    """Say what the rock above the sheet's own screen holds."""
    if not run.coarse and run.solution.model.grid.sized:
        return f"All of the ore is finer than {length(min(STANDARD))}, so there is no coarse fraction."
    if not run.coarse:
        return _oversize(run)
    row = _own(run)
    fed = sum(run.streams[name].gold for name in run.solution.model.sheet.ores)
    size = length(row.opening)
    if row.mass_share == 0:
        return f"No rock is coarser than {size}, so there is nothing to look over: take a finer screen."
    if row.gold_share == 0:
        where = "in the ore" if fed == 0 else "in it"
        return f"Rock coarser than {size} is {percent(row.mass_share)} of the mass. There is no gold {where}."
    held = f"{gold(row.gold_share * fed)}, at {grade(row.grade)}"
    known = coarse_by_weights(run, row.opening)
    if known is not None:
        one, source = known
        of = f"{spans.percent(one)} of the gold"
        of += " by your weights" if source == WEIGHTS else ", which nobody weighed apart"
        held = f"the sheet's own numbers would have {percent(row.gold_share)}: {held}"
    else:
        of = f"{_share_of_gold(run, row)} of the gold"
    text = f"Rock coarser than {size} is {percent(row.mass_share)} of the mass and holds about {of} ({held})."
    if not run.solution.model.grains_known:
        return f"{text} How much of it can be seen depends on the gold grains: add gold: {{d50: …, d95: …}} to the ore."
    seen = row.in_sight_share / row.gold_share
    text += f" Looking it over would find {gold(row.in_sight_share * fed)} of that ({percent(seen)})."
    if seen < 0.5:
        return (
            f"{text} Most of its gold is inside the rock or too small to see, so crush what is left; throw none away."
        )
    return f"{text} Look it over well, and crush what is left."


def coarse_by_weights(run: Run, opening: float) -> tuple[Interval, str] | None:
    """Return the share of the tests' gold above an opening, and what it is from; None where no weights tell of it."""
    if run.this_test is None:
        return None
    return next((one for size, one in run.this_test.coarse.items() if told_apart(size) == opening), None)


def _oversize(run: Run) -> str:
    """Say what a screen of given shares holds back: all that a sheet without sizes can tell."""
    sheet = run.solution.model.sheet
    more = "Add sizes: and gold: to the ore to see it by size"
    screens = [step for step in sheet.steps.values() if "oversize" in step.outlets]
    if not screens:
        return f"The sheet gives no sizes and has no screen, so it cannot tell. {more}."
    name = screens[0].outlets["oversize"]
    stream = run.streams[name]
    return (
        f"{name} is {percent(stream.mass_share)} of the mass and holds about {percent(stream.gold_share)} of the gold "
        f"({gold(stream.gold)}), at {grade(stream.grade)}. {more}."
    )


def _share_of_gold(run: Run, row: Coarse) -> str:
    """Return a coarse fraction's share, with its ends where doubts are known: of a sack like this, grains and all."""
    if run.sure is None or row.opening not in run.sure.coarse:
        return percent(row.gold_share)
    one = run.sure.coarse[row.opening]
    return f"{percent(row.gold_share)} ({100 * one.p5:.0f} to {100 * one.p95:.0f})"


def _own(run: Run) -> Coarse:
    """Return the row of the screen that is looked over, else of the coarsest opening that the sheet names.

    Where it names none, the one nearest to half of the mass.
    """
    if run.finer:
        wanted = run.finer[0].opening
        return next(row for row in run.coarse if row.opening == wanted)
    named = {told_apart(size) for size in run.solution.model.sheet.openings}
    own = [row for row in run.coarse if row.opening in named and row.mass_share > 0]
    return own[0] if own else min(run.coarse, key=lambda row: abs(row.mass_share - 0.5))


def finer(run: Run) -> str:
    """Say which of the finer openings tried wins most, and whether it is worth the looking."""
    if not run.finer:
        return _nothing_finer(run)
    told = []
    for screen in dict.fromkeys(row.screen for row in run.finer):
        now, *rest = (row for row in run.finer if row.screen == screen)
        told.append(_finer(run, now, rest))
    return " ".join(told)


def _nothing_finer(run: Run) -> str:
    """Say why no other opening could be tried, and what the sheet would need."""
    sheet = run.solution.model.sheet
    looked = [n for n, s in sheet.steps.items() if s.looks_over and any(_is_oversize(sheet, t) for t in s.takes)]
    if not looked:
        return (
            "No screen's oversize is looked over here, so there is nothing to compare. Let a step with do: "
            f"{kind_that('looks_over').kind} take the oversize to find out."
        )
    return (
        f"{looked[0]} or its screen goes by given shares, which hold for one opening only. Give the screen its "
        "opening and the ore its sizes and gold, and leave the shares out to find out."
    )


def _is_oversize(sheet: Sheet, stream: str) -> bool:
    maker = sheet.makers.get(stream)
    return maker is not None and sheet.steps[maker].outlets.get("oversize") == stream


def _finer(run: Run, now: Finer, rest: list[Finer]) -> str:
    if not rest:
        return f"{now.screen} is as fine as screens go at {length(now.opening)}."
    fed = sum(run.streams[name].gold for name in run.solution.model.sheet.ores)
    if fed == 0:
        return f"There is no gold in the ore, so {now.screen} finds none at any opening."
    best = max(rest, key=lambda row: row.gain)
    looked = f"{mass(best.looked_over)} ({_rocks(best)}) instead of {mass(now.looked_over)} ({_rocks(now)})"
    then, before = gold(best.picked), gold(now.picked)
    picked = f"{then} of gold in place of {before}" if then != before else f"no more gold than now ({before})"
    text = (
        f"With {now.screen} at {length(best.opening)} in place of {length(now.opening)} you would look over "
        f"{looked} and pick {picked}."
    )
    share = best.gain / fed
    if run.gains is not None and now.screen in run.gains.finer:
        _, one = run.gains.finer[now.screen]
        won = f"in all that would have kept {ends(one.gain)} more {of_a_sack(run)}"
        return (
            f"{text.removesuffix('.')}, by the sheet's own numbers. What is not picked is crushed and panned anyway: "
            f"{won}. {worth_it(one.gain, one.share, one.luck)}"
        )
    if best.gain <= 0:
        return f"{text} You would keep no more gold in all: leave {now.screen} as it is."
    won = f"In all you would keep {gold(best.gain)} more ({percent(share)} of the gold)"
    if share < WORTH_IT:
        return f"{text} {won}, since what is not picked is crushed and panned anyway: hardly worth the looking."
    return f"{text} {won}: try it on the next sack."


def _rocks(row: Finer) -> str:
    number = count(row.rocks)
    return f"{number} rock" if number == "1" else f"{number} rocks"


def losses(run: Run) -> Iterator[str]:
    """Say how much is lost, where most of it goes and why, and the one change that would win most."""
    fed = sum(run.streams[name].gold for name in run.solution.model.sheet.ores)
    lost = [loss for loss in run.losses if loss.share > 1e-4]
    if fed == 0:
        yield "There is no gold in the ore, so none is lost. Put a guess of the grade into the sheet."
        return
    if not lost:
        yield f"Hardly any is: {percent(run.kept_share)} of the gold is kept. Check the recoveries against a weighing."
        return
    first = lost[0]
    if run.told_losses and run.this_test is not None:
        yield from _lost_by_weights(run.told_losses, run.this_test)
        first = next((loss for loss in run.losses if loss.stream == run.told_losses[0].stream), first)
    else:
        total = sum(loss.gold for loss in run.losses)
        yield f"Of the gold, {gold(total)} ({percent(total / fed)}) does not reach what you keep."
        yield f"Most goes with {first.stream}: {gold(first.gold)} ({percent(first.share)}), {_reasons(first.reasons)}."
        others = [
            f"{loss.stream} {gold(loss.gold)} ({percent(loss.share)}{', no step takes it' if _unused(loss) else ''})"
            for loss in lost[1:4]
        ]
        if others:
            yield f"Then {listed(others)}."
    yield from caught(run)
    if run.advice and run.gains is not None and run.gains.advice is not None:
        yield from best_change(run, run.gains.advice)
        return
    if run.advice:
        best = run.advice[0]
        won = f"{gold(best.gain)} ({percent(best.gain_share)} of the gold)"
        if not any(row.stream == best.setting for row in run.caught):
            yield (
                f"The one change that would win most: {best.setting} ({best.what}) from {best.now} to {best.then} "
                f"keeps {won} more."
            )
            return
        if best.then == AT_MOST:
            yield f"That is the one change that would win most: at most {won}."
        else:
            yield f"Panning {best.setting} each round is the one change that would win most: {won} more."
        return
    why = first.reasons
    yield f"{REMEDIES[max(why, key=lambda reason: why[reason])]}."


def _lost_by_weights(told: list[ToldLoss], test: ThisTest) -> Iterator[str]:
    """Say what the weights tell of the losses; why gold goes there, no weight tells."""
    if test.held.mean <= 0:
        yield "By your weights there was no gold in what was tested, so none was lost."
        return
    first, *others = (one for one in told if one.gold.mean > 0 or one is told[0])
    if test.kept_share is None:
        most = f"most of it with {first.stream}"
        yield f"Your weights tell of too little gold to say how much of it does not reach what you keep, {most}."
    else:
        yield f"By your weights {spans.percent(test.kept_share.rest())} of the gold did not reach what you keep."
        yield f"{went(first)}: {amount_of(first)}, {spans.percent(first.share)} of the gold."
    if first.reasons and not first.reasons.get("caught"):
        yield f"Why, by the sheet's own numbers: {_reasons(first.reasons)}."
    if others and test.kept_share is not None:
        yield f"Then {listed([f'{name_of(one)} {amount_of(one)}' for one in others[:MOST_LOST]])}."


def caught(run: Run) -> Iterator[str]:
    """Say what a loop holds for ever, in which sizes, and what to do about it."""
    told = run.this_test.caught if run.this_test is not None else {}
    for row in run.caught:
        if row.gold <= 0 and row.solids <= 0:
            continue
        held = [size for size in row.sizes if size.gold > 1e-3 * row.gold or size.light > 0]
        span = ""
        if held and held[0].upper is not None:
            span = f" from {length(held[-1].lower)} to {length(held[0].upper)}"
        rock = f" and {mass(row.solids)} of rock" if row.solids > 0 else ""
        amount = spans.gold(told[row.stream][0]) if row.stream in told else gold(row.gold)
        yield (
            f"The loop {' → '.join(row.loop)} has caught {amount} of gold{rock}{span}, which can neither "
            f"break nor pass: pan or pick {row.stream} before it goes back, and clean the loop out at the end."
        )


def added(run: Run) -> Iterator[str]:
    """Say which steps add what to the rock: it counts as fed, and is in the shares of the mass."""
    steps = run.solution.model.sheet.steps.items()
    told = [f"{mass(step.added.value)} of {step.adds} in {name}" for name, step in steps if step.added is not None]
    if told:
        yield f"Counted as fed besides the ore: {listed(told)}."


def loops(run: Run) -> Iterator[str]:
    """Say how much goes round in each loop."""
    for loop in dict.fromkeys(row.loop for row in run.caught):
        row = next(r for r in run.caught if r.loop == loop)
        yield f"Loop {' → '.join(loop)}: the circulating load is {percent(row.circulating_load)} of the new feed."


def _reasons(why: dict[str, float]) -> str:
    ranked = sorted(((share, reason) for reason, share in why.items() if share > 0.005), reverse=True)
    if not ranked:
        return "for no reason that the sheet can tell"
    if len(ranked) == 1 and ranked[0][0] > NEARLY_ALL:
        if ranked[0][1] == "unused":
            return "since no step takes it: process it, or keep it"
        if ranked[0][1] == "other":
            return "for reasons that the sheet does not know"
    if len(ranked) == 1:
        return f"all of it {REASONS[ranked[0][1]]}"
    (share, reason), *others = ranked
    first = f"{percent(share)} of it {REASONS[reason]}"
    return listed([first, *(f"{percent(share)} {REASONS[reason]}" for share, reason in others)])


def _unused(loss: Loss) -> bool:
    return loss.unused > NEARLY_ALL
