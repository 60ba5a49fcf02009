"""My weights disagree: what really happened? Reconciliation of the weigh sheet, with no model of any step.

Solids and gold of every stream are unknown; what goes into a step comes out of it; what was measured says
the rest. Several tests of one ore are reconciled each on its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import metal_streams
from flowsheet.solve.model import FINENESS
from flowsheet.solve.network import stages
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, KINDS, MASS, PASSING, PICKED, Measurement, picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.study.balance.constrained_lsq import Adjusted
from flowsheet.study.balance.next_weighing import Choices
from flowsheet.study.balance.problem import USED, Problem
from flowsheet.study.balance.result import (
    UNITS,
    Balanced,
    Explanation,
    HeadGradePart,
    Measured,
    Reconciled,
    Weight,
    WithoutSuspect,
)
from flowsheet.study.balance.sieve_balance import sieve_balances
from flowsheet.study.balance.suspect_or_swapped_weights import Suspicion, chi2_tail, slip, suspicion, swapped


def reconcile_sheet(sheet: Sheet, look_further: bool = True) -> dict[str, Reconciled]:
    """Reconcile every test of a sheet, by name, in their order.

    Raises SheetError where nothing was weighed that a balance can use.
    """
    if not any(m.what in USED for m in sheet.weighed):
        found = "nothing was weighed" if not sheet.weighed else "only sieves and grains were counted"
        remedy = "Add weighed: and under it a line for each stream, as tails: {mass: 8.0 kg, grade: 3.1 g/t}"
        raise SheetError(
            [
                Mistake(
                    f"{found}, so there is nothing to reconcile",
                    remedy,
                    "weighed",
                    file=sheet.file,
                    code="nothing_to_reconcile",
                )
            ]
        )
    tests = dict.fromkeys(m.test for m in sheet.weighed)
    return {test: reconcile(sheet, [m for m in sheet.weighed if m.test == test], look_further) for test in tests}


def reconcile(sheet: Sheet, measured: Sequence[Measurement], look_further: bool = True) -> Reconciled:
    """Reconcile what one test measured of a sheet's streams.

    ``look_further`` also tries exchanges of masses, and looks for what to weigh next.
    """
    return reconcile_problem(Problem.of(sheet, measured), look_further, tuple(_notes(sheet, measured)))


def reconcile_problem(problem: Problem, look_further: bool = True, notes: tuple[Note, ...] = ()) -> Reconciled:
    """Reconcile a problem that is set up already."""
    found = problem.solve()
    suspect = suspicion(problem, found)
    wrong: dict[int, WithoutSuspect] = {}
    left, at_last = problem, found
    if suspect:
        wrong = {k: _without(problem, k, found) for k in suspect.all}
        suspect = suspect.instead(_likeliest(problem, suspect, wrong))
    without = wrong[suspect.at] if suspect else None
    if suspect and look_further:
        # What to weigh next, and the table by sieve, go by the weights that are believed.
        left = problem.without(suspect.at)
        at_last = left.solve(found.x)
    choices = Choices(left, at_last) if look_further else None
    weights = _weights(problem, found)
    return Reconciled(
        streams=_streams(problem, found),
        weights=weights,
        chi2=found.chi2,
        dof=found.dof,
        p=chi2_tail(found.chi2, found.dof),
        suspect=weights[suspect.at] if suspect else None,
        as_likely=tuple(weights[k].name for k in suspect.as_likely) if suspect else (),
        explained=tuple(_explanation(weights[k], k in suspect.ties, wrong[k]) for k in suspect.as_likely)
        if suspect
        else (),
        without=without,
        swapped=swapped(problem, found) if look_further else None,
        head=_estimate(found, *problem.head(found.x)),
        naive=_naive(problem),
        parts=_parts(problem, found),
        next_weighing=choices.most_telling() if choices else None,
        to_know={s: known for s in problem.gold if (known := choices.to_know(s))} if choices else {},
        notes=(*notes, *_turned_out(problem, found)),
        sieved=sieve_balances(left, at_last, problem.measured) if look_further else (),
    )


def _likeliest(problem: Problem, suspect: Suspicion, wrong: Mapping[int, WithoutSuspect]) -> int:
    """Return which of those that the balance cannot tell apart to name first.

    One that a slip explains; else one that comes out possible. Of those that explain it equally, the one that is then
    off by least, by its share: a slip of a scale's reading is as a rule a small one.
    """

    def rank(k: int) -> tuple[bool, bool, bool, float]:
        tied = k == suspect.at or k in suspect.ties
        return wrong[k].slip is None, not wrong[k].possible, not tied, _off(problem, k, wrong[k]) if tied else 0.0

    return min(suspect.all, key=rank)


def _off(problem: Problem, k: int, without: WithoutSuspect) -> float:
    """Return how far off a measurement is if it is the wrong one, as a ratio's logarithm; inf where that is open."""
    read, should_be = problem.measured[k].value, without.should_be
    return abs(math.log(should_be.value / read)) if should_be.known and min(should_be.value, read) > 0 else math.inf


