"""What can be weighed of each stream of a sheet, for a form: names as a weigh sheet has them, and their usual units."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.spec.blocks.schema import Ore, Sheet
from flowsheet.spec.blocks.weighed_fields import PAN
from flowsheet.spec.checks.draft import has_grains
from flowsheet.spec.checks.upstream import metals
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.weights.weigh_table import ON_SIEVE

METAL = ("mass", "gold")
"""What is measured of metal: its grade is its fineness, which stands with the ore, and its weight is the bead's."""

ROCK = (
    "mass", "moisture", "grade", "assay mass", "gold", "bead", "picked metal", "plus mass", "plus gold", "minus mass",
    "minus grade",
)  # fmt: skip

SIZED = ("passing", *(f"{what} on" for what in ON_SIEVE))
"""What carries a size behind it."""

#: Common practice, no source. The first is offered first.
_UNITS = {
    "mass": ("kg", "g", "mg"),
    "moisture": ("%",),
    "grade": ("g/t", "ppm", "ppb"),
    "assay mass": ("g",),
    "gold": ("mg", "g"),
    "bead": ("mg", "g"),
    "picked metal": ("mg", "g"),
    "plus mass": ("g", "kg"),
    "plus gold": ("mg", "g"),
    "minus mass": ("g", "kg"),
    "minus grade": ("g/t", "ppm", "ppb"),
    "passing": ("%",),
    "mass on": ("kg", "g"),
    "grade on": ("g/t", "ppm", "ppb"),
}
_METAL_UNITS = {"mass": ("g", "mg"), "gold": ("mg", "g")}


def choices(sheet: Sheet) -> dict[str, list[str]]:
    """Return each stream, in the order of the sheet, with what can be weighed of it.

    Sieves are offered where the sheet knows sizes, counts of grains where it knows those: other sizes may be written.
    What stays on each sieve, to the pan below the finest, is weighed and assayed; or what passes it is a share.
    """
    metal = metals(sheet.steps)
    sized = []
    if _sieved(sheet):
        sizes = _sizes(sheet)
        sized = [f"passing {size}" for size in sizes]
        sized += [f"{what} on {size}" for what in ON_SIEVE for size in (*sizes, PAN)]
    counted = ["grains", "grains +0.3 mm"] if all(has_grains(ore) for ore in sheet.ores.values()) else []
    rock = [*ROCK, *sized, *counted]
    return {name: list(METAL) if name in metal else rock.copy() for name in (*sheet.ores, *sheet.makers)}


def units_of(what: str, metal: bool = False) -> tuple[str, ...]:
    """Return the units in which something is commonly written, the usual one first; none for counts of grains."""
    name = next((one for one in SIZED if what.startswith(one)), what)
    return (_METAL_UNITS if metal else _UNITS).get(name, ())


def _sieved(sheet: Sheet) -> bool:
    return all(ore.sizes is not None for ore in sheet.ores.values())


def _sizes(sheet: Sheet) -> list[str]:
    """Return every sieve that the sheet names, the coarsest first; one that is common where it names none."""
    found = {*sheet.sieves, *sheet.openings, *(size for ore in sheet.ores.values() for size in _rows(ore))}
    return [f"{1e3 * size:g} mm" for size in sorted(found, reverse=True)] or ["0.15 mm"]


def _rows(ore: Ore) -> Iterator[float]:
    """Go through the sieves (m) of an ore's table."""
    if isinstance(ore.sizes, list):
        yield from (row.sieve.value for row in ore.sizes if isinstance(row.sieve, Number))
