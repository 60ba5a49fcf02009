"""How much gold is in this specimen that I won't crush? Its weights in air and in water tell.

What hangs in water weighs less by the water that it displaces, so volume V = (air - water)/density of water.
Rock and metal share mass and volume: with a cm3 of rock per g (u) and a cm3 of metal per g (v), the metal weighs
(air u - V)/(u - v), its share of the volume being (density - host)/(metal - host). Archimedes' rule as the texts on
prospecting give it, with no density fixed. Doubt is propagated twice, by first order and by draws; what rocks have in
common (the host's density, the metal's) is drawn once for all of them. Masses are in kg, densities in g/cm3, as they
are told: that is kg a litre, so volumes are in litres.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from flowsheet.ore import grains
from flowsheet.ore.arrays import Array
from flowsheet.ore.grains import gold_share
from flowsheet.spec.rocks.host_rock import DENSEST, LIGHTEST, MINERALS, Host
from flowsheet.spec.rocks.specimen_table import DENSEST_METAL, FINE, LIGHTEST_METAL, Specimen
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.text.wording import argument
from flowsheet.study.common.units_out import g_per_cm3
from flowsheet.study.rocks.result import ONE_SIDE, Estimate, Smallest, SpecimenGold, Specimens

GOLD, SILVER = g_per_cm3(grains.GOLD), g_per_cm3(grains.SILVER)
AIR_RULE, WATER_RULE = 1.9, 3.1
"""The trade's rule of thumb: 3.1 × weight in water - 1.9 × weight in air (texts on prospecting)."""
ROUNDING = 1e-9
"""What the arithmetic may round off a volume (cm3 per g)."""
WARM = 25.0
"""Water of a warm room, °C, that the answer is held against where no temperature is told."""
DENSE = ("pyrite", "arsenopyrite", "galena")
"""Minerals of gold veins that weigh most."""

AIR, WATER, HOST, METAL, FINENESS = "weight in air", "weight in water", "host rock", "metal", "fineness"

T = TypeVar("T")
Progress = Callable[[Iterable[T]], Iterable[T]]


def water_density(celsius: float | None) -> float:
    """Return the density of pure water, g/cm3; 1 where the temperature is not told.

    Source: G. S. Kell, J. Chem. Eng. Data 20 (1975), 97, from memory; within 1e-5 of 0.99821 at 20 and 0.99705 at 25.
    """
    if celsius is None:
        return 1.0
    powers = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
    return g_per_cm3(sum(a * celsius**k for k, a in enumerate(powers)) / (1 + 16.879850e-3 * celsius))


def gold_in(air: Array, water: Array, rock: Array, metal: Array, displaced: float = 1.0) -> Array:
    """Return the metal (kg) in a rock of weights ``air`` and ``water`` (kg).

    ``rock`` and ``metal``: cm3 per g of each; ``displaced``: density of the water, g/cm3.
    """
    return np.asarray((air * rock - (air - water) / displaced) / (rock - metal))


def fineness_of(density: Array, gold: float = GOLD, silver: float = SILVER) -> Array:
    """Return the fraction of gold in a gold-silver alloy of ``density`` (g/cm3), by additive volumes."""
    return np.asarray(np.clip((1 / density - 1 / silver) / (1 / gold - 1 / silver), 0.0, 1.0))


def weigh(
    specimens: Sequence[Specimen], draws: int = 10_000, seed: int = 1, progress: Progress[Specimen] = iter
) -> Specimens:
    """Return what each of ``specimens`` holds and what all do.

    Raises SheetError where a host is as dense as the metal.
    """
    common = _Common(draws, np.random.default_rng(seed))
    own = np.random.default_rng((seed, 1))
    total, found = np.zeros(draws), []
    for specimen in progress(specimens):
        one, fine_gold = _one(specimen, common, own)
        found.append(one)
        if not one.cannot_be:
            total += fine_gold
    counted = [one for one in found if not one.cannot_be]
    value = sum(one.gold.value for one in counted)
    slopes: dict[str, float] = {}
    for i, one in enumerate(counted):
        for cause, slope in one.slopes.items():
            name = f"{i} {cause}" if cause in (AIR, WATER) else cause
            slopes[name] = slopes.get(name, 0.0) + slope
    apart = math.hypot(*(one.gold.sd for one in counted))
    return Specimens(tuple(found), Estimate.of_draws(value, total), Estimate.first_order(value, slopes.values()), apart,
               draws, seed)  # fmt: skip