def _explanation(weight: Weight, tied: bool, without: WithoutSuspect) -> Explanation:
    return Explanation(weight, tied, without.possible, without.should_be, without.slip)


def _without(problem: Problem, suspect: int, near: Adjusted) -> WithoutSuspect:
    """Return what everything becomes if the suspect is left out, and what it would have to read."""
    m = problem.measured[suspect]
    left = problem.without(suspect)
    found = left.solve(near.x)
    value, slope = left.reading(m, found.x)
    sd = found.known.sd(slope)
    return WithoutSuspect(
        streams=_streams(left, found),
        chi2=found.chi2,
        dof=found.dof,
        p=chi2_tail(found.chi2, found.dof),
        head=_estimate(found, *left.head(found.x)),
        # On paper all that was weighed counts, the suspect too.
        parts=_parts(problem, found),
        should_be=Measured(value, sd),
        unit=_unit(problem, m),
        slip=slip(m, value, sd),
        possible=value > 0 and not left.pressed(found),
    )


def _streams(problem: Problem, found: Adjusted) -> dict[str, Balanced]:
    out = {}
    for name, at in problem.gold.items():
        gold, gold_sd = float(found.x[at]), _sd(found, at)
        rock = problem.rock.get(name)
        if rock is None:
            mass, mass_sd = gold / problem.fine, _metal_sd(problem, name, gold, gold_sd)
        else:
            mass, mass_sd = float(found.x[rock]), _sd(found, rock)
        out[name] = Balanced(mass, mass_sd, gold, gold_sd, metal=rock is None)
    return out


def _sd(found: Adjusted, at: int) -> float:
    return math.sqrt(max(found.known.covariance[at, at], 0.0)) if found.known.determined[at] else math.nan


def _metal_sd(problem: Problem, stream: str, gold: float, gold_sd: float) -> float:
    """Return the doubt of a metal's weight: that of its fineness comes in only where it was not weighed."""
    weighed = [m.sd for m in problem.measured if m.stream == stream and m.what == MASS]
    if weighed and not math.isnan(gold_sd):
        return min(*weighed, gold_sd / problem.fine)
    return math.hypot(gold_sd, gold * problem.fine_sd / problem.fine) / problem.fine


def _weights(problem: Problem, found: Adjusted) -> list[Weight]:
    values, _ = problem.predict(found.x)
    weights = []
    for m, value, standardised in zip(problem.measured, values, found.standardised, strict=True):
        unit = _unit(problem, m)
        weights.append(Weight(m.stream, m.label, m.value, m.sd, m.assumed, float(value), float(standardised), unit))
    return weights


def _unit(problem: Problem, m: Measurement) -> str:
    return "g" if problem.is_metal(m) else UNITS[m.what]


def _estimate(found: Adjusted, value: float, slope: Array) -> Measured:
    return Measured(value, found.known.sd(slope))


def _parts(problem: Problem, found: Adjusted) -> list[HeadGradePart]:
    """Return what each end stream adds to the head grade, and what of it the bead's weight had counted."""
    counted, fed = _counted(problem), _fed(problem)
    parts = []
    for stream in (*problem.sheet.ends, *map(picked_from, problem.picked)):
        if stream not in problem.sheet.ores:
            share = _estimate(found, *problem.share_of_feed(found.x, [stream]))
            parts.append(HeadGradePart(stream, share.value, share.sd, counted.get(stream, 0.0) / fed if fed else 0.0))
    return parts


