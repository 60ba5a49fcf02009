"""The ways to make money of a sack: which streams are sold, and the sheet without what is then not done.

A stream that is sold goes no further: the steps behind it get only what else they take, or are not done at all.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from itertools import combinations

from flowsheet.spec.blocks.costs_and_sales import Sale
from flowsheet.spec.blocks.schema import Sheet


@dataclass(frozen=True)
class SalesRoute:
    """Sales that go together, and the sheet with which their streams are made."""

    sales: dict[str, Sale]
    sheet: Sheet

    @property
    def name(self) -> str:
        """Return the names of the sales."""
        return " + ".join(self.sales)

    @property
    def raw(self) -> bool:
        """Whether nothing is done: all that is sold is ore."""
        return not self.sheet.steps


def cut_off(sheet: Sheet, sold: Collection[str]) -> Sheet:
    """Return the sheet in which the streams ``sold`` are taken by no step."""
    fed: set[str] = set(sheet.ores) - set(sold)
    # Only what an ore reaches is done: a loop that nothing comes into goes round no more.
    for _ in sheet.steps:
        done = [step for step in sheet.steps.values() if not fed.isdisjoint(step.takes)]
        fed |= {stream for step in done for stream in step.outlets.values()} - set(sold)
    steps = {
        name: step.model_copy(update={"takes": [stream for stream in step.takes if stream in fed]})
        for name, step in sheet.steps.items()
        if not fed.isdisjoint(step.takes)
    }
    made = {stream for step in steps.values() for stream in step.outlets.values()}
    keep = tuple(stream for stream in sheet.keep if stream in made or stream in sheet.ores)
    return replace(sheet, steps=steps, keep=keep)


def ways(sheet: Sheet) -> list[SalesRoute]:
    """Return every way in which the sheet's sales go together: no stream is sold twice, and none left that could be.

    Streams that nothing takes are sold in every way that makes them.
    """
    sells, found = sheet.worth.sells, {}
    ends = set(sheet.ends)
    for count in range(1, len(sells) + 1):
        for names in combinations(sells, count):
            sales = {name: sells[name] for name in names}
            streams = [stream for sale in sales.values() for stream in sale.takes]
            if len(set(streams)) < len(streams):
                continue
            cut = cut_off(sheet, set(streams) - ends)
            if set(streams) <= {*cut.makers, *sheet.ores}:
                found[names] = SalesRoute(sales, cut)
    # Of two ways with the same steps, the one that sells more is meant.
    return [way for names, way in found.items() if not any(_more(way, other) for other in found.values())]


def _more(way: SalesRoute, other: SalesRoute) -> bool:
    if not set(way.sales) < set(other.sales):
        return False
    taken = {name: step.takes for name, step in way.sheet.steps.items()}
    return taken == {name: step.takes for name, step in other.sheet.steps.items()}


def standing(sheet: Sheet) -> SalesRoute | None:
    """Return the way in which a sheet is worked as it stands: nothing is sold before its last step."""
    every = [way for way in ways(sheet) if set(way.sheet.steps) == set(sheet.steps)]
    whole = [way for way in every if all(way.sheet.steps[n].takes == s.takes for n, s in sheet.steps.items())]
    return max(whole, key=lambda way: len(way.sales), default=None)
