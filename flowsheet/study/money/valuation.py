"""What is a sack worth, and the pile, by each way of selling it? All prices and costs are the user's."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.checks.upstream import metals
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import DRAWS
from flowsheet.study.common.uncertain_inputs import changed
from flowsheet.study.estimate.another_sack import tests_of, unlike
from flowsheet.study.estimate.corrected_draws import CorrectedDraws, gather
from flowsheet.study.money.breakeven_grade import break_even, rich_net
from flowsheet.study.money.cutoff import CrushOrSell, ScreenAndCutoff, crush, splits
from flowsheet.study.money.net_revenue import Basis, Valued, bases, stated, value
from flowsheet.study.money.result import Amounts, BreakEven, MoneyDoubt, SaleWorth, StepWorth, WayWorth, Worths
from flowsheet.study.money.route_flows import Carried, carried
from flowsheet.study.money.sales_routes import SalesRoute, ways

LEAST_PART = 0.005
SPEEDS = ("labour", "pace", "time")
"""What work is paid by: never near nothing, however large its doubt."""
SLOWEST = 0.1
"""A range of paces is cut at so much of its middle: nobody works on at a pace of nearly nothing."""

Progress = Callable[[Iterable[int]], Iterable[int]]


def worth(sheet: Sheet, draws: int = DRAWS, seed: int = 1, progress: Progress = iter) -> Worths:
    """Work out every way to sell. Raises SheetError where the sheet has no prices, sells nothing, or holds no gold."""
    _refuse(sheet)
    named = sheet.openings
    solution = solve(Model.of(sheet))
    if float(solution.fed_gold) <= 0:
        remedy = "Give the ore a grade: 22 g/t (a guess will do)"
        raise SheetError([Mistake("the ore holds no gold", remedy, file=sheet.file, line=0, code="no_gold")])
    gathered = gather(solution, draws, seed)
    money = _Money(sheet, draws, seed)
    one, pile = bases(sheet)
    middle = _middle(sheet, gathered)
    scenes: list[_Scene] = []
    every, centred = ways(sheet), ways(middle)
    for i in progress(range(len(every))):
        plain = carried(centred[i].sheet, named, None, 1)
        sacks = carried(every[i].sheet, named, gathered, draws)
        scenes.append(_Scene(centred[i], plain, {one: sacks}))
        if pile is not None:
            scenes[i].drawn[pile] = sacks.of_many(np.resize(gathered.richer, draws))
    factors = {basis: _richer(sheet, basis, gathered, draws, seed) for basis in (one, pile) if basis is not None}
    nets = {basis: [scene.net(basis, factors[basis], money, seed) for scene in scenes] for basis in factors}
    found = []
    for i, scene in enumerate(scenes):
        told = {basis: _amounts(scene, basis, nets[basis], i) for basis in factors}
        found.append(WayWorth(scene.way.name, scene.way.raw, told[one], told[pile] if pile is not None else None))
    basis = pile or one
    order = sorted(range(len(found)), key=lambda i: -found[i].counts.net.mean)
    lead = nets[basis][order[0]].lucky
    ranked = next((i for i in order if not scenes[i].way.raw), order[0])
    notes = [*gathered.notes, *_notes(sheet, scenes[ranked], every)]
    differ = factors[basis] if basis.pile else np.resize(gathered.richer, draws)
    doubts, luck = _rank(nets[basis][ranked], differ, money, gathered)
    parted, threshold = _best_splits(middle, scenes[ranked], basis, progress)
    return Worths(
        currency=sheet.worth.currency,
        ways=[found[i] for i in order],
        sack_mass=one.scale * sum(ore.mass.value for ore in sheet.ores.values()),
        sacks=pile.sacks if pile is not None else None,
        margin=Interval.of_draws(lead - nets[basis][order[1]].lucky) if len(order) > 1 else None,
        break_even=_break_even(middle, [scenes[i] for i in order], basis),
        splits=parted,
        crush=threshold,
        doubted=scenes[ranked].way.name,
        doubts=doubts,
        luck_share=luck,
        draws=draws,
        seed=seed,
        closure=max(scene.closure for scene in scenes),
        weighed=gathered.weighed is not None,
        notes=notes,
    )


def _refuse(sheet: Sheet) -> None:
    """Refuse a sheet without prices or sales, with what to type."""
    metal = metals(sheet.steps)
    picked = {step.outlets.get(step.ports[0].name) for step in sheet.steps.values() if step.looks_over}
    # What holds gold that is to be melted is sold by it, rocks with gold in sight at a price of their own.
    by_gold = sorted((stream for stream in sheet.keep if stream not in picked), key=lambda stream: stream not in metal)
    name, kind = ("metal", "metal") if by_gold else ("stones", "specimen")
    sells = f"sells: {{{name}: {{kind: {kind}, takes: {(by_gold or list(sheet.keep))[0]}}}}}"
    if not sheet.worth.prices:
        price = "gold: … USD/g" if by_gold else "gold: … USD/g, specimens: … USD/kg"
        remedy = f"Add prices: {{{price}}}, with your own price and currency, and {sells}"
        raise SheetError([Mistake("the sheet gives no prices", remedy, "prices",
                                  file=sheet.file, line=0, code="prices_missing")])  # fmt: skip
    if not sheet.worth.sells:
        remedy = f"Add {sells}"
        raise SheetError([Mistake("the sheet does not say how anything is sold", remedy, "sells", file=sheet.file,
                                  line=0, code="sales_missing")])  # fmt: skip


def _middle(sheet: Sheet, gathered: CorrectedDraws) -> Sheet:
    """Return the sheet with its doubtful numbers, and its grade, at the mean of their draws."""
    values = {name: float(value.mean()) for name, value in gathered.values.items() if not name.endswith(".grade")}
    now = float(gathered.solution.fed_gold / gathered.solution.fed_solids)
    richer = gathered.head_grade.mean / now

    def at(name: str, number: Number) -> Number:
        if name.startswith(("ore.", "ores.")) and name.endswith(".grade"):
            return replace(number, value=min(number.value * richer, 1.0))
        return replace(number, value=values.get(name, number.value))

    return changed(sheet, at)


def _above_nothing(number: Number, draws: int, rng: np.random.Generator) -> Array:
    """Return lognormal draws (D,) with the number's own mean and sd, for a cost goes by one over a pace."""
    if number.low is not None or number.value <= 0:
        return np.maximum(draw(number, draws, rng), SLOWEST * number.value)
    sigma = math.sqrt(math.log1p((number.sd / number.value) ** 2))
    return np.asarray(number.value * np.exp(rng.normal(-(sigma**2) / 2, sigma, draws)))


