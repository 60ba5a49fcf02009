"""A sheet's doubts, as the weights have corrected them, drawn and solved: what every statement of chance rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note, note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.text.wording import listed
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import DRAWS, DrawnTotals, Progress, drawn, lots_of
from flowsheet.study.common.uncertain_inputs import doubtful, mass_name
from flowsheet.study.estimate.another_sack import (
    PileTold,
    WrittenPile,
    another_sack,
    as_the_pile,
    assumed_spread,
    grade_of_the_pile,
    joined,
    spread_of,
    tests_of,
)

if TYPE_CHECKING:
    from flowsheet.study.balance.believed_weights import Doubted
    from flowsheet.study.balance.result import Reconciled
    from flowsheet.study.estimate.ore_from_weights import KnownOre
    from flowsheet.study.posterior.estimate import Posterior

ASSUMED = "as far as the sheet leaves it open"
MARK = '# Written by "flowsheet fit"'
"""How the first line of a sheet that ``fit`` wrote begins."""
WRITTEN_BY_FIT = "written_by_fit"
GRADE_OF_WEIGHTS = "grade_of_the_weights"
"""Code of the note that the weights tell the grade."""


@dataclass(frozen=True)
class CorrectedDraws:
    """Draws of a sheet, and where their numbers come from."""

    solution: Solution
    found: DrawnTotals
    numbers: Mapping[str, Number]
    values: Mapping[str, Array]
    #: What the weights told of the grade; None where they did not.
    weighed: KnownOre | None
    #: Whether the other numbers are those that the weights left.
    fitted: bool
    #: The grade of the ore, kg/kg, and how much richer than that another sack is, (D,).
    grade: Array
    richer: Array
    #: How far sacks differ, relative; None where the sheet is of its very ore.
    spread: Interval | float | None
    #: What several tests tell of their pile together; None for fewer.
    lot: PileTold | None
    notes: list[Note]
    seed: int
    #: Weights that contradict others, of each test that has any: left out, or taken as doubtful.
    doubted: tuple[Doubted, ...] = ()
    #: Streams of which the balance of the weights determines the mass in every test.
    rock_told: frozenset[str] = frozenset()

    @property
    def head_grade(self) -> Interval:
        """What is known of the grade of the ore, kg/kg."""
        return self.told(self.lot.grade if self.lot is not None else Interval.of_draws(self.grade))

    @property
    def next_to_none(self) -> bool:
        """Whether nothing that was weighed can be told from no gold at all."""
        return self.weighed is not None and self.weighed.next_to_none

    def told(self, amount: Interval) -> Interval:
        """Return what is known of an amount of gold, or a grade: without a lower end where hardly any was found."""
        return amount.below() if self.next_to_none else amount

    def in_doubt(self) -> dict[str, tuple[Array, str]]:
        """Return what is in doubt: name → its draws (D,), and how the sheet writes it.

        Of a step's slack to several outlets the first is told, under one name: the others hang on it.
        """
        found: dict[str, tuple[Array, str]] = {}
        for name, value in self.values.items():
            if value.ndim and float(np.ptp(value)) > 0:
                written = str(self.numbers[name]) if name in self.numbers else ASSUMED
                step, slack, rest = name.partition(".slack.")
                key = f"what {step} does with the {rest.partition('.')[0]}" if slack else name
                found.setdefault(key, (value, written))
        return found

    def rng_for(self, *what: int) -> np.random.Generator:
        """Return the numbers by which chance plays in one answer: the same whatever else is asked."""
        return np.random.default_rng((self.seed, *what))

    def by_grain(self, names: Sequence[str]) -> Array:
        """Return the gold of several streams together by grain class, of some draws, kg, (E, S)."""
        return np.asarray(sum(self.found.by_grain[name] for name in names))


def gather(
    solution: Solution, draws: int, seed: int, openings: Sequence[float] = (), progress: Progress = iter
) -> CorrectedDraws:
    """Draw a solved sheet's unknowns: as its weights leave them, or as they are before anything is weighed."""
    sheet = solution.model.sheet
    older = fitted_before(sheet)
    if (sheet.fitted is not None or (sheet.weighed and not older)) and float(solution.fed_gold) > 0:
        return _by_weights(solution, draws, seed, openings, progress)
    from flowsheet.study.posterior.prior import prior

    model, known = solution.model, prior(solution.model, draws, seed)
    spread = spread_of(sheet, tests_of(sheet), None)
    richer = another_sack(spread, tests_of(sheet), draws, seed)
    many = 1 if known.exact and not float(np.ptp(richer)) else draws
    values = known.values if many > 1 else {name: np.asarray(value[0]) for name, value in known.values.items()}
    lots = lots_of(model, known.cluster[:many], None if known.off is None else known.off[:many])
    found = drawn(model, values, many, openings, None, progress, lots, richer[:many] if spread else None)
    grade = found.fed / found.rock
    grade /= richer[:many]
    notes = [fitted_by_older()] if older else []
    return CorrectedDraws(
        solution, found, doubtful(sheet), values, None, False, grade, richer[:many], spread, None, notes, seed
    )


