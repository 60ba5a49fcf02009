"""Which one weighing more would narrow each answer about a test most: read from the draws of the estimate.

What a weighing y with an error of variance s² takes of the variance of an answer x is cov(x, y)² / (var x (var y +
s²)), as in a linear regression. The draws of what every stream held are there already, so nothing is solved for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.measurement import ASSAY_MASS, ASSAY_SHARE, BEAD, GOLD, GRADE, MASS, MASS_SHARE
from flowsheet.spec.text.notes import Note, note
from flowsheet.spec.text.wording import listed
from flowsheet.study.common.monte_carlo import cluster
from flowsheet.study.common.units_out import millimetres
from flowsheet.study.estimate.next_look import WORTH
from flowsheet.study.estimate.ore_from_weights import KnownOre
from flowsheet.study.posterior.grain_luck import likely

FAINT = 1e-4
"""A stream of less than this part of the feed is no rock to take a sample of."""


@dataclass(frozen=True)
class Telling:
    """A weighing that was not made, and what part of the variance of an answer it would take."""

    answer: str
    stream: str
    what: str
    takes: float

    @property
    def left(self) -> float:
        """How wide the answer's interval would then be, as a part of what it is."""
        return float(np.sqrt(1 - self.takes))


def most_telling(solution: Solution, known: KnownOre) -> list[Telling]:
    """Return, for each answer of one test, the weighing that would narrow it most; none that would hardly narrow it.

    ``solution`` is the sheet's own, by which it is judged how lucky a sample is. Several tests tell no answer of their
    own, so nothing is said of them.
    """
    if len(known.tests) != 1 or known.next_to_none:
        return []
    (test,) = known.tests
    fed = np.maximum(test.fed, 1e-300)
    answers = {"the gold that this test held": test.fed, "the share that you kept": test.kept / fed}
    if len(test.above) == 1:
        ((size, above),) = test.above.items()
        answers[f"the gold in rock coarser than {millimetres(size):g} mm"] = above / fed
    found = []
    for answer, x in answers.items():
        told = [(stream, what, _takes(x, y, noise)) for stream, what, y, noise in _candidates(solution, known)]
        if told:
            stream, what, takes = max(told, key=lambda one: one[2])
            if takes >= WORTH:
                found.append(Telling(answer, stream, what, takes))
    return found


def _takes(x: Array, y: Array, noise: float) -> float:
    var = float(x.var()) * (float(y.var()) + noise)
    return float(np.mean((x - x.mean()) * (y - y.mean()))) ** 2 / var if var > 0 else 0.0


def _candidates(solution: Solution, known: KnownOre) -> Iterator[tuple[str, str, Array, float]]:
    """Go through what could be weighed or assayed next: its draws (D,), and the variance of its error."""
    (test,) = known.tests
    model, sheet = solution.model, solution.model.sheet
    made = {(m.stream, m.what) for m in sheet.weighed if m.test == test.name}
    metal, fired = metal_streams(sheet), fired_streams(sheet)
    whole = float(np.mean(sum(test.rock[ore] for ore in sheet.ores)))
    mass = cluster(model) * grains.grain_mass(model.grid.size, solution.inputs.site.fineness)
    for stream in sheet.makers:
        gold, rock = test.gold[stream], test.rock[stream]
        if any((stream, what) in made for what in (GRADE, GOLD, BEAD)) or (stream in metal and (stream, MASS) in made):
            continue
        if stream in metal:
            yield stream, MASS, gold, float(MASS_SHARE * gold.mean()) ** 2
        elif stream not in fired and float(rock.mean()) > FAINT * whole:
            grade = gold / np.maximum(rock, 1e-300)
            middle, luck = float(grade.mean()), 0.0
            if model.grains_known:
                # What a sample holds is as lucky as its grains are few; those that hardly any one holds are left out.
                by_grain = solution.streams[stream].gold_by_grain
                held = middle * ASSAY_MASS / max(float(by_grain.sum()), 1e-300)
                number, _ = likely((held * by_grain / mass)[None, None, :])
                luck = float((number[0, 0] * mass**2).sum()) / ASSAY_MASS**2
            yield stream, GRADE, grade, (ASSAY_SHARE * middle) ** 2 + luck


def telling_note(solution: Solution, known: KnownOre) -> list[Note]:
    """Say in a sentence which one weighing more would narrow each answer most."""
    found: dict[tuple[str, str], list[Telling]] = {}
    for one in most_telling(solution, known):
        found.setdefault((one.stream, one.what), []).append(one)
    if not found:
        return []
    told = []
    for (stream, what), ones in found.items():
        answers = listed([f"{one.answer} (to {100 * one.left:.0f} % of its interval)" for one in ones])
        do = f"weigh {stream}" if what == MASS else f"assay {stream}"
        if what == GRADE and stream in solution.model.sheet.keep:
            do = f"find out the gold of {stream}"
        told.append(f"{do}, for {answers}")
    sentence = (
        "one weighing more that would narrow an answer most, by the estimate: {told}. Coarse rock is crushed before a "
        "sample is split off (flowsheet plan)."
    )
    return [note("most_telling_weighing", sentence, told="; ".join(told))]