class _Money:
    """Draws of the numbers of prices, costs and sales."""

    def __init__(self, sheet: Sheet, draws: int, seed: int) -> None:
        rng = np.random.default_rng((seed, 5))
        self.worth, self.draws = sheet.worth, draws
        self.values: dict[str, Array] = {}
        self.texts: dict[str, str] = {}
        self._by_id: dict[int, Array] = {}
        wages: dict[str, Array] = {}
        for path, number in sheet.worth.numbers():
            if not number.doubtful:
                continue
            value = _above_nothing(number, draws, rng) if path[-1] in SPEEDS else draw(number, draws, rng)
            name = ".".join(path)
            if path[-1] == "labour":  # one wage, however many steps it is paid for
                value = wages.setdefault(number.text, value)
                name = "costs.labour" if len(wages) == 1 else name
            self._by_id[id(number)] = value
            if not any(value is known for known in self.values.values()):
                self.values[name], self.texts[name] = value, number.text

    def take(self, number: Number) -> Array:
        """Return a number's draws (D,), or its value () if it has no doubt."""
        return self._by_id.get(id(number), np.asarray(number.value))


@dataclass(frozen=True)
class _Net:
    """What a way leaves in each draw with the luck of grains (D,); all that it brings without; lots refused."""

    lucky: Array
    even: Valued
    refused: dict[str, float]