def _by_weights(
    solution: Solution, draws: int, seed: int, openings: Sequence[float], progress: Progress
) -> CorrectedDraws:
    from flowsheet.study.balance.believed_weights import balanced, believed
    from flowsheet.study.estimate.ore_from_weights import differing, known_ore, not_followed, samples, silent, thin

    model, sheet = solution.model, solution.model.sheet
    tests = balanced(sheet)
    trusted, doubted, notes = believed(sheet, tests)
    found = estimate_of(replace(model, sheet=trusted), seed)
    weighed = known_ore(found, tests, notes)
    if weighed is not None:
        notes = [grade_of_weights(), *notes, *silent(found), *differing(found)]
    else:
        sentence = (
            "no weight speaks of gold, so the grade is the sheet's guess (flowsheet reconcile says what to weigh): "
            "these intervals hold the doubt of that."
        )
        notes = [*notes, note("weights_tell_nothing", sentence)]
    lot, told = _pile(sheet) if weighed is not None else (None, [])
    if lot is not None:
        # The grade of the tests' sum is not what counts then.
        notes = [one for one in notes if one.code != GRADE_OF_WEIGHTS]
    notes += [*told, *thin(found), *not_followed(found, trusted), *samples(trusted), *written_before(sheet)]
    at = np.arange(draws) * len(found.grade) // draws
    values = {name: value[at] for name, value in found.values.items()}
    rock = sum(np.asarray(values.get(mass_name(sheet, n), o.mass.value)) for n, o in sheet.ores.items())
    grade = found.grade[at] if lot is None else as_the_pile(found.grade[at], lot.law)
    count = tests_of(sheet) if weighed is not None else 0
    spread = spread_of(sheet, count, lot)
    richer = another_sack(spread, count, draws, seed)
    if lot is None and weighed is not None:
        notes += assumed_spread(sheet)
    lots = lots_of(model, found.cluster[at], None if found.off is None else found.off[at])
    totals = drawn(model, values, draws, openings, grade * rock, progress, lots, richer)
    return CorrectedDraws(
        solution,
        totals,
        doubtful(sheet),
        values,
        weighed,
        True,
        grade,
        richer,
        spread,
        lot,
        notes,
        seed,
        tuple(doubted),
        _rock_told(tests),
    )


def _rock_told(tests: Mapping[str, Reconciled]) -> frozenset[str]:
    told = [{name for name, one in test.streams.items() if one.mass_determined} for test in tests.values()]
    return frozenset(set.intersection(*told)) if told else frozenset()


