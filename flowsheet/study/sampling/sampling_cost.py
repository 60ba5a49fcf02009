"""What it costs to crush, grind and pan a kg: a kg of work each, or the user's own costs of the sheet's steps."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.spec.blocks.costs_and_sales import StepCost
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.sampling.sampling_variance import passes

CRUSHING, GRINDING, PANNING = "crushing", "grinding", "panning"
"""As ``plan_work`` of a kind has it."""


@dataclass(frozen=True)
class Work:
    """Cost of a kg in the crusher, in the mill and in the pan, and of getting a sack."""

    crushing: float = 1.0
    grinding: float = 1.0
    panning: float = 1.0
    sack: float = 0.0
    #: The user's currency; "" where work is told in kg.
    currency: str = ""
    #: To what size (m) the user's crusher brings rock at that cost, whatever goes in.
    setting: float = 0.0

    def crushed(self, before: float, after: float) -> float:
        """Return the cost of breaking a kg from one size to another (m), to be split.

        In money it is one pass down to the crusher's own setting, and further ones below it; in kg, passes by ratio.
        """
        if not self.currency or after >= before:
            return self.crushing * passes(before, after)
        first = 1 if before > self.setting else 0
        finer = passes(min(before, self.setting), after) if after < self.setting else 0
        return self.crushing * (first + finer)

    def finished(self, before: float, grind: float) -> float:
        """Return the cost of making a kg of ``before`` (m) a test: ground to ``grind`` and panned.

        In money each of the sheet's steps is paid once, as ``worth`` does it: the crusher only for what is coarser
        than its setting. In kg the mill's passes go by ratio.
        """
        if not self.currency:
            return self.grinding * passes(before, grind) + self.panning
        crushing = self.crushing if before > self.setting else 0.0
        return crushing + self.grinding + self.panning


def work_of(sheet: Sheet) -> Work:
    """Return the sheet's own costs by the kg where it has them for crushing, grinding and panning, else a kg of each.

    Labour and consumables count, and what a sack costs; power and what a batch costs do not (a plan's batches are not
    the sheet's).
    """
    found: dict[str, float] = {}
    setting = 0.0
    for name, cost in sheet.worth.costs.steps.items():
        step = sheet.steps.get(name)
        if step is None:
            continue
        if step.plan_work == CRUSHING and CRUSHING not in found and step.set_size is not None:
            setting = step.set_size.value
        found.setdefault(step.plan_work, _by_mass(cost, step))
    crushing, grinding, panning = (found.get(work, 0.0) for work in (CRUSHING, GRINDING, PANNING))
    if not min(crushing, grinding, panning) > 0:
        return Work()
    sack = sheet.worth.costs.sack
    each = 0.0 if sack is None else sack.value
    return Work(crushing, grinding, panning, each, sheet.worth.currency, setting)


def _by_mass(cost: StepCost, step: StepBlock) -> float:
    often = getattr(step, "passes", None)
    times = often.value if isinstance(often, Number) else 1.0
    labour = cost.labour.value / cost.pace.value if cost.labour is not None and cost.pace is not None else 0.0
    return times * labour + (cost.per_mass.value if cost.per_mass is not None else 0.0)
