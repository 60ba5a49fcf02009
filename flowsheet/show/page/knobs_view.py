"""Knobs as the page lays them out: by step, the daily ones first, each with the place of its slider."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from flowsheet.show.page.bench import Desk
from flowsheet.spec.text import number_with_doubt
from flowsheet.study.run.sliders import LOG, WHOLE, Knob

NOTCHES = 200
"""Places of a slider that is spread by ratio or evenly."""


@dataclass(frozen=True)
class KnobView:
    """One knob to be shown: its text now, and its slider."""

    index: int
    knob: Knob
    #: The text in its field: as turned, else as written.
    text: str
    turned: bool
    slider_low: float
    slider_high: float
    slider_at: float
    fault: str = ""

    @property
    def label(self) -> str:
        """Return the field's name as one says it."""
        return self.knob.field.replace("_", " ").replace(".", ", ")

    @property
    def ends(self) -> str:
        """Return the range of the slider in words."""
        unit = f" {self.knob.unit}" if self.knob.unit else ""
        return f"{self.knob.low:g} to {self.knob.high:g}{unit}"


@dataclass(frozen=True)
class Group:
    """One step, or one ore: its knobs at hand, those behind the fold, and what moves nothing."""

    name: str
    what: str
    first: tuple[KnobView, ...]
    others: tuple[KnobView, ...]
    idle: tuple[tuple[str, str], ...]

    @property
    def unfolded(self) -> bool:
        """Whether something behind the fold is turned, or at fault."""
        return any(view.turned or view.fault for view in self.others)


def groups(desk: Desk, settings: Mapping[str, str], faults: Mapping[str, list[str]]) -> list[Group]:
    """Return all knobs, by step and ore in the order of the sheet."""
    views: dict[str, list[KnobView]] = {name: [] for name in desk.sheet.steps}
    for i, knob in enumerate(desk.knobs):
        views.setdefault(knob.block, []).append(view(i, knob, settings, faults))
    found = []
    for block, mine in views.items():
        still = tuple((field.replace("_", " "), text) for field, text in desk.idle.get(block, ()))
        if not mine and not still:
            continue
        step = desk.sheet.steps.get(block)
        what = step.do.replace("_", " ") if step is not None else "as you know it, or guess it"
        name = block.removeprefix("ores.") if step is None else block
        found.append(Group(name, what, tuple(v for v in mine if v.knob.first),
                           tuple(v for v in mine if not v.knob.first), still))  # fmt: skip
    return found


def view(index: int, knob: Knob, settings: Mapping[str, str], faults: Mapping[str, list[str]]) -> KnobView:
    """Return one knob as it is shown under the settings."""
    text = settings.get(knob.setting, knob.written)
    value = _value(text, knob)
    low, high = (knob.low, knob.high) if knob.scale == WHOLE else (0, NOTCHES)
    return KnobView(index, knob, text, knob.setting in settings, low, high, _notch(knob, value),
                    " ".join(faults.get(knob.setting, ())))  # fmt: skip


def _value(text: str, knob: Knob) -> float:
    """Return a text's number in the knob's unit; where it is none, the middle of the range."""
    if text == knob.written and knob.value is not None:
        return knob.value
    try:
        return number_with_doubt.parse(text, knob.dimension).value / knob.one
    except number_with_doubt.NumberMistake:
        pass
    return math.sqrt(knob.low * knob.high) if knob.scale == LOG else (knob.low + knob.high) / 2


def _notch(knob: Knob, value: float) -> float:
    inside = min(max(value, knob.low), knob.high)
    if knob.scale == WHOLE:
        return round(inside)
    if knob.scale == LOG:
        return round(NOTCHES * math.log(inside / knob.low) / math.log(knob.high / knob.low))
    return round(NOTCHES * (inside - knob.low) / (knob.high - knob.low))
