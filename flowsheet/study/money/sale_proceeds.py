"""What sold streams bring: price or metal, less fees, charges and the refiner's terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.spec.blocks.costs_and_sales import METAL, Sale, Worth
from flowsheet.study.money.costs import Take


@dataclass(frozen=True)
class Consignment:
    """What is delivered, kg, (D,) each: all that a scale shows, fine gold, fine silver."""

    mass: Array
    gold: Array
    silver: Array


@dataclass(frozen=True)
class Proceeds:
    """What a sale brings, in the sheet's currency, (D,) each: the price, and what is kept back of it."""

    gross: Array
    kept_back: Array
    #: Share of the draws in which the lots are too small to be taken.
    refused: float

    @property
    def net(self) -> Array:
        """What is left."""
        return np.asarray(self.gross - self.kept_back)


def proceeds(sale: Sale, worth: Worth, lot: Consignment, lots: float, take: Take) -> Proceeds:
    """Return what ``lots`` lots of equal size bring, that hold ``lot`` together."""
    paid_gold = take(sale.payable) * lot.gold
    if sale.kind == METAL:
        gross = take(worth.prices["gold"]) * paid_gold
        if sale.payable_silver.value > 0:
            gross = gross + take(worth.prices["silver"]) * take(sale.payable_silver) * lot.silver
    elif sale.premium is not None:
        gross = take(worth.prices["gold"]) * take(sale.premium) * lot.gold
    else:
        gross = take(worth.prices[sale.price_name or ""]) * lot.mass
    charges = np.zeros(np.shape(lot.mass))
    if sale.each is not None:
        charges = charges + take(sale.each) * lots
    if sale.per_mass is not None:
        charges = charges + take(sale.per_mass) * lot.mass
    if sale.refining is not None:
        charges = charges + take(sale.refining) * paid_gold
    kept_back = take(sale.fee) * gross + charges
    if sale.minimum is not None:
        kept_back = np.maximum(kept_back, take(sale.minimum) * lots)
    small = (lot.mass <= 0) | (lot.mass / lots < (sale.least.value if sale.least is not None else 0.0))
    return Proceeds(
        np.where(small, 0.0, gross), np.where(small, 0.0, kept_back), float(np.mean(small & (lot.mass > 0)))
    )
