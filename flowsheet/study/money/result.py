"""What ``worth`` tells, as plain data: ways, their sales and steps, break-even grades and partings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.common.frames import Row, Tabled, Tables, row, rows
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.units_out import Names, g_per_t, grams, in_units
from flowsheet.study.money.cutoff import CrushOrSell, ScreenAndCutoff

SALE: Names = {"mass": ("mass_kg", float), "gold": ("gold_g", grams)}
STEP: Names = {"takes": ("takes_kg", float)}
BREAK_EVEN: Names = {name: (name, g_per_t) for name in ("grade_now", "pays_costs", "beats_raw")}
"""Fields that plain data tells by another name or in another unit."""


@dataclass(frozen=True)
class SaleWorth:
    """One sale of a way, of one sack or of the pile: means of all draws; kg and money."""

    name: str
    kind: str
    streams: tuple[str, ...]
    mass: float
    gold: float
    gross: float
    kept_back: float
    #: Share of the draws in which the lot is smaller than the buyer takes.
    refused: float


@dataclass(frozen=True)
class StepWorth:
    """What one step of a way costs, of one sack or of the pile: means of all draws."""

    step: str
    #: kg.
    takes: float
    labour: float
    consumables: float
    power: float


@dataclass(frozen=True)
class Amounts:
    """A way worked out for one sack, or for the pile: means, and what is left with its interval."""

    income: float
    costs: float
    net: Interval
    #: Share of the draws in which it leaves more than nothing, and more than every other way.
    pays: float
    best: float
    sales: tuple[SaleWorth, ...]
    steps: tuple[StepWorth, ...]
    sack_cost: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        sales = [in_units(sale, SALE) for sale in self.sales]
        return {
            **asdict(self),
            "sales": sales,
            "steps": [in_units(step, STEP) for step in self.steps],
        }


@dataclass(frozen=True)
class WayWorth:
    """One way to sell."""

    name: str
    raw: bool
    #: Of one sack sold alone, with the charges of a lot of its own.
    sack: Amounts
    #: Of the pile; None where the sheet tells of none.
    pile: Amounts | None

    @property
    def counts(self) -> Amounts:
        """The pile's where there is one, else the sack's."""
        return self.pile or self.sack

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        pile = self.pile.as_dict() if self.pile is not None else None
        return {"name": self.name, "raw": self.raw, "sack": self.sack.as_dict(), "pile": pile}


@dataclass(frozen=True)
class BreakEven:
    """Head grades (kg/kg) from which on a way pays; 0: any, None: none."""

    way: str
    grade_now: float
    pays_costs: float | None
    #: Beats what the best raw sale leaves; None too where nothing is sold raw.
    beats_raw: float | None
    raw: str


@dataclass(frozen=True)
class MoneyDoubt:
    """A number with doubt, and its part in the variance of what the best way leaves."""

    name: str
    text: str
    share: float


@dataclass(frozen=True, repr=False)
class Worths(Tabled):
    """All that ``worth`` tells, the best way first.

    >>> import flowsheet as fs
    >>> fs.worth("pile/pile.yaml", draws=200).best.name
    'raw sack'
    """

    currency: str
    ways: list[WayWorth]
    #: Of one sack, kg.
    sack_mass: float
    sacks: float | None
    #: What the best way leaves above the next one.
    margin: Interval | None
    break_even: BreakEven | None
    splits: list[ScreenAndCutoff]
    crush: CrushOrSell | None
    #: The way whose doubt is ranked: the best that works the ore up, if there is one.
    doubted: str
    doubts: list[MoneyDoubt]
    luck_share: float
    draws: int
    seed: int
    closure: float
    weighed: bool
    notes: list[Note] = field(default_factory=list)

    def _amounts(self) -> Iterator[tuple[Row, Amounts]]:
        """Go through what each way brings of one sack and, where there is one, of the pile."""
        for way in self.ways:
            for of, one in (("sack", way.sack), ("pile", way.pile)):
                if one is not None:
                    yield {"way": way.name, "raw": way.raw, "of": of, "currency": self.currency}, one

    def _tables(self) -> Tables:
        return {
            "ways": lambda: ({**of, **row(one)} for of, one in self._amounts()),
            "sales": lambda: ({**of, **row(sale, SALE)} for of, one in self._amounts() for sale in one.sales),
            "steps": lambda: ({**of, **row(step, STEP)} for of, one in self._amounts() for step in one.steps),
            "doubts": lambda: rows(self.doubts),
        }

    def _headline(self) -> tuple[str, str]:
        one = self.best.counts.net
        told = f"best is '{self.best.name}', {brief(one.mean)} {self.currency} ({brief(one.p5)} to {brief(one.p95)})"
        return "Worths", f"{len(self.ways)} ways, {told}"

    @property
    def best(self) -> WayWorth:
        """The way that leaves most."""
        return self.ways[0]

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            **in_units(self, {"sack_mass": ("sack_kg", float)}),
            "ways": [way.as_dict() for way in self.ways],
            "break_even": in_units(self.break_even, BREAK_EVEN) if self.break_even is not None else None,
            "splits": [split.as_dict() for split in self.splits],
            "crush": self.crush.as_dict() if self.crush is not None else None,
            "notes": texts(self.notes),
        }
