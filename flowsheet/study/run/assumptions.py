"""What was assumed: every number that the sheet leaves out, what it was taken to be, and where that is from.

A step's default is told only where it counts, and that is tried, not declared: the step is worked out again with
the default moved, and if nothing that leaves it changes (nor its silver, nor what it warns of), no model uses it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.solve.model import FINENESS, Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.costs_and_sales import WORK, WORK_INDEX_DEFAULT, Sale
from flowsheet.spec.blocks.fields import TYPICAL, Block, extra_of, solved_fields
from flowsheet.spec.blocks.measurement import (
    ASSAY_SHARE,
    GOLD,
    GRADE,
    MASS_SHARE,
    MOISTURE_SHARE,
    PASSING,
    PASSING_POINTS,
    Measurement,
)
from flowsheet.spec.blocks.schema import Gold, Sheet
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.steps.base import Step, Values
from flowsheet.study.common.units_out import g_per_cm3, g_per_t, grams, milligrams
from flowsheet.study.run.parameters import with_number
from flowsheet.study.run.screen_options import A_ROCK

TRIED = (2.0, 0.5, 0.1)
"""So many times itself a default is tried at; one that is nothing, at"""
SOME = 0.1

BOND = "gold ores in F. C. Bond, Crushing and Grinding Calculations (1961), from memory"
TEXTBOOKS = "textbooks on sampling and on weighing gold in water"
HANDBOOKS = "mineralogy handbooks, from memory"


@dataclass(frozen=True)
class Assumed:
    """One number that the sheet did not give."""

    #: Where it would stand in the sheet: "scalp.open_area", "ore.gold.fineness", "tails, mass" of a weight.
    where: str
    #: As a sheet would write it.
    value: str
    what: str
    source: str

    def as_dict(self) -> dict[str, str]:
        """Return plain data for JSON."""
        return asdict(self)


def assumed(sheet: Sheet, solution: Solution | None = None) -> list[Assumed]:
    """Return all that a sheet as it was read leaves to the tool: ores, steps, pile and sales, weights, constants.

    ``solution`` is the sheet's, where it is solved already. Raises SheetError where a loop lets nothing out.
    """
    solution = solution or solve(Model.of(sheet))
    return [
        *_ores(solution.model),
        *_steps(solution),
        *_pile_and_sales(sheet),
        *_weights(sheet),
        *_constants(solution),
    ]


# ── numbers with a default ──────────────────────────────────────────────────────────────────────────────────


def left_out(block: Block, within: str, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Assumed]]:
    """Go through the numbers of a block, and of the blocks in it, that took their default: its path, and the number."""
    for name, field in solved_fields(block).items():
        value, inner = getattr(block, name), (*path, name)
        if isinstance(value, Block):
            yield from left_out(value, within, inner)
        elif name not in block.model_fields_set and isinstance(value, Number):
            extra = extra_of(field)
            as_told = isinstance(field.default, Number) and field.default.value == value.value
            where, told = ".".join((within, *inner)), str(extra.get("default_text", value)) if as_told else str(value)
            yield inner, Assumed(where, told, field.description or name, str(extra.get("source", "")))


def _ores(model: Model) -> Iterator[Assumed]:
    ores = model.sheet.ores
    for name, ore in ores.items():
        within = model.sheet.field_of(name)
        for path, one in left_out(ore, within):
            # Locked gold is told from free gold only where the grains are known.
            if path[-1] != "detach" or model.grains_known:
                yield one
        if ore.gold is None:
            fineness = Gold.model_fields["fineness"]
            source = str(extra_of(fineness)["source"])
            yield Assumed(f"{within}.gold.fineness", str(FINENESS), fineness.description or "fineness", source)


def _pile_and_sales(sheet: Sheet) -> Iterator[Assumed]:
    if sheet.pile is not None:
        yield from (one for _, one in left_out(sheet.pile, "pile"))
        if sheet.pile.weighing is None:
            yield Assumed("pile.weighing", "1 mg", "doubt of the scale that weighs the gold", TYPICAL)
    for name, sale in sheet.worth.sells.items():
        for path, one in left_out(sale, f"sells.{name}"):
            if sale.kind in Sale.ONLY.get(path[-1], (sale.kind,)):
                yield one
    costs = sheet.worth.costs
    bond = [n for n, c in costs.steps.items() if c.kilowatts is None and n in sheet.steps and sheet.steps[n].bond_power]
    if costs.power is not None and bond and costs.work_index is WORK_INDEX_DEFAULT:
        what = f"Bond's work index of the ore, for {', '.join(bond)}"
        yield Assumed(f"costs.{WORK}", str(WORK_INDEX_DEFAULT), what, BOND)


def _steps(solution: Solution) -> Iterator[Assumed]:
    for name in solution.model.sheet.steps:
        step = solution.model.step(name)
        out = _outcome(solution, name, step, solution.inputs.values[name])
        for path, one in left_out(step, name):
            moved = _moved(step, solution.inputs.values[name], path)
            if any(not _alike(out, _outcome(solution, name, *then)) for then in moved):
                yield one


def _moved(step: Step, values: Values, path: tuple[str, ...]) -> Iterator[tuple[Step, Values]]:
    """Give a step and its numbers with one of them moved up and down, within its bounds."""
    block: Any = step
    for part in path[:-1]:
        block = getattr(block, part)
    extra = extra_of(type(block).model_fields[path[-1]])
    low, high = float(extra.get("low", -np.inf)), float(extra.get("high", np.inf))
    now = float(getattr(block, path[-1]))
    for then in [now * factor for factor in TRIED] if now else [SOME]:
        then = min(max(then, low), high)
        yield with_number(step, path, Number(then)), values.replaced(path, np.asarray(then))


def _outcome(solution: Solution, name: str, step: Step, values: Values) -> tuple[dict[str, Array], list[str]]:
    """Return all that comes out of a step by each outlet (kg, and its share of the silver), and what it warns of."""
    feed, site = solution.feeds[name], solution.inputs.site
    found: dict[str, Array] = {}
    for outlet, stream in step.operator(feed, values, site)(feed).items():
        parts = (stream.light, stream.heavy, stream.free, stream.locked)
        found |= {f"{outlet} {k}": part for k, part in enumerate(parts)}
    found |= {f"{outlet} silver": share for outlet, share in (step.silver_parted(values) or {}).items()}
    return found, list(step.warnings(feed, values, site))


def _alike(one: tuple[dict[str, Array], list[str]], other: tuple[dict[str, Array], list[str]]) -> bool:
    """Whether two outcomes are the same; an outlet that only one of them has (what is held up) counts as nothing."""
    nothing = np.zeros(())
    names = {*one[0], *other[0]}
    pairs = [np.broadcast_arrays(one[0].get(name, nothing), other[0].get(name, nothing)) for name in names]
    return one[1] == other[1] and all(np.array_equal(a, b) for a, b in pairs)


# ── doubts of weights, and constants ────────────────────────────────────────────────────────────────────────


def _weights(sheet: Sheet) -> Iterator[Assumed]:
    several = len({m.test for m in sheet.weighed}) > 1
    for m in sheet.weighed:
        if m.assumed:
            test = f" ({m.test or 'the sheet itself'})" if several else ""
            yield Assumed(f"{m.name}{test}", f"± {_doubt(m)}", "doubt of what was weighed", _rule(m.what))


def _doubt(m: Measurement) -> str:
    """Write a measurement's standard deviation to two digits, in the unit that suits what was measured."""
    if m.what == GRADE:
        return f"{g_per_t(m.sd):.2g} g/t"
    if m.what == PASSING:
        return f"{100 * m.sd:.2g} %"
    told = ((m.sd, "kg"), (grams(m.sd), "g"), (milligrams(m.sd), "mg"))
    amount, unit = next((value, unit) for value, unit in told if value >= 0.01 or unit == "mg")
    return f"{amount:.2g} {unit}"


