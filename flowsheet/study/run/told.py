"""What is told of a run's streams and losses: by the estimate where weights speak of gold, beside what was planned.

How much there is of everything, and which loss is the worst, is the estimate's; why gold is lost no weight tells: that
is the sheet's, and so is what stands as planned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from flowsheet.spec.blocks.measurement import picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.streams import Stream
from flowsheet.study.common.units_out import g_per_t, grams
from flowsheet.study.estimate.this_test import SHEET, WEIGHTS, Held, ThisTest
from flowsheet.study.run.losses import Loss


@dataclass(frozen=True)
class ToldStream:
    """One stream of all tests together, kg; its share is of the gold that they held, ``grade`` kg/kg."""

    #: What a scale shows, and gold.
    mass: Interval
    gold: Interval
    share: Interval
    grade: float
    mass_from: str
    gold_from: str
    fate: str
    #: What the sheet has planned for as much ore, kg.
    planned_mass: float
    planned_gold: float

    def as_row(self) -> dict[str, Any]:
        """Return it as plain data, names telling the unit."""
        return {
            "mass_kg": self.mass.mean,
            "mass_p5_kg": self.mass.p5,
            "mass_p95_kg": self.mass.p95,
            "mass_from": self.mass_from,
            "gold_g": grams(self.gold.mean),
            "gold_p5_g": grams(self.gold.p5),
            "gold_p95_g": grams(self.gold.p95),
            "gold_from": self.gold_from,
            "grade_g_per_t": g_per_t(self.grade),
            "gold_share": self.share.mean,
            "gold_share_p5": self.share.p5,
            "gold_share_p95": self.share.p95,
            "fate": self.fate,
            "planned_mass_kg": self.planned_mass,
            "planned_gold_g": grams(self.planned_gold),
        }


@dataclass(frozen=True)
class ToldLoss:
    """What left for good by one stream: gold (kg) and its share of all that was held, and what they are from.

    ``reasons`` are shares of this loss, by the sheet; none where the sheet has nothing go there.
    """

    stream: str
    gold: Interval
    share: Interval
    source: str
    reasons: dict[str, float]
    #: What the sheet has planned for as much ore, kg.
    planned: float

    def as_row(self) -> dict[str, Any]:
        """Return it as plain data, names telling the unit."""
        return {
            "stream": self.stream,
            "gold_g": grams(self.gold.mean),
            "gold_p5_g": grams(self.gold.p5),
            "gold_p95_g": grams(self.gold.p95),
            "share": self.share.mean,
            "share_p5": self.share.p5,
            "share_p95": self.share.p95,
            "from": self.source,
            **self.reasons,
            "planned_g": grams(self.planned),
        }


def told_streams(test: ThisTest, planned: Mapping[str, Stream], sheet: Sheet) -> dict[str, ToldStream]:
    """Return the streams as the estimate has them, in the order of the sheet."""
    flows = test.flows(planned, sheet.ores)
    found = {
        name: ToldStream(
            mass=weighed(held, flows[name].mass),
            gold=held.gold,
            share=held.share,
            grade=flows[name].grade,
            mass_from=held.rock_from,
            gold_from=held.gold_from,
            fate=planned[name].fate,
            planned_mass=test.sacks * planned[name].mass,
            planned_gold=test.sacks * planned[name].gold,
        )
        for name, held in ((name, test.streams[name]) for name in planned)
    }
    for name in test.picked:
        gold, share = test.picked[name]
        one = flows[picked_from(name)]
        mass = _times(gold, one.mass / one.gold if one.gold > 0 else 1.0)
        # No sheet plans to pick.
        found[picked_from(name)] = ToldStream(mass, gold, share, one.grade, WEIGHTS, WEIGHTS, one.fate, 0.0, 0.0)
    return found


def _times(one: Interval, by: float) -> Interval:
    return type(one)(*(by * part for part in (one.mean, one.sd, one.p5, one.p50, one.p95)))


def weighed(held: Held, mass: float) -> Interval:
    """Return what a scale shows, ``mass`` kg in the mean: rock with its metal, or, where there is no rock, metal."""
    if held.rock.mean > held.gold.mean:
        more = mass - held.rock.mean
        one = held.rock
        return replace(one, mean=mass, p5=one.p5 + more, p50=one.p50 + more, p95=one.p95 + more)
    by, one = (mass / held.gold.mean if held.gold.mean > 0 else 0.0), held.gold
    return _times(one, by)


def told_losses(test: ThisTest, planned: Sequence[Loss]) -> list[ToldLoss]:
    """Return the losses as the estimate has them, the largest first; why is of the sheet's loss by the same stream."""
    plan = {loss.stream: loss for loss in planned if not loss.why["caught"]}
    loops = {loss.stream: loss for loss in planned if loss.why["caught"]}
    found = [
        ToldLoss(
            name,
            test.streams[name].gold,
            test.streams[name].share,
            test.streams[name].gold_from,
            plan[name].reasons if name in plan and plan[name].gold > 0 else {},
            test.sacks * plan[name].gold if name in plan else 0.0,
        )
        for name in test.lost
    ]
    for name, (gold, share) in test.caught.items():
        loss = loops.get(name)
        reasons = loss.reasons if loss is not None else {"caught": 1.0}
        found.append(ToldLoss(name, gold, share, SHEET, reasons, test.sacks * loss.gold if loss is not None else 0.0))
    return sorted(found, key=lambda loss: -loss.gold.mean)
