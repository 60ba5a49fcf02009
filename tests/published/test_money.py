"""Published answers on the work of breaking, and on money by the ounce, the pound and the ton."""

from __future__ import annotations

import pytest

from flowsheet.spec.blocks import money
from flowsheet.spec.blocks.costs_and_sales import WORK_INDEX_DEFAULT
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.study.money.costs import bond

INCH = 25.4e-3
SHORT_TON = 907.18474  # NIST SP 811, Appendix B
HORSEPOWER = 745.69987  # 550 ft lbf/s (the same, from memory)

# F. C. Bond, Crushing and Grinding Calculations (1961), average work index of gold ore, kWh/short ton, from memory. The
# older tables, from which textbooks quote limestone at 12.74, are another set.
BOND_GOLD_ORE = 14.83


def test_limestone_from_two_inches_to_an_eighth() -> None:
    # W. L. McCabe, J. C. Smith & P. Harriott, Unit Operations of Chemical Engineering, size-reduction example, from
    # memory: Wi 12.74 (an older table), 100 ton/h, 80 % sizes 2 in and 1/8 in: 169.6 kW, 227 hp.
    index = money.parse("12.74 kWh/ton", money.WORK_INDEX).value
    watts = bond(index, 2 * INCH, INCH / 8) * 100 * SHORT_TON / 3600
    assert watts / 1000 == pytest.approx(169.6, abs=0.05)
    assert watts / HORSEPOWER == pytest.approx(227, abs=0.5)


def test_the_work_index_is_the_work_from_infinite_size_to_100_um() -> None:
    # The definition; seen in an excerpt of F. C. Bond's work.
    assert bond(BOND_GOLD_ORE, 1e12, 100e-6) == pytest.approx(BOND_GOLD_ORE, rel=1e-6)


def test_a_short_ton_and_a_tonne_differ_by_1_102() -> None:
    # C. A. Rowland, in an SME-AIME volume of 1976: 1.102 converts work per short ton to work per tonne.
    per_ton, per_tonne = (money.parse(f"1 kWh/{unit}", money.WORK_INDEX).value for unit in ("ton", "t"))
    assert round(per_ton / per_tonne, 3) == 1.102


def test_the_default_is_gold_ore_in_short_tons() -> None:
    assert WORK_INDEX_DEFAULT.value * SHORT_TON / 3.6e6 == pytest.approx(BOND_GOLD_ORE, rel=1e-12)


def test_rittinger_and_kick_are_not_bond() -> None:
    # J. M. Coulson & J. F. Richardson, Chemical Engineering, vol. 2, Example 2.1, from memory: a jaw crusher takes
    # 13.0 kJ/kg from 50 to 10 mm; from 75 to 25 mm Rittinger tells 4.33 and Kick 8.88. Bond's law lies between.
    factor = 13.0 / bond(1.0, 50e-3, 10e-3)
    assert 4.33 < factor * bond(1.0, 75e-3, 25e-3) < 8.88


def test_a_nugget_by_the_troy_ounce() -> None:
    # Auction-house note, 2018: 35 g at 1332.73 an ounce, printed 1499.86 with 31.10 g to the ounce.
    exact = money.price("gold", "1332.73 USD/ozt").value * 35e-3
    assert exact == pytest.approx(1499.69, abs=0.01)
    rounded = 35 / 31.10 * 1332.73
    assert rounded == pytest.approx(1499.86, abs=0.01)
    assert abs(exact - rounded) > 0.1


def test_a_bar_by_the_avoirdupois_pound() -> None:
    # C. H. Aaron, Leaching Gold and Silver Ores (1881), section 202: .969 fine, 82 lb 3 1/4 oz, 18.85 a pound; printed
    # 1,500.99, for steps were truncated: 1,501.49 unrounded.
    mass = number_with_doubt.parse("82 lb", units.MASS).value + number_with_doubt.parse("3 1/4 oz av", units.MASS).value
    worth = 0.969 * mass * money.price("silver", "18.85 USD/lb").value
    assert worth == pytest.approx(1501.49, abs=0.005)
    assert worth == pytest.approx(1500.99, rel=5e-4)


@pytest.mark.parametrize(
    ("unit", "grams"),
    [("ozt", 31.1034768), ("dwt", 1.55517384), ("gr", 0.06479891), ("oz av", 28.349523125), ("lb", 453.59237),
     ("kg", 1000.0), ("t", 1e6), ("ton", 907184.74), ("long ton", 1016046.9088)],
)  # fmt: skip
def test_money_by_every_mass(unit: str, grams: float) -> None:
    # NIST SP 811, Appendix B.
    assert money.price("gold", f"1 USD/{unit}").value == pytest.approx(1e3 / grams, rel=1e-9)


def test_an_ounce_to_the_short_ton_at_a_price_by_the_ounce() -> None:
    # 1 oz/short ton = 34.285714 g/t (NIST factors), so a short ton at that grade is worth one ounce.
    value = money.price("gold", "1 USD/ozt").value * 34.285714e-6 * SHORT_TON
    assert value == pytest.approx(1.0, rel=1e-7)
