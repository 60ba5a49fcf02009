"""What the weights say of the ore that the tests came from: its grade, and how much of its gold is coarse.

The balance tells what the tests held, within the doubt of the weights; the luck of grains, read backwards (``pile``),
tells what ores would give that. Where the weights tell, the sheet's guess of the grade is not used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.solve.propagate import Solution
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.study.balance.result import Balanced, Reconciled
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM, chi2_tail
from flowsheet.study.common.units_out import told_apart
from flowsheet.study.estimate.grade_from_gold_held import ConfidenceDistribution, from_test, share_of


@dataclass(frozen=True)
class KnownOre:
    """Confidence distributions of the head grade (kg/kg), and of the coarse fraction's share of the gold."""

    grade: ConfidenceDistribution
    #: Rock that was tested, kg, and the gold (kg) that the balance finds in it, with the doubt of the weights.
    rock: float
    gold: float
    gold_sd: float
    #: Opening (m) of a screen that the ore goes over → share of the gold that stays on it.
    coarse: Mapping[float, ConfidenceDistribution]
    #: Whether the tests differ more than weights and luck explain, so that the grade's doubt holds that too.
    sacks_differ: bool = False
    #: What was left out, and what does not agree.
    notes: tuple[Note, ...] = ()

    @property
    def rest(self) -> str:
        """Say what the doubt of the grade holds besides that of the weights."""
        return "the luck of grains and how far the sacks differ" if self.sacks_differ else "the luck of grains"


TESTS_DIFFER = "tests_differ"
"""Code of the note that tests differ more than chance explains."""
PARTS = 3
"""Grain sizes that stand for a class: with one, the law of a few large grains comes in lumps that no ore has."""


def of_stream(
    grid: Grid, fineness: Array, cluster: float, by_grain: Array, found: float, sd: float
) -> ConfidenceDistribution:
    """Return what ``found`` ± ``sd`` kg of gold say of the amount to be expected of a stream.

    ``by_grain`` (S,): the gold in each grain class as the sheet has it, of which only the proportions count.
    """
    mass = cluster * grains.masses_within(grid, fineness, PARTS)
    return from_test(mass, np.repeat(by_grain, PARTS), found, sd)


def known_ore(solution: Solution, tests: Mapping[str, Reconciled], cluster: float = 1.0) -> KnownOre | None:
    """Return what reconciled tests tell of the ore; None where the balance determines of none of them what it held.

    ``solution``: the sheet's own solve, for the sizes of the grains; ``cluster``: how many of them lie together.
    """
    ores = list(solution.model.sheet.ores)
    told = {name: held for name, test in tests.items() if (held := _fed(test, ores)) is not None}
    shape = np.sum([solution.streams[name].gold_by_grain for name in ores], axis=0)
    masses = {name: sum(tests[name].streams[ore].mass for ore in ores) for name in told}
    rock = sum(masses.values())
    if not told or rock <= 0 or shape.sum() <= 0:
        return None
    untold = "the weights of {of} do not tell what that test held, so its grade is not among those used."
    notes = [
        note("test_does_not_tell", untold, Subject(test=name), of=name or "the sheet")
        for name in tests
        if name not in told
    ]
    notes += _disagreeing({name: tests[name] for name in told})
    gold = sum(held for held, _ in told.values())
    sd = math.hypot(*(doubt * _stretch(tests[name]) for name, (_, doubt) in told.items()))
    heavy = _heavy(solution, cluster, shape)
    between = _between(told, masses, heavy)
    if between > 1:
        sentence = (
            "the tests differ more than their weights and the luck of grains explain: the sacks themselves may differ. "
            "The interval is widened by as much; flowsheet lot reckons with it."
        )
        notes.append(note(TESTS_DIFFER, sentence, times_wider=between))
    wider = math.sqrt(sd**2 + (between**2 - 1) * (sd**2 + heavy * max(gold, 0.0)))
    amount = _read(solution, cluster, shape, gold, wider)
    grade = ConfidenceDistribution(amount.amounts / rock, amount.below)
    coarse = _coarse(solution, [tests[name] for name in told], cluster)
    return KnownOre(grade, rock, gold, sd, coarse, between > 1, tuple(notes))


