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
from flowsheet.steps._crusher import (
    CRUSHER_PORTS,
    Crusher,
    chance_broken,
    chance_but_of_the_finest,
    crushed,
    fragments,
    product_matrix,
)
from flowsheet.steps._operator import repeated
from flowsheet.steps.base import LOCAL, SILICA, Breakage, Crushing, Operator, Site, Values, as_size


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
        if self.to is None:
            return self._at_gap(at.gap, at, site)
        return self._at_gap(self._gap_for(feed, at, site), at, site)

    def tuned(self, feed: Material, at: Values, site: Site) -> Array | None:
        """Return the logarithm of the gap whose product has the wanted p80."""
        if self.to is None or not site.grid.sized:
            return None
        return np.log(self._gap_for(feed, at, site))[..., None]

    def tuning_ends(self, site: Site) -> tuple[Array, Array]:
        """Return the gaps between which it is sought."""
        return tuple(np.array([end]) for end in self._gaps(site))  # type: ignore[return-value]

    def model_at(self, numbers: Array, at: Values, site: Site) -> Operator:
        """Break at a gap."""
        chance = chance_but_of_the_finest(site.grid, np.exp(numbers[..., 0]), at)
        return self.broken(Crushing(chance, fragments(site.grid, at), _rounds(at), site.locked_share), at, site)

    def off(self, own: Operator, feed: Material, at: Values, site: Site) -> Array:
        """Return how much less than 80 % of the product passes the size wanted; an empty feed is never off.

        Not how far its p80 is off: that jumps where a class is empty.
        """
        if not isinstance(own.breakage, Crushing):
            raise TypeError("not of model_at")
        rock = _passed(feed.rock_by_size, own.breakage.chance, own.breakage.pieces, own.breakage.passes)
        passing = sizes.share_passing(site.grid.upper, rock, at.block("to").p80)
        return np.nan_to_num(0.8 - passing, nan=0.0)[..., None]

    def _at_gap(self, gap: Array, at: Values, site: Site) -> Operator:
        return self.broken(Breakage(self._product(gap, at, site), site.locked_share), at, site)

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
        return repeated(product_matrix(site.grid, gap, at), np.asarray(at.passes))

    def _p80(self, feed: Material, gap: Array, at: Values, site: Site, pieces: Array) -> Array:
        """Return the p80 of the product; ``pieces`` are the fragments of each class."""
        chance = chance_broken(site.grid.size, gap, at)
        rock = _passed(feed.rock_by_size, chance, pieces, _rounds(at))
        return sizes.size_passing(site.grid.upper, rock, 0.8)

    def _gaps(self, site: Site) -> tuple[float, float]:
        """Return the logarithms of the gaps between which one is sought."""
        return float(np.log(site.grid.size[-1] / 10)), float(np.log(2 * site.grid.upper[0] / self.k1.value))

    def _gap_for(self, feed: Material, at: Values, site: Site) -> Array:
        """Return the gap whose product has the wanted p80."""
        if self.to is None:
            raise ValueError("the step has no target")
        wanted = at.block("to").p80
        shape = np.broadcast_shapes(feed.solids.shape, wanted.shape)
        low, high = (np.full(shape, end) for end in self._gaps(site))
        # An empty feed has no p80: any gap does.
        pieces = fragments(site.grid, at)
        return np.exp(crossing(low, high, lambda gap: np.log(self._p80(feed, np.exp(gap), at, site, pieces) / wanted)))


def _rounds(at: Values) -> Array:
    """Return how often the powder goes through; draws of a whole number are whole."""
    return np.maximum(1.0, np.round(at.passes))


def _passed(rock: Array, chance: Array, pieces: Array, passes: Array) -> Array:
    """Return rock (..., S) after so many passes, (...)."""
    for turn in range(int(np.max(passes))):
        rock = np.where((turn < passes)[..., None], crushed(rock, chance, pieces), rock)
    return rock
