"""A disc pulverizer or small mill."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore import sizes
from flowsheet.ore.arrays import Array, crossing
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import Block, Count, Length, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps._crusher import CRUSHER_PORTS, Crusher, chance_broken, crushed, fragments, product_matrix
from flowsheet.steps.base import LOCAL, SILICA, Operator, Site, Values, as_size


class Target(Block):
    """How fine the product shall be."""

    p80: Length = knob(
        None, "80 % of the product passes this size", low=1e-6, high=0.1, required=True, better="x0.5", like="150 um"
    )


class Pulverize(Crusher):
    """A pulverizer: breaks like a crusher, at its gap, as often as it is passed."""

    kind = "pulverize"
    what = "grinds rock to powder"
    also = ("grind", "grinder", "mill", "ball mill", "hammer mill", "stamp mill", "crush", "crusher")
    fed_with = "crushed"
    done = "pulverized to {gap}"
    set_by = "gap"
    plan_work = "grinding"
    typical_slack = TypicalSlack(
        0.3, 0.5, "gold smears in a mill, and comes out with the next sack", rock_fixed_by=("to",)
    )
    ports = CRUSHER_PORTS
    cautions = (
        SILICA,
        "Turning plates catch gloves and sleeves: guard them, stop before you clear them.",
        LOCAL,
    )

    do: Literal["pulverize"] = Field(description="kind of equipment")
    gap: Length | None = knob(None, "gap between the plates", low=1e-6, high=0.1, better="x0.5", like="0.2 mm")
    to: Target | None = Field(None, description="the product's p80 in place of a gap, which is then found")
    passes: Count = knob("1", "how often the powder goes through", source="1: once", low=1, high=50, better="+1")

    def opening_fields(self) -> str:
        """Return the fields of which one sets how fine the plates grind."""
        return "gap|to"

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """A gap or a target, not both."""
        yield from super().faults(sizes, grains)
        if self.gap is not None and self.to is not None:
            yield "to", "both gap and to are given", "Keep the gap, or the p80 that it should give"

    def linear(self) -> bool:
        """A target holds for one feed, so the gap depends on it."""
        return self.to is None

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Break at the gap, ``passes`` times."""
        if not site.grid.sized or (self.gap is None and self.to is None):
            return self.broken(None, at, site)
        gap = at.gap if self.to is None else self._gap_for(feed, at, site)
        return self.broken(self._product(gap, at, site), at, site)

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say when no gap gives the p80 that is wanted."""
        yield from super().warnings(feed, at, site)
        if self.to is None or not site.grid.sized:
            return
        reached = self._p80(feed, self._gap_for(feed, at, site), at, site, fragments(site.grid, at))
        wanted = self.to.p80.value
        if feed.solids > 0 and abs(reached / wanted - 1) > 0.01:
            yield (f"no gap gives a p80 of {as_size(wanted)} here; {as_size(float(reached))} is as near as it gets.")

    def _product(self, gap: Array, at: Values, site: Site) -> Array:
        product = product_matrix(site.grid, gap, at)
        passes = np.asarray(at.passes)
        if passes.ndim == 0:
            return np.linalg.matrix_power(product, int(passes))
        # Draws of a whole number: each draw has its own power.
        product = np.broadcast_to(product, (len(passes), *product.shape[-2:]))
        return np.stack([np.linalg.matrix_power(p, max(1, round(n))) for p, n in zip(product, passes, strict=True)])

    def _p80(self, feed: Material, gap: Array, at: Values, site: Site, pieces: Array) -> Array:
        """Return the p80 of the product; ``pieces`` are the fragments of each class."""
        chance = chance_broken(site.grid.size, gap, at)
        passes, rock = np.maximum(1.0, np.round(at.passes)), feed.rock_by_size
        for turn in range(int(np.max(passes))):
            rock = np.where((turn < passes)[..., None], crushed(rock, chance, pieces), rock)
        return sizes.size_passing(site.grid.upper, rock, 0.8)

    def _gap_for(self, feed: Material, at: Values, site: Site) -> Array:
        """Return the gap whose product has the wanted p80."""
        if self.to is None:
            raise ValueError("the step has no target")
        wanted = at.block("to").p80
        shape = np.broadcast_shapes(feed.solids.shape, wanted.shape)
        low = np.full(shape, np.log(site.grid.size[-1] / 10))
        high = np.full(shape, np.log(2 * site.grid.upper[0] / self.k1.value))
        # An empty feed has no p80: any gap does.
        pieces = fragments(site.grid, at)
        return np.exp(crossing(low, high, lambda gap: np.log(self._p80(feed, np.exp(gap), at, site, pieces) / wanted)))
