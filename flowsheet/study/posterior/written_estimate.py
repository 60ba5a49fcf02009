"""The estimate as a block of the sheet: written down as draws by name, and read back without the weights.

What every stream held follows from it as it did from the weights: bottom up, so that each draw closes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw
from flowsheet.solve.slack import GOLD, ROCK
from flowsheet.spec.blocks.fitted_estimate import (
    CLUSTER,
    GRAINS_OFF,
    NEXT_TO_NONE,
    NOT_WEIGHED,
    WEIGHED,
    FittedEstimate,
    FittedPile,
    FittedTest,
    digest,
    packed,
    way_name,
)
from flowsheet.spec.blocks.measurement import Measurement, picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.uncertain_inputs import bounds, inputs_with, slack_name, told_numbers
from flowsheet.study.posterior.estimate import Posterior, held_by
from flowsheet.study.posterior.forward import Sent, sent_by
from flowsheet.study.posterior.picked_metal import ways_with
from flowsheet.study.posterior.slack_solver import SlackSolver
from flowsheet.study.posterior.unknowns import lying_together

MEANS, REST = 15, 9
"""Digits of means and variances that are written, which make the draws; and of all else."""


def block_of(
    found: Posterior,
    of: str | None,
    measured: Iterable[Measurement],
    written: Mapping[str, str],
    pile: FittedPile | None = None,
) -> FittedEstimate:
    """Return the block that holds an estimate.

    ``of``: digest of the files that it was made from; ``measured``: all that was weighed; ``written``: how the sheet
    is going to write numbers, by name; ``pile``: what several tests told of theirs.
    """
    columns = dict(_columns(found))
    table = np.stack(list(columns.values()))
    mean, sd = table.mean(axis=1), table.std(axis=1)
    scores = np.divide(table - mean[:, None], sd[:, None], out=np.zeros_like(table), where=sd[:, None] > 0)
    covariance = (scores @ scores.T / table.shape[1]) * np.outer(sd, sd)
    return FittedEstimate(
        of=of or "",
        weights=digest(measured),
        effective=round(found.effective, 1),
        openings=list(found.coarse),
        tests=[
            FittedTest(
                name=test.name,
                fed=test.ratio,
                gold=NOT_WEIGHED if not test.told else NEXT_TO_NONE if test.next_to_none else WEIGHED,
                **({"below": sorted(test.below)} if test.below else {}),
                luck=_rounded(float(np.median(test.luck)), REST),
            )
            for test in found.tests
        ],
        **({"pile": pile} if pile is not None else {}),
        names=list(columns),
        written={name: text for name, text in written.items() if name in columns},
        mean=[_rounded(one, MEANS) for one in mean],
        covariance=[
            [_rounded(one, MEANS if k == i else REST) for k, one in enumerate(row)] for i, row in enumerate(covariance)
        ],
        draws=packed(list(scores)),
    )


def _columns(found: Posterior) -> dict[str, Array]:
    """Return all that an estimate draws by name, (D,) each; slack as log odds against a step's last outlet."""
    sheet, draws = found.model.sheet, len(found.grade)
    # Those who look rocks over see the same clusters as all.
    alike = lying_together(found.model, found.cluster)
    own = {name: one for name, one in found.values.items() if ".slack." not in name and name not in alike}
    columns = {name: np.broadcast_to(one, (draws,)) for name, one in own.items()}
    for name, step in sheet.steps.items():
        *others, last = step.outlets
        for what in (ROCK, GOLD):
            if (at := slack_name(name, what, last)) in found.values:
                for outlet in others:
                    columns[slack_name(name, what, outlet)] = (
                        found.values[slack_name(name, what, outlet)] - found.values[at]
                    )
    columns[CLUSTER] = found.cluster
    if found.off is not None:
        columns[GRAINS_OFF] = found.off
    for test in found.tests:
        for i, (band, end) in enumerate(ways_with(found.ways, tuple(test.picked))):
            columns[way_name(test.name, end, band)] = test.by_way[:, i]
    return columns


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


