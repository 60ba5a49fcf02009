"""A hand magnet over a dried concentrate."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Port, Shares, Site, Step, Values


class Magnet(Step):
    """Lifting out the magnetic heavies."""

    kind = "magnet"
    what = "lifts magnetic heavies out"
    also = ("magnetic separator", "magnetic separation")
    fed_with = "con"
    done = "cleaned with a magnet"
    ports = (
        Port("magnetics", "what the magnet lifts", locked_lost="locked", also=("mags", "iron", "black sand")),
        Port("rest", "what it leaves", also=("non magnetics", "left", "waste")),
    )
    cautions = ("Rub the magnetics out under water: they carry gold along.", LOCAL)
    parts_alike = True
    typical_slack = TypicalSlack(
        0.3, 0.5, "how much a magnet carries along hangs on the hand", rock_told_by=("heavies", "light"),
        gold_told_by=("gold",),
    )  # fmt: skip

    do: Literal["magnet"] = Field(description="kind of equipment")
    heavies: Share = knob(
        "50 %", "share of the heavy gangue that is magnetic and lifted", source=TYPICAL, low=0.0, high=1.0
    )
    light: Share = knob("1 %", "share of the light gangue carried along", source=TYPICAL, low=0.0, high=1.0)
    gold: Share = knob("1 %", "share of the gold carried along", source=TYPICAL, low=0.0, high=1.0, better="x0.5")

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Lift a share of each."""
        heavy, light, gold = (value[..., None] for value in (at.heavies, at.light, at.gold))
        lifted = Shares(light, heavy, gold, gold[..., None])
        return Operator({"magnetics": lifted, "rest": Shares(1 - light, 1 - heavy, 1 - gold, 1 - gold[..., None])})
