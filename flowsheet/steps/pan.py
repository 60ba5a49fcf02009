"""A gold pan."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from flowsheet.spec.blocks.fields import NO_SOURCE, TYPICAL, Length, Plain, Share, knob
from flowsheet.steps._gravity_recovery import HANDBOOK_SLACK, Washer
from flowsheet.steps.base import LOCAL

CAREFUL = f"a careful pan keeps most gold coarser than about 0.1 mm: {NO_SOURCE}; {TYPICAL}"


class Pan(Washer):
    """Panning by hand over a tub."""

    kind = "pan"
    what = "washes light rock off the gold by hand"
    also = ("wash", "panning", "gold pan", "batea")
    fed_with = "powder"
    done = "panned"
    plan_work = "panning"
    cleans_loops = True
    typical_slack = HANDBOOK_SLACK
    cautions = ("Pan wet and over a tub; never use mercury.", LOCAL)

    do: Literal["pan"] = Field(description="kind of equipment")
    r_max: Share = knob(
        "98 %", "recovery of the coarsest free gold", source=TYPICAL, low=0.0, high=1.0, better="to 0.995"
    )
    d50: Length = knob(
        "60 um", "size of free gold of which half is kept", source=CAREFUL, low=1e-6, high=0.01, better="x0.7"
    )
    m: Plain = knob("2", "how sharply recovery rises with size", source=TYPICAL, low=0.1, high=20.0)
    heavies: Share = knob("50 %", "share of the heavy gangue kept", source=TYPICAL, low=0.0, high=1.0)
    light: Share = knob("1 %", "share of the light gangue kept", source=TYPICAL, low=0.0, high=1.0)
