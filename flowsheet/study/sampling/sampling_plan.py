"""The sampling plan for a sheet's pile: what is known of it, the plan that is wished for, and what stands beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.material import Material
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, note, texts
from flowsheet.spec.text.wording import argument
from flowsheet.study.common import gy
from flowsheet.study.common.frames import Tabled, Tables, row, rows
from flowsheet.study.common.monte_carlo import cluster
from flowsheet.study.common.units_out import Names, g_per_t, in_units, milligrams, millimetres
from flowsheet.study.estimate.another_sack import assumed_spread
from flowsheet.study.estimate.corrected_draws import gather, grade_of_weights
from flowsheet.study.sampling.plan_search import Search, SplitPlan, poorer, recipes
from flowsheet.study.sampling.sampling_cost import GRINDING, Work, work_of
from flowsheet.study.sampling.sampling_variance import BrokenRock, Pool, as_it_lies, broken
from flowsheet.study.sampling.simulate import Progress, tried
from flowsheet.study.sampling.wish import WANT, Wish

SIZES = (20e-3, 10e-3, 5e-3, 2e-3, 1e-3)
"""Rock is split when it all passes one of these (m): what a riffle takes. Common practice, no source."""
GRIND = 0.2e-3
"""Rock is ground to this (m) before it is panned, where the sheet has no pulverizer with a gap. Typical."""
WEIGHING = 1e-6
"""Doubt (kg) of the scale that weighs the gold, where the sheet has none. Typical, set your own."""
ENOUGH_GRAINS = 20
"""L. Clifton and others, Sample Size and Meaningful Gold Analysis, USGS Professional Paper 625-C (1969)."""
DRAWS, PILES = 200, 400
STEPS_OF_CURVE = 10


@dataclass(frozen=True)
class LeastMass:
    """Least mass (kg) whose fundamental error alone is the wish, where the rock passes ``size`` (m)."""

    size: float
    by_counting: float
    by_gy_ground: float
    by_gy_broken: float
    by_rule: float


POINT: Names = {"mass": ("mass_kg", float), "best_panned": ("best_panned_kg", float)}
"""Fields of a point that plain data tells by another name."""
LEAST: Names = {
    "size": ("size_mm", millimetres),
    **{name: (f"{name}_kg", float) for name in ("by_counting", "by_gy_ground", "by_gy_broken", "by_rule")},
}
SPLIT: Names = {"before": ("before_kg", float), "after": ("after_kg", float)}
ERROR: Names = {"sd": ("relative_sd", float)}
"""How a table calls the fields of a least mass, a split and a stage's error, and the units that it says."""


@dataclass(frozen=True)
class Point:
    """The doubt for the work of running some sacks whole: kg and shares."""

    sacks: int
    mass: float
    whole: float
    #: By Gy's formula for ore ground to the size of its gold, and the normal law.
    whole_by_gy: float
    best: float
    best_sacks: int
    best_panned: float


