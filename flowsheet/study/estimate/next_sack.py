"""The law of the next sack: doubt of the ore, how far sacks differ, and the luck of grains, in one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flowsheet.study.common.compound_poisson import Spread, spread
from flowsheet.study.common.interval import Interval, LessThan
from flowsheet.study.common.units_out import grams
from flowsheet.study.estimate.corrected_draws import CorrectedDraws

QUANTILES = (5, 25, 50, 75, 95)


@dataclass(frozen=True)
class NextSack:
    """What another sack holds, kg: the law of its gold with the mean, and what is kept of it."""

    law: Spread
    mean: float
    kept: Interval
    less_than_half: float
    more_than_double: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON; where hardly any gold was found nobody knows a lower end, and it is nought."""
        ends = {f"p{p}": grams(self.law.quantile(p / 100)) for p in QUANTILES}
        if isinstance(self.kept, LessThan):
            ends["p5"] = 0.0
        kept = {name: grams(getattr(self.kept, name)) for name in ("mean", "p5", "p50", "p95")}
        return {
            "gold_g": {"mean": grams(self.mean), **ends},
            "kept_g": kept,
            "less_than_half": self.less_than_half,
            "more_than_double": self.more_than_double,
        }


def next_sack(gathered: CorrectedDraws, kept: Interval) -> NextSack:
    """Return the law of another sack, of which ``kept`` (kg) is kept."""
    found = gathered.found
    law = spread(found.mass, gathered.by_grain(list(gathered.solution.model.sheet.ores)) / found.mass)
    mean = float(found.fed.mean())
    return NextSack(law, mean, kept, law.below(0.5 * mean), 1 - law.below(2 * mean))
