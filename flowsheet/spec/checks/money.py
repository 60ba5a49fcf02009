"""Prices, costs and sales, read and checked: every mistake at once, beside those of the rest of the sheet."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.spec.blocks import money
from flowsheet.spec.blocks.costs_and_sales import (
    GENERAL,
    MOST_SALES,
    POWER,
    SACK,
    WORK,
    WORK_INDEX_DEFAULT,
    Costs,
    Sale,
    StepCost,
    Worth,
)
from flowsheet.spec.blocks.money import Money
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.text.mistakes import Mistake, did_you_mean
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake
from flowsheet.spec.yaml.block_reader import BlockReader
from flowsheet.spec.yaml.marked_document import Path_


def read_worth(shape: BlockReader, draft: Draft) -> Worth:
    """Return what a sheet says of money; what is wrong is noted by ``shape``."""
    found = Worth(_prices(shape), _costs(shape, draft), _sells(shape))
    shape.mistakes.extend(_sales_make_sense(found, draft))
    shape.mistakes.extend(_costs_make_sense(found, draft))
    shape.mistakes.extend(_one_currency(found, draft))
    return found


def _prices(shape: BlockReader) -> dict[str, Money]:
    if "prices" not in shape.document.data:
        return {}
    found = {}
    names = shape.names("prices", "gold: 100 USD/g")
    for name in names:
        text = shape.document.data["prices"][name]
        try:
            found[name] = money.price(name, text if isinstance(text, str) else "")
        except NumberMistake as wrong:
            shape.say(("prices", name), wrong.message, wrong.remedy, code=wrong.code)
    return found


def _costs(shape: BlockReader, draft: Draft) -> Costs:
    if "costs" not in shape.document.data:
        return Costs()
    steps: dict[str, StepCost] = {}
    names = shape.names("costs", "break: {labour: 20 USD/h, pace: 8 kg/h}")
    for name in names:
        if name in GENERAL:
            continue
        if name not in draft.steps:
            like = did_you_mean(name, [*draft.steps, *GENERAL], "names")
            shape.mistakes.append(
                shape.document.name_mistake(("costs", name), "no step has this name", like, code="step_unknown")
            )
            continue
        block = shape.block(StepCost, ("costs", name))
        if block is not None:
            steps[name] = block
    given = {name: _number(shape, name) for name in names if name in GENERAL}
    sack, power, work = given.get(SACK), given.get(POWER), given.get(WORK)
    return Costs(
        steps,
        sack if isinstance(sack, Money) else None,
        power if isinstance(power, Money) else None,
        work or WORK_INDEX_DEFAULT,
    )


def _number(shape: BlockReader, name: str) -> Number | None:
    wanted = {SACK: money.AMOUNT, POWER: money.POWER_PRICE, WORK: money.WORK_INDEX}[name]
    text = shape.document.data["costs"][name]
    try:
        found = money.parse(text if isinstance(text, str) else "", wanted)
    except NumberMistake as wrong:
        shape.say(("costs", name), wrong.message, wrong.remedy, code=wrong.code)
        return None
    if found.value <= 0:
        shape.say(
            ("costs", name), "zero makes no sense here", f"Write something like {wanted.example}", code="too_small"
        )
        return None
    return found


def _sells(shape: BlockReader) -> dict[str, Sale]:
    if "sells" not in shape.document.data:
        return {}
    names = shape.names("sells", "metal: {kind: metal, takes: bead}")
    if len(names) > MOST_SALES:
        shape.say(
            ("sells", names[MOST_SALES]),
            f"{len(names)} ways to sell are named",
            f"Keep at most {MOST_SALES}",
            code="too_many_sales",
        )
        return {}
    found = {name: shape.block(Sale, ("sells", name)) for name in names}
    return {name: block for name, block in found.items() if block is not None}


def _sales_make_sense(worth: Worth, draft: Draft) -> Iterator[Mistake]:
    """Sold streams exist, each once in a sale, at prices that are there; terms belong to the kind of sale."""
    for name, sale in worth.sells.items():
        if not draft.whole(("sells", name)):
            continue
        at: Path_ = ("sells", name)
        for i, stream in enumerate(sale.takes):
            given = draft.document.data["sells"][name]["takes"]
            path: Path_ = (*at, "takes", i) if isinstance(given, list) else (*at, "takes")
            if stream not in draft.streams:
                like = did_you_mean(stream, draft.streams, "streams")
                yield draft.document.mistake(path, "no stream has this name", like, code="stream_unknown")
            elif stream in sale.takes[:i]:
                yield draft.document.mistake(path, "sold twice", "Name it once", code="sold_twice")
        yield from _terms(draft, at, sale)
        yield from _price(draft, at, sale, worth)


def _terms(draft: Draft, at: Path_, sale: Sale) -> Iterator[Mistake]:
    for field, kinds in Sale.ONLY.items():
        if field in sale.model_fields_set and sale.kind not in kinds:
            remedy = f"Leave {field} out, or write kind: {' or '.join(kinds)}"
            yield draft.document.name_mistake(
                (*at, field), f"nothing sold as {sale.kind} has this", remedy, code="field_of_another_sale"
            )
    if sale.premium is not None and sale.price is not None:
        yield draft.document.name_mistake(
            (*at, "premium"), "both a price and a premium are given", "Keep one", code="price_and_premium"
        )


def _price(draft: Draft, at: Path_, sale: Sale, worth: Worth) -> Iterator[Mistake]:
    wanted = sale.price_name or "gold"
    path: Path_ = (*at, "price") if sale.price is not None else at
    if wanted in worth.prices:
        if not money.by_mass(worth.prices[wanted]):
            message = f"{wanted} is to be sold by mass"
            yield draft.document.mistake(
                ("prices", wanted), message, "Write its price as 60 USD/kg", code="price_unusable"
            )
    elif draft.whole(("prices", wanted)) and draft.whole(("prices",)):
        currency = worth.currency or "USD"
        like = f"{currency}/g" if sale.price_name is None else f"{currency}/kg"
        remedy = f"Add {wanted}: … {like} under prices:, with your own price"
        if sale.price is not None and worth.prices:
            remedy = f"{remedy}. There are: {', '.join(worth.prices)}"
        yield draft.document.mistake(path, f'there is no price of "{wanted}"', remedy, code="price_missing")
    silver = sale.payable_silver.value > 0 and "silver" not in worth.prices
    if silver and draft.whole(("prices", "silver")):
        remedy = f"Add silver: … {worth.currency or 'USD'}/g under prices:"
        yield draft.document.mistake(
            (*at, "payable_silver"), 'there is no price of "silver"', remedy, code="price_missing"
        )


def _costs_make_sense(worth: Worth, draft: Draft) -> Iterator[Mistake]:
    """Work has a pace or a time, a motor its pace and the price of power, and no step is called as a general cost."""
    for name in (name for name in GENERAL if name in draft.steps and "costs" in draft.document.data):
        message = f"under costs:, {name} is a cost of its own and cannot be that of a step"
        yield draft.document.name_mistake(
            ("steps", name), message, f'Give the step another name, as "{name} 2"', code="name_reserved"
        )
    for name, cost in worth.costs.steps.items():
        at: Path_ = ("costs", name)
        if not draft.whole(at):
            continue
        if not cost.model_fields_set:
            yield draft.document.mistake(
                at, "this says no cost", "Add labour: and pace:, per_mass: or each:", code="no_cost"
            )
        if cost.labour is not None and cost.pace is None and cost.time is None:
            yield draft.document.mistake(
                at, "labour without a pace", "Add pace: 8 kg/h, or time: 1.5 h for a batch", code="labour_without_pace"
            )
        if cost.labour is None and cost.kilowatts is None and (cost.pace is not None or cost.time is not None):
            yield draft.document.mistake(
                at, "a pace without labour", "Add labour: 20 USD/h, or leave the pace out", code="pace_without_labour"
            )
        if cost.kilowatts is not None and cost.pace is None and cost.time is None:
            yield draft.document.mistake(
                at, "a motor without a pace", "Add pace: 8 kg/h, or time: 1.5 h for a batch", code="motor_without_pace"
            )
        if cost.kilowatts is not None and worth.costs.power is None and draft.whole(("costs", POWER)):
            remedy = f"Add power: 0.3 {worth.currency or 'USD'}/kWh under costs:"
            yield draft.document.mistake(
                (*at, "kilowatts"), "the price of power is missing", remedy, code="power_price_missing"
            )


def _one_currency(worth: Worth, draft: Draft) -> Iterator[Mistake]:
    first = worth.currency
    for path, amount in worth.money():
        if amount.currency != first:
            message = f"this is in {amount.currency}, and what stands before it in {first}"
            yield draft.document.mistake(
                path, message, f"Write all in one currency, as {first}", code="currencies_differ"
            )