def _naive(problem: Problem) -> float | None:
    """Return bead over feed as it is done on paper, kg/kg; None where neither bead nor gold kept was weighed."""
    counted, fed = _counted(problem), _fed(problem)
    return sum(counted.values()) / fed if counted and fed else None


def _counted(problem: Problem) -> dict[str, float]:
    """Return the gold (kg) weighed as metal that is kept; where there is none, weighed as gold that is kept."""
    weighed = [m for m in problem.measured if m.stream in problem.sheet.keep and m.what in (MASS, GOLD, BEAD)]
    # Metal that was picked is kept, whatever becomes of the stream.
    kept = {m.stream: m for m in weighed} | {picked_from(m.stream): m for m in problem.measured if m.what == PICKED}
    metal = {s: m for s, m in kept.items() if s not in problem.rock}
    chosen = metal or {s: m for s, m in kept.items() if m.what != MASS}
    return {s: m.value * problem.fine if problem.is_metal(m) else m.value for s, m in chosen.items()}


def _fed(problem: Problem) -> float:
    return sum(m.value for m in problem.measured if m.stream in problem.sheet.ores and m.what == MASS)


def _notes(sheet: Sheet, measured: Sequence[Measurement]) -> Iterator[Note]:
    """Say what can hardly be meant, what was left out, and what was taken for granted."""
    places = {(m.file, m.line) for m in measured if m.line}
    yield from (one for one in sheet.notes if (one.subject.file, one.subject.line) in places)
    passed = sorted({m.what for m in measured if m.what not in (*USED, PASSING)}, key=KINDS.index)
    if passed:
        sentence = "The balance has no use for {what}: flowsheet fit uses them."
        yield note("no_use_in_a_balance", sentence, what=" and ".join(passed))
    metal = metal_streams(sheet)
    for m in measured:
        if m.what == GRADE and m.stream in metal:
            sentence = "The grade of {stream} is not used: metal's grade is its fineness. Put it under ore: gold:."
            yield note("grade_of_metal", sentence, Subject(test=m.test, stream=m.stream, file=m.file, line=m.line))
    weighed = {m.stream for m in measured if m.what == MASS}
    ores = [name for name in sheet.ores if name not in weighed]
    if ores:
        sentence = "The mass of {ores} is the sheet's, since this test did not weigh it."
        yield note("mass_of_the_sheet", sentence, ores=" and ".join(ores))
    flux = [f"{step.adds} of {name}" for name, step in sheet.steps.items() if step.added is not None]
    if flux:
        yield note("flux_of_the_sheet", "The {flux} is the sheet's.", flux=" and ".join(flux))
    if any(ore.grade is not None for ore in sheet.ores.values()):
        yield note("guess_not_used", "The grade that the sheet gives the ore is a guess, and is not used here.")
    if any(m.what in (BEAD, PICKED) or (m.what == MASS and m.stream in metal) for m in measured) and any(
        ore.gold is None for ore in sheet.ores.values()
    ):
        sentence = "The sheet tells no fineness: metal is taken to be {fineness:g} fine."
        yield note("fineness_taken", sentence, fineness=FINENESS.value)
    for stage in stages(sheet):
        if stage.is_loop:
            sentence = (
                "The loop {loop} is taken to hold nothing back: weigh what you clean out of it with the stream that "
                "it belongs to."
            )
            loop = " → ".join([*stage.steps, stage.steps[0]])
            yield note("loop_holds_nothing", sentence, Subject(step=stage.steps[0]), loop=loop)


def _turned_out(problem: Problem, found: Adjusted) -> Iterator[Note]:
    names = {at: f"rock of {name}" for name, at in problem.rock.items()}
    names |= {at: f"gold of {name}" for name, at in problem.gold.items()}
    pressed = [names[at] for at in problem.pressed(found)]
    if pressed:
        sentence = "The weights would make the {amounts} less than nothing: it is held at nothing."
        yield note("held_at_nothing", sentence, amounts=", the ".join(pressed))
    if not found.settled:
        sentence = "The adjustment did not settle: take its numbers as rough, and look for a badly wrong weight."
        yield note("adjustment_not_settled", sentence)
