"""Income, costs and what is left of one way to sell, for one sack or for a pile of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.costs_and_sales import Sale, Worth
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.money.costs import StepMoney, Take, all_steps
from flowsheet.study.money.route_flows import Carried, plainly
from flowsheet.study.money.sale_proceeds import Consignment, Proceeds, proceeds
from flowsheet.study.money.sales_routes import standing


@dataclass(frozen=True)
class Basis:
    """What is sold at once: so many sacks, that are ``scale`` times what the sheet feeds; the pile goes in lots."""

    sacks: float
    scale: float
    pile: bool

    def lots(self, sale: Sale) -> float:
        """Return in how many lots a sale delivers it."""
        return sale.lots.value if self.pile else 1.0


@dataclass(frozen=True)
class Valued:
    """What a way brings and costs, in the sheet's currency, (D,) each."""

    lots: dict[str, Consignment]
    sales: dict[str, Proceeds]
    steps: dict[str, StepMoney]
    sack: Array

    @property
    def income(self) -> Array:
        """What the buyers pay out."""
        return np.asarray(sum((sale.net for sale in self.sales.values()), np.zeros(())))

    @property
    def costs(self) -> Array:
        """What the work and the sacks cost."""
        return np.asarray(sum((step.total for step in self.steps.values()), self.sack))

    @property
    def net(self) -> Array:
        """What is left."""
        return np.asarray(self.income - self.costs)


def stated(number: Number) -> Array:
    """Take a number at its stated value."""
    return np.asarray(number.value)


def value(
    sales: dict[str, Sale],
    worth: Worth,
    found: Carried,
    basis: Basis,
    take: Take = stated,
    gold: dict[str, Array] | None = None,
) -> Valued:
    """Return what a way brings: ``gold`` (stream → (D,) kg) in place of what is to be expected."""
    lots = {name: found.lot(sale.takes, basis.scale, gold) for name, sale in sales.items()}
    sold = {name: proceeds(sale, worth, lots[name], basis.lots(sale), take) for name, sale in sales.items()}
    masses = {name: basis.scale * mass for name, mass in found.taken.items()}
    steps = all_steps(worth.costs, masses, basis.sacks, found.works, take)
    sack = take(worth.costs.sack) * basis.sacks if worth.costs.sack is not None else np.zeros(())
    return Valued(lots, sold, steps, np.asarray(sack))


def bases(sheet: Sheet) -> tuple[Basis, Basis | None]:
    """Return one sack, and the pile where the sheet tells of one."""
    fed = sum(ore.mass.value for ore in sheet.ores.values())
    pile = sheet.pile
    sack = pile.sack_mass.value if pile is not None and pile.sack_mass is not None else fed
    one = Basis(1.0, sack / fed, False)
    if pile is None or pile.sacks is None:
        return one, None
    return one, Basis(pile.sacks.value, pile.sacks.value * sack / fed, True)


def sheet_value(solution: Solution) -> float | None:
    """Return what one sack (of the pile, where there is one) leaves by a solved sheet as it stands, as stated.

    Without ``sells`` it is the gold kept at its price; None where the sheet has no price for what it gives.
    """
    sheet = solution.model.sheet
    way = standing(sheet)
    if way is not None:
        one, pile = bases(sheet)
        basis = pile or one
        return float(np.ravel(value(way.sales, sheet.worth, plainly(solution), basis).net)[0]) / basis.sacks
    gold = sheet.worth.prices.get("gold")
    return float(solution.kept_gold) * gold.value if gold is not None else None
