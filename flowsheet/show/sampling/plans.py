"""A sampling plan on the terminal: what to do, how sure that makes, and what each stage adds to the doubt."""

from __future__ import annotations

import math
from collections.abc import Iterator
from statistics import NormalDist
from typing import Any

from flowsheet.show.text.figures import count, grade, length, mass, percent, short, sig
from flowsheet.show.text.line_width import filled
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console, print_table
from flowsheet.spec.text.notes import texts
from flowsheet.steps.base import LOCAL, SILICA
from flowsheet.study.common.units_out import milligrams, millimetres
from flowsheet.study.sampling.sampling_plan import ENOUGH_GRAINS, SamplingPlan
from flowsheet.study.sampling.sampling_variance import GRAINS, GROUPING, MEASURING, SACKS, SampleSplit, StageError

RULES = "This is an estimate from a model of the pile, not a resource statement or an assay certificate."
CAUTIONS = (
    "Draw lots for the sacks: those that lie nearest, or look best, are no sample.",
    "Weigh what goes into each split and what comes out, and brush the riffle and the machines out between sacks: "
    "gold lodges in them.",
    "Run two sacks or more by themselves if you can: how far they differ is the number of this plan that only your "
    "own sacks can tell.",
)
WHAT_HELPS = {
    SACKS: "take more sacks, and keep less of each",
    GRAINS: "take and pan more rock (breaking finer does not, since grains of gold stay whole)",
    GROUPING: "break finer before you split",
    MEASURING: "a better scale, or several assays of the tailings",
}
APART = "take and pan more rock, and break finer before you split, so that grains that lie together come apart"
UNLIKE = 0.95
"""A half width of less than so much of a normal law's is explained."""
WELL_DONE = 2.0
"""All variance over that of the grains: no more than twice the fundamental one. Source: M. K. G. Whateley and
B. C. Scott, in Introduction to Mineral Exploration, p. 205."""


def errors(found: SamplingPlan) -> Grid:
    """Return the standard deviation that each stage adds, by counting grains and by Gy's formula."""
    columns = (
        Column("Stage"),
        Column("What"),
        Column("By counting, ± %", _sig),
        Column("By Gy ground, ± %", _sig),
        Column("By Gy as broken, ± %", _sig),
    )
    rows = [
        (row.stage, row.kind, 100 * row.sd, _percent(row, row.gy_ground), _percent(row, row.gy_broken))
        for row in found.plan.errors
    ]
    return Grid("plan_errors", "What each stage adds (one standard deviation)", columns, rows)


def _percent(row: StageError, by_gy: float | None) -> float | str:
    """Return Gy's error; where he has nothing to say, the one that goes into his sum, or nothing for grouping."""
    if by_gy is not None:
        return 100 * by_gy
    return "" if row.kind == GROUPING else 100 * row.sd


def least(found: SamplingPlan) -> Grid:
    """Return the least mass to keep at each size, by several rules."""
    columns = (
        Column("All passes, mm", short),
        Column("By counting, kg", _sig),
        Column("By Gy ground, kg", _sig),
        Column("By Gy as broken, kg", _sig),
        Column("By an old rule, kg", _sig),
    )
    rows = [(millimetres(r.size), r.by_counting, r.by_gy_ground, r.by_gy_broken, r.by_rule) for r in found.least]
    wish = percent(found.plan.doubt) if found.wish.want is None else whole_percent(found.wish.want)
    return Grid("least_mass", f"Least mass for ± {wish}, were a split all the doubt", columns, rows)


def curve(found: SamplingPlan) -> Grid:
    """Return the doubt against the work, as whole sacks and by the surest plan."""
    columns = (
        Column("Sacks run whole", count),
        Column("Mass, kg", _sig),
        Column("Whole, ± %", _sig),
        Column("by Gy ground, ± %", _sig),
        Column("Surest plan, ± %", _sig),
        Column("its sacks", count),
        Column("panned, kg", _sig),
    )
    rows = [
        (p.sacks, p.mass, 100 * p.whole, 100 * p.whole_by_gy, 100 * p.best, p.best_sacks, p.best_panned)
        for p in found.curve
    ]
    return Grid("doubt_by_mass", "Doubt for the work of running so many sacks whole", columns, rows)


def _sig(value: float | str) -> str:
    return sig(value) if isinstance(value, float) else "–"


def answers(found: SamplingPlan) -> Iterator[tuple[str, str]]:
    """Return (question, answer)."""
    yield "How should the pile be sampled?", what_to_do(found)
    yield "How sure does that make you?", how_sure(found)
    yield "Which doubt matters most?", matters(found)
    yield "Are there grains enough?", enough(found)
    yield "What do the trade's rules say?", rules(found)


def what_to_do(found: SamplingPlan) -> str:
    """Say how many sacks, what to do with them, and what that costs."""
    plan, pool = found.plan, found.pool
    many = "the only sack" if pool.sacks == 1 else f"{plan.sacks:,} of the {pool.sacks:,} sacks"
    if plan.sacks == pool.sacks > 1:
        many = f"all {pool.sacks:,} sacks"
    lines = [] if found.met else [f"No plan makes it as sure as ± {_wanted(found)}; nothing is surer than this."]
    if found.wish.mass is not None:
        lines.append(f"For the work of running {mass(found.wish.mass)} whole nothing is surer than this.")
    lines.append(f"Take {many} ({mass(plan.taken)}).")
    for number, split in enumerate(plan.splits):
        lines.append(_split(split, found, first=number == 0))
    lines.append(f"Crush and grind {'that' if plan.splits else 'all of it'} as for a test, and pan all of it.")
    whole = found.straight * pool.mass
    cost = f"{sig(plan.work)} {found.work.currency}" if found.work.currency else f"{mass(plan.work)} of work"
    counted = (
        f"by your costs of {'sacks, ' if found.work.sack else ''}crushing, grinding and panning"
        if found.work.currency
        else "each kg counted every time that it goes through a machine or the pan"
    )
    lines.append(f"That is {cost} ({counted}), {percent(plan.work / whole)} of running the whole pile.")
    return " ".join(lines)


