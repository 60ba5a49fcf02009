"""All that a report tells of a sheet, worked out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from flowsheet.show.run.certainty import as_sure_as
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.balance.result import Reconciled
from flowsheet.study.common.monte_carlo import Progress
from flowsheet.study.estimate.chance import Chance, chance
from flowsheet.study.run.assumed_doubts import assumed_doubts
from flowsheet.study.run.assumptions import Assumed, assumed
from flowsheet.study.run.run import Run, run

MOST_TESTS = 3
"""So many tests are told in full; a command tells the others."""


@dataclass(frozen=True)
class Facts:
    """A sheet's run, its chances, its weights and what was assumed; and why, where one of these can't be told."""

    #: As sure as ``chance`` says, where that can be told.
    run: Run
    chance: Chance | None
    why_no_chance: str
    #: Test → what its weights say, of the first few.
    tests: dict[str, Reconciled]
    more_tests: int
    why_no_weights: str
    assumed: list[Assumed]
    #: Doubts on which intervals rest, that the sheet leaves to the tool.
    doubts: list[Assumed]
    #: The file's name, without the folders that lead to it, and its lines.
    file: str
    text: Sequence[str]

    @property
    def sheet(self) -> Sheet:
        """The sheet that all this is of."""
        return self.run.solution.model.sheet


def facts(sheet: Sheet, file: str, text: str, seed: int = 1, progress: Progress = iter) -> Facts:
    """Work out what a report tells. Raises SheetError where a loop lets nothing out.

    ``text`` is what stands in ``file``; ``seed`` that of the draws, ``progress`` goes through them.
    """
    luck, why_no_luck = None, ""
    try:
        luck = chance(sheet, seed=seed, progress=progress)
    except SheetError as wrong:
        why_no_luck = _why(wrong)
    found = run(sheet, certain=luck is None)
    if luck is not None:
        found = as_sure_as(found, luck)
    names = list(dict.fromkeys(m.test for m in sheet.weighed))
    first = names[:MOST_TESTS]
    tests: dict[str, Reconciled] = {}
    why_no_tests = ""
    try:
        tests = reconcile_sheet(replace(sheet, weighed=tuple(m for m in sheet.weighed if m.test in first)))
    except SheetError as wrong:
        why_no_tests = _why(wrong)
    return Facts(
        run=found,
        chance=luck,
        why_no_chance=why_no_luck,
        tests=tests,
        more_tests=len(names) - len(first),
        why_no_weights=why_no_tests,
        assumed=assumed(sheet, found.solution),
        doubts=assumed_doubts(sheet) if found.sure is not None else [],
        file=file,
        text=text.splitlines(),
    )


def _why(wrong: SheetError) -> str:
    """Return a mistake as a sentence that a report can say, with the remedy."""
    first = wrong.mistakes[0]
    return f"{first.message[:1].upper()}{first.message[1:]}. {first.remedy.rstrip('.')}."
