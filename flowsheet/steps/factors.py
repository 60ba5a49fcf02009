"""Any step whose shares are known and whose model is not."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from flowsheet.steps.base import LOCAL, Step


class Factors(Step):
    """A step of given shares: ``split`` of the rock, ``recovery`` of the gold (else it goes with the rock)."""

    kind = "factors"
    what = "parts rock and gold by given shares"
    cautions = (LOCAL,)
    solids_need = ("split",)
    gold_need = ("recovery",)
    gold_follows_rock = True

    do: Literal["factors"] = Field(description="kind of equipment")
