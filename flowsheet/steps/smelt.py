"""Smelting a concentrate with flux to a button."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import Field, field_validator

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Mass, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.steps.base import LOCAL, Operator, Port, Shares, Site, Step, Values

FLUX_GAS = 0.15
"""Doubt of what a flux leaves in the slag, as a share of it: soda ash gives off 41.5 % of its mass as gas, borax with
its water 47 %, dry borax and sand nothing (from atomic masses). Typical of a mix, set your own ±."""


class Smelt(Step):
    """Melting with flux: the metal sinks to a button, the gangue goes into the slag."""

    kind = "smelt"
    what = "melts gold out of a concentrate with flux"
    also = ("melt", "fire", "fuse", "furnace")
    fed_with = "con"
    done = "melted"
    melts = True
    adds = "flux"
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

    flux: Mass | None = knob(
        None,
        "mass of the flux: it goes into the slag and counts as fed; without ± it is off by 15 % for what leaves as gas "
        "(typical, set your own)",
        low=0.0,
        high=100.0,
        like="120 g",
    )

    @field_validator("flux")
    @classmethod
    def _gives_off_gas(cls, flux: Number | None) -> Number | None:
        if flux is None or flux.told_doubt or flux.doubtful:
            return flux
        return replace(flux, sd=FLUX_GAS * flux.value)

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """All flux goes to the slag: shares of the rock would part it too."""
        yield from super().faults(sizes, grains)
        if self.flux is not None and self.split is not None:
            yield "flux", "flux goes to the slag, but split parts all solids, flux too", "Leave out split, or flux"

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """All rock and flux to the slag, most gold to the button."""
        one, none, kept = np.ones(1), np.zeros(1), at.gold[..., None]
        button = Shares(none, none, kept, kept[..., None])
        return Operator({"button": button, "slag": Shares(one, one, 1 - kept, 1 - kept[..., None])})

    def silver_shares(self, at: Values) -> dict[str, Array]:
        """Silver goes to the button in a share of its own, whatever the gold does."""
        return {"button": at.silver, "slag": 1 - at.silver}
