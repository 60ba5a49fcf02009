"""What weighing in water tells of a rock, and of many: masses in kg, densities in g/cm3, which is kg a litre."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from flowsheet.ore.arrays import NORMAL_95, Array
from flowsheet.spec.rocks.specimen_table import Specimen
from flowsheet.spec.text.brief import brief, counted
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.study.common.frames import Tabled, Tables, parts, row
from flowsheet.study.common.notebook_result import Shown
from flowsheet.study.common.units_out import Names, grams

ONE_SIDE = NORMAL_95
"""95 % point of the normal law: both ends of a 90 % interval, and L. A. Currie's limits."""


@dataclass(frozen=True)
class Estimate:
    """A mass in kg: as stated, its standard deviation, and the ends that hold it nine times in ten."""

    value: float
    sd: float
    low: float
    high: float

    @classmethod
    def of_draws(cls, value: float, draws: Array) -> Estimate:
        """Return the estimate whose doubt a sample shows."""
        low, high = np.quantile(draws, (0.05, 0.95))
        return cls(value, float(draws.std()), float(low), float(high))

    @classmethod
    def first_order(cls, value: float, slopes: Iterable[float]) -> Estimate:
        """Return the estimate by the changes (kg) that one standard deviation of each cause makes."""
        sd = math.hypot(*slopes)
        return cls(value, sd, value - ONE_SIDE * sd, value + ONE_SIDE * sd)


@dataclass(frozen=True)
class Smallest:
    """The smallest gold that can be told, kg (L. A. Currie, Limits for Qualitative Detection, Anal. Chem. 40, 1968)."""

    #: More than this is seen by luck in one rock of twenty that holds none: 1.645 sd at no gold.
    decision: float
    #: Gold that nineteen rocks of twenty would show: 3.29 sd at no gold.
    detection: float
    #: The same if the host's density were known for sure: what the scale alone can tell.
    scale_only: float


@dataclass(frozen=True, repr=False)
class SpecimenGold(Shown):
    """What one specimen holds; masses in kg, densities in g/cm3.

    >>> import flowsheet as fs
    >>> fs.specimen("96 g", "74.5 g", host="quartz").specimens[0]
    <Specimen 'specimen': 45.2 ± 0.570 g gold, 4.47 g/cm3>
    """

    specimen: Specimen
    gold: Estimate
    alloy: Estimate
    by_first_order: Estimate
    #: Cause → change of the fine gold (kg) by one standard deviation of it. Causes common to rocks share a name.
    slopes: dict[str, float]
    density: float
    metal: float
    #: Parts of gold in one of metal.
    fine: float
    volume_share: float
    trade_rule: float
    smallest: Smallest
    #: Mineral → its share by mass with which the rock would weigh the same without gold; None where no share would do.
    without_gold: dict[str, float | None]
    #: Change of the fine gold by as much weight too much in air (a wet face), kg a kg, and by air under water,
    #: kg a litre.
    per_wet: float
    per_air: float
    #: Change of the fine gold if the water were at 25 °C; 0 where the temperature is told.
    by_warm_water: float
    #: Whether it weighs more than solid metal of its volume, by more than the doubt of that (1.645 sd).
    cannot_be: bool

    def _headline(self) -> tuple[str, str]:
        gold = self.gold
        told = (
            "weights that cannot be"
            if self.cannot_be
            else f"{brief(grams(gold.value))} ± {brief(grams(gold.sd))} g gold"
        )
        return f"Specimen '{self.specimen.name}'", f"{told}, {brief(self.density)} g/cm3"


SPECIMEN: Names = {
    "density": ("density_g_per_cm3", float),
    "metal": ("metal_g_per_cm3", float),
    "trade_rule": ("trade_rule_g", grams),
    "per_wet": ("per_wet_g_per_g", float),
    "per_air": ("per_air_g_per_cm3", float),
    "by_warm_water": ("by_warm_water_g", grams),
}
"""How a table calls the fields of a specimen, and the units that it says (kg a litre is g a cm3)."""


@dataclass(frozen=True, repr=False)
class Specimens(Tabled):
    """What all specimens hold, and the sum of those that can be.

    >>> import flowsheet as fs
    >>> fs.specimen("96 g", "74.5 g", host="quartz")
    <Specimens: 1 rock, 45.2 ± 0.570 g gold>
    """

    specimens: tuple[SpecimenGold, ...]
    total: Estimate
    by_first_order: Estimate
    #: The sum's standard deviation, kg, if no two rocks had a doubt in common: too small.
    sd_if_independent: float
    draws: int
    seed: int
    #: The table that they were read from, if they were.
    sources: SourceFiles = field(default_factory=SourceFiles)

    def _tables(self) -> Tables:
        return {
            "specimens": lambda: (
                {"name": one.specimen.name, **parts(one.gold, "gold", "_g", grams), **row(one, SPECIMEN, deep=False)}
                for one in self.specimens
            ),
        }

    def _headline(self) -> tuple[str, str]:
        left = f", {len(self.left_out)} left out" if self.left_out else ""
        gold = f"{brief(grams(self.total.value))} ± {brief(grams(self.total.sd))} g gold"
        return "Specimens", f"{counted(len(self.counted), 'rock')}, {gold}{left}"

    @property
    def counted(self) -> tuple[SpecimenGold, ...]:
        """Return the specimens whose weights can be."""
        return tuple(one for one in self.specimens if not one.cannot_be)

    @property
    def left_out(self) -> tuple[SpecimenGold, ...]:
        """Return the specimens whose weights cannot be: the sum leaves them out."""
        return tuple(one for one in self.specimens if one.cannot_be)


def impossible(found: SpecimenGold) -> tuple[str, str]:
    """Return what is wrong with weights that cannot be, and what to do."""
    metal = f"solid metal of its size ({found.metal:.3g} g/cm3)"
    message = (
        f"these weights cannot be: the rock ({found.density:.3g} g/cm3) would be heavier than {metal}, by more than "
        "the doubt of its weights"
    )
    remedy = (
        "Weigh it again: did it hang free in the water, clear of the bottom and the sides? Is the unit of each right?"
    )
    return message, remedy + (" Or is the metal finer than you say?" if found.fine < 1 else "")
