"""What working up costs: labour by pace, consumables by mass and by batch, power by Bond's law or by the motor."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from flowsheet.ore import sizes
from flowsheet.ore.arrays import Array
from flowsheet.solve.propagate import Solution
from flowsheet.spec.blocks.costs_and_sales import Costs, StepCost
from flowsheet.spec.text.number_with_doubt import Number

BOND_SIZE = 100e-6
"""The work index is the work from very coarse to 80 % passing 100 µm (F. C. Bond 1961)."""
KILOWATT = 1e3
"""W."""

Take = Callable[[Number], Array]


def bond(work_index: float, feed: float, product: float) -> float:
    """Return the work (in the unit of ``work_index``) that takes rock from 80 % passing ``feed`` to ``product`` (m).

    W = 10 Wi (1/√P - 1/√F), sizes in µm; none where the product is no finer. Source: F. C. Bond, Crushing and Grinding
    Calculations (1961), from memory.
    """
    return max(work_index * (math.sqrt(BOND_SIZE / product) - math.sqrt(BOND_SIZE / feed)), 0.0)


def breaking_work(solution: Solution) -> dict[str, float]:
    """Return Bond's factor of every step that breaks rock: its work as a multiple of the work index."""
    model, found = solution.model, {}
    if not model.grid.sized:
        return {}
    for name, step in model.sheet.steps.items():
        if not step.bond_power or float(solution.feeds[name].solids) <= 0:
            continue
        product = solution.streams[step.stream(0)]
        feed80, product80 = (
            float(sizes.size_passing(model.grid.upper, material.rock_by_size, 0.8))
            for material in (solution.feeds[name], product)
        )
        found[name] = bond(1.0, feed80, product80)
    return found


@dataclass(frozen=True)
class StepMoney:
    """What one step costs, in the sheet's currency, (D,) each."""

    labour: Array
    consumables: Array
    power: Array

    @property
    def total(self) -> Array:
        """All of it."""
        return np.asarray(self.labour + self.consumables + self.power)


@dataclass(frozen=True)
class Labour:
    """What of a step bears on its costs: Bond's factor (None: it breaks nothing), and how often it does its work."""

    work: float | None = None
    passes: float = 1.0


def labours(solution: Solution) -> dict[str, Labour]:
    """Return this of every step of a solved sheet."""
    works = breaking_work(solution)
    found = {}
    for name, step in solution.model.sheet.steps.items():
        passes = getattr(step, "passes", None)
        found[name] = Labour(works.get(name), passes.value if isinstance(passes, Number) else 1.0)
    return found


def step_money(cost: StepCost, costs: Costs, mass: Array, sacks: float, labour: Labour, take: Take) -> StepMoney:
    """Return what a step costs that takes ``mass`` (D,) kg in all, from ``sacks`` sacks.

    A sack is a batch unless a batch has its own mass. Pace and time are those of one pass.
    """
    zero = np.zeros(np.shape(mass))
    batches = np.where(mass > 0, np.ceil(mass / cost.batch.value) if cost.batch is not None else sacks, 0.0)
    seconds = zero
    if cost.pace is not None:
        seconds = seconds + mass / take(cost.pace)
    if cost.time is not None:
        seconds = seconds + take(cost.time) * batches
    seconds = seconds * labour.passes
    paid = seconds * take(cost.labour) if cost.labour is not None else zero
    consumables = zero
    if cost.per_mass is not None:
        consumables = consumables + take(cost.per_mass) * mass
    if cost.each is not None:
        consumables = consumables + take(cost.each) * batches
    return StepMoney(paid, consumables, zero + _power(cost, costs, mass, seconds, labour.work, take))


def _power(cost: StepCost, costs: Costs, mass: Array, seconds: Array, work: float | None, take: Take) -> Array:
    if costs.power is None:
        return np.zeros(())
    if cost.kilowatts is not None:
        return np.asarray(take(costs.power) * KILOWATT * take(cost.kilowatts) * seconds)
    if work is None:
        return np.zeros(())
    return np.asarray(take(costs.power) * take(costs.work_index) * work * mass)


def all_steps(
    costs: Costs, masses: Mapping[str, Array], sacks: float, works: Mapping[str, Labour], take: Take
) -> dict[str, StepMoney]:
    """Return what each step costs that takes anything; those that say no cost may still use power."""
    found = {}
    for name, mass in masses.items():
        cost = costs.steps.get(name)
        if cost is None and (costs.power is None or works[name].work is None):
            continue
        found[name] = step_money(cost or StepCost(), costs, mass, sacks, works[name], take)
    return found
