"""What the tests held, kept and lost, as told of the draws of the one estimate; with what of it is weighed."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.feed import RICH
from flowsheet.spec.blocks.fitted_estimate import CAUGHT
from flowsheet.spec.blocks.measurement import picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.streams import KEPT, SizeRow, Stream
from flowsheet.study.common.units_out import each, grams, millimetres

if TYPE_CHECKING:
    from flowsheet.study.estimate.ore_from_weights import KnownOre
    from flowsheet.study.posterior.estimate import TestDraws

WEIGHTS, SHEET = "weights", "sheet"
"""What a number is from: weighed, or determined by the balance of weights alone; or filled in by the sheet's model."""


@dataclass(frozen=True)
class Held:
    """Rock and gold of one stream, kg, its share of the gold that was held, and what rock and gold are from."""

    rock: Interval
    gold: Interval
    share: Interval
    rock_from: str
    gold_from: str


@dataclass(frozen=True)
class ThisTest:
    """What all tests of a sheet held together: amounts in kg, shares of the gold that they held."""

    tests: int
    #: Rock that they were fed, as a multiple of the sheet's.
    sacks: float
    held: Interval
    kept: Interval
    #: None where what was weighed cannot be told from no gold at all, so that nobody knows of what it would be a share.
    kept_share: Interval | None
    streams: Mapping[str, Held]
    #: The end streams that are not kept, by the gold that they took, the most first.
    lost: tuple[str, ...]
    #: Stream → gold that was picked out of it by hand and is kept, and its share; the stream holds what was left.
    picked: Mapping[str, tuple[Interval, Interval]]
    #: Stream at which a loop holds gold for ever → that gold, and its share of all that was held.
    caught: Mapping[str, tuple[Interval, Interval]]
    #: Opening (m) → share of the gold in rock above it, and what that is from.
    coarse: Mapping[float, tuple[Interval, str]]
    #: How many grains all alike, together as heavy as the gold, would have its luck: those that matter. None: no luck.
    effective_grains: float | None
    #: The draws that all this is read from.
    known: KnownOre = field(repr=False, compare=False)

    @cached_property
    def sizes(self) -> Mapping[str, tuple[SizeRow, ...]]:
        """Each stream by size class, kg: of all tests together, so that the classes make its rock and its gold."""
        from flowsheet.study.posterior.by_size import by_size

        return by_size(self.known.found, self.known.tests)

    def flows(self, planned: Mapping[str, Stream], ores: Container[str]) -> dict[str, Stream]:
        """Return the streams as the estimate has them, of all tests together; what it does not tell as ``planned``.

        Behind them stands metal that was picked out of them by hand (``picked_from``), as fine as they are planned.
        ``ores``: streams that weigh what their rock does; of others the metal counts too where they are rich, with
        silver as planned.
        """
        found = {}
        for name, one in self.streams.items():
            plan = planned[name]
            rock, gold = one.rock.mean, one.gold.mean
            silver = gold * plan.silver / plan.gold if plan.gold > 0 else 0.0
            counts = name not in ores and gold > RICH * rock
            mass = rock + gold + silver if counts else rock
            found[name] = replace(
                plan,
                mass=mass,
                gold=gold,
                silver=silver,
                grade=gold / mass if mass > 0 else 0.0,
                gold_share=one.share.mean,
                sizes=self.sizes[name],
            )
        for name, (picked, share) in self.picked.items():
            plan = planned[name]
            by = 1 + plan.silver / plan.gold if plan.gold > 0 else 1.0
            found[picked_from(name)] = Stream(
                mass=by * picked.mean,
                gold=picked.mean,
                grade=1 / by,
                mass_share=0.0,
                gold_share=share.mean,
                free_share=1.0,
                silver=(by - 1) * picked.mean,
                fate=KEPT,
                sizes=(),
            )
        return found

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        streams = {
            name: {
                "mass_kg": asdict(one.rock),
                "gold_g": each(asdict(one.gold), grams),
                "gold_share": asdict(one.share),
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
            "picked": {
                name: {"gold_g": each(asdict(gold), grams), "gold_share": asdict(share)}
                for name, (gold, share) in self.picked.items()
            },
            "caught": {
                name: {"gold_g": each(asdict(gold), grams), "gold_share": asdict(share)}
                for name, (gold, share) in self.caught.items()
            },
            "effective_grains": self.effective_grains,
            "coarse": [
                {"opening_mm": millimetres(size), "gold_share": asdict(one), "from": source}
                for size, (one, source) in self.coarse.items()
            ],
        }


def this_test(sheet: Sheet, known: KnownOre, cuts: Sequence[str] = ()) -> ThisTest:
    """Return what the tests held, from the draws of each; ``cuts``: streams at which its loops are cut, in order."""
    tests = known.tests
    fed, kept = (np.asarray(sum(getattr(test, what) for test in tests)) for what in ("fed", "kept"))
    caught = _caught(known, cuts, fed)
    # The balance of weights alone knows nothing of gold that a loop has caught, nor of what brought it there.
    unsure = upstream(sheet, caught)
    streams, none = {}, known.next_to_none
    below = frozenset.intersection(*(test.below for test in tests)) if tests else frozenset()

    def told_of(draws: Array, nothing: bool) -> Interval:
        one = Interval.of_draws(draws)
        return one.below() if nothing else one

    def share_of(draws: Array, nothing: bool) -> Interval:
        one = Interval.of_shares(draws, fed)
        return one.below() if nothing else one

    for name in tests[0].gold:
        told = [name in known.gold_told.get(test.name, ()) for test in tests]
        rock = [name in known.rock_told.get(test.name, ()) for test in tests]
        gold = _sum(test.gold[name] for test in tests)
        streams[name] = Held(
            Interval.of_draws(_sum(test.rock[name] for test in tests)),
            told_of(gold, none or name in below),
            share_of(gold, none or name in below),
            WEIGHTS if all(rock) else SHEET,
            WEIGHTS if all(told) and name not in unsure else SHEET,
        )
    hands = [_sum(test.picked.get(name, np.zeros_like(fed)) for test in tests) for name in tests[0].gold]
    picked = {
        name: (Interval.of_draws(gold), Interval.of_shares(gold, fed))
        for name, gold in zip(tests[0].gold, hands, strict=True)
        if any(name in test.picked for test in tests)
    }
    lost = [name for name in sheet.ends if name not in sheet.keep]
    coarse = {
        size: (Interval.of_shares(_sum(t.above[size] for t in tests), fed), WEIGHTS if size in known.coarse else SHEET)
        for size in tests[0].above
    }
    return ThisTest(
        len(tests),
        sum(test.ratio for test in tests),
        told_of(fed, none),
        told_of(kept, none or (below.issuperset(sheet.keep) and not picked)),
        Interval.of_shares(kept, fed) if not none else None,
        streams,
        tuple(sorted(lost, key=lambda name: -streams[name].gold.mean)),
        picked,
        caught,
        coarse,
        effective_grains(tests),
        known,
    )


def _caught(known: KnownOre, cuts: Sequence[str], fed: Array) -> dict[str, tuple[Interval, Interval]]:
    """Return the gold that loops have caught, by the stream at which each is cut, and its share of ``fed`` (D,)."""
    found = {}
    for i, stream in enumerate(cuts):
        ways = [k for k, (_, end) in enumerate(known.found.ways) if end == f"{CAUGHT} {i}"]
        gold = _sum(test.by_way[:, ways].sum(axis=-1) for test in known.tests)
        if float(gold.mean()) > 0:
            found[stream] = Interval.of_draws(gold), Interval.of_shares(gold, fed)
    return found


def upstream(sheet: Sheet, streams: Iterable[str]) -> set[str]:
    """Return some streams with all that gold of theirs may have come by."""
    found: set[str] = set()
    waiting = list(streams)
    while waiting:
        stream = waiting.pop()
        if stream not in found:
            found.add(stream)
            maker = sheet.makers.get(stream)
            waiting += sheet.steps[maker].takes if maker is not None else []
    return found


def effective_grains(tests: Sequence[TestDraws]) -> float | None:
    """Return (Σ n m)² / Σ n m² of the gold in some tests, in the middle of the draws; None where there is no luck.

    Source: L. Kish, Survey Sampling (1965), section 11.7, of the effective size of a weighted sample (from memory).
    """
    fed, luck = _sum(test.fed for test in tests), _sum(test.luck for test in tests)
    return float(np.median(fed[luck > 0] ** 2 / luck[luck > 0])) if (luck > 0).any() else None


def _sum(parts: Any) -> Array:
    return np.asarray(sum(parts))
