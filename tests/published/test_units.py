"""Units of the trade against published factors and the full pint registry."""

from __future__ import annotations

import pint
import pytest

from flowsheet.spec.text.numbers import parse
from flowsheet.spec.text.units import FINENESS, GRADE, LENGTH, MASS, SHARE, Dimension


def si(text: str, of: Dimension) -> float:
    return parse(text, of).value


# NIST Special Publication 811, Appendix B (from memory; the same figures stand in public mass-unit tables).
# Exact by definition.
NIST_KG = {
    "1 gr": 64.79891e-6,
    "1 lb": 0.45359237,
    "1 ozt": 31.1034768e-3,
    "1 dwt": 1.55517384e-3,
    "1 oz av": 28.349523125e-3,
    "1 short ton": 907.18474,
    "1 long ton": 1016.0469088,
    "1 mg": 1e-6,
    "1 t": 1000.0,
}


@pytest.mark.parametrize(("text", "kg"), NIST_KG.items())
def test_masses_are_those_of_nist(text: str, kg: float) -> None:
    assert si(text, MASS) == pytest.approx(kg, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("1 gr", "grain"), ("1 lb", "pound"), ("1 ozt", "troy_ounce"), ("1 dwt", "pennyweight"),
        ("1 oz av", "ounce"), ("1 short ton", "short_ton"), ("1 long ton", "long_ton"), ("1 t", "metric_ton"),
    ],
)  # fmt: skip
def test_masses_are_those_of_the_full_pint_registry(text: str, name: str, pint_registry: pint.UnitRegistry) -> None:
    assert si(text, MASS) == pytest.approx(pint_registry.Quantity(1, name).to("kg").magnitude, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "name"), [("1 in", "inch"), ("1 ft", "foot"), ("1 um", "micrometer"), ("1 cm", "centimeter")]
)
def test_lengths_are_those_of_the_full_pint_registry(text: str, name: str, pint_registry: pint.UnitRegistry) -> None:
    assert si(text, LENGTH) == pytest.approx(pint_registry.Quantity(1, name).to("m").magnitude, rel=1e-12)


@pytest.fixture(scope="module")
def pint_registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


def test_a_troy_ounce_in_a_short_ton() -> None:
    # 240/7 g/t, from the NIST factors.
    assert si("1 oz/ton", GRADE) == pytest.approx(240 / 7 * 1e-6, rel=1e-9)
    assert si("34.285714 g/t", GRADE) == pytest.approx(si("1 oz/ton", GRADE), rel=1e-7)


def test_a_milligram_of_bead_from_an_assay_ton_is_an_ounce_a_ton() -> None:
    # C. W. Ammen, Recovery and Refining of Precious Metals, chapter on fire assay: 29.1667 g.
    assert si("1 mg", MASS) / si("29.1667 g", MASS) == pytest.approx(si("1 oz/ton", GRADE), rel=5e-5 / 29.1667)


@pytest.mark.parametrize(("carat", "per_mille"), [("22 ct", 916.7), ("18 ct", 750.0), ("15 ct", 625.0)])
def test_carats(carat: str, per_mille: float) -> None:
    # T. K. Rose, The Metallurgy of Gold (6th ed., 1915), Table XIII, p. 49; printed to 0.1.
    assert si(carat, FINENESS) == pytest.approx(per_mille, abs=0.05)


def test_gold_of_an_assay_charge_in_grams_a_tonne_and_ounces_a_long_ton() -> None:
    # C. & J. J. Beringer, A Text-Book of Assaying (9th ed., 1904), practical exercise 6a (answers computed).
    grade = si("0.0035 g", MASS) / si("50 g", MASS)
    assert grade == pytest.approx(si("70 g/t", GRADE), rel=1e-12)
    assert grade == pytest.approx(2.28667 * si("1 ozt/long ton", GRADE), rel=1e-5)


def test_parts_in_a_thousand_and_in_a_hundred_thousand() -> None:
    # Beringer, practical exercises 2a and 3a (answers computed).
    assert si("1.017 g", MASS) / si("1.1 g", MASS) == pytest.approx(si("924.545 ‰", SHARE), abs=5e-7)
    assert si("0.0075 g", MASS) / si("20 g", MASS) == pytest.approx(si("375 ppm", GRADE), rel=1e-12)


def test_the_least_that_a_balance_shows() -> None:
    # Beringer, on the quantity of substance: 0.0002 g in 20 g is about 6 1/2 dwt a (long) ton.
    least = si("0.0002 g", MASS) / si("20 g", MASS)
    assert least == pytest.approx(si("6.53 dwt/long ton", GRADE), rel=1e-3)
    assert least == pytest.approx(si("6 1/2 dwt/long ton", GRADE), rel=0.01)
