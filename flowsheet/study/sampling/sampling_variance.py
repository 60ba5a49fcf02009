"""What each stage of taking a sample adds to the doubt: sacks, grains, rocks, and the trade's formula beside them.

A split that keeps ``after`` of ``before`` kg takes every free grain, and every rock with all that is locked in it, with
the same chance. Its relative variance is H (1/after - 1/before), P. M. Gy's form (Sampling of Particulate Materials,
1979, from memory), with H in kg a property of the rock as it is broken then:

* grains: Σ m g / G², over all grains g of mass m among G of gold, times the rock they are in. Breaking does not make
  grains of gold smaller, so finer breaking leaves this as it is, but for grains that lay together;
* grouping: rocks that go as a whole. Of a class of N rocks of mass w that hold μ of gold each on the average,
  N ((μ - grade w)² + r² μ²), where r is how far one rock's grade is off the next one's. Breaking finer makes it small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import grains, sizes
from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.steps._crusher import until_all_passes
from flowsheet.steps.base import Site
from flowsheet.study.common import gy

REDUCTION = 5.0
"""A machine makes pieces so many times smaller in one pass: common practice, no source."""


@dataclass(frozen=True)
class BrokenRock:
    """Rock broken until all of it passes a size, and what a kg of it adds to the doubt (each H in kg)."""

    #: m; the ore as it lies has its own top size.
    size: float
    material: Material
    #: Grains of each class that go together on the average, (S,).
    lumps: Array
    grains: float
    grouping: float
    #: By Gy's formula, with the liberation factor of handbooks, and for ore ground to the size of its gold.
    gy_broken: float
    gy_ground: float

    @property
    def heterogeneity(self) -> float:
        """H of grains and grouping, kg."""
        return self.grains + self.grouping


def as_it_lies(feed: Material, site: Site, cluster: float, rocks: float) -> BrokenRock:
    """Return the ore before anything is broken."""
    return _of(feed, float(site.grid.upper[0]), site, cluster, rocks)


def broken(feed: Material, size: float, site: Site, cluster: float, rocks: float) -> BrokenRock:
    """Return ``feed`` broken until all passes ``size`` (m), a class limit: what is coarser goes through again.

    ``cluster``: grains that lie together as long as they are locked; ``rocks``: relative sd between rocks.
    """
    return _of(until_all_passes(size, site)(feed), size, site, cluster, rocks)


def _of(material: Material, size: float, site: Site, cluster: float, rocks: float) -> BrokenRock:
    one = grains.grain_mass(site.grid.size, site.fineness)
    mass, gold, by_grain = float(material.solids), float(material.gold), material.gold_by_grain
    locked = np.divide(material.locked.sum(axis=0), by_grain, out=np.zeros_like(by_grain), where=by_grain > 0)
    lumps = 1 + (cluster - 1) * locked
    counted = float((by_grain * lumps) @ one)
    number = grains.rocks(material, site.grid)
    there = number > 0
    held = np.divide(material.locked_by_host, number, out=np.zeros_like(number), where=there)
    due = gold / mass * np.divide(material.rock_by_size, number, out=np.zeros_like(number), where=there)
    grouped = float((number * ((held - due) ** 2 + (rocks * held) ** 2)).sum())
    by_gy = _by_gy(material, site)
    return BrokenRock(size, material, lumps, counted * mass / gold**2, grouped * mass / gold**2, *by_gy)


def _by_gy(material: Material, site: Site) -> tuple[float, float]:
    upper, rock = site.grid.upper, material.rock_by_size
    top, least = (float(sizes.size_passing(upper, rock, share)) for share in (gy.PASSES, 1 - gy.PASSES))
    grain = float(sizes.size_passing(upper, material.gold_by_grain, gy.PASSES))
    fine = float(np.mean(site.fineness))
    metal = min(float(material.gold) / fine / float(material.solids), 1.0)
    factor = gy.composition(metal, float(grains.alloy_density(np.asarray(fine))), grains.QUARTZ)
    g = gy.size_range_factor(top / least)
    as_broken = gy.variance(1.0, top, factor, gy.liberation_factor(grain, top), g=g)
    return as_broken, gy.variance(1.0, grain, factor, 1.0)


def passes(before: float, after: float) -> int:
    """Return how often rock goes through a machine to come from one size to another (both m)."""
    return max(math.ceil(math.log(before / after) / math.log(REDUCTION) - 1e-9), 0)


def sack_variance(spread: float, taken: float, sacks: float) -> float:
    """Return the variance of the mean of ``taken`` of ``sacks`` sacks whose values have the sd ``spread``.

    ``spread`` counts degrees of freedom (n - 1). Source: W. G. Cochran, Sampling Techniques (3rd ed., 1977), theorem
    2.2 (from memory).
    """
    return spread**2 / taken * (1 - taken / sacks)


@dataclass(frozen=True)
class SampleSplit:
    """One breaking and splitting: all passes ``size`` (m), and ``after`` of ``before`` kg are kept."""

    rock: BrokenRock
    before: float
    after: float

    @property
    def halvings(self) -> int:
        """How often the rock goes over the riffle, half being kept."""
        return round(math.log2(self.before / self.after))

    def variance(self, heterogeneity: float) -> float:
        """Return the relative variance that the split adds."""
        return heterogeneity * (1 / self.after - 1 / self.before)


@dataclass(frozen=True)
class StageError:
    """Relative standard deviations of one stage. By Gy: None where the formula has nothing to say."""

    stage: str
    kind: str
    sd: float
    gy_broken: float | None = None
    gy_ground: float | None = None


SACKS, GRAINS, GROUPING, MEASURING = "between sacks", "luck of grains", "rocks go whole", "assay and weighing"
TOTAL = "all together"


@dataclass(frozen=True)
class Pool:
    """A pile to be sampled; masses in kg, the rest relative."""

    sacks: int
    sack_mass: float
    sack_mass_sd: float
    spread: float
    rocks: float
    cluster: float
    #: Gold in the rock, kg/kg, and the share of it that is assayed in what is not kept.
    grade: float
    lost_share: float
    assay: float
    weighing: float
    lies: BrokenRock
    #: Fine gold in one grain of each class, kg, (S,).
    grain_mass: Array

    @property
    def mass(self) -> float:
        """Rock in the whole pile."""
        return self.sacks * self.sack_mass

    def at_sacks(self, taken: float) -> float:
        """Return the relative variance between sacks, for ``taken`` of them: grades, and unlike masses with them."""
        mixed = self.spread * math.sqrt(1 + (self.sack_mass_sd / self.sack_mass) ** 2)
        return sack_variance(mixed, taken, self.sacks)

    def in_sacks(self, heterogeneity: float, taken: float) -> float:
        """Return the relative variance of which grains are in the sacks that are taken."""
        return heterogeneity * (1 / (taken * self.sack_mass) - 1 / self.mass)

    def measured(self, panned: float) -> float:
        """Return the relative variance of assay and weighing where ``panned`` kg are run."""
        return (self.lost_share * self.assay) ** 2 + (self.weighing / (self.grade * panned)) ** 2

    def errors(self, taken: int, splits: Sequence[SampleSplit]) -> list[StageError]:
        """Return the error of every stage, and of all together."""
        rows = [StageError("sacks", SACKS, math.sqrt(self.at_sacks(taken)))]
        lies = self.lies
        in_sacks = (math.sqrt(self.in_sacks(h, taken)) for h in (lies.grains, lies.gy_broken, lies.gy_ground))
        rows.append(StageError("sacks", GRAINS, *in_sacks))
        for number, split in enumerate(splits, 1):
            rock, name = split.rock, f"split {number}"
            by_gy = (math.sqrt(split.variance(h)) for h in (rock.gy_broken, rock.gy_ground))
            rows.append(StageError(name, GRAINS, math.sqrt(split.variance(rock.grains)), *by_gy))
            rows.append(StageError(name, GROUPING, math.sqrt(split.variance(rock.grouping))))
        panned = splits[-1].after if splits else taken * self.sack_mass
        rows.append(StageError("bead and tailings", MEASURING, math.sqrt(self.measured(panned))))
        return [*rows, _together(rows)]


def _together(rows: Sequence[StageError]) -> StageError:
    """Add in quadrature; Gy's sums take his formula in place of grains and grouping."""
    other = [row.sd for row in rows if row.kind in (SACKS, MEASURING)]
    by_gy = (
        math.hypot(*other, *(value for row in rows if (value := getattr(row, name)) is not None))
        for name in ("gy_broken", "gy_ground")
    )
    return StageError("", TOTAL, math.hypot(*(row.sd for row in rows)), *by_gy)
