"""Where should the opening of the screen lie, and which of the picked rocks are better crushed than sold?

The sheet is solved again at each opening, and with its picked rocks parted by size: coarser ones are sold as they are,
finer ones go where those do that were left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flowsheet.ore.grid import R20_3
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.costs_and_sales import METAL, Sale
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import written
from flowsheet.spec.text.units import LENGTH
from flowsheet.steps import kind_that
from flowsheet.study.common.units_out import Names, grams, in_units, millimetres, told_apart
from flowsheet.study.common.what_if import Variant
from flowsheet.study.money.net_revenue import Basis, Valued, value
from flowsheet.study.money.route_flows import Carried, carried
from flowsheet.study.money.sales_routes import SalesRoute
from flowsheet.study.run.screen_options import pairs

COARSER, FINER = 3, 5
"""How many sizes of ISO 565 R20/3 above and below a screen's opening are tried."""
CUTS = 6
"""Sizes at which the picked rocks are parted between specimen and mill."""


@dataclass(frozen=True)
class CrushOrSell:
    """From which grade (kg/kg) on a picked rock is worth more crushed than sold as it is."""

    sort: str
    stream: str
    grade: float
    #: What the picked rocks hold on average, and the share of their gold that crushing them would sell.
    usual: float
    recovered: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, {"grade": ("gold_g_per_kg", grams), "usual": ("usual_g_per_kg", grams)})


def crush(way: SalesRoute, sheet: Sheet, base: Carried, basis: Basis) -> CrushOrSell | None:
    """Return where specimen and metal are worth the same, for picked rocks that are sold by their mass.

    From the sheet solved with all of them crushed: what that earns more for a gram of their gold, and costs more for a
    kilogram. None where they are not sold by mass, or would not be paid for as metal.
    """
    metal = [name for name, sale in way.sales.items() if sale.kind == METAL]
    for _, sort in pairs(base.solution):
        picked = way.sheet.steps[sort].stream(0)
        sale = next((one for one in way.sales.values() if picked in one.takes and one.price_name), None)
        again = _parted(way.sheet, way.sales, sort, np.inf)
        if sale is None or not metal or again is None or float(base.rock[picked][0]) <= 0:
            continue
        as_is = value(way.sales, sheet.worth, base, basis)
        all_crushed = value(again[1], sheet.worth, carried(again[0], sheet.openings, None, 1), basis)
        rock, gold = basis.scale * float(base.rock[picked][0]), basis.scale * float(base.by_grain[picked][0].sum())
        earned = sum(float(all_crushed.sales[n].net[0] - as_is.sales[n].net[0]) for n in metal) / max(gold, 1e-12)
        price = float(sheet.worth.prices[sale.price_name or ""].value) * (1 - sale.fee.value)
        if earned <= 0:
            continue
        dearer = _costs(all_crushed) - _costs(as_is)
        more = sum(float(all_crushed.lots[n].gold[0] - as_is.lots[n].gold[0]) for n in metal)
        return CrushOrSell(sort, picked, (price + dearer / rock) / earned, gold / rock, more / max(gold, 1e-12))
    return None


def _costs(found: Valued) -> float:
    return float(np.ravel(found.costs)[0])


SPLIT: Names = {"opening": ("opening_mm", millimetres), "keep_above": ("keep_above_mm", millimetres),
                "looked_over": ("looked_over_kg", float), "kept": ("kept_kg", float)}  # fmt: skip
