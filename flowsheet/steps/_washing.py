"""What pan and sluice share: recovery of gold by size, and how much rock comes along."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.spec.fields import Count, Length, Mass, Plain, Share, knob
from flowsheet.steps.base import Operator, Port, Shares, Site, Step, Values

WASHING_PORTS = (
    Port("concentrate", "what is kept"),
    Port("tailings", "what is washed off", free_lost="too_fine", locked_lost="locked"),
)


class Washer(Step):
    """Gravity concentration: recovery rises with the size of the gold."""

    kind = ""
    ports = WASHING_PORTS
    solids_need: ClassVar[tuple[str, ...]] = ()
    gold_need = ("grains",)

    r_max: Share
    d50: Length
    m: Plain
    heavies: Share
    light: Share
    pull: Mass | None = knob(None, "mass of concentrate to stop at", low=1e-9, high=1e6)
    passes: Count = knob("1", "how often the tailings are washed again", source="1: once", low=1, high=20, better="+1")

    def linear(self) -> bool:
        """A mass to stop at makes the shares depend on the feed."""
        return self.pull is None

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Keep free gold by its size, rock by its density, locked gold by its particle's composite density."""
        heavies, light = _again(at.heavies, at.passes), _again(at.light, at.passes)
        if at.pull is not None:
            heavies, light = _pulled(feed, heavies, at.pull)
        free = (
            _again(free_recovery(site.grid.size, at), at.passes[..., None]) if site.grains_known else light[..., None]
        )
        heavies, light = heavies[..., None], light[..., None]
        locked = light[..., None] + gold_share(site.grid.size) * np.maximum(free - light, 0.0)[..., :, None]
        kept = Shares(light, heavies, free, locked)
        return Operator({"concentrate": kept, "tailings": Shares(1 - light, 1 - heavies, 1 - free, 1 - locked)})

    def lost(self, outlet: str, stream: Material, at: Values, site: Site) -> dict[str, float]:
        """Part the free gold in the tailings into what was too fine and what slips at any size."""
        found = super().lost(outlet, stream, at, site)
        if outlet == "tailings" and self.recovery is None and site.grains_known:
            gone = 1 - free_recovery(site.grid.size, at)
            slipped = np.divide(1 - at.r_max, gone, out=np.ones_like(gone), where=gone > 0) ** at.passes
            spilled = float((stream.free * slipped).sum())
            found["too_fine"] -= spilled
            found["other"] = found.get("other", 0.0) + spilled
        return found

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say when the mass to stop at is more than was fed."""
        if at.pull is not None and self.split is None and feed.solids < at.pull:
            yield f"asked to stop at {float(at.pull):.3g} kg, but only {float(feed.solids):.3g} kg go in."


def free_recovery(size: Array, at: Values) -> Array:
    """Return the recovery of free gold of ``size`` (S,) m in one wash: R_max/(1 + (d50/d)^m), (..., S)."""
    ratio = at.d50[..., None] / size
    return np.asarray(at.r_max[..., None] / (1 + ratio ** at.m[..., None]))


def gold_share(size: Array) -> Array:
    """Return how far a composite particle's density lies from light gangue to gold, (S hosts, S grains).

    One grain (cube law) in its host: (ρ - ρ_light)/(ρ_gold - ρ_light) is the grain's share of the volume.
    """
    ratio = np.minimum(size[None, :] / size[:, None], 1.0)
    density = grains.QUARTZ + (grains.GOLD - grains.QUARTZ) * ratio**3
    return np.asarray((density - grains.QUARTZ) / (grains.GOLD - grains.QUARTZ))


def _again(share: Array, passes: Array) -> Array:
    """Return the share kept after the tailings were washed ``passes`` times in all."""
    return np.asarray(1 - (1 - share) ** passes)


def _pulled(feed: Material, heavies: Array, pull: Array) -> tuple[Array, Array]:
    """Return the shares of heavies and light that make a concentrate of mass ``pull``.

    The light goes first: as long as more must go than the light, none of it stays.
    """
    heavy, light = feed.heavy.sum(axis=-1), feed.light.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.minimum(heavies * heavy, pull)
        rest = np.minimum(pull - kept, light)
        kept = np.minimum(pull - rest, heavy)
        return (
            np.asarray(np.where(heavy > 0, kept / np.where(heavy > 0, heavy, 1), 0.0)),
            np.asarray(np.where(light > 0, rest / np.where(light > 0, light, 1), 0.0)),
        )
