"""The pile that the tested ore comes from: what a sampling plan must know of it."""

from __future__ import annotations

from flowsheet.spec.blocks.fields import TYPICAL, Block, Count, Mass, Share, knob

TYPICAL_SPREAD = 0.3
"""How far the grade of one sack is off that of the next, where nothing tells (relative sd): typical, set your own."""
SPREAD_DOUBT = 0.7
"""Doubt of that, in its logarithm: sacks of one ore may be all alike, or differ by as much again. Typical, set your own
spread, or test another sack."""


class Pile(Block):
    """Sacks of one ore, and how far they and their rocks differ."""

    sacks: Count | None = knob(None, "how many sacks lie there", low=1, high=1e6, like="40")
    sack_mass: Mass | None = knob(
        None,
        "mass of one sack, dry; ± tells how far they differ (left out: the mass of the ore)",
        low=1e-3,
        high=1e5,
        like="14 kg ± 1 kg",
    )
    spread: Share = knob(
        f"{100 * TYPICAL_SPREAD:.0f} %",
        "how far the true grade of one sack is off that of the next (relative standard deviation)",
        source=TYPICAL,
        low=0.0,
        high=3.0,
    )
    rocks: Share = knob(
        "100 %",
        "the same of its rocks, however small they are broken (100 %: half of them hold all the gold)",
        source=TYPICAL,
        low=0.0,
        high=10.0,
    )
    assay: Share = knob(
        "10 %",
        "doubt of an assay of what is not kept, as a share of what it finds",
        source=TYPICAL,
        low=0.0,
        high=1.0,
    )
    # No default here: to read its unit would load a library before any sheet is read.
    weighing: Mass | None = knob(
        None, f"doubt of the scale that weighs the gold (left out: 1 mg; {TYPICAL})", low=0.0, high=1.0, like="0.1 mg"
    )
