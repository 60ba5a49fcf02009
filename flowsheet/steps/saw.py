"""Sawing specimens into slabs."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import SAME, Grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Length, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import SAWING, Breakage, Operator, Port, Site, Step, Values, even


class Saw(Step):
    """A slab saw: the blade turns its own width to swarf."""

    kind = "saw"
    what = "cuts rock into slabs"
    also = ("cut", "slab")
    done = "sawn into slabs of {slab}"
    typical_slack = TypicalSlack(0.2, 0.2, "a blade wobbles, and slabs are not all alike")
    ports = (
        Port("slabs", "the slabs", also=("pieces", "slices")),
        Port("swarf", "the mud of the blade's width", also=("mud", "dust", "kerf")),
    )
    cautions = SAWING
    solids_need = ("kerf", "slab")
    gold_need = ("kerf", "slab")
    breaks = True

    do: Literal["saw"] = Field(description="kind of equipment")
    kerf: Length | None = knob(None, "width that the blade cuts away", low=1e-5, high=0.05, better="x0.5", like="2 mm")
    slab: Length | None = knob(None, "thickness of a slab", low=1e-4, high=1.0, like="8 mm")
    swarf_size: Length = knob("0.1 mm", "size of the swarf", source=TYPICAL, low=1e-6, high=0.01)

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Turn kerf/(kerf + slab) of rock and gold to swarf, which is powder."""
        swarf = at.kerf / (at.kerf + at.slab)
        shares = {"slabs": even(1 - swarf), "swarf": even(swarf)}
        if not site.grid.sized:
            return Operator(shares)
        return Operator(
            shares,
            then={"swarf": Breakage(to_powder(site.grid, at.swarf_size), site.locked_share)},
        )


def to_powder(grid: Grid, size: Array) -> Array:
    """Return the matrix (..., S, S) that sends every class coarser than ``size`` (m) to the class that holds it."""
    classes = len(grid)
    coarser = grid.lower >= size[..., None] * (1 - SAME)
    # All of a grid's classes may be coarser than the powder: then it is in the last.
    coarser = coarser & (np.arange(classes) < classes - 1)
    to = np.arange(classes)[:, None] == coarser.sum(axis=-1)[..., None, None]
    return np.where(coarser[..., None, :], to, np.eye(classes))