@dataclass(frozen=True, repr=False)
class SamplingPlan(Tabled):
    """The plan and all that is told with it.

    >>> import flowsheet as fs
    >>> fs.plan("pile/pile.yaml")
    <SamplingPlan: 12 of 40 sacks, 42.0 kg panned, off by 19 % at most (90 % sure)>
    """

    wish: Wish
    pool: Pool
    plan: SplitPlan
    #: Whether the plan does what was wished; else it is the surest that there is.
    met: bool
    work: Work
    #: Work of running a kg as it lies: crushed, ground, panned.
    straight: float
    least: list[LeastMass]
    curve: list[Point]
    #: Rock, as it is split last, that holds twenty of the grains that matter, kg; the gold in one, kg; its size, m.
    twenty: float
    grain: float
    grain_size: float
    #: A poor ore's grade, kg/kg, and the half width then.
    poor: float
    poor_doubt: float
    #: Half width that piles made up grain by grain show.
    found: float
    piles: int
    increments: float
    seed: int
    notes: list[Note]

    def _tables(self) -> Tables:
        return {
            "curve": lambda: rows(self.curve, names=POINT),
            "errors": lambda: rows(self.plan.errors, names=ERROR),
            "least": lambda: rows(self.least, names=LEAST),
            "splits": lambda: (
                {"size_mm": millimetres(one.rock.size), **row(one, SPLIT, deep=False), "halvings": one.halvings}
                for one in self.plan.splits
            ),
        }

    def _headline(self) -> tuple[str, str]:
        plan, sure = self.plan, f"{100 * self.wish.confidence:.0f} % sure"
        told = f"{plan.sacks} of {self.pool.sacks} sacks, {brief(plan.panned)} kg panned"
        return "SamplingPlan", f"{told}, off by {100 * plan.doubt:.0f} % at most ({sure})"

    @property
    def whole(self) -> bool:
        """Whether all of the pile is run, nothing being split off."""
        return self.plan.sacks == self.pool.sacks and not self.plan.splits

    @property
    def grains_taken(self) -> float:
        """Grains that matter, expected in what is panned."""
        return ENOUGH_GRAINS * self.plan.panned / self.twenty

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        plan, pool = self.plan, self.pool
        return {
            "wish": asdict(self.wish),
            "met": self.met,
            "pile": {"sacks": pool.sacks, "sack_mass_kg": pool.sack_mass, "sack_mass_sd_kg": pool.sack_mass_sd,
                     "spread": pool.spread, "rocks": pool.rocks, "grade_g_per_t": g_per_t(pool.grade)},
            "plan": {
                "sacks": plan.sacks,
                "taken_kg": plan.taken,
                "from_each_kg": plan.from_each,
                "panned_kg": plan.panned,
                "splits": [
                    {"all_passes_mm": millimetres(s.rock.size), "before_kg": s.before, "after_kg": s.after,
                     "halvings": s.halvings}
                    for s in plan.splits
                ],
                "errors": [asdict(error) for error in plan.errors],
                "sd": plan.sd,
                "doubt": plan.doubt,
                "work": plan.work,
                "work_in": self.work.currency or "kg",
            },
            "found": {"doubt": self.found, "piles": self.piles, "seed": self.seed},
            "poor": {"grade_g_per_t": g_per_t(self.poor), "doubt": self.poor_doubt},
            "twenty_grains": {"mass_kg": self.twenty, "grain_mg": milligrams(self.grain),
                              "in_the_plan": self.grains_taken},
            "least_mass_kg": [in_units(row, {"size": ("size_mm", millimetres)}) for row in self.least],
            "curve": [in_units(row, POINT) for row in self.curve],
            "increments_by_form": self.increments,
            "notes": texts(self.notes),
        }  # fmt: skip


def planned(sheet: Sheet, wish: Wish, seed: int = 1, progress: Progress = iter) -> SamplingPlan:
    """Find the plan for a sheet's pile. Raises SheetError where it knows no grains or no number of sacks."""
    block = sheet.pile or Pile()
    sacks = wish.sacks if wish.sacks is not None else _sacks(sheet, block)
    model = Model.of(sheet, SIZES)
    solution = solve(model)
    if not model.grains_known or float(solution.fed_gold) <= 0:
        remedy = "Give the ore a grade, sizes: {top: …, p80: …} and gold: {d50: …, d95: …}"
        raise SheetError(
            [
                Mistake(
                    "a plan needs to know the gold and its grains",
                    remedy,
                    file=sheet.file,
                    line=0,
                    code="grains_unknown",
                )
            ]
        )
    pool, poor, notes = _pool(solution, block, sacks, seed)
    site = model.plain.site
    top = pool.lies.size
    grind = _grind(sheet)
    rocks = [broken(pool.lies.material, size, site, pool.cluster, pool.rocks) for size in SIZES if grind < size < top]
    work = work_of(sheet)
    ways = recipes(pool, rocks, grind, work)
    search = Search.of(pool, ways, wish.confidence)
    plan, met = _wished(search, wish, ways[0].work)
    last = plan.splits[-1].rock if plan.splits else pool.lies
    grain = last.grains * pool.grade
    errors = tried(pool, plan, site, PILES, seed, progress)
    normal = NormalDist().inv_cdf((1 + wish.confidence) / 2)
    wanted = wish.want if wish.want is not None else plan.doubt
    return SamplingPlan(
        wish=wish,
        pool=pool,
        plan=plan,
        met=met,
        work=work,
        straight=ways[0].work,
        least=[_least(rock, wanted / normal) for rock in (pool.lies, *rocks)],
        curve=list(_curve(search)),
        twenty=gy.least_mass(1 / math.sqrt(ENOUGH_GRAINS), last.grains),
        grain=grain,
        grain_size=float(site.grid.size[-1] * (grain / pool.grain_mass[-1]) ** (1 / 3)),
        poor=poor,
        poor_doubt=poorer(pool, plan, poor, wish.confidence),
        found=float(np.quantile(np.abs(errors), wish.confidence)),
        piles=PILES,
        increments=gy.increments(pool.mass),
        seed=seed,
        notes=notes,
    )


