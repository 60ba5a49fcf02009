"""What the weights say of the tests and of the ore that they came from, read from the draws of the one estimate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.spec.blocks.measurement import ASSAY_MASS, GRADE, MASS, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.study.balance.result import Reconciled
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM, chi2_tail
from flowsheet.study.common.units_out import grams
from flowsheet.study.posterior.estimate import Posterior, TestDraws
from flowsheet.study.posterior.importance import ENOUGH


@dataclass(frozen=True)
class KnownOre:
    """What the weights tell, as draws (D,): the grade of the ore (kg/kg), and what its tests held."""

    grade: Array
    #: Rock that was tested, kg, and the gold (kg) that it held, with the doubt of it.
    rock: float
    gold: float
    gold_sd: float
    #: Opening (m) of a screen that the ore goes over → share of the gold that stays on it, where weights tell it.
    coarse: Mapping[float, Array]
    tests: tuple[TestDraws, ...]
    #: Test → streams of which the balance of the weights alone determines the gold, or the rock.
    gold_told: Mapping[str, frozenset[str]]
    rock_told: Mapping[str, frozenset[str]]
    #: The estimate that all this is read from.
    found: Posterior
    notes: tuple[Note, ...] = ()

    @property
    def next_to_none(self) -> bool:
        """Whether nothing that was weighed can be told from no gold at all: then no amount has a lower end."""
        return all(test.next_to_none for test in self.tests)

    @property
    def rest(self) -> str:
        """Say what the doubt of the grade holds besides that of the weights."""
        return "the luck of grains and how far the sacks differ" if len(self.tests) > 1 else "the luck of grains"


FAR, FAR_SHARE = 5.0, 0.02
"""By more standard deviations than this, and by more of itself, no mass is off by chance."""
WEIGHT_NOT_FOLLOWED = "weight_not_followed"
"""Code of the note that the estimate misses a mass that was weighed."""
TESTS_DIFFER = "tests_differ"
"""Code of the note that tests differ more than chance explains."""


def known_ore(found: Posterior, tests: Mapping[str, Reconciled], notes: Sequence[Note] = ()) -> KnownOre | None:
    """Return what the weights tell of the ore; None where none of them speaks of gold."""
    if not found.weighs_gold:
        return None
    ores = list(found.model.sheet.ores)
    tested = tuple(test for test in found.tests if test.told)
    gold = sum(test.fed for test in tested)
    rock = sum(float(np.mean(test.rock[ore])) for test in tested for ore in ores)
    told = {
        name: frozenset(s for s, one in test.streams.items() if one.gold_determined) for name, test in tests.items()
    }
    missed = {m.stream for m, _ in _missed(found, found.model.sheet)}
    masses = {
        name: frozenset(s for s, one in test.streams.items() if one.mass_determined and s not in missed)
        for name, test in tests.items()
    }
    told = {test.name: told.get(test.name, frozenset()) for test in tested}
    return KnownOre(
        found.grade,
        rock,
        float(np.mean(gold)),
        float(np.std(gold)),
        _coarse(found, told),
        tested,
        told,
        masses,
        found,
        tuple(notes),
    )


def differing(found: Posterior) -> list[Note]:
    """Say that tests differ more than their weights and the luck of grains explain, where they do."""
    tests = [test for test in found.tests if test.told]
    if len(tests) < 2:
        return []
    # Of luck the middle: its mean would be that of a few draws with the largest grains.
    rock = [sum(float(np.mean(test.rock[ore])) for ore in found.model.sheet.ores) for test in tests]
    pooled = sum(float(np.mean(test.fed)) for test in tests) / sum(rock)
    gaps = [
        (np.mean(test.fed) - pooled * kg) ** 2 / (np.var(test.fed) + np.median(test.luck))
        for test, kg in zip(tests, rock, strict=True)
    ]
    if chi2_tail(float(sum(gaps)), len(tests) - 1) >= ALARM:
        return []
    sentence = (
        "the tests differ more than their weights and the luck of grains explain: the sacks themselves differ, which "
        "is reckoned with; flowsheet lot tells how far."
    )
    return [note(TESTS_DIFFER, sentence)]


def samples(sheet: Sheet) -> list[Note]:
    """Say of which assays it is assumed how much rock they took: the luck of grains in so little counts."""
    names = list(dict.fromkeys(m.stream for m in sheet.weighed if m.what == GRADE and m.assay_mass_assumed))
    if not names:
        return []
    sentence = (
        "the assay of {streams} is taken to be of {g:.0f} g of rock (typical, set your own), and the luck with grains "
        "in so little counts besides its own doubt. If it was of more, write assay_mass beside the grade."
    )
    return [note("assay_mass_assumed", sentence, streams=", ".join(names), g=grams(ASSAY_MASS))]


def thin(found: Posterior) -> list[Note]:
    """Say that the estimate rests on few draws, so that its ends are rough, where it does."""
    if found.effective >= ENOUGH:
        return []
    sentence = (
        "the weights leave so little of what the sheet thinks likely that these intervals rest on about {draws:.0f} "
        "draws: take their ends as rough, and look for a weight or a number of the sheet that is far off."
    )
    return [note("few_draws", sentence, draws=found.effective)]


def not_followed(found: Posterior, sheet: Sheet) -> list[Note]:
    """Say which masses were weighed that no draw of the sheet's model comes near, so that the estimate misses them."""
    sentence = (
        "{stream}: {kg:.3g} kg was weighed, but with the sheet's other numbers it can only be {told:.3g} kg, "
        "and the estimate holds that. Most often the sizes of the ore are off (p80, a sieve table): change "
        "them until flowsheet run foretells what was weighed."
    )
    return [
        note(WEIGHT_NOT_FOLLOWED, sentence, Subject(test=m.test), stream=m.stream, kg=m.value, told=told)
        for m, told in _missed(found, sheet)
    ]


def _missed(found: Posterior, sheet: Sheet) -> list[tuple[Measurement, float]]:
    """Return the masses that the estimate misses, and what it has in their place, kg.

    Of one test: of several, each rock that is picked makes one differ from the next.
    """
    if len(found.tests) > 1:
        return []
    tests = {test.name: test for test in found.tests}
    other = metal_streams(sheet) | fired_streams(sheet)
    missed = []
    for m in sheet.weighed:
        if m.what != MASS or m.test not in tests or m.stream in other or m.stream not in tests[m.test].rock:
            continue
        rock = tests[m.test].rock[m.stream]
        told = float(np.mean(rock))
        if abs(told - m.value) > max(FAR * float(np.hypot(m.sd, np.std(rock))), FAR_SHARE * m.value):
            missed.append((m, told))
    return missed


def silent(found: Posterior) -> list[Note]:
    """Say which tests weighed no gold, so that they tell nothing of the grade."""
    sentence = "the weights of {of} do not tell what that test held, so its grade is not among those used."
    names = [test.name for test in found.tests if not test.told] if found.weighs_gold else []
    return [note("test_does_not_tell", sentence, Subject(test=name), of=name or "the sheet") for name in names]


def _coarse(found: Posterior, told: Mapping[str, frozenset[str]]) -> dict[float, Array]:
    """Return the coarse share for every screen that takes all of the ore, where weights tell both of its streams."""
    sheet = found.model.sheet
    known = {}
    for step in sheet.steps.values():
        if not step.parts_at_size or step.set_size is None or set(step.takes) != set(sheet.ores):
            continue
        both = {step.stream(0), step.stream(1)}
        if told and all(both <= streams for streams in told.values()) and step.set_size.value in found.coarse:
            known[step.set_size.value] = found.coarse[step.set_size.value]
    return known
