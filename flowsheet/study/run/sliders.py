"""Which numbers of a sheet are worth turning: those that move an answer, with the range to turn each in."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, rebuild
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text import units
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.number_with_doubt import EXACT, NORMAL, Number
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.spec.yaml.settings import with_settings
from flowsheet.study.common.uncertain_inputs import all_outlets_open, inputs_with
from flowsheet.study.run.parameters import Turnable, is_given, turnables, with_number

LOG, EVEN, WHOLE = "log", "even", "whole"
"""How a slider is spread over its range: by ratio, evenly, or over whole numbers."""

MOVED = 1e-9
"""An answer has moved if it changes by more than this share of itself."""
FAINT = 1e-12
"""Changes below this share of the gold fed are rounding."""

NUDGES = (0.6, 1.6)
"""What a number is multiplied by to see whether it moves anything: by much, for what is seen or broken is a step."""

WIDE = 100.0
"""Plain numbers whose bounds are further apart than this ratio are turned by ratio."""
LENGTHS_ROUND, MASSES_ROUND, PLAIN_ROUND = 8.0, 5.0, 4.0
"""A slider goes from the value over this ratio to the value times it, within the field's bounds."""
DIGITS = 3
HALVINGS = 6
"""How often an end that the sheet would refuse is brought nearer to the value."""


@dataclass(frozen=True)
class Knob:
    """One number to turn; ``value``, ``low`` and ``high`` are in ``unit``. Any value in the field's bounds may be set.

    The range is where a slider goes, and lies within what the sheet takes.
    """

    #: As ``try`` takes it: "scalp.opening".
    setting: str
    #: The step, or the ore ("ore", "ores.west").
    block: str
    field: str
    what: str
    unit: str
    #: As the sheet has it, or the default; "" where it is not set.
    written: str
    #: None where it is not set.
    value: float | None
    low: float
    high: float
    scale: str
    #: Whether the sheet gives it.
    given: bool
    source: str
    #: Whether it is turned in the bench's daily work.
    first: bool
    #: The doubt that the sheet gives it, which stays when it is turned: " ± 8 g/t".
    doubt: str = ""
    dimension: units.Dimension = units.PLAIN
    #: What one of the unit is, in SI.
    one: float = 1.0

    def text(self, value: float) -> str:
        """Return a value as a setting has it."""
        return f"{value:.{DIGITS + 2}g} {self.unit}".strip() + self.doubt


def knobs(document: Document, sheet: Sheet) -> list[Knob]:
    """Return every number of the steps and ores that moves an answer, steps first, in the order of the sheet.

    ``sheet`` is what ``document`` says. What moves nothing (a model's number beside given shares, say) is left out.
    """
    model = Model.of(sheet)
    found = [one for one in turnables(document, sheet) if one.number is not None]
    moving = _moving(Model.of(all_outlets_open(sheet)), found)
    plain = solve(model)
    told = [_knob(document, sheet, one, one.number) for one in found if one.setting in moving]
    told += [knob for one in turnables(document, sheet) if one.number is None for knob in _unset(document, plain, one)]
    order = {one.setting: i for i, one in enumerate(turnables(document, sheet))}
    return sorted((knob for knob in told if knob.low < knob.high), key=lambda knob: order[knob.setting])


def idle(document: Document, sheet: Sheet, found: list[Knob]) -> dict[str, list[tuple[str, str]]]:
    """Return block → (field, as written) of what the sheet gives, and that moves no answer."""
    turned = {knob.setting for knob in found}
    told: dict[str, list[tuple[str, str]]] = {}
    for one in turnables(document, sheet):
        if one.number is not None and one.setting not in turned and is_given(document, one):
            told.setdefault(one.block, []).append((".".join(one.path), one.number.text))
    return told


# ── what moves an answer ────────────────────────────────────────────────────────────────────────────────────


def _moving(model: Model, found: list[Turnable]) -> set[str]:
    """Return the settings that move an answer: near their value, or else at the ends of their range."""
    moving = _nudging(model, found, lambda one, stated: [_nudged(one, stated, by) for by in NUDGES])
    # Where another number binds (a pan's pull), one moves something only further off.
    others = [one for one in found if one.setting not in moving]
    return moving | _nudging(model, others, lambda one, stated: list(_range(one, stated)[1:]))


