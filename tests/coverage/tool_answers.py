"""The program that is put to the test, through its door alone: a sheet in, the intervals of its answers out.

This is the only module of the table that knows the program: where its answers stand, and by what names.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import flowsheet as fs

OPENING_MM = 20.0


def answers(path: Path) -> dict[str, tuple[float, float]]:
    """Return the 90 % interval (low, high) of each answer that a run of the sheet gives, in g, g/t and shares."""
    found: dict[str, Any] = {}
    told = fs.run(path).as_dict()
    if test := told["this_test"]:
        found |= {"ore_grade": told["ore"]["grade_g_per_t"]}
        found |= {"gold_held": test["gold_g"], "kept_share": test["kept_share"]}
        found |= {f"lost_{one['stream'].replace(' ', '_')}": one["gold_g"] for one in test["lost"]}
        found |= {"coarse_share": _at_opening(test["coarse"]), "next_sack": told["next_sack"]["gold_g"]}
    ends = {name: _ends(one) for name, one in found.items() if one}
    return {name: both for name, both in ends.items() if both is not None}


def _at_opening(rows: Any) -> Any:
    return next((row["gold_share"] for row in rows if abs(row["opening_mm"] - OPENING_MM) < 1e-6), None)


def _ends(one: dict[str, Any]) -> tuple[float, float] | None:
    low, high = (one[end] if end in one else one[other] for end, other in (("low", "p5"), ("high", "p95")))
    # No lower end is told where next to nothing was found: it is nought.
    return None if high is None else (float(low or 0.0), float(high))
