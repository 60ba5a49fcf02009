"""From the sheet's description of an ore to the material that is fed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TypeAlias

import numpy as np

from flowsheet.ore import grains, sizes
from flowsheet.ore.arrays import Array, Mask
from flowsheet.ore.factored_material import FactoredMaterial
from flowsheet.ore.grid import SAME, Grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.schema import GrainRow, Ore, SieveRow, SizeLaw
from flowsheet.spec.checks.all_checks import has_grains
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.number_with_doubt import Number

Take: TypeAlias = Callable[[Number], Array]
"""Turns a Number into its value, shape () or, for a number with doubt among draws, (D,)."""

TOP_ABOVE_TABLE = 2.0
"""A table (of pieces, of gold grains) that starts below 100 % ends at this many times its coarsest sieve."""
RICH = 0.01
"""Gold per rock above which the metal's own mass is counted. A scale that weighs rock does not see less."""
HARDLY_ANY = 1e-12
"""A share of the rock that is nothing but rounding."""


def top_size(ore: Ore) -> float:
    """Return the top size of an ore in m (its largest where it is given with doubt)."""
    if isinstance(ore.sizes, SizeLaw):
        law = ore.sizes
        if law.top is not None:
            return _most(law.top)
        if law.p80 is None:
            raise ValueError("a size law needs p80 or a top")
        return sizes.natural_top(law.p80.value, law.slope.value)
    rows = _sieves(ore)
    full = [_opening(row) for row in rows if row.passing.value == 1.0]
    return min(full) if full else TOP_ABOVE_TABLE * _opening(rows[0])


def grade(ore: Ore) -> float:
    """Return the gold in an ore as a share of its mass: its own grade, else what its sieve table makes of it."""
    if ore.grade is not None:
        return ore.grade.value
    rows = ore.sizes if isinstance(ore.sizes, list) else []
    above = [1.0, *(row.passing.value for row in rows)]
    return sum(row.grade.value * (a - row.passing.value) for a, row in zip(above, rows, strict=False) if row.grade)


def openings(ores: Iterable[Ore]) -> set[float]:
    """Return the sieves (m) named in the ores' tables of rock and of gold grains."""
    found: set[float] = set()
    for ore in ores:
        if isinstance(ore.sizes, list):
            found |= {_opening(row) for row in _sieves(ore)}
        if ore.gold is not None and ore.gold.sizes is not None:
            found |= {row.sieve.value for row in ore.gold.sizes}
    return found


def assayed(ore: Ore) -> bool:
    """Whether an ore's sieve table tells the grade of any of its rows."""
    return isinstance(ore.sizes, list) and any(row.grade is not None for row in ore.sizes)


def assayed_sieves(ores: Iterable[Ore]) -> set[float]:
    """Return the sieves (m) of the tables in which any row was assayed."""
    return {_opening(row) for ore in ores if assayed(ore) for row in _sieves(ore)}


def notes(name: str, ore: Ore) -> Iterable[Note]:
    """Say what was assumed where the sheet is silent, and what was not used."""
    about = Subject(ore=name)
    if isinstance(ore.sizes, list) and _sieves(ore)[0].passing.value < 1:
        sentence = (
            "{ore}: the sieve table does not say how large the largest piece is; {top_mm:.3g} mm was taken. "
            "Add a first row {{sieve: …, passing: 100 %}}."
        )
        yield note("largest_piece_taken", sentence, about, top_mm=1e3 * top_size(ore))
    if ore.gold is not None and ore.gold.sizes and ore.gold.sizes[0].passing.value < 1:
        largest = TOP_ABOVE_TABLE * ore.gold.sizes[0].sieve.value
        sentence = (
            "{ore}: the table of gold grains does not say how large the largest grain is; {top_mm:.3g} mm was taken. "
            "Add a first row {{sieve: …, passing: 100 %}}."
        )
        yield note("largest_grain_taken", sentence, about, top_mm=1e3 * largest)
    for what, table in (("sieve table", ore.sizes), ("table of gold grains", ore.gold and ore.gold.sizes)):
        known = [row for row in table if isinstance(row.sieve, Number)] if isinstance(table, list) else []
        if len(known) == 1 and known[0].passing.value == 1:
            sentence = (
                "{ore}: the {table} has one size, and does not say how much is finer; a slope of {slope:g} below it "
                "was taken. Add a row {{sieve: …, passing: …}} for a finer size."
            )
            yield note("slope_below_taken", sentence, about, table=what, slope=sizes.ONE_SIEVE_SLOPE)
    if isinstance(ore.sizes, list) and ore.grade is not None:
        rows = ore.sizes
        passing = np.array([1.0, *(row.passing.value for row in rows)])
        retained = -np.diff(passing)
        told = sum(row.grade.value * m for row, m in zip(rows, retained, strict=True) if row.grade)
        untold = passing[-1] + sum(m for row, m in zip(rows, retained, strict=True) if not row.grade)
        if untold <= HARDLY_ANY and not math.isclose(told, ore.grade.value, rel_tol=0.01):
            sentence = (
                "{ore}: the table's grades make {table_g_per_t:.3g} g/t and are used; the grade of "
                "{grade_g_per_t:.3g} g/t is not."
            )
            grades = {"table_g_per_t": 1e6 * told, "grade_g_per_t": 1e6 * ore.grade.value}
            yield note("grade_of_the_table", sentence, about, **grades)