def _split(split: SampleSplit, found: SamplingPlan, first: bool) -> str:
    times = {1: "once", 2: "twice"}.get(split.halvings, f"{split.halvings} times")
    size = length(split.rock.size)
    if first:
        each, whole = mass(found.plan.from_each), mass(found.pool.sack_mass)
        together = f" Put them together ({mass(split.after)})." if found.plan.sacks > 1 else ""
        return (
            f"Crush each by itself until all of it passes {size}, put it {times} over a riffle, half being kept each "
            f"time: {each} of its {whole} are left.{together}"
        )
    return f"Crush them until all passes {size}, and put them {times} over the riffle: {mass(split.after)} are left."


def how_sure(found: SamplingPlan) -> str:
    """Say the half width, what made-up piles show, and what a poor ore would do."""
    plan, chance = found.plan, whole_percent(found.wish.confidence)
    text = (
        f"The grade that you find ({grade(found.pool.grade)} by what is known now) will be within "
        f"± {percent(plan.doubt)} of the pile's with a chance of {chance}. Tried on {found.piles:,} piles made up "
        f"grain by grain and sampled like this, {chance} came within ± {percent(found.found)}. If the ore holds no "
        f"more than {grade(found.poor)}, it is ± {percent(found.poor_doubt)}."
    )
    normal = NormalDist().inv_cdf((1 + found.wish.confidence) / 2)
    if plan.doubt < UNLIKE * normal * plan.sd:
        text += (
            f" (A normal law would make ± {percent(normal * plan.sd)} of the standard deviations below: a few very "
            "large grains, which most piles do not hold, swell those.)"
        )
    return text


def matters(found: SamplingPlan) -> str:
    """Say which kind of error is largest, and what would make it smaller."""
    parts: dict[str, float] = {}
    for row in found.plan.errors[:-1]:
        parts[row.kind] = parts.get(row.kind, 0.0) + row.sd**2
    kind, part = max(parts.items(), key=lambda one: one[1])
    share = percent(part / found.plan.sd**2)
    name = {SACKS: "sacks that differ", GRAINS: "the luck of grains", GROUPING: "rocks that go whole"}.get(kind, kind)
    helps = APART if kind == GRAINS and found.pool.cluster > 1 else WHAT_HELPS[kind]
    return f"{share} of the variance is {name}. What helps: {helps}."


def enough(found: SamplingPlan) -> str:
    """Say what mass holds twenty grains, and how many the plan pans."""
    size = length(found.grain_size)
    lump = "cluster of grains" if found.pool.cluster > 1 else "grain"
    weight = sig(milligrams(found.grain), 2)
    text = (
        f"The {lump} that matters weighs {weight} mg (about {size}; the mean, each counted by its "
        f"gold). {mass(found.twenty)} of rock hold {ENOUGH_GRAINS} of them, which is the least that a sample "
        f"should (USGS Professional Paper 625-C); this plan pans about {count(found.grains_taken)}."
    )
    if found.grains_taken < ENOUGH_GRAINS and not found.whole:
        return text + " That is too few: one grain more or less moves the answer. Pan more."
    return text


def whole_percent(share: float) -> str:
    """Return a share that somebody wrote as a percentage, in its own digits."""
    return f"{100 * share:.6g} %"


def rules(found: SamplingPlan) -> str:
    """Say what Gy's formula, the rule for well-done splits and the increments of the standards have to say."""
    if found.whole:
        return "The whole pile is run, so no luck is left for them to tell of: only assay and weighing."
    total = found.plan.errors[-1]
    luck = sum(row.sd**2 for row in found.plan.errors if row.kind == GRAINS)
    ratio = total.sd**2 / luck
    text = (
        f"Gy's formula: ± {percent(total.gy_ground or 0.0)} in all at the size of the gold's grains, where counting "
        f"grains gives ± {percent(total.sd)} (both one standard deviation); with the liberation factor √(L/d) of the "
        f"handbooks ± {percent(total.gy_broken or 0.0)}, which says far too much where grains are much finer than the "
        "rock. "
    )
    text += (
        f"All variance is {sig(ratio, 2)} times that of the grains; a rule of thumb allows {WELL_DONE:g}"
        f"{', which more sacks would bring' if ratio > WELL_DONE else ''}. "
    )
    text += "ASTM D2234 (for coal; of it only the form holds) lets increments grow as the root of the lot's mass: "
    if found.increments < found.plan.sacks:
        return text + f"it would take {max(1, math.ceil(found.increments))} here and asks for no more than this plan."
    return text + f"it would take {math.ceil(found.increments)} here, more than this plan's {found.plan.sacks} sacks."


def _wanted(found: SamplingPlan) -> str:
    return whole_percent(found.wish.want or 0.0)


def show_plan(title: str, found: SamplingPlan) -> None:
    """Print the answers, the tables, and what to take care of."""
    out = console()
    out.print(title, style="bold")
    for number, (question, answer) in enumerate(answers(found)):
        if number:
            out.print()
        out.print(question, style="bold")
        out.print(answer)
    for grid in (errors(found), least(found), curve(found)):
        out.print()
        print_table(out, grid)
    for note in texts(found.notes):
        out.print(f"Note: {note}")
    out.print()
    out.print("Take care", style="bold")
    lines: list[Any] = [*CAUTIONS, SILICA, LOCAL, RULES]
    for line in lines:
        out.print("\n".join(filled(line, out.width, "- ", "  ")))