def _sacks(sheet: Sheet, block: Pile) -> int:
    if block.sacks is None:
        remedy = f"Write pile: {{sacks: 40, sack_mass: 14 kg ± 1 kg, spread: 30 %}}, or add {argument('sacks', 40)}"
        message = "the sheet does not say how many sacks the pile has"
        raise SheetError([Mistake(message, remedy, field="pile.sacks", file=sheet.file, line=0, code="sacks_unknown")])
    return round(block.sacks.value)


def _pool(solution: Solution, block: Pile, sacks: int, seed: int) -> tuple[Pool, float, list[Note]]:
    """Return what is known of the pile, the grade (kg/kg) that a poor ore would have, and notes."""
    model = solution.model
    sheet, site = model.sheet, model.plain.site
    notes: list[Note] = []
    gathered = gather(solution, DRAWS, seed)
    grades = gathered.grade
    grade = float(np.median(grades))
    low = float(np.quantile(grades, 0.05))
    feed = Material.total(solution.streams[name] for name in sheet.ores)
    times = grade * float(feed.solids) / float(feed.gold)
    feed = Material(feed.light, feed.heavy, times * feed.free, times * feed.locked)
    mass = block.sack_mass
    if mass is None:
        sentence = "a sack is taken to weigh what the sheet's ore does, {sack_kg:.3g} kg."
        notes.append(note("sack_mass_of_the_ore", sentence, sack_kg=float(feed.solids)))
    notes += assumed_spread(sheet)
    if gathered.weighed is not None:
        notes.append(grade_of_weights())
    together = cluster(model)
    fed_gold = float(solution.fed_gold)
    kept = sum(float(solution.streams[name].gold) for name in sheet.keep)
    pool = Pool(
        sacks=sacks,
        sack_mass=float(feed.solids) if mass is None else mass.value,
        sack_mass_sd=0.0 if mass is None else mass.sd,
        spread=block.spread.value,
        rocks=block.rocks.value,
        cluster=together,
        grade=grade,
        lost_share=max(1 - kept / fed_gold, 0.0),
        assay=block.assay.value,
        weighing=WEIGHING if block.weighing is None else block.weighing.value,
        lies=as_it_lies(feed, site, together, block.rocks.value),
        grain_mass=grains.grain_mass(site.grid.size, site.fineness),
    )
    return pool, low if low < 0.99 * grade else grade / 2, notes


def _grind(sheet: Sheet) -> float:
    gaps = [s.set_size.value for s in sheet.steps.values() if s.plan_work == GRINDING and s.set_size is not None]
    return min(gaps, default=GRIND)


def _wished(search: Search, wish: Wish, straight: float) -> tuple[SplitPlan, bool]:
    """Return the plan that is asked for, and whether it does what is asked."""
    if wish.mass is not None:
        plan = search.surest(wish.mass * straight)
        if plan is None:
            enough = min(way.work for way in search.ways) * search.pool.sack_mass / straight
            remedy = f"Write {argument('mass', f'{math.ceil(100 * enough) / 100:g}kg')} or more"
            message = "that does not do for breaking one sack and panning a little of it"
            raise SheetError(
                [Mistake(message, remedy, file=argument("mass"), read=f"{wish.mass:g} kg", code="mass_too_small")]
            )
        return plan, True
    plan = search.cheapest(wish.want if wish.want is not None else WANT)
    if plan is not None:
        return plan, True
    return search.straight(search.pool.sacks), False


def _least(rock: BrokenRock, sd: float) -> LeastMass:
    return LeastMass(
        size=rock.size,
        by_counting=gy.least_mass(sd, rock.heterogeneity),
        by_gy_ground=gy.least_mass(sd, rock.gy_ground),
        by_gy_broken=gy.least_mass(sd, rock.gy_broken),
        by_rule=gy.rule_of_thumb(rock.size),
    )


def _curve(search: Search) -> Iterator[Point]:
    """Go through numbers of sacks from one to all, by ratio."""
    pool, normal = search.pool, NormalDist().inv_cdf((1 + search.confidence) / 2)
    for sacks in sorted({round(n) for n in np.geomspace(1, pool.sacks, STEPS_OF_CURVE)}):
        whole = search.straight(sacks)
        best = search.surest(whole.work) or whole
        total = whole.errors[-1]
        by_gy = normal * (total.gy_ground or 0.0)
        yield Point(sacks, whole.taken, whole.doubt, by_gy, best.doubt, best.sacks, best.panned)
