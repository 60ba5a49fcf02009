"""A sluice box."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from flowsheet.spec.blocks.fields import TYPICAL, Length, Plain, Share, knob
from flowsheet.steps._gravity_recovery import HANDBOOK_SLACK, Washer
from flowsheet.steps.base import LOCAL

#: Fitted to 96 % at 2.5-1 mm and 20 % below 0.1 mm (tests/test_steps.py repeats both).
BGS = (
    "meets C. J. Mitchell, E. J. Evans & M. T. Styles, BGS Report WC/97/14 (1997): 96 % at 2.5-1 mm, 20 % below 0.1 mm"
)


class Sluice(Washer):
    """A sluice with riffles or matting."""

    kind = "sluice"
    what = "washes light rock off the gold over riffles"
    also = ("wash", "sluice box", "riffle box", "rocker", "long tom")
    fed_with = "powder"
    done = "run over a sluice"
    typical_slack = HANDBOOK_SLACK
    cautions = ("Keep silt out of streams and respect water permits; never use mercury.", LOCAL)

    do: Literal["sluice"] = Field(description="kind of equipment")
    r_max: Share = knob("97 %", "recovery of the coarsest free gold", source=BGS, low=0.0, high=1.0, better="to 0.99")
    d50: Length = knob(
        "0.14 mm", "size of free gold of which half is kept", source=BGS, low=1e-6, high=0.01, better="x0.7"
    )
    m: Plain = knob("1.9", "how sharply recovery rises with size", source=BGS, low=0.1, high=20.0)
    heavies: Share = knob("30 %", "share of the heavy gangue kept", source=TYPICAL, low=0.0, high=1.0)
    light: Share = knob("2 %", "share of the light gangue kept", source=TYPICAL, low=0.0, high=1.0)
