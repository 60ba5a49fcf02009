"""Looking rocks over for visible gold."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore import grains, liberation
from flowsheet.ore.arrays import Array
from flowsheet.ore.factored_material import FactoredMaterial, Remainder
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Length, Plain, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Port, Shares, Site, Step, Values


class Sort(Step):
    """Looking over and hand-picking: a rock is picked if a grain of gold is seen on it."""

    kind = "sort"
    what = "picks the rocks on which gold is seen"
    also = ("pick", "hand sort", "hand pick", "look", "look over", "cob")
    fed_with = "lumps"
    done = "looked over for visible gold"
    looks_over = True
    typical_slack = TypicalSlack(0.5, 0.5, "eyes, light and haste are not in the model")
    together_by = "cluster"
    ports = (
        Port("picked", "rocks with gold in sight", also=("specimens", "hand picked", "seen")),
        Port(
            "left", "rocks on which none was seen", free_lost="not_seen", locked_lost="not_seen", also=("rest", "waste")
        ),
    )
    cautions = ("Rinse rocks before you look: dry dust is silica, and clean faces show more gold.", LOCAL)
    solids_need = ("sizes", "grains")
    gold_need = ("sizes", "grains")

    do: Literal["sort"] = Field(description="kind of equipment")
    sees: Length = knob("0.3 mm", "smallest grain that is noticed", source=TYPICAL, low=1e-6, high=0.1, better="x0.5")
    care: Share = knob(
        "0.8",
        "chance that such a grain on the surface is noticed",
        source=TYPICAL,
        low=0.0,
        high=1.0,
        better="to 0.95",
    )
    cluster: Plain = knob(
        "1",
        "how many grains lie together",
        source="1: grains apart; typical, set your own",
        low=1.0,
        high=1e6,
    )

    def linear(self) -> bool:
        """How many grains a rock holds depends on how rich the feed is."""
        return False

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Pick each rock with the chance that at least one of its (Poisson many) clusters is seen."""
        seen = chance_seen(site, at.sees, at.care)
        missed = (1 - seen) ** at.cluster[..., None, None]
        clusters = grains.per_rock(feed, site.grid, site.fineness, 1 - missed) / at.cluster[..., None]
        blind = np.exp(-clusters)
        left_free = 1 - np.where(site.grid.size >= at.sees[..., None], at.care[..., None], 0.0)
        # A grain is left behind if its own cluster and all others of its rock are missed.
        if blind.ndim > 1 and missed.ndim == 2:
            left: Shares = FactoredMaterial(blind, blind, left_free, missed, blind)
        else:
            left = Shares(blind, blind, left_free, missed * blind[..., :, None])
        return Operator({"picked": Remainder(left), "left": left})


def chance_seen(site: Site, sees: Array, care: Array) -> Array:
    """Return the chance that a locked grain is seen, (..., S hosts, S grains).

    It must show (liberation.showing_share), be no smaller than ``sees`` (m), and be noticed (``care``).
    """
    large = site.grid.size >= sees[..., None]
    noticed = np.where(large, care[..., None], 0.0)
    return np.asarray(liberation.showing(site.grid) * noticed[..., None, :])