@dataclass(frozen=True)
class _Scene:
    """A way with its plain solve and its draws."""

    way: SalesRoute
    plain: Carried
    #: What a sack of each basis carries: one alone, and one of the many of the pile.
    drawn: dict[Basis, Carried]

    @property
    def closure(self) -> float:
        closure = self.plain.solution.closure
        return max(float(closure.solids), float(closure.gold))

    @property
    def streams(self) -> list[str]:
        return [stream for sale in self.way.sales.values() for stream in sale.takes]

    def net(self, basis: Basis, factor: Array, money: _Money, seed: int) -> _Net:
        """Return what is left with the luck of grains, and all without it."""
        drawn = self.drawn[basis]
        even = {s: basis.scale * factor * drawn.by_grain[s].sum(axis=-1) for s in self.streams}
        lucky = drawn.lucky(self.streams, factor, basis.scale, seed)
        both = [value(self.way.sales, money.worth, drawn, basis, money.take, gold) for gold in (lucky, even)]
        refused = {name: sale.refused for name, sale in both[0].sales.items()}
        return _Net(np.broadcast_to(both[0].net, money.draws), both[1], refused)


def _richer(sheet: Sheet, basis: Basis, gathered: CorrectedDraws, draws: int, seed: int) -> Array:
    """Return by how much the gold of the pile is off what the tests say, for sacks differ, and one for a sack: (D,).

    The draws hold by how much a sack alone is. Of N sacks that are the pile one was tested, and the pile is off it by
    spread √(1 - 1/N); of a grade that nobody weighed the pile is off by spread √(1/N). What several tests leave open of
    the pile stands in their grade. Lognormal, with mean one.
    """
    if sheet.pile is None or not basis.pile:
        return np.ones(draws)
    tests = tests_of(sheet) if gathered.weighed is not None else 0
    variance = 0.0 if tests > 1 else sheet.pile.spread.value**2 * (1 - 1 / basis.sacks if tests else 1 / basis.sacks)
    return unlike(variance, draws, seed)


def _amounts(scene: _Scene, basis: Basis, nets: list[_Net], i: int) -> Amounts:
    lucky, even = nets[i].lucky, nets[i].even
    told = Interval.of_draws(lucky)
    others = [other.lucky for j, other in enumerate(nets) if j != i]
    best = np.all([lucky > other for other in others], axis=0) if others else np.ones(len(lucky), dtype=bool)
    sales = tuple(
        SaleWorth(
            name,
            sale.kind,
            tuple(sale.takes),
            _mean(even.lots[name].mass),
            _mean(even.lots[name].gold),
            _mean(even.sales[name].gross),
            _mean(even.sales[name].kept_back),
            nets[i].refused[name],
        )
        for name, sale in scene.way.sales.items()
    )
    steps = tuple(
        StepWorth(
            name, basis.scale * _mean(scene.drawn[basis].taken[name]), _mean(one.labour), _mean(one.consumables),
            _mean(one.power),
        )
        for name, one in even.steps.items()
    )  # fmt: skip
    return Amounts(
        income=_mean(even.income),
        costs=_mean(even.costs),
        # The mean of what is to be expected: of the few largest grains, the draws of luck hold too few.
        net=Interval(_mean(even.net), told.sd, told.p5, told.p50, told.p95),
        pays=_mean(lucky > 0),
        best=_mean(best),
        sales=sales,
        steps=steps,
        sack_cost=_mean(even.sack),
    )


def _mean(values: Array | np.ndarray[Any, Any]) -> float:
    return float(np.mean(values))


def _break_even(sheet: Sheet, scenes: list[_Scene], basis: Basis) -> BreakEven | None:
    """Return the break-even grades of the best way that works the ore up."""
    scene = next((scene for scene in scenes if not scene.way.raw), None)
    if scene is None:
        return None
    grade = float(scene.plain.solution.fed_gold) / float(scene.plain.solution.fed_solids)
    net = rich_net(scene.way, sheet, scene.plain, basis, scene.drawn[basis])
    raw = next((other for other in scenes if other.way.raw), None)
    above = break_even(net)
    against = None
    if raw is not None:
        other = value(raw.way.sales, sheet.worth, raw.plain, basis, stated).net
        against = break_even(net, float(other[0]))
    return BreakEven(
        way=scene.way.name,
        grade_now=grade,
        pays_costs=None if above is None else above * grade,
        beats_raw=None if against is None else against * grade,
        raw=raw.way.name if raw is not None else "",
    )


