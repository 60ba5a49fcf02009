"""Taking a part for a sample: riffle, cone and quarter, rotary divider."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.material import Material
from flowsheet.spec.fields import Field
from flowsheet.steps.base import LOCAL, Operator, Shares, Site, Step, Values


class Split(Step):
    """Parting into like shares: equal ones, or those that ``split`` gives."""

    kind = "split"
    what = "parts a stream into like shares"
    cautions = (LOCAL,)
    gold_need = ("recovery",)
    gold_follows_rock = True

    do: Literal["split"] = Field(description="kind of equipment")
    by: Literal["riffle", "cone_and_quarter", "rotary"] = Field("riffle", description="how it is parted")

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """A split needs nothing, but something to split to."""
        if len(self.outlets) < 2:
            yield "gives", "a split has two outlets or more", "Write gives: {sample: …, reject: …}"

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Give each outlet the same share."""
        even = np.array(1 / len(self.outlets))
        return Operator({outlet: Shares(even, even, even, even) for outlet in self.outlets})

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
    """Return the relative standard deviation of the gold in a part of ``share`` of ``feed``.

    Every free grain, and every rock with all the (Poisson many) grains locked in it, goes to the part with
    chance ``share``, so the gold's variance is share (1 - share) Σ (gold of a piece)². For free grains alone
    this is the binomial law; compare P. Gy's fundamental error (references in tests/published).
    """
    grain = grains.grain_mass(site.grid.size, site.fineness)
    free = (feed.free * grain).sum()
    per_rock = grains.grains_per_rock(feed, site.grid, site.fineness)
    number = grains.rocks(feed, site.grid)
    locked = (number[:, None] * per_rock * grain**2).sum() + (number * (per_rock @ grain) ** 2).sum()
    return float(np.sqrt((1 - share) / share * (free + locked)) / feed.gold)