def _nudging(model: Model, found: list[Turnable], values_of: Callable[[Turnable, float], list[float]]) -> set[str]:
    """Return the settings that move an answer at one of some values: each in draws of its own, all in one solve."""
    tried = [values_of(one, one.number.value if one.number else 0.0) for one in found]
    draws, at = 1 + sum(map(len, tried)), 1
    values, mine = {}, {}
    for one, nudges in zip(found, tried, strict=True):
        values[one.setting] = np.full(draws, one.number.value if one.number else 0.0)
        mine[one.setting] = slice(at, at + len(nudges))
        values[one.setting][mine[one.setting]] = nudges
        at += len(nudges)
    if draws == 1:
        return set()
    with np.errstate(all="ignore"):  # numbers that do not fit together show as NaN, and count for nothing
        solution = solve(model, inputs_with(model, values, draws))
        answers = _answers(solution, draws)
        moved = np.asarray(_differ(answers, answers[..., :1], solution))
    return {setting for setting, rows in mine.items() if moved[rows].any()}


def _nudged(one: Turnable, stated: float, by: float) -> float:
    low, high = one.bounds
    if one.dimension is units.COUNT:
        return min(max(stated + (1 if by > 1 else -1), low), high)
    if stated == 0:
        top = high if math.isfinite(high) else 1.0
        return low + 0.1 * by * (top - low)
    return min(max(stated * by, low), high)


def _answers(solution: Solution, draws: int) -> Array:
    """Return what the streams hold by size, and the gold that is caught, (answers, draws) in kg.

    All other answers are made of these: what moves none of them moves nothing that is told.
    """
    rows = [caught.material.gold for caught in solution.caught]
    for stream in solution.streams.values():
        told = (stream.rock_by_size, stream.free, stream.locked_by_host)
        rows += list(np.moveaxis(np.concatenate(np.broadcast_arrays(*told), axis=-1), -1, 0))
    return np.stack([np.broadcast_to(row, (draws,)) for row in rows])


def _differ(answers: Array, stated: Array, solution: Solution) -> Array:
    """Return whether any answer of a draw is another than the stated one, (draws,)."""
    far = np.abs(answers - stated) > MOVED * np.abs(stated) + FAINT * float(np.ravel(solution.fed_gold)[0])
    return np.asarray((far & np.isfinite(answers)).any(axis=0))


def _unset(document: Document, plain: Solution, one: Turnable) -> Iterator[Knob]:
    """Give a step's number that the sheet leaves open, if setting it is allowed and moves an answer."""
    sheet = plain.model.sheet
    step = sheet.steps.get(one.block)
    if step is None or len(one.path) != 1:
        return
    value = _guess(plain, one)
    if value is None:
        return
    number = Number(value, dimension=one.dimension)
    step = with_number(step, one.path, number)
    if next(iter(step.faults(True, True)), None) is not None:
        return
    try:
        after = solve(Model.of(replace(sheet, steps={**sheet.steps, one.block: step})))
    except SheetError:
        return
    if plain.model.grid is not after.model.grid and len(plain.model.grid) != len(after.model.grid):
        return
    if _differ(_answers(after, 1), _answers(plain, 1), plain).any():
        knob = _knob(document, sheet, one, number)
        yield replace(knob, value=None, written="", given=False)


def _guess(plain: Solution, one: Turnable) -> float | None:
    """Return a value that an open number might have: a mass near what the step gives now, a share near all."""
    low, high = one.bounds
    if one.dimension is units.MASS:
        made = min(float(plain.streams[s].solids) for s in plain.model.sheet.steps[one.block].outlets.values())
        return min(max(0.5 * made, low), high) if made > 0 else None
    if one.dimension is units.SHARE:
        return min(max(0.9, low), high)
    return None


# ── ranges and words ────────────────────────────────────────────────────────────────────────────────────────


