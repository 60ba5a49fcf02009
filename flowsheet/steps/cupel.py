"""Cupellation: the collector metal soaks into the cupel, gold and silver stay as a bead."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import NO_SOURCE, Mass, Plain, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Port, Shares, Site, Step, Values, as_mass

HANDBOOK = (
    "at 850 °C with 10 g lead: R. W. Lodge, Notes on Assaying, after E. E. Bugbee, A Textbook of Fire Assaying "
    "(from memory)"
)

#: Mass of oxide made by one mass of collector: PbO/Pb (Villavecchia, Applied Analytical Chemistry, vol. 1)
#: and Bi2O3/(2 Bi), from atomic masses.
OXIDE = {"lead": 1.07722, "bismuth": 465.96 / (2 * 208.98)}

GANGUE_NOTICED = 1e-6
"""kg of rock in a cupel that is worth a warning (1 mg)."""


class Cupel(Step):
    """Firing a charge in a cupel to a bead."""

    kind = "cupel"
    what = "fires a charge to a bead of gold and silver"
    also = ("fire", "fire assay", "assay")
    fed_with = "button"
    done = "cupelled"
    melts = True
    typical_slack = TypicalSlack(0.2, 0.4, "losses rise with heat and draught", gold_told_by=("gold_loss",))
    ports = (
        Port("bead", "the bead", metal=True, also=("prill", "metal")),
        Port("absorbed", "what the cupel soaks up", free_lost="soaked_up", locked_lost="soaked_up", also=("loss",)),
    )
    cautions = (
        "Furnace heat; lead and bismuth oxide fume is poisonous: fume hood, respirator, no food near, spent cupels are "
        "hazardous waste. Parting acids burn and fume: leave them to a laboratory.",
        LOCAL,
    )

    do: Literal["cupel"] = Field(description="kind of equipment")
    gold_loss: Share = knob(
        "0.43 %", "share of the gold that is lost", source=HANDBOOK, low=0.0, high=1.0, better="x0.5"
    )
    silver_loss: Share = knob("1.73 %", "share of the silver that is lost", source=HANDBOOK, low=0.0, high=1.0)
    collector: Literal["lead", "bismuth"] = Field("lead", description="metal that carries the gangue's oxides away")
    charge: Mass | None = knob(None, "mass of the collector metal", low=1e-6, high=10.0, like="20 g")
    cupel_mass: Mass | None = knob(None, "mass of the cupel", low=1e-6, high=10.0, like="30 g")
    capacity: Plain = knob("1", "oxide that a cupel takes up per mass of cupel", source=NO_SOURCE, low=0.01, high=5.0)

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """All rock to the cupel (it should be none), most gold to the bead."""
        one, none, lost = np.ones(1), np.zeros(1), at.gold_loss[..., None]
        bead = Shares(none, none, 1 - lost, 1 - lost[..., None])
        return Operator({"bead": bead, "absorbed": Shares(one, one, lost, lost[..., None])})

    def silver_shares(self, at: Values) -> dict[str, Array]:
        """Silver is lost more readily than gold, whatever the gold does."""
        return {"bead": 1 - at.silver_loss, "absorbed": at.silver_loss}

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Check the charge against the cupel, and for gangue."""
        if self.charge is not None and self.cupel_mass is not None:
            oxide, room = float(at.charge) * OXIDE[self.collector], float(at.cupel_mass * at.capacity)
            if oxide > room:
                yield (
                    f"{as_mass(float(at.charge))} of {self.collector} make {as_mass(oxide)} of oxide, but a cupel of "
                    f"{as_mass(float(at.cupel_mass))} takes up about {as_mass(room)}. Take a larger cupel or two."
                )
        if feed.solids > GANGUE_NOTICED and self.split is None:
            yield (
                f"{as_mass(float(feed.solids))} of rock go into the cupel with the gold: it would crust over. "
                "Smelt the concentrate to a button first, or clean it."
            )
