"""A run as plain data: streams, kept, losses and coarse gold of this test where weights tell it, beside the plan.

Without weights they are the plan itself, and what is foretold stands beside each stream as the ends of its forecast.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.study.common.coarse_fraction import Coarse
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.units_out import grams, told_apart
from flowsheet.study.estimate.confidence import Confidence
from flowsheet.study.estimate.this_test import SHEET, WEIGHTS, Held, ThisTest
from flowsheet.study.estimate.told_answers import stream_gold, tests_of
from flowsheet.study.run.losses import REASONS
from flowsheet.study.run.told import ToldLoss, told_losses, told_streams, weighed

if TYPE_CHECKING:
    from flowsheet.study.run.run import Run


def planned(run: Run) -> dict[str, Any]:
    """Return the plan: all as the sheet by itself has it."""
    return {
        "streams": {name: stream.as_dict() for name, stream in run.streams.items()},
        "kept": {"gold_g": grams(run.kept), "share": run.kept_share},
        "losses": [loss.as_dict() for loss in run.losses],
        "caught": [row.as_dict() for row in run.caught],
        "coarse": [row.as_dict() for row in run.coarse],
    }


def told(run: Run) -> dict[str, Any]:
    """Return {streams, kept, losses, caught, coarse} of this test, and ``as_planned`` where that is not the plan."""
    plan, sure = planned(run), run.sure
    if sure is None:
        return plan
    tests = [test for test, _ in tests_of(sure).values()]
    if tests:
        return {**_of_test(run, sure, tests[-1], plan), "as_planned": plan}
    foretold = _foretold(run, sure)
    streams = {name: {**one, **foretold[name][1]} for name, one in plan["streams"].items()}
    if not sure.fitted:
        return {**plan, "streams": streams}
    # Weights of rock alone: what they tell of it is the estimate's, though the gold is the sheet's.
    streams = {name: {**one, "mass_kg": foretold[name][0]} for name, one in streams.items()}
    return {**plan, "streams": streams, "as_planned": plan}


def _of_test(run: Run, sure: Confidence, test: ThisTest, plan: dict[str, Any]) -> dict[str, Any]:
    sheet = run.solution.model.sheet
    flows, streams = test.flows(run.streams, sheet.ores), {}
    fed = sum(flows[name].mass for name in sheet.ores)
    for name, one in told_streams(test, run.streams, sheet).items():
        stream = replace(flows[name], mass=one.mass.mean, mass_share=one.mass.mean / fed if fed > 0 else 0.0)
        told_of = _ends(one.mass, one.gold, one.mass_from, one.gold_from)
        streams[name] = {**stream.as_dict(), **told_of}
    caught = {name: grams(gold.mean) for name, (gold, _) in test.caught.items()}
    share = test.kept_share.mean if test.kept_share is not None else None
    return {
        "streams": streams,
        "kept": {"gold_g": grams(test.kept.mean), "share": share},
        "losses": [_loss(one) for one in told_losses(test, run.losses)],
        "caught": [{**row, "gold_g": caught.get(row["stream"], 0.0)} for row in plan["caught"]],
        "coarse": [_coarse(row, run, sure, test) for row in run.coarse],
    }


def _loss(one: ToldLoss) -> dict[str, Any]:
    reasons = {**dict.fromkeys(REASONS, 0.0), **(one.reasons or {"other": 1.0})}
    unused = reasons.pop("unused", 0.0)
    reasons["other"] += unused
    return {
        "stream": one.stream,
        "gold_g": grams(one.gold.mean),
        "share": one.share.mean,
        "why": reasons,
        "unused": unused,
        "gold_g_90": [grams(one.gold.p5), grams(one.gold.p95)],
        "from": one.source,
    }


def _coarse(row: Coarse, run: Run, sure: Confidence, test: ThisTest) -> dict[str, Any]:
    """Return a row of the coarse gold with the estimate's share of the gold, and its grade by that."""
    found = sure.gathered.found
    own = {told_apart(at): one for at, one in test.coarse.items()}
    others = {told_apart(at): above for at, above in found.above.items()}
    if row.opening in own:
        share, source = own[row.opening][0].mean, own[row.opening][1]
    elif row.opening in others:
        fed = sure.gathered.by_grain(list(run.solution.model.sheet.ores)).sum(axis=-1)
        share, source = float(np.mean(others[row.opening].sum(axis=-1) / np.maximum(fed, 1e-300))), SHEET
    else:
        return {**row.as_dict(), "from": SHEET}
    times = share / row.gold_share if row.gold_share > 0 else 0.0
    rock = sum(test.streams[name].rock.mean for name in run.solution.model.sheet.ores)
    planned_fed = float(run.solution.fed_gold / run.solution.fed_solids)
    richer = times * (test.held.mean / rock) / planned_fed if rock > 0 and planned_fed > 0 else 0.0
    told_of = replace(row, gold_share=share, grade=richer * row.grade, in_sight_share=times * row.in_sight_share)
    return {**told_of.as_dict(), "from": source}


def _foretold(run: Run, sure: Confidence) -> dict[str, tuple[float, dict[str, Any]]]:
    """Return the mass (kg) that each stream has on average, and its ends and sources."""
    gathered, found = sure.gathered, {}
    for name, stream in run.streams.items():
        rock, gold = Interval.of_draws(gathered.found.by_rock[name]), stream_gold(gathered, name)
        # Metal counts in what a scale shows where it does in the plan: of metal, and of what is very rich.
        extra = stream.mass - float(run.solution.streams[name].solids)
        metal = gold.mean * extra / stream.gold if stream.gold > 0 else 0.0
        source = WEIGHTS if name in gathered.rock_told else SHEET
        held = Held(rock, gold, gold, source, SHEET)
        mass = weighed(held, rock.mean + metal)
        found[name] = mass.mean, _ends(mass, gold, source, SHEET)
    return found


def _ends(mass: Interval, gold: Interval, mass_from: str, gold_from: str) -> dict[str, Any]:
    return {
        "mass_kg_90": [mass.p5, mass.p95],
        "gold_g_90": [grams(gold.p5), grams(gold.p95)],
        "from": {"mass": mass_from, "gold": gold_from},
    }
