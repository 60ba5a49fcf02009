"""Two- and three-product formulas and metallics, as sheets of factors: any metal may stand in for gold."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from flowsheet.solve.propagate import Solution


def grade(solution: Solution, stream: str) -> float:
    """Return the grade of a stream in %."""
    return float(100 * solution.streams[stream].gold / solution.streams[stream].solids)


def test_two_products(solved: Callable[..., Solution]) -> None:
    # B. A. Wills, Mineral Processing Technology (from memory): feed 0.8, concentrate 25, tail 0.15 % Cu.
    yield_, recovery = 0.0261569, 0.817404
    solution = solved(f"""
ore: {{mass: 100 t, grade: 0.8 %}}
steps:
  float:
    do: factors
    takes: ore
    gives: {{con: con, tail: tail}}
    split: {{con: {yield_}}}
    recovery: {{con: {recovery}}}
keep: [con]
""")
    assert grade(solution, "con") == pytest.approx(25.0, rel=1e-5)
    assert grade(solution, "tail") == pytest.approx(0.15, rel=1e-5)
    assert grade(solution, "con") / grade(solution, "ore") == pytest.approx(31.25, rel=1e-5)
    assert solution.streams["ore"].solids / solution.streams["con"].solids == pytest.approx(38.2308, rel=1e-5)


def test_recovery_and_tail_of_an_introductory_text(solved: Callable[..., Solution]) -> None:
    # An introductory text on grade and recovery, seen in a transcription: 100 t at 1 % give 4.5 t at 20 %.
    solution = solved("""
ore: {mass: 100 t, grade: 1 %}
steps:
  float: {do: factors, takes: ore, gives: {con: con, tail: tail}, split: {con: 4.5 %}, recovery: {con: 90 %}}
keep: [con]
""")
    assert solution.streams["con"].solids == pytest.approx(4500, rel=1e-12)
    assert grade(solution, "con") == pytest.approx(20.0, rel=1e-12)
    assert grade(solution, "tail") == pytest.approx(0.104712, abs=5e-7)


THREE = """
ore: {{mass: 300 t, grade: {feed} %}}
steps:
  float:
    do: factors
    takes: ore
    gives: {{copper: copper, cobalt: cobalt, tail: tail}}
    split: {{copper: 0.069248, cobalt: 0.103672}}
    recovery: {{copper: {copper}, cobalt: {cobalt}}}
keep: [copper, cobalt]
"""


@pytest.mark.parametrize(
    ("feed", "recoveries", "grades"),
    [
        # Copper: the published recovery to its own concentrate; the other from the published grade.
        (5.5, (0.91911, 0.103672 * 1.5 / 5.5), (73.0, 1.5, 0.35)),
        (6.5, (0.069248 * 6.0 / 6.5, 0.88520), (6.0, 55.5, 0.4)),
    ],
    ids=["copper", "cobalt"],
)
def test_three_products(
    feed: float, recoveries: tuple[float, float], grades: tuple[float, ...], solved: Callable[..., Solution]
) -> None:
    # A university exercise: (Cu, Co) % of feed 5.5, 6.5; copper concentrate 73.0, 6.0; cobalt concentrate 1.5, 55.5;
    # tail 0.35, 0.4; 300 t/h. Yields and recoveries recomputed.
    solution = solved(THREE.format(feed=feed, copper=recoveries[0], cobalt=recoveries[1]))
    for stream, tonnes, published in zip(("copper", "cobalt", "tail"), (20.774, 31.102, 248.124), grades, strict=True):
        assert solution.streams[stream].solids / 1000 == pytest.approx(tonnes, abs=1e-3)
        # The tail's metal is what is left of a hundred times as much: of the printed digits it keeps three.
        assert grade(solution, stream) == pytest.approx(published, rel=5e-4 if stream == "tail" else 1e-4)


def test_effectiveness_of_a_screen(solved: Callable[..., Solution]) -> None:
    # W. L. McCabe, J. C. Smith & P. Harriott, Unit Operations of Chemical Engineering, screening example (from memory):
    # coarser than 10 mesh (1.651 mm) is 0.47 of the feed, 0.85 of the oversize, 0.195 of the undersize; printed
    # D/F 0.42, B/F 0.58, effectiveness 0.669. Given here: what the recoveries 0.7593 and 0.8812 send where.
    solution = solved("""
ore: {mass: 1 t, grade: 1 g/t, sizes: [{sieve: 10 mm, passing: 1}, {sieve: 1.651 mm, passing: 53 %}]}
steps:
  screen:
    do: factors
    takes: ore
    gives: {over: over, under: under}
    split: {over: {"+1.651 mm": 0.7593, "-1.651 mm": 0.1188}}
keep: [under]
""")
    coarse = solution.model.grid.lower >= 1.651e-3 * (1 - 1e-9)
    rock = {name: stream.rock_by_size for name, stream in solution.streams.items()}
    assert rock["over"].sum() / rock["ore"].sum() == pytest.approx(0.42, abs=1e-3)
    assert rock["under"].sum() / rock["ore"].sum() == pytest.approx(0.58, abs=1e-3)
    assert rock["over"][coarse].sum() / rock["over"].sum() == pytest.approx(0.85, abs=1e-3)
    assert rock["under"][coarse].sum() / rock["under"].sum() == pytest.approx(0.195, abs=1e-3)
    kept = rock["over"][coarse].sum() / rock["ore"][coarse].sum()
    passed = rock["under"][~coarse].sum() / rock["ore"][~coarse].sum()
    assert kept * passed == pytest.approx(0.669, abs=1e-3)


def test_a_screens_efficiency_is_what_its_products_show(solved: Callable[..., Solution]) -> None:
    # B. A. Wills, Mineral Processing Technology (from memory): recovery of the undersize = (c - f)/(c (1 - f)), c and f
    # being the oversize material's share of the overflow and of the feed, where none of it passes.
    solution = solved("""
ore: {mass: 1 t, grade: 1 g/t, sizes: {top: 50 mm, p80: 30 mm}}
steps:
  screen: {do: screen, takes: ore, gives: {oversize: over, undersize: under}, opening: 10 mm, efficiency: 83 %}
keep: [under]
""")
    coarse = solution.model.grid.lower >= 10e-3 * (1 - 1e-9)
    f, c = (solution.streams[name].light[coarse].sum() / solution.streams[name].solids for name in ("ore", "over"))
    assert (c - f) / (c * (1 - f)) == pytest.approx(0.83, rel=1e-9)


def test_metallics_and_siftings(solved: Callable[..., Solution]) -> None:
    # C. & J. J. Beringer, A Text-Book of Assaying (9th ed., 1904): of 400 g ore 1 g metallics yields 0.842 g silver,
    # and 20 g of the 399 g siftings yields 0.105 g: 239.84 oz a long ton (239.835 unrounded). The book's short cut
    # (0.1471 g on 20 g) gives 240.25: 0.18 % too high, and not what a sheet may say.
    solution = solved(f"""
ores:
  metallics: {{mass: 1 g, grade: 84.2 %}}
  siftings: {{mass: 399 g, grade: {0.105 / 20 * 1e6} g/t}}
steps:
  join: {{do: split, takes: [metallics, siftings], gives: {{a: a, b: b}}}}
keep: [a, b]
""")
    assert grade(solution, "a") == pytest.approx(0.7342, abs=5e-5)
    ounces = grade(solution, "a") / 100 / (31.1034768 / 1016046.9088)
    assert ounces == pytest.approx(239.835, abs=0.01)
    assert 240.25 / ounces - 1 == pytest.approx(0.0018, abs=1e-4)