def _rule(what: str) -> str:
    """Say by which rule a kind of measurement is given its doubt."""
    if what == PASSING:
        return f"{100 * PASSING_POINTS:g} % of all that was sieved: {TYPICAL}"
    if what in (GRADE, GOLD):
        return f"{100 * ASSAY_SHARE:g} % of an assay: {TYPICAL}"
    return (
        "the last digit as written ÷ √12 (JCGM 100:2008, 4.3.7), at least "
        f"{100 * MASS_SHARE:g} % of it, and {100 * MOISTURE_SHARE:g} % of a moisture: {TYPICAL}"
    )


def _constants(solution: Solution) -> Iterator[Assumed]:
    """Give the numbers that no sheet can set, where an answer rests on them."""
    model = solution.model
    steps = [model.step(name) for name in model.sheet.steps]
    if model.grains_known:
        yield Assumed("density of gold", f"{g_per_cm3(grains.GOLD):g} g/cm3", "what a grain weighs", TEXTBOOKS)
        yield Assumed("density of light rock", f"{g_per_cm3(grains.QUARTZ):g} g/cm3", "quartz", HANDBOOKS)
        yield Assumed("density of heavies", f"{g_per_cm3(grains.HEAVY):g} g/cm3", "pyrite", HANDBOOKS)
    if model.grains_known and any(step.looks_over for step in steps):
        yield Assumed("a rock to look over", f"{A_ROCK:g} × the opening", "the least piece that is counted", TYPICAL)
