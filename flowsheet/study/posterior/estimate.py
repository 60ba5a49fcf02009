"""The one estimate of a sheet and its weights: draws of what each test held, kept and lost, and of its ore.

The weights say what happened; the model fills in what nobody weighed, with the doubt that it deserves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.balance import fired_streams, metal_streams
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import BEAD, GRAINS, MASS, OF_GOLD, PASSING, Measurement, picked_from
from flowsheet.spec.blocks.pile import TYPICAL_SPREAD
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.study.common.monte_carlo import DRAWS
from flowsheet.study.common.uncertain_inputs import mass_name
from flowsheet.study.posterior import streams
from flowsheet.study.posterior.evidence import TestEvidence, clusters, told_steps
from flowsheet.study.posterior.forward import Expected, Sent, expected
from flowsheet.study.posterior.grain_luck import draw_amounts, likely, saddlepoint
from flowsheet.study.posterior.importance import resampled, sampled
from flowsheet.study.posterior.picked_metal import picked_of, ways_with
from flowsheet.study.posterior.posterior_mode import Search
from flowsheet.study.posterior.unknowns import SIZE, Unknowns, cluster_law

UNEVEN = 1e-9


@dataclass(frozen=True)
class TestDraws:
    """D equally likely draws of what one test held, kg: gold by stream, and in rock above each opening."""

    __test__ = False

    name: str
    gold: dict[str, Array]
    rock: dict[str, Array]
    fed: Array
    kept: Array
    above: dict[float, Array]
    #: The variance (kg²) of the luck with what the grade of the ore would have it hold.
    luck: Array
    #: Whether any of its weights speaks of gold.
    told: bool
    #: Rock that it was fed over that of the sheet, and the gold by each way, (D, ways).
    ratio: float
    by_way: Array
    #: Stream → gold (kg) that was picked out of it by hand, which is kept; it is no more in ``gold``.
    picked: dict[str, Array] = field(default_factory=dict)
    #: Streams of which the metal was put on a scale that read less than three of its standard deviations.
    below: frozenset[str] = frozenset()
    #: Whether that is so of all gold that was weighed: what the test held then has no lower end.
    next_to_none: bool = False


@dataclass(frozen=True)
class Posterior:
    """D equally likely draws of the unknowns, what they are, and what each test held."""

    model: Model
    #: Numbers, tilts and slacks by name, (D,).
    values: dict[str, Array]
    #: Grains that lie together, (D,).
    cluster: Array
    #: Gold over rock of all ores together, as the grade of the ore has it, (D,).
    grade: Array
    tests: tuple[TestDraws, ...]
    #: Opening (m) → share of the ore's gold in rock above it, (D,).
    coarse: dict[float, Array]
    #: How many independent draws these are worth.
    effective: float
    weighs_gold: bool
    #: (band of the feed, end) of each way that gold takes; behind them each test has those of what it picked.
    ways: tuple[tuple[int, str], ...]
    #: What was unknown; None where the draws were read from a sheet that ``fit`` wrote.
    unknowns: Unknowns | None = None
    #: By how many standard deviations the sizes of grains that nobody told of are off, (D,); None where they are told.
    off: Array | None = None

    @property
    def next_to_none(self) -> bool:
        """Whether gold was weighed, and in no test could it be told from none."""
        told = [test for test in self.tests if test.told]
        return bool(told) and all(test.next_to_none for test in told)


def posterior(model: Model, openings: Sequence[float] = (), draws: int = DRAWS, seed: int = 1) -> Posterior:
    """Return the estimate; ``openings`` (m) are those of coarse shares, which must be class limits of the model."""
    sheet = model.sheet
    rng = np.random.default_rng(seed)
    tests, replaced = _tests(model)
    weighs_gold = any(test.weighs_gold for test in tests)
    names = tuple(test.name for test in tests if test.weighs_gold)
    spread = sheet.pile.spread.value if sheet.pile is not None else TYPICAL_SPREAD
    picked = tuple((test.name, stream) for test in tests for stream in test.picked)
    unknowns = Unknowns.of(model, weighs_gold, told_steps(model, tests), replaced, names, spread, picked)
    clusters = cluster_law(sheet)
    falling = tuple(sorted(openings, reverse=True))
    # Gold weighed on its way has luck of its own: which rocks came there tells the band of the feed.
    passing = any(m.what in OF_GOLD and m.stream not in model.ends for test in tests for m in test.measured)
    search = Search(unknowns, tests, float(np.dot(*clusters)), falling if passing else ())

    def log_density(z: Array, cluster: Array) -> Array:
        e = expected(unknowns, z, search.plain, search.openings, cluster)
        told = sum((test.log_likelihood(e, model, cluster) for test in tests), np.zeros(len(z)))
        return np.asarray(told + unknowns.log_prior(z) + e.solver.prior())

    found = sampled(log_density, *search.mode(), clusters, rng)
    at = resampled(found.weights, draws, rng)
    # Many are drawn more than once: each is solved once.
    once, cluster = np.flatnonzero(np.bincount(at, minlength=len(found.z))), found.cluster[at]
    e = expected(unknowns, found.z[once], search.plain, falling, found.cluster[once]).at(np.searchsorted(once, at))
    told = tuple(_drawn(model, test, e, cluster, falling, rng) for test in tests)
    fed = sum(e.gold[n].sum(axis=-1) for n in sheet.ores)
    grade = fed / sum(e.rock[n] for n in sheet.ores)
    by_band = [np.asarray(sum(band[n] for n in sheet.ores)) for band in e.by_band]
    above = {size: sum(by_band[: i + 1]) / np.maximum(fed, 1e-300) for i, size in enumerate(falling)}
    grade = np.asarray(grade)
    off = None if model.grains_known else found.z[at, unknowns.names.index(SIZE)]
    return Posterior(model, e.values, cluster, grade, told, above, found.effective, weighs_gold, e.ways, unknowns, off)


def _tests(model: Model) -> tuple[tuple[TestEvidence, ...], dict[str, Number]]:
    """Return the tests, and the numbers of the sheet in whose place a weighing stands (the feed of a sole test)."""
    sheet = model.sheet
    metal, fired = metal_streams(sheet), fired_streams(sheet)
    names = list(dict.fromkeys(m.test for m in sheet.weighed)) or [""]
    replaced: dict[str, Number] = {}
    tests = []
    uneven = _uneven(model) if len(names) > 1 else 0.0
    for name in names:
        mine = [_as_metal(m, metal) for m in sheet.weighed if m.test == name and _foretold(model, m)]
        weighed = {m.stream: m for m in mine if m.what == MASS and m.stream in sheet.ores}
        if len(names) == 1:
            for stream, m in weighed.items():
                replaced[mass_name(sheet, stream)] = sheet.ores[stream].mass.rewritten(m.value, m.sd)
        mine = [m for m in mine if m not in weighed.values()]
        # What leaves fire holds flux, or is the cupel: no model foretells its mass, which is there for its grade.
        solid = [m for m in mine if not (m.what == MASS and m.stream in fired)]
        stated = {n: ore.mass.value for n, ore in sheet.ores.items()}
        real = {n: weighed[n].value if n in weighed else mass for n, mass in stated.items()}
        ratio = sum(real.values()) / sum(stated.values()) if len(names) > 1 else 1.0
        masses = tuple(m for m in mine if m not in solid)
        picked = picked_of(model, mine)
        tests.append(TestEvidence(name, tuple(solid), ratio, uneven * abs(ratio - 1), masses, picked))
    return tuple(tests), replaced


def _as_metal(m: Measurement, metal: set[str]) -> Measurement:
    """Metal on a scale is gold and silver, with the luck of its grains, and no rock."""
    return replace(m, what=BEAD) if m.what == MASS and m.stream in metal else m


def _foretold(model: Model, m: Measurement) -> bool:
    return {PASSING: model.grid.sized, GRAINS: model.grains_known}.get(m.what, True)


def _uneven(model: Model) -> float:
    """Return how far streams are from being in proportion to the feed (a pan that is stopped at so many grams)."""
    plain = solve(model)
    feeds = {n: m + m for n, m in model.plain.feeds.items()}
    added = {n: 2 * mass for n, mass in model.plain.added.items()}
    double = solve(model, replace(model.plain, feeds=feeds, added=added))
    off = [abs(float(double.streams[n].solids) - 2 * float(m.solids)) for n, m in plain.streams.items()]
    return 1.0 if max(off) > UNEVEN * float(plain.fed_solids) else 0.0


def _drawn(
    model: Model,
    test: TestEvidence,
    e: Expected,
    cluster: Array,
    openings: tuple[float, ...],
    rng: np.random.Generator,
) -> TestDraws:
    """Draw what came by each way given what was weighed, and from that what every stream held."""
    mass = cluster[:, None] * e.grain
    scale = test.ratio * e.sacks.get(test.name, np.ones(e.draws))
    if test.weighs_gold:
        told = test.gold(e, model)
        # What no weight saw may hold the rarest grains: there they widen nothing but what they should.
        seen = (told.weigh != 0).any(axis=(0, 1))
        number = np.where(seen[:, None], clusters(told, mass)[0], told.by_way / mass[:, None, :])
        saddle = saddlepoint(number[:, seen], mass, told.weigh[:, :, seen], told.found, told.noise)
        amounts = draw_amounts(number, mass, told.weigh, told.found, told.noise, saddle.tilt, rng)
    else:
        amounts = rng.poisson(np.minimum(scale[:, None, None] * e.by_way / mass[:, None, :], 1e15)) * mass[:, None, :]
    # Of grains so large that hardly any sack holds one there is no luck, as there is none in the likelihood.
    number, _ = likely(test.ratio * e.by_way / mass[:, None, :])
    luck = (number * mass[:, None, :] ** 2).sum(axis=(1, 2))
    by_way = amounts.sum(axis=-1)
    held = held_by(model, test.name, test.ratio, by_way, e.sent, openings, luck, test.weighs_gold, test.picked)
    return replace(held, below=test.below, next_to_none=test.next_to_none)


def held_by(
    model: Model,
    name: str,
    ratio: float,
    by_way: Array,
    sent: Sent,
    openings: tuple[float, ...],
    luck: Array,
    told: bool,
    picked: tuple[str, ...] = (),
) -> TestDraws:
    """Return what every stream of a test held, bottom up from the gold ``by_way`` (D, ways) that came to each end.

    ``picked``: streams out of which metal was picked, whose ways stand behind the others.
    """
    draws = len(by_way)
    ends = [end for band, end in sent.ways if band == 0]
    gold = {n: np.zeros(draws) for n in sent.rock}
    fed_by_band = []
    ways = ways_with(sent.ways, picked)
    by_hand = {stream: by_way[:, [i for i, (_, end) in enumerate(ways) if end == picked_from(stream)]].sum(axis=-1)
               for stream in picked}  # fmt: skip
    for band, expected_gold in enumerate(sent.by_band):
        mine = by_way[:, [i for i, (b, _) in enumerate(ways) if b == band]]
        through = streams.of_ends(model, expected_gold, ends, sent.caught, picked)
        for n in gold:
            gold[n] = gold[n] + (through[n] * mine).sum(axis=-1)
        fed_by_band.append(mine.sum(axis=-1))
    kept = np.asarray(sum((*(gold[n] for n in model.sheet.keep), *by_hand.values()), np.zeros(draws)))
    above = {opening: np.asarray(sum(fed_by_band[: i + 1])) for i, opening in enumerate(openings)}
    rock = {n: ratio * mass for n, mass in sent.rock.items()}
    return TestDraws(name, gold, rock, by_way.sum(axis=-1), kept, above, luck, told, ratio, by_way, by_hand)
