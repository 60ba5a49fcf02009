"""What is said before work that takes long begins."""

from __future__ import annotations

from flowsheet.solve.model import Model
from flowsheet.spec.blocks.schema import Sheet

MANY_TO_SETTLE = 6
"""So many steps of loops that hang on what they are fed take a thousand draws ten times as long as other sheets."""


def long_work(sheet: Sheet) -> str:
    """Return what of a sheet makes its draws take long, and what to write instead; "" where they are quick."""
    model = Model.of(sheet)
    looped = [name for stage in model.stages if stage.is_loop for name in stage.steps]
    bent = [name for name in looped if model.step(name).hangs_on_feed()]
    with_gold = [name for name in bent if not model.step(name).by_rock_alone]
    if len(bent) < MANY_TO_SETTLE and not with_gold:
        return ""
    told = "some minutes" if with_gold or sheet.weighed else "up to half a minute"
    slow = with_gold or bent
    names = ", ".join(slow[:3]) + (f" and {len(slow) - 3} more" if len(slow) > 3 else "")
    quick = (
        "With shares of its own (split and recovery) it is"
        if with_gold
        else "A gap, presentations or shares in place of what they should come to are"
    )
    return (
        f"{names}: in a loop, and hanging on what is fed there, so that each draw has to settle: that may take {told}. "
        f"{quick} quick."
    )