def read_back(model: Model, block: FittedEstimate, seed: int) -> Posterior:
    """Return the estimate that a sheet holds. A number that is no longer as ``fit`` wrote it is as it stands there.

    What the tests held stays as it was: that lies on the bench. ``seed`` draws the numbers that were changed.
    """
    table = block.table()
    draws = len(next(iter(table.values())))
    openings, cluster = tuple(block.openings), np.round(table[CLUSTER], 6)
    held = {**_values(model.sheet, block, table), **lying_together(model, cluster)}
    sent = _sent(model, held, openings, draws)
    tests = []
    for one in block.tests:
        none = np.zeros(draws)
        picked = tuple(s for s in sent.rock if way_name(one.name, picked_from(s), 0) in table)
        ways = ways_with(sent.ways, picked)
        by_way = np.stack([np.maximum(table.get(way_name(one.name, end, band), none), 0.0) for band, end in ways], -1)
        luck = np.full(draws, one.luck)
        told = held_by(model, one.name, one.fed, by_way, sent, openings, luck, one.told, picked)
        tests.append(replace(told, below=frozenset(one.below), next_to_none=one.next_to_none))
    fed = sent.gold(model.sheet.ores)
    by_band = [np.asarray(sum(band[n] for n in model.sheet.ores)) for band in sent.by_band]
    above = {size: sum(by_band[: i + 1]) / np.maximum(fed, 1e-300) for i, size in enumerate(openings)}
    now = _as_they_stand(model.sheet, block, held, seed)
    if now is not held:
        sent = _sent(model, now, openings, draws)
        fed = sent.gold(model.sheet.ores)
    grade = np.asarray(fed / sum(sent.rock[n] for n in model.sheet.ores))
    weighed = any(one.told for one in block.tests)
    off = table.get(GRAINS_OFF) if not model.grains_known else None
    return Posterior(
        model, dict(now), cluster, grade, tuple(tests), above, block.effective, weighed, sent.ways, off=off
    )


def changed_since(sheet: Sheet, block: FittedEstimate) -> list[str]:
    """Return the names of numbers that no longer stand in the sheet as ``fit`` wrote them."""
    stated = told_numbers(sheet)
    return [name for name, text in block.written.items() if name in stated and stated[name].text != text]


def _sent(model: Model, values: Mapping[str, Array], openings: tuple[float, ...], draws: int) -> Sent:
    # Some draws stand there more than once: solved once, they stay the same to the last digit.
    table = np.stack([np.broadcast_to(one, (draws,)) for one in values.values()], axis=-1)
    _, once, again = np.unique(table, axis=0, return_index=True, return_inverse=True)
    inputs = inputs_with(model, {name: np.broadcast_to(one, (draws,))[once] for name, one in values.items()}, len(once))
    solver = SlackSolver(model, inputs)
    solver.through(model.stages)
    return sent_by(model, solver, inputs, openings, len(once)).at(again.ravel())


def _values(sheet: Sheet, block: FittedEstimate, table: Mapping[str, Array]) -> dict[str, Array]:
    """Return numbers and slacks by name, those of a step's last outlet (nought) among them."""
    stated, ends = told_numbers(sheet), bounds(sheet)
    found = {name: table[name] for name in block.names if name in stated or ".slack." in name}
    # The last digit that is not written must not lead over a bound.
    found |= {name: np.clip(found[name], *ends[name]) for name in found if name in ends}
    for name, step in sheet.steps.items():
        *others, last = step.outlets
        for what in (ROCK, GOLD):
            if any(slack_name(name, what, outlet) in found for outlet in others):
                found[slack_name(name, what, last)] = np.zeros(len(table[CLUSTER]))
    return found


def _as_they_stand(sheet: Sheet, block: FittedEstimate, held: dict[str, Array], seed: int) -> dict[str, Array]:
    """Return the draws with numbers that were changed since drawn by themselves; ``held`` itself where none was."""
    changed = [name for name in changed_since(sheet, block) if name in held]
    if not changed:
        return held
    stated, rng = told_numbers(sheet), np.random.default_rng((seed, 2))
    return {**held, **{name: draw(stated[name], len(held[name]), rng) for name in changed}}