def _pile(sheet: Sheet) -> tuple[PileTold | None, list[Note]]:
    """Return what several tests say of their pile, as ``joined`` does, or as ``fit`` wrote it down."""
    if sheet.fitted is None:
        return joined(sheet)
    told = sheet.fitted.pile
    if told is None:
        return None, []
    tests = tuple(test.name for test in sheet.fitted.tests if test.told)
    return WrittenPile(Interval(*told.grade), Interval(*told.spread), tests), [grade_of_the_pile()]


@dataclass(frozen=True)
class _Asked:
    """A model whose estimate is asked for; two are one if all that it rests on is written alike."""

    rests_on: str
    upper: tuple[float, ...]
    seed: int
    model: Model = field(compare=False)


@lru_cache(maxsize=4)
def _estimate(asked: _Asked) -> Posterior:
    """Return the estimate; a page or a notebook asks for the same one again and again."""
    from flowsheet.study.posterior.estimate import posterior

    model = asked.model
    # What is told of the tests must not hang on which openings are asked for: those of the sheet's own steps are.
    own = [size for size in sorted(model.sheet.openings, reverse=True) if model.grid.sized and model.grains_known]
    return posterior(model, own, DRAWS, asked.seed)


def as_written(gathered: CorrectedDraws) -> KnownOre | None:
    """Return what all weights would tell as they are written, those that are doubted too; None where none is.

    None either where the estimate was written by ``fit``, which read the weights that were believed.
    """
    if not gathered.doubted or gathered.weighed is None or gathered.solution.model.sheet.fitted is not None:
        return None
    from flowsheet.study.balance.believed_weights import balanced
    from flowsheet.study.estimate.ore_from_weights import known_ore

    model = gathered.solution.model
    return known_ore(estimate_of(model, gathered.seed), balanced(model.sheet))


def grade_of_weights() -> Note:
    """Return the note that the weights tell the grade."""
    return note(GRADE_OF_WEIGHTS, "the grade is that of the weights; the sheet's own guess of it is not used.")


def estimate_of(model: Model, seed: int) -> Posterior:
    """Return the estimate: as ``fit`` wrote it where the sheet holds one, else made of the weights."""
    sheet = model.sheet
    if sheet.fitted is not None:
        from flowsheet.study.posterior.written_estimate import read_back

        return read_back(model, sheet.fitted, seed)
    fields = {name: sheet.field_of(name) for name in sheet.ores}
    rests_on = (fields, sheet.ores, sheet.steps, sheet.keep, sheet.weighed, sheet.pile)
    return _estimate(_Asked(repr(rests_on), tuple(model.grid.upper), seed, model))


def written_before(sheet: Sheet) -> list[Note]:
    """Say that the estimate is the one that ``fit`` wrote, and which numbers were changed since."""
    if sheet.fitted is None:
        return []
    from flowsheet.study.posterior.written_estimate import changed_since

    sentence = "the estimate is the one that flowsheet fit wrote into this sheet: the weights are not read again."
    notes = [note(WRITTEN_BY_FIT, sentence)]
    if changed := changed_since(sheet, sheet.fitted):
        sentence = (
            "{names}: changed since the sheet was fitted, so taken as it stands for all that is to come; what the "
            "tests held stays as it was."
        )
        notes.append(note("changed_since_fit", sentence, names=listed(changed)))
    return notes


def fitted_by_older() -> Note:
    """Return the note that a sheet was fitted before there was a block that holds the estimate."""
    sentence = (
        "this sheet was fitted by an older flowsheet, so its numbers are drawn each by its own ±, without their ties, "
        "and its weights are not read again: fit the sheet that it was made of once more (flowsheet fit)."
    )
    return note("fitted_by_older", sentence)


def fitted_before(sheet: Sheet) -> bool:
    """Whether a fit that wrote no estimate has written this sheet: its numbers are those that the weights left."""
    path = Path(sheet.file)
    if not sheet.weighed or sheet.fitted is not None or not path.is_file():
        return False
    with path.open(encoding="utf-8", errors="replace") as file:
        return file.readline().lstrip("\ufeff").startswith(MARK)