def _disagreeing(tests: Mapping[str, Reconciled]) -> list[Note]:
    """Say which tests' weights contradict each other."""
    bad = [name for name, test in tests.items() if _stretch(test) > 1]
    of = f" of {', '.join(name or 'the sheet' for name in bad)}" if len(tests) > 1 else ""
    sentence = (
        "the weights{of} contradict each other: flowsheet reconcile names the suspect. Until that is settled their "
        "doubts are taken as larger, by as much as they disagree."
    )
    return [note("weights_contradict", sentence, Subject(test=first), of=of) for first in bad[:1]]


def _stretch(test: Reconciled) -> float:
    """Return by how much a test's doubts must be stretched for its weights to agree; 1 where chance will do.

    The root of chi-square over its degrees of freedom. Source: R. T. Birge, Phys. Rev. 40 (1932), 207.
    """
    return math.sqrt(test.chi2 / test.dof) if test.dof > 0 and test.p < ALARM else 1.0


def _between(told: Mapping[str, tuple[float, float]], rock: Mapping[str, float], heavy: float) -> float:
    """Return by how much the tests' doubts must be stretched for their grades to agree; 1 where chance will do."""
    if len(told) < 2:
        return 1.0
    pooled = sum(held for held, _ in told.values()) / sum(rock.values())
    gaps = [
        (held - pooled * rock[name]) ** 2 / (doubt**2 + heavy * max(pooled * rock[name], 0.0))
        for name, (held, doubt) in told.items()
    ]
    chi2, dof = sum(gaps), len(told) - 1
    return math.sqrt(chi2 / dof) if chi2_tail(chi2, dof) < ALARM else 1.0


def _coarse(solution: Solution, tests: Sequence[Reconciled], cluster: float) -> dict[float, ConfidenceDistribution]:
    """Return the coarse share for every screen that takes all of the ore, where both of its streams are determined."""
    sheet, found = solution.model.sheet, {}
    for step in sheet.steps.values():
        if not step.parts_at_size or step.set_size is None or set(step.takes) != set(sheet.ores):
            continue
        parts = []
        for stream in (step.stream(0), step.stream(1)):
            held = [(_gold(test, [stream]), _stretch(test)) for test in tests]
            told = [(one[0], one[1] * stretch) for one, stretch in held if one is not None]
            shape = solution.streams[stream].gold_by_grain
            if len(told) == len(held) and shape.sum() > 0:
                gold, sd = sum(h[0] for h in told), math.hypot(*(h[1] for h in told))
                parts.append(_read(solution, cluster, shape, gold, sd))
        if len(parts) == 2:
            found[told_apart(step.set_size.value)] = share_of(parts[0], parts[1])
    return found


def _heavy(solution: Solution, cluster: float, shape: Array) -> float:
    """Return the variance of luck for an expected amount of one: the grain that gold lies in, by mass, kg."""
    model = solution.model
    if not model.grains_known:
        return 0.0
    fineness = np.asarray(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    return float(cluster * shape @ grains.grain_mass(model.grid.size, fineness) / shape.sum())


def _read(solution: Solution, cluster: float, shape: Array, gold: float, sd: float) -> ConfidenceDistribution:
    """Return what is known of the amount to be expected; by the weights alone where the grains are not known."""
    model = solution.model
    if not model.grains_known:
        return ConfidenceDistribution.normal(gold, sd)
    fineness = np.asarray(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    return of_stream(model.grid, fineness, cluster, shape, gold, sd)


def _fed(test: Reconciled, ores: list[str]) -> tuple[float, float] | None:
    """Return the gold fed and its standard deviation (kg): of several ores together, told apart or not."""
    if len(ores) == 1:
        return _gold(test, ores)
    rock = sum(test.streams[name].mass for name in ores)
    return (test.head.value * rock, test.head.sd * rock) if test.head.known else None


def _gold(test: Reconciled, streams: list[str]) -> tuple[float, float] | None:
    """Return gold and standard deviation (kg) of streams together; None where the balance does not determine them."""
    told: list[Balanced] = [test.streams[name] for name in streams]
    if not all(one.gold_determined for one in told):
        return None
    return sum(one.gold for one in told), math.hypot(*(one.gold_sd for one in told))
