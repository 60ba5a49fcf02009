"""Doubts that the solve does not read: slack that has something to move, and how many grains lie together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flowsheet.spec.blocks.schema import Ore
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.text.units import PLAIN
from flowsheet.spec.yaml.marked_document import Path_


def slack_moves_something(draft: Draft) -> Iterator[Mistake]:
    """What a step's slack is written for (``rock``, ``gold``) is neither fixed nor has a doubt of its own."""
    for name, step in draft.steps.items():
        path: Path_ = ("steps", name)
        if step is None or step.slack is None or not draft.whole(path):
            continue
        raw = draft.document.data["steps"][name]["slack"]
        fixed = step.typical_slack.rock_fixed_by
        for side, why in step.slackless().items():
            # One number for both is meant for the side that is free; nought moves nothing, and says so.
            if not (isinstance(raw, dict) and getattr(step.slack, side)):
                continue
            if not why:
                told, cure = "there is but one outlet, so no share can be off", "Leave slack out"
            elif why in fixed:
                told, cure = f"{why} fixes how much rock goes where", f"Leave {side} out of slack, or {why} of the step"
            else:
                told = f"the doubt (±) in {why} is that of the {side}'s shares already"
                cure = f"Leave {side} out of slack, or the ± in {why}"
            yield draft.document.mistake((*path, "slack", side), told, cure, code="slack_moves_nothing")


def one_number_lies_together(draft: Draft) -> Iterator[Mistake]:
    """How many grains lie together is one thing: all that say it, ores and steps, say the same."""
    said = [one for one in _said(draft) if draft.whole(one.path)]
    golds = [one for one in said if not one.step]
    for one in golds[1:]:
        if not _same(one.number, golds[0].number):
            yield draft.document.mistake(
                one.path,
                "cluster differs between the ores",
                "Use one value for all: whoever looks rocks over does not know from which ore they are",
                code="ores_differ",
            )
    for one in said:
        if golds and one.step and not _same(one.number, golds[0].number):
            yield draft.document.mistake(
                one.path,
                f"{'.'.join(map(str, golds[0].path))} says {golds[0].number}",
                "Leave it out here: grains lie together as the ore has them",
                code="cluster_twice",
            )


@dataclass(frozen=True)
class _Said:
    """A number of grains that lie together, and where it stands."""

    number: Number
    path: Path_
    step: bool


def _said(draft: Draft) -> Iterator[_Said]:
    for name, ore in draft.ores.items():
        if ore is not None and ore.gold is not None and ore.gold.cluster is not None:
            yield _Said(ore.gold.cluster, (*draft.ore_path(name), "gold", "cluster"), step=False)
    for name, step in draft.steps.items():
        if step is not None and (number := _of_step(step)) is not None:
            yield _Said(number, ("steps", name, step.together_by), step=True)


def _of_step(step: StepBlock) -> Number | None:
    """Return how many grains lie together, where the sheet writes it at this step."""
    if step.together_by not in step.model_fields_set:
        return None
    number = getattr(step, step.together_by)
    return number if isinstance(number, Number) else None


def _same(one: Number, other: Number) -> bool:
    return (one.value, one.sd, one.low, one.high) == (other.value, other.sd, other.low, other.high)


def cluster_shared(ores: dict[str, Ore], steps: dict[str, StepBlock]) -> tuple[dict[str, Ore], dict[str, StepBlock]]:
    """Return ores and steps of a sheet without mistakes that say the same of grains that lie together.

    What gold says holds for steps that say nothing (its doubt is the gold's alone); what only steps say, for the gold:
    the largest, where they differ.
    """
    golds = [ore.gold.cluster for ore in ores.values() if ore.gold is not None and ore.gold.cluster is not None]
    if golds:
        plain = Number(golds[0].value, text=f"{golds[0].value:g}", dimension=PLAIN)
        silent = {n: s for n, s in steps.items() if s.together_by and _of_step(s) is None}
        return ores, {**steps, **{n: s.model_copy(update={s.together_by: plain}) for n, s in silent.items()}}
    said = [number for step in steps.values() if (number := _of_step(step)) is not None]
    if not said:
        return ores, steps
    most = max(said, key=lambda number: number.value)
    return {name: _with_cluster(ore, most) for name, ore in ores.items()}, steps


def _with_cluster(ore: Ore, number: Number) -> Ore:
    if ore.gold is None:
        return ore
    return ore.model_copy(update={"gold": ore.gold.model_copy(update={"cluster": number})})
