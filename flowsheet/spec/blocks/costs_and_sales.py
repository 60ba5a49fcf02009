"""What a sheet says of money: costs of its steps, and the ways in which its streams are sold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from pydantic import BeforeValidator, WithJsonSchema

from flowsheet.spec.blocks import money
from flowsheet.spec.blocks.fields import TYPICAL, Block, Field, Mass, Plain, Share, complaint, knob
from flowsheet.spec.blocks.money import Money, MoneyField
from flowsheet.spec.text.number_with_doubt import Number

PricePerMass: TypeAlias = Annotated[Money, MoneyField(money.PRICE_PER_MASS)]
Wage: TypeAlias = Annotated[Money, MoneyField(money.WAGE)]
Amount: TypeAlias = Annotated[Money, MoneyField(money.AMOUNT)]
PowerPrice: TypeAlias = Annotated[Money, MoneyField(money.POWER_PRICE)]
Pace: TypeAlias = Annotated[Number, MoneyField(money.PACE)]
Time: TypeAlias = Annotated[Number, MoneyField(money.TIME)]
WorkIndex: TypeAlias = Annotated[Number, MoneyField(money.WORK_INDEX)]

RAW, SPECIMEN, SLABS, METAL = "raw", "specimen", "slabs", "metal"
#: Kind of sale → the price that it takes where it names none.
USUAL_PRICE = {RAW: "raw ore", SPECIMEN: "specimens", SLABS: "slabs"}

POWER, WORK, SACK = "power", "work_index", "sack"
GENERAL_COSTS = {
    SACK: ("getting one sack to the bench, whatever is done with it", money.AMOUNT),
    POWER: ("price of power", money.POWER_PRICE),
    WORK: ("Bond's work index of the ore (default: 14.83 kWh/ton, gold ores in F. C. Bond 1961)", money.WORK_INDEX),
}
"""Names under ``costs:`` that are no steps: what they are, and the dimension of their number."""
GENERAL = tuple(GENERAL_COSTS)

MOST_SALES = 8
"""Every combination of sales is a way to be worked out."""


class StepCost(Block):
    """What a step costs, by the mass that it takes; all parts are added."""

    labour: Wage | None = knob(None, "wage of those who do it, yours too", low=0.0)
    pace: Pace | None = knob(None, "how much of the rock they do in an hour (of one pass)", low=1e-9)
    time: Time | None = knob(None, "working time of a batch, in place of a pace or besides", low=0.0, like="40 min")
    per_mass: PricePerMass | None = knob(
        None, "consumables by the mass taken (balls, discs, flux)", low=0.0, like="0.08 USD/kg"
    )
    each: Amount | None = knob(None, "consumables of a batch (a cupel, gas)", low=0.0)
    batch: Mass | None = knob(
        None, "largest batch that it takes; left out: a sack is one batch", low=1e-6, high=1e6, like="2 kg"
    )
    kilowatts: Plain | None = knob(
        None, "power that the motor draws, in place of Bond's law", low=0.0, high=1e5, like="1.5"
    )


class Sale(Block):
    """One way to sell streams of the sheet: what is sold, at what price, and what the buyer keeps back."""

    kind: Literal["raw", "specimen", "slabs", "metal"] = Field(description="as what it is sold")
    takes: Annotated[
        list[str],
        BeforeValidator(lambda value: _names(value)),
        WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}),
    ] = Field(description="stream or streams that are sold")
    price: Annotated[str | None, BeforeValidator(lambda value: _name(value))] = Field(
        None, description='the price by mass, by its name under prices: ("raw ore", "specimens", "slabs" by default)'
    )
    premium: Plain | None = knob(
        None, "price as a multiple of the gold's own worth, in place of a price by mass", low=0.0, high=1e4, like="1.5"
    )
    fee: Share = knob("0 %", "share of the price that a seller or a stall keeps", source=TYPICAL, low=0.0, high=1.0)
    each: Amount | None = knob(None, "what each lot costs (carriage, insurance, assay)", low=0.0)
    per_mass: PricePerMass | None = knob(
        None, "what the lot costs by its mass (carriage, treatment)", low=0.0, like="0.1 USD/kg"
    )
    payable: Share = knob("97 %", "share of the gold that a refiner pays for", source=TYPICAL, low=0.0, high=1.0)
    payable_silver: Share = knob("0 %", "share of the silver that is paid for", source=TYPICAL, low=0.0, high=1.0)
    refining: PricePerMass | None = knob(
        None, "refiner's charge by the mass of gold paid for", low=0.0, like="0.5 USD/g"
    )
    minimum: Amount | None = knob(None, "least that a lot is charged in all, the fee counted in", low=0.0)
    least: Mass | None = knob(None, "smallest lot that is taken at all", low=0.0, high=1e6, like="5 g")
    lots: Plain = knob("1", "in how many lots the pile is sold", source=TYPICAL, low=1.0, high=1e5)

    ONLY: ClassVar[dict[str, tuple[str, ...]]] = {
        "price": (RAW, SPECIMEN, SLABS),
        "premium": (SPECIMEN, SLABS),
        "payable": (METAL,),
        "payable_silver": (METAL,),
        "refining": (METAL,),
    }

    @property
    def price_name(self) -> str | None:
        """Name of the price by mass; None where it is paid by its metal."""
        if self.kind == METAL or self.premium is not None:
            return None
        return self.price or USUAL_PRICE[self.kind]


def _names(value: Any) -> list[str]:
    found = [value] if isinstance(value, str) else value
    if not isinstance(found, list) or not found or not all(isinstance(name, str) and name for name in found):
        raise complaint(
            "the name of a stream, or a list of names, is wanted", "Write takes: specimens", code="stream_names_wanted"
        )
    return found


def _name(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    raise complaint(
        "the name of a price is wanted",
        "Write price: specimens, and specimens: 60 USD/kg under prices:",
        code="price_name_wanted",
    )


#: 14.83 kWh per short ton, gold ores. Source: F. C. Bond, Crushing and Grinding Calculations (1961), from memory.
WORK_INDEX_DEFAULT = Number(14.83 * 3.6e6 / 907.18474, text="14.83 kWh/ton")


@dataclass(frozen=True)
class Costs:
    """What working up costs."""

    steps: dict[str, StepCost] = field(default_factory=dict)
    #: Of getting one sack to the bench, whatever is done with it.
    sack: Money | None = None
    power: Money | None = None
    work_index: Number = WORK_INDEX_DEFAULT


@dataclass(frozen=True)
class Worth:
    """All that a sheet says of money."""

    prices: dict[str, Money] = field(default_factory=dict)
    costs: Costs = field(default_factory=Costs)
    sells: dict[str, Sale] = field(default_factory=dict)

    @property
    def currency(self) -> str:
        """The currency of the sheet, "" where it names none."""
        return next((one.currency for _, one in self.money()), "")

    def money(self) -> Iterator[tuple[tuple[str, ...], Money]]:
        """Go through all amounts of money and where they stand in the sheet."""
        for name, number in self.numbers():
            if isinstance(number, Money):
                yield name, number

    def numbers(self) -> Iterator[tuple[tuple[str, ...], Number]]:
        """Go through all numbers and where they stand in the sheet."""
        for name, price in self.prices.items():
            yield ("prices", name), price
        for name, cost in self.costs.steps.items():
            yield from _numbers(("costs", name), cost)
        for name, number in ((SACK, self.costs.sack), (POWER, self.costs.power), (WORK, self.costs.work_index)):
            if number is not None:
                yield ("costs", name), number
        for name, sale in self.sells.items():
            yield from _numbers(("sells", name), sale)


def _numbers(within: tuple[str, ...], block: Block) -> Iterator[tuple[tuple[str, ...], Number]]:
    for name in type(block).model_fields:
        value = getattr(block, name)
        if isinstance(value, Number):
            yield (*within, name), value