@dataclass
class _Common:
    """Draws of what rocks have in common: a rock's main part, each mineral's share, the metal."""

    draws: int
    rng: np.random.Generator

    def __post_init__(self) -> None:
        self.known: dict[str, Array] = {}

    def of(self, cause: str, number: Number, least: float, most: float) -> Array:
        """Return draws (D,) of a number: those of one cause move together, whatever the number."""
        if not number.doubtful:
            return np.full(self.draws, number.value)
        if cause not in self.known:
            self.known[cause] = self.rng.standard_normal(self.draws)
        return _drawn(number, self.known[cause], least, most)


def _drawn(number: Number, z: Array, least: float, most: float) -> Array:
    """Return a number's draws by normal scores ``z``."""
    if number.low is None or number.high is None:
        return np.clip(number.value + number.sd * z, least, most)
    from scipy.special import ndtr

    return np.asarray(number.low + (number.high - number.low) * ndtr(z))


def _one(specimen: Specimen, common: _Common, own: np.random.Generator) -> tuple[SpecimenGold, Array]:
    """Return what one specimen holds, and the draws of its fine gold (D,), kg."""
    air, water = specimen.air.value, specimen.water.value
    air_sd, water_sd = (specimen.sd(weight) for weight in (specimen.air, specimen.water))
    displaced = water_density(specimen.common.temperature)
    host = specimen.host
    u = 1 / host.density
    fine, metal, by_metal = _metal(specimen)
    if host.density >= metal:
        message = f"the host rock ({host.density:.3g} g/cm3) is as dense as the metal ({metal:.3g} g/cm3)"
        remedy = f"Mend {argument('host')} or {argument('metal')}"
        raise SheetError([Mistake(message, remedy, read=host.text, file=argument("host"), code="density_out_of_range")])
    v = 1 / metal

    alloy = float(gold_in(np.asarray(air), np.asarray(water), np.asarray(u), np.asarray(v), displaced))
    apart = u - v
    # Changes of the fine gold by: air, water, the rock's cm3 per g.
    per_air, per_water = fine * (u - 1 / displaced) / apart, fine / displaced / apart
    per_rock = fine * (air - alloy) / apart
    slopes = {AIR: per_air * air_sd, WATER: per_water * water_sd}
    rock = _rock_slopes(host)
    slopes |= {cause: per_rock * slope for cause, slope in rock.items()}
    slopes |= {cause: fine * alloy / apart * dv + alloy * df for cause, (dv, df) in by_metal.items()}

    shares = [common.of(_share_name(host, k), a.share, 0.0, 1.0) for k, a in enumerate(host.added)]
    rocks = host.volume(common.of(HOST, host.base, LIGHTEST, DENSEST), shares)
    fines, metals = _metal_draws(specimen, common)
    alloys = gold_in(
        _drawn_weight(specimen.air, air_sd, own, common.draws),
        _drawn_weight(specimen.water, water_sd, own, common.draws),
        rocks, metals, displaced,
    )  # fmt: skip
    golds = fines * alloys

    at_none = math.hypot(slopes[AIR], slopes[WATER])
    doubt_of_rock = fine * air / apart * math.hypot(*rock.values(), 0.0)
    volume = (air - water) / displaced
    colder = specimen.common.temperature is None
    warm = -fine * (air - water) * (1 / water_density(WARM) - 1) / apart if colder else 0.0
    # Solid metal leaves no host to doubt: its volume is that of the weights, in water as warm as it may be.
    largest = (air - water) / water_density(WARM) if colder else volume
    of_solid = math.hypot(
        (v - 1 / displaced) * air_sd, water_sd / displaced, *(air * dv for dv, _ in by_metal.values())
    )
    found = SpecimenGold(
        specimen=specimen,
        gold=Estimate.of_draws(fine * alloy, golds),
        alloy=Estimate.of_draws(alloy, alloys),
        by_first_order=Estimate.first_order(fine * alloy, slopes.values()),
        slopes=slopes,
        density=air / volume,
        metal=metal,
        fine=fine,
        volume_share=alloy * v / volume,
        trade_rule=WATER_RULE * water - AIR_RULE * air,
        smallest=Smallest(
            ONE_SIDE * math.hypot(at_none, doubt_of_rock),
            2 * ONE_SIDE * math.hypot(at_none, doubt_of_rock),
            2 * ONE_SIDE * at_none,
        ),
        without_gold={name: _instead(name, air, volume, u) for name in DENSE},
        per_wet=per_air,
        per_air=-fine / apart,
        by_warm_water=warm,
        cannot_be=air * v - largest > ONE_SIDE * of_solid + ROUNDING * air,
    )
    return found, golds


