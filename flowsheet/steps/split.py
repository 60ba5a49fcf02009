"""Taking a part for a sample: riffle, cone and quarter, rotary divider."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore import grains
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Site, Step, Values, even


class Split(Step):
    """Parting into like shares: equal ones, or those that ``split`` gives."""

    kind = "split"
    what = "parts a stream into like shares"
    also = ("riffle", "quarter", "cone and quarter", "sample", "divide")
    done = "split"
    cautions = (LOCAL,)
    gold_need = ("recovery",)
    gold_follows_rock = True
    parts_alike = True
    typical_slack = TypicalSlack(0.02, 0.02, "a good splitter's two halves differ by a few percent")

    do: Literal["split"] = Field(description="kind of equipment")
    by: Literal["riffle", "cone_and_quarter", "rotary"] = Field("riffle", description="how it is parted")

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """A split needs nothing, but something to split to."""
        if len(self.outlets) < 2:
            yield "gives", "a split has two outlets or more", "Write gives: {sample: …, reject: …}"

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Give each outlet the same share."""
        part = even(np.array(1 / len(self.outlets)))
        return Operator(dict.fromkeys(self.outlets, part))

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say how far the luck of the split may put a part's grade off."""
        if not (site.grains_known and feed.gold > 0):
            return
        for outlet, shares in self.operator(feed, at, site).shares.items():
            share = float(np.mean(shares.light))
            if 0 < share < 1:
                error = sampling_error(feed, share, site)
                if error > 0.05:
                    yield (
                        f"the luck of this split alone puts the grade of {self.outlets[outlet]} off by about "
                        f"±{100 * error:.2g} % (one standard deviation). Crush finer before splitting, or take more."
                    )


def sampling_error(feed: Material, share: float, site: Site) -> float:
    """Return the relative standard deviation of the grade of a part of ``share`` of ``feed``.

    Every free grain, and every rock with all the (Poisson many) grains locked in it, goes to the part with
    chance ``share``. So the variance is (1 - share)/share Σ (gold of a piece - grade x its mass)² ÷ gold²,
    P. Gy's sum over the pieces (Sampling of Particulate Materials, 1979, from memory); for free grains alone
    it is the binomial law of their number.
    """
    grain = grains.grain_mass(site.grid.size, site.fineness)
    number = grains.rocks(feed, site.grid)
    held = grains.grains_per_rock(feed, site.grid, site.fineness)
    grade = feed.gold / feed.solids if feed.solids > 0 else np.zeros(())
    rock = np.divide(feed.rock_by_size, number, out=np.zeros_like(number), where=number > 0)
    of_grains = (feed.free * grain).sum() + (number[:, None] * held * grain**2).sum()
    of_rocks = (number * (held @ grain - grade * rock) ** 2).sum()
    return float(np.sqrt((1 - share) / share * (of_grains + of_rocks)) / feed.gold)
