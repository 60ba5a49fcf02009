"""What the tests held, kept and lost, as told of the draws of the one estimate; with what of it is weighed."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.streams import Stream
from flowsheet.study.common.units_out import each, grams, millimetres

if TYPE_CHECKING:
    from flowsheet.study.estimate.ore_from_weights import KnownOre
    from flowsheet.study.posterior.estimate import TestDraws

WEIGHTS, SHEET = "weights", "sheet"
"""What a number is from: weighed, or determined by the balance of weights alone; or filled in by the sheet's model."""


@dataclass(frozen=True)
class Held:
    """Rock and gold of one stream, kg, and what each is from."""

    rock: Interval
    gold: Interval
    rock_from: str
    gold_from: str


@dataclass(frozen=True)
class ThisTest:
    """What all tests of a sheet held together: amounts in kg, shares of the gold that they held."""

    tests: int
    held: Interval
    kept: Interval
    #: None where what was weighed cannot be told from no gold at all, so that nobody knows of what it would be a share.
    kept_share: Interval | None
    streams: Mapping[str, Held]
    #: The end streams that are not kept, by the gold that they took, the most first.
    lost: tuple[str, ...]
    #: Opening (m) → share of the gold in rock above it, and what that is from.
    coarse: Mapping[float, tuple[Interval, str]]
    #: How many grains all alike, together as heavy as the gold, would have its luck: those that matter. None: no luck.
    effective_grains: float | None

    def flows(self, planned: Mapping[str, Stream], ores: Container[str]) -> dict[str, Stream]:
        """Return the streams as the estimate has them, for one test of them all; what it does not tell as ``planned``.

        ``ores``: streams that weigh what their rock does; the others weigh their metal too, with silver as planned.
        """
        found = {}
        for name, one in self.streams.items():
            plan = planned[name]
            rock, gold = one.rock.mean / self.tests, one.gold.mean / self.tests
            silver = gold * plan.silver / plan.gold if plan.gold > 0 else 0.0
            mass = rock if name in ores else rock + gold + silver
            fed = self.held.mean / self.tests
            found[name] = replace(
                plan,
                mass=mass,
                gold=gold,
                silver=silver,
                grade=gold / mass if mass > 0 else 0.0,
                gold_share=gold / fed if fed > 0 else 0.0,
            )
        return found

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        streams = {
            name: {
                "mass_kg": asdict(one.rock),
                "gold_g": each(asdict(one.gold), grams),
                "from": {"mass": one.rock_from, "gold": one.gold_from},
            }
            for name, one in self.streams.items()
        }
        return {
            "tests": self.tests,
            "gold_g": each(asdict(self.held), grams),
            "kept": {
                "gold_g": each(asdict(self.kept), grams),
                "share": asdict(self.kept_share) if self.kept_share is not None else None,
            },
            "streams": streams,
            "lost": list(self.lost),
            "effective_grains": self.effective_grains,
            "coarse": [
                {"opening_mm": millimetres(size), "gold_share": asdict(one), "from": source}
                for size, (one, source) in self.coarse.items()
            ],
        }


def this_test(sheet: Sheet, known: KnownOre) -> ThisTest:
    """Return what the tests held, from the draws of each."""
    tests = known.tests
    fed, kept = (np.asarray(sum(getattr(test, what) for test in tests)) for what in ("fed", "kept"))
    streams, none = {}, known.next_to_none
    below = frozenset.intersection(*(test.below for test in tests)) if tests else frozenset()

    def told_of(draws: Array, nothing: bool) -> Interval:
        one = Interval.of_draws(draws)
        return one.below() if nothing else one

    for name in tests[0].gold:
        told = [name in known.gold_told.get(test.name, ()) for test in tests]
        rock = [name in known.rock_told.get(test.name, ()) for test in tests]
        streams[name] = Held(
            Interval.of_draws(_sum(test.rock[name] for test in tests)),
            told_of(_sum(test.gold[name] for test in tests), none or name in below),
            WEIGHTS if all(rock) else SHEET,
            WEIGHTS if all(told) else SHEET,
        )
    lost = [name for name in sheet.ends if name not in sheet.keep]
    coarse = {
        size: (Interval.of_shares(_sum(t.above[size] for t in tests), fed), WEIGHTS if size in known.coarse else SHEET)
        for size in tests[0].above
    }
    return ThisTest(
        len(tests),
        told_of(fed, none),
        told_of(kept, none or below.issuperset(sheet.keep)),
        Interval.of_shares(kept, fed) if not none else None,
        streams,
        tuple(sorted(lost, key=lambda name: -streams[name].gold.mean)),
        coarse,
        effective_grains(tests),
    )


def effective_grains(tests: Sequence[TestDraws]) -> float | None:
    """Return (Σ n m)² / Σ n m² of the gold in some tests, in the middle of the draws; None where there is no luck.

    Source: L. Kish, Survey Sampling (1965), section 11.7, of the effective size of a weighted sample (from memory).
    """
    fed, luck = _sum(test.fed for test in tests), _sum(test.luck for test in tests)
    return float(np.median(fed[luck > 0] ** 2 / luck[luck > 0])) if (luck > 0).any() else None


def _sum(parts: Any) -> Array:
    return np.asarray(sum(parts))