def feed(ore: Ore, grid: Grid, locked_share: Array, take: Take) -> Material:
    """Return the feed on ``grid``; ``locked_share`` (..., S, S) is the liberation table in force.

    An even grade of one sets the proportions: of the gold that begins as grains of class j in hosts of
    class i, ``locked_share`` is locked there and the rest is free grains of class j. The classes of a row
    that was assayed are then scaled to what it holds; all others share what is left of the ore's gold.
    """
    rock = take(ore.mass)[..., None] * size_shares(ore, grid, take)
    grain = grain_shares(ore, grid, take)
    # For each host size: locked gold by grain size, of an even grade of one.
    locked = grain[..., None, :] * locked_share
    free = grain * (rock[..., None, :] @ (1 - locked_share))[..., 0, :]
    locked_by_host = rock * locked.sum(axis=-1)
    scale = np.zeros_like(free)
    for inside, gold in _gold_by_row(ore, grid, rock, take):
        held = ((free + locked_by_host) * inside).sum(axis=-1)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = scale + np.where(held > 0, gold / held, 0.0)[..., None] * inside
        # Grains of such sizes that the law knows none of: what was assayed all the same is free.
        stray = np.where(held > 0, 0.0, gold)
        if np.any(stray > 0):
            free = free + (stray / np.maximum((rock * inside).sum(axis=-1), 1e-300))[..., None] * rock * inside
            scale = np.where(inside & (held <= 0)[..., None], 1.0, scale)
    heavies = take(ore.heavies)[..., None]
    light, heavy, row = rock * (1 - heavies), rock * heavies, rock * scale
    if row.ndim > 1 and locked.ndim == 2:
        return FactoredMaterial(light, heavy, free * scale, locked, row)
    return Material(light, heavy, free * scale, row[..., :, None] * locked)


FLAT_BELOW = 1e-3
"""Rock finer than this (m) is as rich as that of this size, whatever the tilt: ground fines are all of one richness."""


def tilted(fed: Material, grid: Grid, tilt: Array) -> Material:
    """Return a feed whose richness goes with host size to the power of ``tilt``, () or (D,), with no less gold in all.

    Gold that is free already came from rock of its own size or coarser, so it keeps to the flat part.
    """
    if not grid.sized:
        return fed
    rise = (np.maximum(grid.size, FLAT_BELOW) / FLAT_BELOW) ** tilt[..., None]
    kept = fed.free.sum(axis=-1) + (fed.locked_by_host * rise).sum(axis=-1)
    scale = np.divide(fed.gold, kept, out=np.zeros(np.broadcast_shapes(fed.gold.shape, kept.shape)), where=kept > 0)
    flat, by_host = scale[..., None], scale[..., None] * rise
    if isinstance(fed, FactoredMaterial):
        return FactoredMaterial(fed.light, fed.heavy, fed.free * flat, fed.base, fed.row * by_host)
    return Material(fed.light, fed.heavy, fed.free * flat, fed.locked * by_host[..., None])


