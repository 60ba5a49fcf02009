"""Which topic of the guide a mistake belongs to, so that whoever made it can read more: ``flowsheet explain TOPIC``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from flowsheet.spec.blocks.schema import TOP_FIELDS
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.draft import beginnings
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.yaml.marked_document import Document

WEIGH_SHEETS = "weights"
SHARES = ("split", "recovery")
INNER = {"ore": ("gold", "sizes"), "ores": ("gold", "sizes"), "weighed": ("metallics",)}
"""Field of a sheet → blocks within it that are topics of their own."""


def topic_of(mistake: Mistake, document: Document, kinds: Mapping[str, type[StepBlock]]) -> str:
    """Return the topic of a mistake in a sheet, in its weigh sheets, or in a setting of it; "" where there is none."""
    if not mistake.of_setting and mistake.file != document.file:
        return WEIGH_SHEETS
    top, _, below = mistake.field.partition(".")
    steps = document.data.get("steps")
    steps = steps if isinstance(steps, dict) else {}
    if top == "steps" or (mistake.of_setting and top not in TOP_FIELDS):
        return _of_step(below if top == "steps" else mistake.field, steps, kinds)
    if top not in TOP_FIELDS:
        return "sheet" if top else ""
    parts = below.split(".")
    # A stream or an ore may be called like a block: what is within it comes after its name.
    within = parts if top == "ore" else parts[1:]
    return next((part for part in within if part in INNER.get(top, ())), top)


def _of_step(path: str, steps: Mapping[str, Any], kinds: Mapping[str, type[StepBlock]]) -> str:
    """Return the topic of "NAME.field" of a step; a step's name may hold dots."""
    name = next((name for name in beginnings(path) if name in steps), "")
    field = path.removeprefix(name).lstrip(".").partition(".")[0]
    if field in SHARES:
        return field
    step = steps.get(name)
    kind = step.get("do") if isinstance(step, dict) else None
    return kind if field != "do" and isinstance(kind, str) and kind in kinds else "steps"
