"""Smelting a concentrate with flux to a button."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Port, Shares, Site, Step, Values


class Smelt(Step):
    """Melting with flux: the metal sinks to a button, the gangue goes into the slag."""

    kind = "smelt"
    what = "melts gold out of a concentrate with flux"
    also = ("melt", "fire", "fuse", "furnace")
    fed_with = "con"
    done = "melted"
    melts = True
    typical_slack = TypicalSlack(0.2, 0.5, "prills stay in a stiff slag", gold_told_by=("gold",))
    ports = (
        Port("button", "the metal", metal=True, also=("metal", "prill", "bar", "dore")),
        Port("slag", "the glass above it", free_lost="soaked_up", locked_lost="soaked_up", also=("glass", "waste")),
    )
    cautions = (
        "Furnace heat and fume: face shield, gloves, dry moulds and tools, strong draught. Lead and bismuth oxide fume "
        "is poisonous.",
        LOCAL,
    )

    do: Literal["smelt"] = Field(description="kind of equipment")
    gold: Share = knob(
        "99 %",
        "share of the gold that reaches the button",
        source=TYPICAL,
        low=0.0,
        high=1.0,
        better="to 0.998",
    )
    silver: Share = knob("97 %", "share of the silver that reaches the button", source=TYPICAL, low=0.0, high=1.0)

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """All rock to the slag, most gold to the button."""
        one, none, kept = np.ones(1), np.zeros(1), at.gold[..., None]
        button = Shares(none, none, kept, kept[..., None])
        return Operator({"button": button, "slag": Shares(one, one, 1 - kept, 1 - kept[..., None])})

    def silver_shares(self, at: Values) -> dict[str, Array]:
        """Silver goes to the button in a share of its own, whatever the gold does."""
        return {"button": at.silver, "slag": 1 - at.silver}