def grain_shares(ore: Ore, grid: Grid, take: Take) -> Array:
    """Return the share of an ore's gold in each grain class, (..., S); all in the last where nothing is known."""
    gold = ore.gold
    if gold is None or not has_grains(ore) or not grid.sized:
        unknown = np.zeros(len(grid))
        unknown[-1] = 1.0
        return unknown
    if gold.sizes is not None:
        through = _table(gold.sizes, [row.sieve.value for row in gold.sizes], grid, take)
        through[..., 0] = 1.0  # what lies beyond the grid falls in its end class
        return sizes.shares(through)
    if gold.d50 is None or gold.d95 is None:
        raise ValueError("gold grains need d50 and d95")
    d50 = take(gold.d50)
    d95 = np.maximum(take(gold.d95), d50)
    found = grains.lognormal_shares(grid, d50, d95)
    if gold.nuggets is None:
        return found
    share, size = take(gold.nuggets.share)[..., None], take(gold.nuggets.d50)
    return (1 - share) * found + share * grains.lognormal_shares(grid, size, size * (d95 / d50))


def size_shares(ore: Ore, grid: Grid, take: Take) -> Array:
    """Return the share of the rock in each size class, (..., S)."""
    if not grid.sized:
        return np.ones(1)
    if isinstance(ore.sizes, SizeLaw):
        law, slope = ore.sizes, take(ore.sizes.slope)
        if law.law == "rosin_rammler":
            x63 = take(law.x63) if law.x63 is not None else sizes.x63_from_p80(take(_given(law.p80)), slope)
            passing = sizes.rosin_rammler(grid.upper, x63, slope)
        else:
            passing = sizes.gates_gaudin_schuhmann(grid.upper, take(_given(law.p80)), slope)
        if law.top is not None:
            passing = np.where(grid.upper >= take(law.top)[..., None] * (1 - 1e-12), 1.0, passing)
    else:
        rows = _sieves(ore)
        passing = _table(rows, [_opening(row) for row in rows], grid, take)
    # With several ores the grid may start above this ore's top: everything passes there.
    passing = np.where(grid.upper >= grid.upper[0], 1.0, passing)
    return sizes.shares(np.asarray(passing))


def _table(rows: Sequence[SieveRow | GrainRow], at: list[float], grid: Grid, take: Take) -> Array:
    """Return what passes the classes' upper edges, (..., S), by a table whose sieves have openings ``at`` (m)."""
    passing = np.stack(np.broadcast_arrays(*(take(row.passing) for row in rows)), axis=-1)
    if rows[0].passing.value < 1:
        at = [TOP_ABOVE_TABLE * at[0], *at]
        passing = np.concatenate([np.ones_like(passing[..., :1]), passing], axis=-1)
    return sizes.table(grid.upper, np.array(at), np.clip(passing, 0.0, 1.0))


def _gold_by_row(ore: Ore, grid: Grid, rock: Array, take: Take) -> Iterator[tuple[Mask, Array]]:
    """Give (classes of a row, shape (S,); its gold in kg): first what was assayed, then all the rest.

    Where no rock is left for the rest, the rows' grades stand and the ore's own is not used.
    """
    known = np.zeros(len(grid), dtype=bool)
    told = np.zeros(())
    above = math.inf
    for row in ore.sizes if isinstance(ore.sizes, list) else []:
        at = _opening(row)
        if row.grade is not None:
            inside = (grid.lower >= at * (1 - SAME)) & (grid.upper <= above * (1 + SAME))
            gold = take(row.grade) * (rock * inside).sum(axis=-1)
            known, told = known | inside, told + gold
            yield inside, gold
        above = at
    if ore.grade is not None and not known.all():
        left = np.maximum(take(ore.grade) * rock.sum(axis=-1) - told, 0.0)
        untold = (rock * ~known).sum(axis=-1)
        yield ~known, np.where(untold > HARDLY_ANY * rock.sum(axis=-1), left, 0.0)


def _sieves(ore: Ore) -> list[SieveRow]:
    if not isinstance(ore.sizes, list):
        raise ValueError("the ore has no sieve table")
    return [row for row in ore.sizes if row.sieve != "pan"]


def _opening(row: SieveRow) -> float:
    return row.sieve.value if isinstance(row.sieve, Number) else 0.0


def _most(number: Number) -> float:
    return number.value if number.high is None else number.high


def _given(number: Number | None) -> Number:
    if number is None:
        raise ValueError("a number that the checks demand is missing")
    return number
