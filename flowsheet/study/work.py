"""What it costs to crush, grind and pan a kg: a kg of work each, or the user's own costs."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.spec.schema import Sheet
from flowsheet.spec.worth import StepCost


@dataclass(frozen=True)
class Work:
    """Cost of a kg each time that it goes through a machine, and of a kg in the pan."""

    crushing: float = 1.0
    grinding: float = 1.0
    panning: float = 1.0
    #: The user's currency; "" where work is told in kg.
    currency: str = ""


def work_of(sheet: Sheet) -> Work:
    """Return the sheet's own costs by the kg where it has them for jaw_crush, pulverize and pan, else a kg of each.

    Labour and consumables count; power and what a batch costs do not (a plan's batches are not the sheet's).
    """
    found: dict[str, float] = {}
    for name, cost in sheet.worth.costs.steps.items():
        if name in sheet.steps:
            found.setdefault(sheet.steps[name].kind, _by_mass(cost))
    crushing, grinding, panning = (found.get(kind, 0.0) for kind in ("jaw_crush", "pulverize", "pan"))
    if not min(crushing, grinding, panning) > 0:
        return Work()
    return Work(crushing, grinding, panning, sheet.worth.currency)


def _by_mass(cost: StepCost) -> float:
    labour = cost.labour.value / cost.pace.value if cost.labour is not None and cost.pace is not None else 0.0
    return labour + (cost.per_mass.value if cost.per_mass is not None else 0.0)