"""Fields of a split that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class ScreenAndCutoff:
    """A screen at one opening, its picked rocks parted at one size: coarser ones sold, finer ones crushed; m and kg."""

    screen: str
    opening: float
    #: Picked rocks above this size are kept as they are; 0: all of them, None: none.
    keep_above: float | None
    looked_over: float
    kept: float
    net: float
    #: More than with the sheet as it stands.
    gain: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, SPLIT)


def splits(way: SalesRoute, sheet: Sheet, base: Carried, basis: Basis,
           progress: Callable[[Iterable[int]], Iterable[int]]) -> list[ScreenAndCutoff]:  # fmt: skip
    """Return, for every screen whose oversize is looked over and sold, each opening with the best place to part it.

    The sheet's own opening comes with the sheet's own sorting too, so that the gain of either change can be told.
    """
    rows: list[ScreenAndCutoff] = []
    if not any(sale.kind == METAL for sale in way.sales.values()):
        return rows
    now = float(value(way.sales, sheet.worth, base, basis).net[0])
    for screen, sort in pairs(base.solution):
        step = way.sheet.steps[screen]
        if step.set_size is None:
            continue
        tried = _openings(base.solution, step.set_size.value)
        edges = set(tried) | sheet.openings
        for i in progress(range(len(tried))):
            size = tried[i]
            opened = Variant(screen, (step.set_by,), "", step.set_size, written(size, "mm", LENGTH))
            for cut in (0.0, *_cuts(base.solution, size)):
                again = _parted(opened.of(way.sheet), way.sales, sort, cut)
                if again is not None:
                    rows.append(_row(again, sheet, edges | {cut} - {0.0, np.inf}, basis, screen, sort, size, cut, now))
    return rows


def _openings(solution: Solution, now: float) -> list[float]:
    top = float(solution.model.grid.upper[0])
    sizes = [size for size in R20_3 if size < top]
    above = [size for size in sizes if size > now * 1.05][-COARSER:]
    below = [size for size in sizes if size < now * 0.95][:FINER]
    return [*above, now, *below]


def _cuts(solution: Solution, opening: float) -> list[float]:
    """Return the sizes (m) above an opening at which picked rocks may be parted; inf: all of them to the mill."""
    top = float(solution.model.grid.upper[0])
    inside = [size for size in R20_3 if opening * 1.05 < size < top]
    return [np.inf, *inside[-CUTS:]]


def _parted(sheet: Sheet, sales: dict[str, Sale], sort: str, cut: float) -> tuple[Sheet, dict[str, Sale]] | None:
    """Return the sheet whose picked rocks finer than ``cut`` (m) go where those do that were left; 0: as it is.

    None where they have nowhere to go, or where they are not sold.
    """
    step = sheet.steps[sort]
    picked, left = step.stream(0), step.stream(1)
    mill, cutter = sheet.takers.get(left), sheet.takers.get(picked)
    sold = [name for name, sale in sales.items() if picked in sale.takes]
    if mill is None or (not sold and cutter is None):
        return None
    if cut == 0.0:
        return sheet, sales
    kept, crushed = f"{picked}, kept", f"{picked}, crushed"
    size = f"{millimetres(cut):.9g} mm"
    share = "0 %" if np.isinf(cut) else {f"+{size}": "100 %", f"-{size}": "0 %"}
    by_shares = kind_that("shares_given")
    parting = by_shares.model_validate({
        "do": by_shares.kind, "takes": picked, "gives": {"kept": kept, "crushed": crushed},
        "split": {"kept": share}, "recovery": {"kept": share},
    })  # fmt: skip
    steps = dict(sheet.steps)
    steps[f"{sort}, by size"] = parting
    steps[mill] = steps[mill].model_copy(update={"takes": [*steps[mill].takes, crushed]})
    if cutter is not None:
        takes = [kept if stream == picked else stream for stream in steps[cutter].takes]
        steps[cutter] = steps[cutter].model_copy(update={"takes": takes})
    keep = tuple(kept if stream == picked else stream for stream in sheet.keep)
    renamed = {
        name: sale.model_copy(update={"takes": [kept if stream == picked else stream for stream in sale.takes]})
        for name, sale in sales.items()
    }
    return replace(sheet, steps=steps, keep=keep), renamed


def _row(again: tuple[Sheet, dict[str, Sale]], sheet: Sheet, edges: set[float], basis: Basis, screen: str, sort: str,
         opening: float, cut: float, now: float) -> ScreenAndCutoff:  # fmt: skip
    found = carried(again[0], edges, None, 1)
    net = float(value(again[1], sheet.worth, found, basis).net[0])
    picked = again[0].steps[sort].stream(0)
    kept = picked if cut == 0.0 else f"{picked}, kept"
    return ScreenAndCutoff(
        screen,
        told_apart(opening),
        None if np.isinf(cut) else told_apart(cut),
        basis.scale * float(found.taken[sort][0]),
        basis.scale * float(found.rock[kept][0]),
        net,
        net - now,
    )
