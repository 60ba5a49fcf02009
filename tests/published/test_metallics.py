"""A screen assay (metallics) as a handbook works it."""

from __future__ import annotations

import pytest

from flowsheet.spec.blocks.measurement import screen_assay
from flowsheet.spec.text import number_with_doubt, units

# C. & J. J. Beringer, A Text-Book of Assaying (9th ed., 1904), metallics in silver ore: of 400 g of ore, 1 g stays on
# the sieve and yields 0.842 g of silver; of the 399 g that pass, 20 g are assayed and yield 0.105 g.
PLUS, PLUS_METAL, MINUS = "1 g", "0.842 g", "399 g"
MINUS_GRADE = f"{0.105 / 20 * 1e6:.0f} g/t"


def combined() -> float:
    """Return the grade in g/t."""
    plus, metal, minus = (number_with_doubt.parse(text, units.MASS) for text in (PLUS, PLUS_METAL, MINUS))
    return 1e6 * screen_assay(plus, metal, minus, [number_with_doubt.parse(MINUS_GRADE, units.GRADE)])[0]


def in_ounces_a_long_ton(grade: float) -> float:
    return grade * 1e-6 / units.factor("ozt/long ton", units.GRADE)


def test_the_handbooks_screen_assay() -> None:
    assert combined() == pytest.approx(7341.875, rel=1e-12)
    # Printed: 0.7342 per cent, 239.84 ounces to the (long) ton; exact 239.835.
    assert f"{combined() / 1e4:.4f}" == "0.7342"
    assert in_ounces_a_long_ton(combined()) == pytest.approx(239.84, abs=0.01)


def test_it_is_not_the_handbooks_short_cut() -> None:
    # The short cut adds 0.842 x 20/400 to the bead of 20 g (0.1471 g in all) and gives 240.25 ounces: 0.18 % high,
    # since of 20 g of ore only 19.95 g pass the sieve.
    short_cut = in_ounces_a_long_ton((0.105 + 0.842 * 20 / 400) / 20 * 1e6)
    assert short_cut == pytest.approx(240.25, abs=0.02)
    assert short_cut / in_ounces_a_long_ton(combined()) - 1 == pytest.approx(0.0018, abs=5e-5)
