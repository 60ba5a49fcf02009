"""Which weights are believed: of those that contradict the others, what is left out, and what is taken as doubtful.

One bad weight must not wreck an answer. Where one alone explains what contradicts, it is left out. Where several
explain it equally, one of them is wrong and nobody knows which: each is then as doubtful as it would be off, and all
others keep their doubts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from flowsheet.spec.blocks.measurement import MASS, PASSING, Measurement, measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.wording import listed
from flowsheet.study.balance.problem import USED
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.balance.result import Explanation, Reconciled
from flowsheet.study.balance.sieved_rock import fractions_of
from flowsheet.study.balance.suspect_or_swapped_weights import ALARM

WEIGHTS_CONTRADICT = "weights_contradict"
"""Code of the note that weights contradict each other."""


@dataclass(frozen=True)
class Doubted:
    """Weights of one test of which one is wrong, the likeliest first; and whether that one is left out."""

    test: str
    names: tuple[str, ...]
    left_out: bool


def balanced(sheet: Sheet) -> dict[str, Reconciled]:
    """Return the balance of each test's weights; none where nothing was weighed that a balance can use."""
    if not any(m.what in USED for m in sheet.weighed):
        return {}
    return reconcile_sheet(sheet, look_further=False)


def believed(sheet: Sheet, tests: Mapping[str, Reconciled]) -> tuple[Sheet, list[Doubted], list[Note]]:
    """Return the sheet with its weights as they are believed, what is doubted of each test, and what to say of that.

    Where they contradict each other and none stands out, all doubts of the test are taken as larger, by as much as its
    weights disagree (R. T. Birge, Phys. Rev. 40 (1932), 207).
    """
    kept: list[Measurement] = []
    doubted: list[Doubted] = []
    notes: list[Note] = []
    for name in dict.fromkeys(m.test for m in sheet.weighed):
        mine, test = [m for m in sheet.weighed if m.test == name], tests.get(name)
        of = f" of {name}" if len(tests) > 1 and name else ""
        if test is None or (test.suspect is None and not (test.dof > 0 and test.p < ALARM)):
            kept += mine
        elif (explained := _explained(test)) is None:
            sentence = (
                "the weights{of} contradict each other, and none of them stands out: until that is settled their "
                "doubts are taken as larger, by as much as they disagree (flowsheet reconcile tells more)."
            )
            notes.append(note(WEIGHTS_CONTRADICT, sentence, Subject(test=name), of=of))
            kept += _stretched(mine, test.chi2, test.dof)
        else:
            one = Doubted(name, tuple(each.weight.name for each in explained), len(explained) == 1)
            left = list(_loosened(sheet, name, mine, explained))
            without = test.without
            # What they still disagree by, once the wrong one is out.
            still = without is not None and without.dof > 0 and without.p < ALARM
            kept += _stretched(left, without.chi2, without.dof) if without is not None and still else left
            doubted.append(one)
            notes.append(_said(one, of))
    return replace(sheet, weighed=tuple(kept)), doubted, notes


def _explained(test: Reconciled) -> list[Explanation] | None:
    """Return what may be wrong, the likeliest first: one alone where a slip, or nothing else, explains it."""
    if test.suspect is None or test.without is None:
        return None
    without = test.without
    first = Explanation(test.suspect, True, without.possible, without.should_be, without.slip)
    others = [one for one in test.explained if one.possible] if without.slip is None else []
    return [first, *others]


def _said(one: Doubted, of: str) -> Note:
    if one.left_out:
        sentence = (
            "the weights{of} contradict each other: {suspect} stands out, and is left out of what is told here "
            "(flowsheet reconcile tells more, and what it would have to read)."
        )
    else:
        sentence = (
            "the weights{of} contradict each other, and the balance cannot tell which of these is wrong: {suspect}. "
            "Each is taken to be as doubtful as it would be off (flowsheet reconcile tells more)."
        )
    return note(
        WEIGHTS_CONTRADICT,
        sentence,
        Subject(test=one.test),
        of=of,
        suspect=listed([_words(name) for name in one.names], "or"),
    )


def _words(name: str) -> str:
    stream, _, what = name.rpartition(", ")
    return f"the {what} of {stream}"


def _stretched(mine: Sequence[Measurement], chi2: float, dof: int) -> list[Measurement]:
    stretch = math.sqrt(chi2 / dof)
    return [replace(m, sd=stretch * m.sd) if m.what in (*USED, PASSING) else m for m in mine]


def _loosened(
    sheet: Sheet, test: str, mine: Sequence[Measurement], explained: Sequence[Explanation]
) -> Iterator[Measurement]:
    """Go through a test's weights without the one that is wrong, or with each that may be as doubtful as it is off."""
    off = {(one.weight.stream, one.weight.what): one for one in explained}
    told = {(m.stream, m.label) for m in mine}
    wrong = {one.weight.name: one for one in explained}
    # The mass of an ore that the test did not weigh is the sheet's, and may be wrong as any other.
    ores = [(name, ore) for name, ore in sheet.ores.items() if (name, MASS) in off and (name, MASS) not in told]
    for m in (*mine, *(measurement(name, MASS, ore.mass, file=sheet.file, test=test) for name, ore in ores)):
        one = off.get((m.stream, m.label))
        if m.by_size and any(part.name in wrong for part in fractions_of([m])):
            yield _graded_anew(m, wrong)
        elif one is None:
            yield m
        elif len(explained) > 1:
            yield replace(m, sd=math.hypot(m.sd, _error(one, m)))
        elif m.what == MASS and m.stream in sheet.ores:
            # No test is without a feed: what the others want of it stands in.
            wanted = one.should_be.value if one.should_be.known and one.possible else m.value
            yield replace(m, value=wanted, sd=max(_error(one, m), m.sd))


def _graded_anew(m: Measurement, wrong: Mapping[str, Explanation]) -> Measurement:
    """Return the grade of several fractions, the one that may be wrong as doubtful as it would be off."""
    parts = []
    for one in fractions_of([m]):
        part, found = one.by_size[0], wrong.get(one.name)
        parts.append(part if found is None else replace(part, sd=math.hypot(part.sd, _error(found, one))))
    more = sum(p.share**2 * (p.sd**2 - old.sd**2) for p, old in zip(parts, m.by_size, strict=True))
    return replace(m, sd=math.sqrt(m.sd**2 + more), by_size=tuple(parts))


def _error(one: Explanation, m: Measurement) -> float:
    """Return how far off a weight would be; its own size where the others cannot say."""
    return abs(one.should_be.value - m.value) if one.should_be.known else abs(m.value)
