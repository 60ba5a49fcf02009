"""A jaw crusher."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import Length, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps._crusher import CRUSHER_PORTS, Crusher, product_matrix
from flowsheet.steps.base import LOCAL, SILICA, Breakage, Operator, Site, Values


class JawCrush(Crusher):
    """A jaw crusher: breaks what is coarser than its closed-side setting."""

    kind = "jaw_crush"
    what = "breaks rock between two jaws"
    also = ("crush", "crusher", "jaw", "break", "hammer")
    done = "crushed to {setting}"
    set_by = "setting"
    plan_work = "crushing"
    typical_slack = TypicalSlack(0.0, 0.0, "all of it goes to the product")
    ports = CRUSHER_PORTS
    cautions = (
        SILICA,
        "Jaws throw chips and crush fingers: guard them, wear eye protection, never clear them running.",
        LOCAL,
    )

    do: Literal["jaw_crush"] = Field(description="kind of equipment")
    setting: Length | None = knob(None, "closed-side setting", low=1e-5, high=1.0, better="x0.5", like="6 mm")

    def opening_fields(self) -> str:
        """Return the field that sets how fine the jaws break."""
        return "setting"

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Break everything that the setting catches, once through."""
        known = site.grid.sized and self.setting is not None
        breakage = Breakage(product_matrix(site.grid, at.setting, at), site.locked_share) if known else None
        return self.broken(breakage, at, site)
