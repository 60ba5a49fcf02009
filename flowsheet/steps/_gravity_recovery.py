"""What pan and sluice share: recovery of gold by size, and how much rock comes along."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

import numpy as np

from flowsheet.ore import grains, liberation
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid, of_grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import Count, Length, Mass, Plain, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import Operator, Port, Shares, Site, Step, Values, as_mass

WASHING_PORTS = (
    Port("concentrate", "what is kept", also=("con", "conc", "heavies", "black sand")),
    Port("tailings", "what is washed off", free_lost="too_fine", locked_lost="locked", also=("tails", "waste", "rest")),
)


NEARLY_ALL = 1 - 1e-6
"""What is kept of a feed that weighs less than the mass to stop at. Never all: where the concentrate is led back, a
loop that so far carries less than that mass must not seem to have no way out."""

HANDBOOK_SLACK = TypicalSlack(
    0.4,
    0.8,
    "recoveries of handbooks are best cases: at the bench gold lies about 0.7 log odds below them, and 0.5 either way "
    "of a recovery (or an r_max) of your own",
    rock_fixed_by=("pull",),
    rock_told_by=("heavies", "light"),
    gold_told_by=("r_max", "d50"),
    best_case="r_max",
    gold_shift=-0.7,
    gold_where_written=0.5,
)


class Washer(Step):
    """Gravity concentration: recovery rises with the size of the gold."""

    kind = ""
    ports: ClassVar[tuple[Port, ...]] = WASHING_PORTS
    solids_need: ClassVar[tuple[str, ...]] = ()
    gold_need = ("grains",)
    by_rock_alone = True

    r_max: Share
    d50: Length
    m: Plain
    heavies: Share
    light: Share
    pull: Mass | None = knob(
        None,
        "mass of concentrate to stop at; the model takes no more free gold to be lost for panning further down",
        low=1e-9,
        high=1e6,
        like="180 g",
    )
    passes: Count = knob("1", "how often the tailings are washed again", source="1: once", low=1, high=20, better="+1")

    def linear(self) -> bool:
        """A mass to stop at makes the shares depend on the feed."""
        return self.pull is None

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Keep free gold by its size, rock by its density, locked gold by its particle's composite density."""
        passes = _passes(at)
        heavies, light = _again(at.heavies, passes), _again(at.light, passes)
        if self.pull is not None:
            heavies, light = _pulled(feed, heavies, at.pull)
        return self._kept(heavies, light, at, site)

    def tuned(self, feed: Material, at: Values, site: Site) -> Array | None:
        """Return the shares of heavies and light that make the mass to stop at."""
        if self.pull is None:
            return None
        both = _pulled(feed, _again(at.heavies, _passes(at)), at.pull)
        return np.stack(np.broadcast_arrays(*both), axis=-1)

    def tuning_ends(self, site: Site) -> tuple[Array, Array]:
        """Return what shares may be at all."""
        return np.zeros(2), np.full(2, NEARLY_ALL)

    def model_at(self, numbers: Array, at: Values, site: Site) -> Operator:
        """Keep these shares of heavies and light."""
        return self._kept(numbers[..., 0], numbers[..., 1], at, site)

    def off(self, own: Operator, feed: Material, at: Values, site: Site) -> Array:
        """Return how much larger the shares are than those that make the mass to stop at."""
        heavies, light = _pulled(feed, _again(at.heavies, _passes(at)), at.pull)
        kept = own.shares["concentrate"]
        return np.stack(np.broadcast_arrays(kept.heavy[..., 0] - heavies, kept.light[..., 0] - light), axis=-1)

    def _kept(self, heavies: Array, light: Array, at: Values, site: Site) -> Operator:
        """Return the operator that keeps these shares of the rock."""
        passes = _passes(at)
        heavies, light = heavies[..., None], light[..., None]
        # Gold of unknown grains goes as the rock does that it lies in.
        free, locked = light, light[..., None]
        if site.grains_known:
            free = _again(free_recovery(site.grid.size, at), passes[..., None])
            locked = locked + gold_share(site.grid) * np.maximum(free - light, 0.0)[..., :, None]
        kept = Shares(light, heavies, free, locked)
        return Operator({"concentrate": kept, "tailings": Shares(1 - light, 1 - heavies, 1 - free, 1 - locked)})

    def lost(self, outlet: str, stream: Material, at: Values, site: Site) -> dict[str, float]:
        """Part the free gold that an outlet loses as too fine into what was, and what slips at any size."""
        found = super().lost(outlet, stream, at, site)
        if self.port(outlet).free_lost == "too_fine" and self.recovery is None and site.grains_known:
            gone = 1 - free_recovery(site.grid.size, at)
            slipped = np.divide(1 - at.r_max, gone, out=np.ones_like(gone), where=gone > 0) ** at.passes
            spilled = float((stream.free * slipped).sum())
            found["too_fine"] -= spilled
            found["other"] = found.get("other", 0.0) + spilled
        return found

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say when the mass to stop at is more than was fed, and that stopping late costs nothing here."""
        if self.pull is None or self.split is not None:
            return
        if feed.solids < at.pull:
            yield f"asked to stop at {as_mass(float(at.pull))}, but only {as_mass(float(feed.solids))} go in."
        elif self.recovery is None and site.grains_known:
            yield (
                f"washed down to {as_mass(float(at.pull))}: the model takes no more free gold to be lost for that. "
                "If yours is, raise d50 or lower r_max, or give the step a recovery."
            )


def free_recovery(size: Array, at: Values) -> Array:
    """Return the recovery of free gold of ``size`` (S,) m in one wash: R_max/(1 + (d50/d)^m), (..., S)."""
    ratio = at.d50[..., None] / size
    return np.asarray(at.r_max[..., None] / (1 + ratio ** at.m[..., None]))


@of_grid
def gold_share(grid: Grid) -> Array:
    """Return how far a composite particle's density lies from light gangue to gold, (S hosts, S grains).

    One grain (cube law) in its host: (ρ - ρ_light)/(ρ_gold - ρ_light) is the grain's share of the volume.
    """
    ratio = 1 / np.maximum(liberation.ratios(grid), 1.0)
    density = grains.QUARTZ + (grains.GOLD - grains.QUARTZ) * ratio**3
    return np.asarray((density - grains.QUARTZ) / (grains.GOLD - grains.QUARTZ))


def _passes(at: Values) -> Array:
    """Return how often the tailings are washed; draws of a whole number are whole."""
    return np.maximum(1.0, np.round(at.passes))


def _again(share: Array, passes: Array) -> Array:
    """Return the share kept after the tailings were washed ``passes`` times in all."""
    return np.asarray(1 - (1 - share) ** passes)


def _pulled(feed: Material, heavies: Array, pull: Array) -> tuple[Array, Array]:
    """Return the shares of heavies and light that make a concentrate of mass ``pull``.

    The light goes first: as long as more must go than the light, none of it stays.
    """
    heavy, light = feed.heavy.sum(axis=-1), feed.light.sum(axis=-1)
    kept = np.minimum(heavies * heavy, pull)
    rest = np.minimum(pull - kept, light)
    kept = np.minimum(pull - rest, heavy)

    def share(part: Array, whole: Array) -> Array:
        return np.minimum(part / np.where(whole > 0, whole, 1.0), NEARLY_ALL)

    return share(kept, heavy), share(rest, light)
