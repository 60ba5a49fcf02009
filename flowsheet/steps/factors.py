"""Any step whose shares are known and whose model is not."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore.material import Material
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, Operator, Site, Step, Values, even


class Factors(Step):
    """A step of given shares: ``split`` of the rock, ``recovery`` of the gold (else it goes with the rock).

    With one outlet all goes there.
    """

    kind = "factors"
    what = "parts rock and gold by given shares"
    also = ("table", "shaking table", "jig", "spiral", "centrifuge", "dry washer", "leach", "flotation")
    done = "parted"
    shares_given = True
    cautions = (LOCAL,)
    solids_need = ("split",)
    gold_need = ("recovery",)
    gold_follows_rock = True
    parts_alike = True
    typical_slack = TypicalSlack(0.2, 0.5, "shares of another day's rock")

    do: Literal["factors"] = Field(description="kind of equipment")

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """All goes to the only outlet."""
        return Operator({outlet: even(np.ones(())) for outlet in self.outlets})

    def _lacking(self, needs: tuple[str, ...], sizes: bool, grains: bool) -> list[str]:
        """Nothing is lacking where there is but one way to go."""
        return super()._lacking(needs, sizes, grains) if len(self.outlets) > 1 else []
