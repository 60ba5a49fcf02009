"""What a sheet must mean: small named checks, each giving the mistakes of one kind.

They work on a draft whose blocks may be missing (where their shape was wrong), so that a sheet's wrong
unit and its misspelt stream are told together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from flowsheet.spec.checks.doubts import one_number_lies_together, slack_moves_something
from flowsheet.spec.checks.draft import Draft, has_grains
from flowsheet.spec.checks.factors import factors_make_sense
from flowsheet.spec.checks.fitted import fitted_is_an_estimate, fitted_is_of_this_sheet
from flowsheet.spec.checks.flow import loops_have_a_way_out, steps_are_fed
from flowsheet.spec.checks.ores import grades_make_sense, ores_agree, sizes_make_sense
from flowsheet.spec.checks.streams import (
    kept_streams_end,
    names_are_there,
    ores_are_used,
    ports_exist,
    streams_exist,
    streams_given_once,
    streams_taken_once,
    unnamed_outlets_are_new,
)
from flowsheet.spec.checks.weighed import WEIGHED_CHECKS
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.yaml.marked_document import Path_

__all__ = ["CHECKS", "Draft", "has_grains"]


def steps_have_what_they_need(draft: Draft) -> Iterator[Mistake]:
    """A step's model has the parameters, sizes and grains it works with, or factors in its place."""
    if not draft.ores or not all(ore and draft.whole(draft.ore_path(name)) for name, ore in draft.ores.items()):
        return
    sizes, grains = draft.knows("sizes"), draft.knows("grains")
    for name, step in draft.steps.items():
        if step is None or not draft.whole(("steps", name)):
            continue
        for field_name, message, remedy in step.faults(sizes, grains):
            path: Path_ = ("steps", name, field_name) if field_name else ("steps", name)
            yield draft.document.mistake(path, message, remedy, code="step_lacks")


CHECKS: tuple[Callable[[Draft], Iterator[Mistake]], ...] = (
    streams_exist,
    streams_given_once,
    streams_taken_once,
    unnamed_outlets_are_new,
    names_are_there,
    ores_are_used,
    ports_exist,
    kept_streams_end,
    *WEIGHED_CHECKS,
    steps_are_fed,
    loops_have_a_way_out,
    ores_agree,
    sizes_make_sense,
    grades_make_sense,
    factors_make_sense,
    steps_have_what_they_need,
    slack_moves_something,
    one_number_lies_together,
    fitted_is_of_this_sheet,
    fitted_is_an_estimate,
)