def _drawn_weight(weight: Number, sd: float, rng: np.random.Generator, draws: int) -> Array:
    """Return draws of a weight, kg."""
    z = rng.standard_normal(draws)
    if weight.low is not None:
        return _drawn(weight, z, 0.0, math.inf)
    return np.asarray(weight.value + sd * z)


def _share_name(host: Host, at: int) -> str:
    """Return the cause that a mineral's share is: rocks of the same words have it in common."""
    return f"{host.added[at].name} in {host.text}"


def _rock_slopes(host: Host) -> dict[str, float]:
    """Return each cause of doubt and the change of the rock's cm3 per g by one standard deviation of it."""
    rest = 1 - sum(a.share.value for a in host.added)
    slopes = {HOST: -rest / host.base.value**2 * host.base.sd} if host.base.doubtful else {}
    for k, a in enumerate(host.added):
        if a.share.doubtful:
            slopes[_share_name(host, k)] = (1 / a.density - 1 / host.base.value) * a.share.sd
    return slopes


def _metal(specimen: Specimen) -> tuple[float, float, dict[str, tuple[float, float]]]:
    """Return the fraction of gold, the metal's density, and by cause the changes of cm3 per g and of that fraction."""
    density, fineness = specimen.common.metal, specimen.fineness
    per_fine = 1 / GOLD - 1 / SILVER
    causes: dict[str, tuple[float, float]] = {}
    if density is None:
        fine = gold_share(fineness.value if fineness else float(FINE))
        if fineness is not None and fineness.doubtful:
            causes[FINENESS] = (per_fine * gold_share(fineness.sd), gold_share(fineness.sd))
        return fine, g_per_cm3(float(grains.alloy_density(np.asarray(fine)))), causes
    by_density = -density.sd / density.value**2
    if density.doubtful:
        causes[METAL] = (by_density, 0.0 if fineness else by_density / per_fine)
    if fineness is None:
        return float(fineness_of(np.asarray(density.value))), density.value, causes
    if fineness.doubtful:
        causes[FINENESS] = (0.0, gold_share(fineness.sd))
    return gold_share(fineness.value), density.value, causes


def _metal_draws(specimen: Specimen, common: _Common) -> tuple[Array, Array]:
    """Return draws (D,) of the fraction of gold and of the metal's cm3 per g."""
    density, fineness = specimen.common.metal, specimen.fineness
    fine = None if fineness is None else gold_share(common.of(FINENESS, fineness, 0.0, float(FINE)))
    if density is None:
        fine = np.asarray(gold_share(float(FINE))) if fine is None else fine
        return fine, 1 / g_per_cm3(grains.alloy_density(fine))
    metal = common.of(METAL, density, LIGHTEST_METAL, DENSEST_METAL)
    return (fineness_of(metal) if fine is None else fine), 1 / metal


def _instead(mineral: str, air: float, volume: float, u: float) -> float | None:
    """Return the share by mass of a mineral in the host with which the rock weighs the same without gold."""
    share = (air * u - volume) / (air * (u - 1 / MINERALS[mineral])) if u > 1 / MINERALS[mineral] else math.inf
    return share if 0 <= share <= 1 else None