def _knob(document: Document, sheet: Sheet, one: Turnable, number: Number | None) -> Knob:
    number = number or Number(0.0, dimension=one.dimension)
    unit, factor = _unit(number)
    scale, low, high = _range(one, number.value)
    low, high = (_allowed(document, sheet, one, number, end, scale) for end in (low, high))
    given = is_given(document, one)
    written = number.text if given or not one.extra.get("default_text") else str(one.extra["default_text"])
    doubt = number.doubt if given and number.law in (EXACT, NORMAL) else None
    daily = "better" in one.extra or one.required or one.number is None or (given and len(one.path) == 1)
    return Knob(
        setting=one.setting,
        block=one.block,
        field=".".join(one.path),
        what=one.what,
        unit=unit,
        written=written,
        value=number.value / factor,
        low=_inward(low / factor, math.ceil),
        high=_inward(high / factor, math.floor),
        scale=scale,
        given=given,
        source=str(one.extra.get("source", "")),
        first=daily,
        doubt=f" ± {doubt}" if doubt else "",
        dimension=number.dimension,
        one=factor,
    )


def _unit(number: Number) -> tuple[str, float]:
    """Return the unit that a number is written with, or one that suits it, and what one of it is in SI."""
    if number.amount is not None:
        return number.unit
    size, dimension = number.value, number.dimension
    unit = {
        units.LENGTH: "mm" if size >= 1e-4 else "um",
        units.MASS: "kg" if size >= 1 else "g" if size >= 1e-3 else "mg",
        units.GRADE: "g/t",
        units.SHARE: "%",
    }.get(dimension, "")
    return unit, units.factor(unit, dimension) if unit else 1.0


def _range(one: Turnable, value: float) -> tuple[str, float, float]:
    """Return the scale and the ends (SI) of a slider, as the field's dimension and the value ask for."""
    low, high = one.bounds
    if one.dimension is units.COUNT:
        return WHOLE, low, min(high, max(10.0, 2 * value))
    if one.dimension is units.SHARE:
        first = 0.0 if value < 0.9 else 1 - max(5 * (1 - value), 0.5 if value == 1 else 0.0)
        last = 1.0 if value > 0.2 else max(5 * value, 0.1)
        return EVEN, max(low, first), min(high, last)
    if one.dimension is units.FINENESS:
        return EVEN, max(low, value - 200), min(high, value + 100)
    if value <= 0:
        return EVEN, low, min(high, 1e-4 if one.dimension is units.GRADE else 1.0)
    by = {units.LENGTH: LENGTHS_ROUND, units.PLAIN: PLAIN_ROUND}.get(one.dimension, MASSES_ROUND)
    narrow = one.dimension is units.PLAIN and high <= WIDE * max(low, 1e-300)
    ends = max(low, value / by), min(high, value * by)
    return (EVEN if narrow else LOG), *ends


def _allowed(document: Document, sheet: Sheet, one: Turnable, number: Number, end: float, scale: str) -> float:
    """Return an end of the range (SI), or one nearer to the value, such that the sheet takes it."""
    value, (unit, factor) = number.value, _unit(number)
    for _ in range(HALVINGS):
        setting = f"{end / factor:.9g} {unit}".strip()
        if _sound(document, sheet, one, replace(number, value=end, text=""), setting):
            return end
        middle = math.sqrt(end * value) if scale == LOG else (end + value) / 2
        end = float(round(middle)) if scale == WHOLE else middle
    return value


def _sound(document: Document, sheet: Sheet, one: Turnable, number: Number, setting: str) -> bool:
    """Whether the sheet takes a number: a step's own checks tell it cheaply, an ore is checked as a whole."""
    if one.block in sheet.steps:
        step = with_number(sheet.steps[one.block], one.path, number)
        return next(iter(step.faults(True, True)), None) is None
    try:
        rebuild(with_settings(document, {one.setting: setting}))
    except SheetError:
        return False
    return True


def _inward(value: float, to: Any) -> float:
    """Round to a few digits towards the inside of a range; what has no more digits stays as it is."""
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - DIGITS + 1)
    near = round(value / step)
    whole = near if math.isclose(near, value / step, rel_tol=1e-9) else to(value / step)
    return float(f"{whole * step:.{DIGITS + 6}g}")
