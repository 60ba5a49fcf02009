"""Reconciled weights: tables, and answers as a miner would say them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

from flowsheet.ore.arrays import NORMAL_95
from flowsheet.show.balance import sieved
from flowsheet.show.balance.suspected import said, some, suspect, value
from flowsheet.show.text.figures import mass, sig
from flowsheet.show.text.tables import Column, Form, Grid, signed
from flowsheet.spec.blocks.measurement import GRADE, PASSING
from flowsheet.study.balance.result import Balanced, HeadGradePart, Measured, Reconciled, Weight
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM
from flowsheet.study.common.units_out import TOLD, g_per_t, grams, percent

FAINT_PART = 0.005
"""Parts of the head grade below this share of it are not told one by one."""

SMALL = 0.001
"""A chi-square below this is told as less than it."""

KNOWN = {(True, True): "mass and gold", (True, False): "mass", (False, True): "gold", (False, False): "nothing"}


def streams(found: Reconciled) -> Grid:
    """Return every stream after the adjustment; what the weights do not determine is left open."""
    columns = (
        Column("Stream"),
        Column("Mass, kg", _mass, shown="Mass"),
        Column("doubt, kg", _mass_doubt, shown="doubt"),
        Column("Gold, g", _four),
        Column("doubt, g", _two),
        Column("Grade, g/t", _three),
        Column("Weights tell"),
    )
    rows = [(name, *_row(row)) for name, row in found.streams.items()]
    return Grid("reconciled", "Streams that balance (doubt: one standard deviation)", columns, rows)


def streams_without(found: Reconciled) -> Grid | None:
    """Return every stream as it comes out if the suspect is left out; None where there is no suspect."""
    if found.suspect is None or found.without is None:
        return None
    rows = [(name, *_row(row)) for name, row in found.without.streams.items()]
    title = f"Streams that balance without {said(found.suspect.name)}"
    return Grid("reconciled-without-suspect", title, streams(found).columns, rows)


def _row(row: Balanced) -> tuple[Any, ...]:
    mass = (row.mass, row.mass_sd) if row.mass_determined else (None, None)
    gold = (grams(row.gold), grams(row.gold_sd)) if row.gold_determined else (None, None)
    grade = g_per_t(row.gold / row.mass) if row.determined and row.mass > 0 else None
    return *mass, *gold, grade, KNOWN[row.mass_determined, row.gold_determined]


def weights(found: Reconciled) -> Grid:
    """Return every weight and assay beside what it was adjusted to."""
    columns = (
        Column("Stream"),
        Column("What"),
        Column("Weighed", _four),
        Column("Doubt", _two),
        Column("Doubt is"),
        Column("Adjusted", _four),
        Column("Moved by, sd", _moved),
    )
    rows = [
        (w.stream, f"{w.what}, {w.unit}", *_told(w))
        for w in found.weights
    ]  # fmt: skip
    return Grid("weights", "Weights (moved: adjusted less weighed, in its own standard deviations)", columns, rows)


def parts(found: Reconciled) -> Grid:
    """Return what each end stream adds to the head grade."""
    columns = (
        Column("Ends in"),
        Column("Of the head, g/t", _three),
        Column("doubt, g/t", _two),
        Column("Counted on paper, g/t", _three),
    )
    rows = [
        (p.stream, *((None, None) if math.isnan(p.sd) else (g_per_t(p.grade), g_per_t(p.sd))), g_per_t(p.counted))
        for p in found.parts
    ]
    return Grid("parts", "Where the head grade ends up", columns, rows)


def unknown(found: Reconciled) -> Grid:
    """Return what to weigh so that each stream that is not determined is."""
    columns = (Column("Stream"), Column("Unknown"), Column("To know it"))
    missing = {(True, False): "gold", (False, True): "mass", (False, False): "mass and gold"}
    rows = []
    for stream, needs in found.to_know.items():
        row = found.believed.streams[stream]
        what = missing[row.mass_determined, row.gold_determined]
        rows.append((stream, what, "; ".join(_do(*one) for one in needs)))
    return Grid("unknown", "What the weights leave unknown", columns, rows)


def _told(weight: Weight) -> tuple[Any, ...]:
    """Return what it reads, its doubt, whose that is, what it was adjusted to (in its unit) and how far it moved."""
    unit, whose = TOLD[weight.unit], "assumed" if weight.assumed else "given"
    return unit(weight.measured), unit(weight.sd), whose, unit(weight.adjusted), _standardised(weight)


def _standardised(weight: Weight) -> float | None:
    return None if math.isnan(weight.standardised) else -weight.standardised


def _moved(value: float | None) -> str:
    if value is None:
        return "unchecked"
    return "0" if abs(value) < 0.05 else f"{value:+,.1f}".replace("-", "−")


def _written(write: Callable[[float, int], str], digits: int) -> Form:
    return lambda value: "–" if value is None else write(value, digits)


_two, _three, _four = (_written(sig, digits) for digits in (2, 3, 4))
#: Masses, each in the unit that suits it: a stream may be a sack or a bead.
_mass, _mass_doubt = _written(mass, 4), _written(mass, 2)


def answers(found: Reconciled) -> list[tuple[str, str]]:
    """Return (question, answer) for whether the weights agree, the head grade, and what to weigh next."""
    sieves = [(sieved.QUESTION, " ".join(sieved.agree(found)))] if found.sieved else []
    return [
        ("Do my weights agree?", " ".join(agree(found))),
        ("What is the head grade, with everything counted in?", " ".join(head(found))),
        ("What should I weigh next?", " ".join(weigh_next(found))),
        *sieves,
    ]


def agree(found: Reconciled) -> Iterator[str]:
    """Say whether the weights agree, which one is suspect and what it would have to be."""
    if found.dof <= 0:
        yield (
            "They cannot help it: nothing is weighed twice over, so any numbers would balance and nobody can know "
            "from these whether a weight is wrong. Weigh both what goes into a step and all that comes out of it, "
            "and they will check each other."
        )
        return
    more = f"{found.dof} more than the balance needs"
    chi2 = sig(found.chi2) if found.chi2 >= SMALL else f"under {SMALL}"
    missed = f"would miss by as much or more (chi-square {chi2}, {more})"
    chance = f"{_chance(found.p)} honest weigh sheets {missed}"
    if found.p >= ALARM:
        yield f"{'Taken together, yes' if found.suspect else 'Yes'}: {chance}."
    else:
        yield f"No: {'' if found.p < 1e-4 else 'only '}{chance}."
    if found.swapped is not None:
        swap = found.swapped
        yield (
            f"All agree if the masses of {swap.first} and {swap.second} are exchanged: were the two weights "
            "swapped when they were written down?"
        )
    if found.suspect is not None:
        yield from suspect(found, found.suspect)
    elif found.p < ALARM:
        worst = max((w for w in found.weights if not math.isnan(w.standardised)), key=lambda w: abs(w.standardised))
        yield (
            f"No single weight stands out, though {said(worst.name)} had to move most: look for rock or gold lost in "
            "a step, for a stream that the sheet does not name, or for doubts that are put too small."
        )
    unchecked = [w for w in found.weights if math.isnan(w.standardised)]
    open_ = [said(w.name) for w in unchecked if w.unit != "%"]
    open_ += list(dict.fromkeys(f"the sieves of {w.stream}" for w in unchecked if w.unit == "%"))
    if open_:
        yield f"Nothing checks {some(open_, 'or')}: a wrong number there would not show."


def head(found: Reconciled) -> Iterator[str]:
    """Say the head grade, the bead over the feed, and where the difference lies; without the suspect if one is."""
    swap = found.swapped
    if swap is not None and not math.isnan(swap.head_sd):
        exchanged = value(swap.head, swap.head_sd, "g/t")
        yield f"With the masses of {swap.first} and {swap.second} exchanged: {exchanged}. As they read:"
    naive, grade, parts = found.naive, found.believed.head, found.believed.parts
    if found.suspect is not None and grade.known:
        counted = value(found.head.value, found.head.sd, "g/t")
        yield f"With {said(found.suspect.name)} counted in, {counted}; without it, which is the better guess:"
    elif found.suspect is not None:
        yield f"Without {said(found.suspect.name)}, which is suspect:"
    if not grade.known:
        told = [p for p in parts if not math.isnan(p.sd)]
        untold = [p.stream for p in parts if math.isnan(p.sd)]
        least = sum(p.grade for p in told)
        yield f"The weights do not tell it: nothing says how much gold went with {some(untold, 'and')}."
        if least > 0:
            yield f"What they do tell makes at least {_per_t(least)} g/t ({_ranked(told, least)})."
    else:
        low, high = max(grade.value - NORMAL_95 * grade.sd, 0.0), grade.value + NORMAL_95 * grade.sd
        yield (
            f"{value(grade.value, grade.sd, 'g/t')}: nine times in ten between {_per_t(low)} and {_per_t(high)} "
            "g/t, as far as the weights go (the next sack may hold other grains)."
        )
    if naive is None:
        yield "Neither bead nor gold kept was weighed, so there is no bead over feed to hold against it."
    elif not grade.known:
        yield f"{_on_paper(found).capitalize()} over the feed alone gives {_per_t(naive)} g/t."
    else:
        yield from _difference(grade, parts, naive, _on_paper(found))


def _on_paper(found: Reconciled) -> str:
    """Return what the feed is held against on paper."""
    metal = sum(found.streams[p.stream].metal for p in found.parts if p.counted > 0)
    return "the metal kept" if metal > 1 else "the bead" if metal else "the gold weighed"


def _difference(grade: Measured, parts: list[HeadGradePart], naive: float, paper: str) -> Iterator[str]:
    missed = [p for p in parts if p.counted == 0]
    never = sum(p.grade for p in missed)
    if never <= FAINT_PART * grade.value:
        yield f"{paper.capitalize()} over the feed gives {_per_t(naive)} g/t: hardly any gold missed it."
        return
    short, moved = grade.value - naive, grade.value - naive - never
    told = f"{_per_t(never)} g/t never reached it ({_ranked(missed, grade.value)})"
    if abs(moved) <= FAINT_PART * grade.value:
        yield f"{paper.capitalize()} over the feed gives only {_per_t(naive)} g/t: {told}."
        return
    more = f"{_per_t(abs(short))} {'less' if short > 0 else 'more'}"
    yield (
        f"{paper.capitalize()} over the feed gives {_per_t(naive)} g/t, {more}: {told}, and "
        f"{signed(g_per_t(moved))} g/t is what the weights were moved by."
    )


def weigh_next(found: Reconciled) -> Iterator[str]:
    """Say which one weighing would tell most of the head grade, and what would make unknown streams known."""
    best = found.next_weighing
    if found.swapped is not None:
        yield f"First weigh {found.swapped.first} and {found.swapped.second} again, since the rest hangs on it."
    elif found.suspect is not None:
        yield f"First {_do(found.suspect.stream, found.suspect.what)} again, since the rest hangs on it."
    if best is None:
        yield "No single weighing more would tell the head grade much better: the doubt is spread over many."
    elif math.isnan(best.sd_then):
        yield f"No single weighing makes the head grade known. Begin with this one: {_do(best.stream, best.what)}."
    else:
        once_more = " once more" if best.again else ""
        fresh = ", from a fresh sample" if best.again and best.what == GRADE else ""
        grade = found.believed.head
        now = f" in place of {_per_t(grade.sd, 2)}" if grade.known else ", where now it is unknown"
        yield (
            f"For the head grade: {_do(best.stream, best.what)}{once_more}{fresh}, which would leave it a doubt of "
            f"{_per_t(best.sd_then, 2)} g/t{now}."
        )
    if found.to_know:
        yield f"The weights leave {some(found.to_know, 'and')} unknown: the table below says what would tell."


def _do(stream: str, what: str) -> str:
    return f"{'assay' if what == GRADE else 'sieve' if what.startswith(PASSING) else 'weigh'} {stream}"


def _ranked(rows: list[HeadGradePart], whole: float) -> str:
    ranked = sorted((p for p in rows if p.grade > FAINT_PART * whole), key=lambda p: -p.grade)
    return some([f"{p.stream} {_per_t(p.grade)}" for p in ranked], "and")


def _chance(p: float) -> str:
    """Say a chance as so many in a hundred, or in more where it is small."""
    if p >= 0.995:
        return "nearly all"
    if p >= 0.01:
        return f"{100 * p:.0f} in 100"
    if p >= 1e-4:
        return f"{sig(1000 * p, 2)} in 1,000"
    return "fewer than 1 in 10,000"


def _per_t(grade: float, digits: int = 3) -> str:
    """Write a grade (kg/kg) in g/t, without its unit."""
    return sig(g_per_t(grade), digits)


def amount(value: float, unit: str) -> str:
    """Return a measured value (kg, kg/kg or a share) in a unit that suits it."""
    if unit == "%":
        return f"{sig(percent(value))} %"
    return f"{_per_t(value)} g/t" if unit == "g/t" else mass(value)