def _best_splits(
    sheet: Sheet, scene: _Scene, basis: Basis, progress: Progress
) -> tuple[list[ScreenAndCutoff], CrushOrSell | None]:
    """Return each opening of a screen with the best parting of the picked rocks; and which rocks are better crushed."""
    if scene.way.raw:
        return [], None
    rows = splits(scene.way, sheet, scene.plain, basis, progress)
    best: dict[tuple[str, float], ScreenAndCutoff] = {}
    for row in rows:
        at = (row.screen, row.opening)
        if at not in best or row.net > best[at].net + 1e-9 * abs(best[at].net):
            best[at] = row
    return list(best.values()), crush(scene.way, sheet, scene.plain, basis)


def _rank(nets: _Net, factor: Array, money: _Money, gathered: CorrectedDraws) -> tuple[list[MoneyDoubt], float]:
    """Return each number's part in the variance of what is left, and the part of luck with grains.

    Squared coefficients of a linear regression on the standardised draws, as in ``chance``.
    """
    lucky, even = nets.lucky, np.broadcast_to(nets.even.net, money.draws)
    variance = float(lucky.var())
    doubtful = gathered.in_doubt()
    columns = {name: draws for name, (draws, _) in doubtful.items()}
    texts = {name: text for name, (_, text) in doubtful.items()}
    if gathered.weighed is not None:
        columns = {name: value for name, value in columns.items() if not name.endswith(".grade")}
        columns["the head grade"] = gathered.grade
        texts["the head grade"] = "as far as the weights tell it"
    columns |= {**money.values, "how far sacks differ": factor}
    texts |= {**money.texts, "how far sacks differ": "spread of the pile"}
    columns = {name: value for name, value in columns.items() if value.std() > 1e-12 * abs(value.mean())}
    if variance <= 0:
        return [], 0.0
    luck = min(max(1 - float(even.var()) / variance, 0.0), 1.0)
    if not columns:
        return [], luck
    table = np.stack([(v - v.mean()) / v.std() for v in columns.values()], axis=-1)
    slopes = np.linalg.lstsq(table, even - even.mean(), rcond=None)[0]
    told = [MoneyDoubt(n, texts[n], float(s**2 / variance)) for n, s in zip(columns, slopes, strict=True)]
    return sorted((one for one in told if one.share >= LEAST_PART), key=lambda one: -one.share), luck


def _notes(sheet: Sheet, best: _Scene, every: list[SalesRoute]) -> list[Note]:
    """Say what is not counted in."""
    found = []
    sold = {stream for way in every for sale in way.sales.values() for stream in sale.takes}
    for stream in sheet.keep:
        if stream not in sold:
            sentence = "{stream} is kept, and no sale takes it: nothing is counted for it."
            found.append(note("kept_unsold", sentence, Subject(stream=stream)))
    for name in sheet.worth.sells:
        if not any(name in way.sales for way in every):
            sentence = "the sale {sale} goes with no way: what it takes is not made there."
            found.append(note("sale_of_no_way", sentence, sale=name))
    if not sheet.worth.costs.steps:
        found.append(note("no_costs", "no step has a cost (costs:), so only sales count."))
    elif free := [name for name in sheet.steps if name not in sheet.worth.costs.steps]:
        found.append(note("steps_without_cost", "no cost is given for {steps}.", steps=", ".join(free)))
    works = any(one.work is not None for one in best.plain.works.values())
    if sheet.worth.costs.power is not None and works:
        sentence = (
            "power is Bond's law for large mills where a step has no kilowatts: small machines take several times as "
            "much. Give those steps kilowatts: and a pace."
        )
        found.append(note("power_of_large_mills", sentence))
    if not best.plain.solution.model.grains_known:
        sentence = "the sheet says nothing of grain sizes, so luck is that of a wide guess of them."
        found.append(note("grains_untold", sentence))
    return found
