"""The crusher against a published gradation, and what its algebra must give."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from flowsheet.solve.propagate import Solution

# US Army Corps of Engineers, subcourse EN5464, Rock Crushing Operations, Lesson 2, Table 8: a jaw crusher at a
# 2 1/4 in setting, open circuit. Size in inches and what passes it.
INCHES = ("2 1/4", "2", "1 3/4", "1 1/2", "1 1/4", "1", "7/8", "3/4")
PASSING = (0.85, 0.78, 0.70, 0.63, 0.55, 0.46, 0.41, 0.35)


def test_jaw_crusher_defaults_meet_the_army_table_within_two_and_a_half_points(
    solved: Callable[..., Solution],
) -> None:
    """Quarry-run feed: passing = (d / 0.35 m)^0.9, so that 80 % passes 0.35 x 0.8^(1/0.9) m."""
    p80 = 350 * 0.8 ** (1 / 0.9)
    solution = solved(f"""
ore:
  mass: 60 t
  grade: 1 g/t
  sizes: {{top: 350 mm, p80: {p80:.9f} mm, slope: 0.9}}
sieves: [{", ".join(f"{i} in" for i in INCHES)}]
steps:
  break: {{do: jaw_crush, takes: ore, gives: crushed, setting: 2 1/4 in}}
keep: [crushed]
""")
    grid, rock = solution.model.grid, solution.streams["crushed"].rock_by_size
    sizes = [0.0254 * sum(_fraction(part) for part in name.split()) for name in INCHES]
    for size, printed in zip(sizes, PASSING, strict=True):
        at = int(np.flatnonzero(np.isclose(grid.upper, size, rtol=1e-9))[0])
        assert rock[at:].sum() / rock.sum() == pytest.approx(printed, abs=0.025), f"{1000 * size:.2f} mm"


def _fraction(text: str) -> float:
    top, _, bottom = text.partition("/")
    return float(top) / float(bottom or 1)


def test_oversize_of_the_army_circuit(solved: Callable[..., Solution]) -> None:
    # Same table and text: 65 % is coarser than 3/4 in, so that of 60 t/h 39 t/h are oversize.
    rows = ", ".join(f"{{sieve: {i} in, passing: {p:.2f}}}" for i, p in zip(INCHES, PASSING, strict=True))
    solution = solved(f"""
ore:
  mass: 60 t
  grade: 1 g/t
  sizes: [{{sieve: 4 in, passing: 100 %}}, {rows}]
steps:
  scalp:
    do: factors
    takes: ore
    gives: {{over: over, under: under}}
    split: {{over: {{"+3/4 in": 1, "-3/4 in": 0}}}}
keep: [under]
""")
    assert solution.streams["over"].solids / 1000 == pytest.approx(39.0, abs=1e-9)


def test_share_to_the_secondary_crusher(solved: Callable[..., Solution]) -> None:
    # A handbook of construction plant, seen in a transcription: at a 2 in setting 54 % passes 1 in, so that of
    # 70 t/h 32 t/h go to the secondary.
    solution = solved("""
ore: {mass: 70 t, grade: 1 g/t, sizes: [{sieve: 3 in, passing: 1}, {sieve: 1 in, passing: 54 %}]}
steps:
  scalp: {do: factors, takes: ore, gives: {over: over, under: under}, split: {over: {"+1 in": 1, "-1 in": 0}}}
keep: [under]
""")
    assert solution.streams["over"].solids / 1000 == pytest.approx(32.0, abs=0.25)


def test_what_is_finer_than_the_setting_catches_is_not_broken(solved: Callable[..., Solution]) -> None:
    # W. J. Whiten, A Matrix Theory of Comminution Machines, Chem. Eng. Sci. 29 (1974): no size above K1 (analytic).
    solution = solved("""
ore: {mass: 1 kg, grade: 10 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.2 mm, d95: 1 mm}}
steps:
  break: {do: jaw_crush, takes: ore, gives: crushed, setting: 29 mm}
keep: [crushed]
""")
    ore, crushed = solution.streams["ore"], solution.streams["crushed"]
    assert crushed.light == pytest.approx(ore.light, rel=1e-13)
    assert crushed.locked == pytest.approx(ore.locked, rel=1e-12)


def test_what_is_always_broken_ends_in_the_finest_class(solved: Callable[..., Solution]) -> None:
    solution = solved("""
ore: {mass: 1 kg, grade: 10 g/t, sizes: {top: 20 mm, p80: 12 mm}, gold: {d50: 0.2 mm, d95: 1 mm}}
steps:
  break: {do: pulverize, takes: ore, gives: dust, gap: 1 um}
keep: [dust]
""")
    dust = solution.streams["dust"]
    assert dust.light[:-1] == pytest.approx(0.0, abs=1e-15)
    assert dust.light[-1] == pytest.approx(1.0, rel=1e-13)


def test_another_pass_of_the_mill_leaves_gravity_gold_what_it_was(solved: Callable[..., Solution]) -> None:
    # A. R. Laplante's circuit work (a talk on it): more than 98 % of the gravity-recoverable gold stays so after
    # another pass of the mill.
    sheet = """
ore: {{mass: 1 kg, grade: 10 g/t, sizes: {{top: 5 mm, p80: 2 mm}}, gold: {{d50: 0.1 mm, d95: 0.4 mm}}}}
steps:
  grind: {{do: pulverize, takes: ore, gives: powder, gap: 0.3 mm, passes: {}}}
keep: [powder]
"""
    once, twice = (solved(sheet.format(passes)) for passes in (1, 2))
    coarse = once.model.grid.size > 25e-6
    stays = np.minimum(once.streams["powder"].free, twice.streams["powder"].free)[coarse].sum()
    assert stays / once.streams["powder"].free[coarse].sum() > 0.98
