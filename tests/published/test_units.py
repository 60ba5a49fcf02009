"""Units of the trade against published factors and the full pint registry."""

from __future__ import annotations

import pint
import pytest

from flowsheet.spec.text.number_with_doubt import parse
from flowsheet.spec.text.units import FINENESS, GRADE, LENGTH, MASS, SHARE, Dimension

pytestmark = pytest.mark.smoke


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


def test_ounces_pennyweights_and_grains_of_an_assay() -> None:
    # T. K. Rose, The Metallurgy of Gold (6th ed., 1915), p. 496: 1.75 mg from 50 g is 1 oz 2 dwt 20.8 gr a (long) ton;
    # half of a step of 0.05 mg is nearly 8 gr.
    grade = si("1.75 mg", MASS) / si("50 g", MASS)
    printed = si("1 ozt/long ton", GRADE) + si("2 dwt/long ton", GRADE) + si("20.8 gr", MASS) / si("1 long ton", MASS)
    assert grade == pytest.approx(printed, rel=5e-5)
    half = si("0.025 mg", MASS) / si("50 g", MASS) * si("1 long ton", MASS) / si("1 gr", MASS)
    assert half == pytest.approx(8, abs=0.2)


def test_what_a_mine_saved() -> None:
    # Appendices to the Journals of the House of Representatives, New Zealand, 1893, C-3, p. 16: gold 26 oz 2 dwt 10 gr
    # and silver 61 oz 9 dwt are 87 oz 11 dwt 10 gr a ton; tailings 1 oz 5 dwt 5 gr of gold; saved, printed 95.1 %.
    def weight(ounces: float, pennyweights: float = 0, grains: float = 0) -> float:
        parts = (f"{ounces} ozt", f"{pennyweights} dwt", f"{grains} gr")
        return sum(si(part, MASS) for part in parts)

    gold, silver = weight(26, 2, 10), weight(61, 9)
    assert gold + silver == pytest.approx(weight(87, 11, 10), rel=1e-12)
    assert 100 * (1 - weight(1, 5, 5) / gold) == pytest.approx(95.17, abs=5e-3)
    # The same page's melted bullion, 18 oz 5 dwt of 180 gold and 792 silver from 320 lb, holds 88 % of that gold, but
    # 165 % of the silver: it contradicts itself.
    share = si("320 lb", MASS) / si("1 long ton", MASS)
    bullion = weight(18, 5)
    assert 0.180 * bullion / (share * gold) == pytest.approx(0.88, abs=5e-3)
    assert 0.792 * bullion / (share * silver) == pytest.approx(1.65, abs=5e-3)
    # Page 43: 4,116 tons gave 2,186 oz, about 10 dwt 15 gr a ton.
    assert weight(2186) / 4116 == pytest.approx(weight(0, 10, 15), abs=si("0.1 gr", MASS))
