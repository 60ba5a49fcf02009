"""Sieve series against the standards and the sieve tables of the fluids library.

Of a fluids sieve only ``opening`` (m) is used: its openings in inches and its wire diameters are off by a factor of
a thousand for some sieves (fluids 1.3).
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from fluids.particle_size_distribution import ISO_3310_1_R20_3, ASTM_E11_sieves

from flowsheet.ore.grid import R20_3_MM, Grid
from flowsheet.spec.text.mesh import E11_INCHES, E11_NUMBERS
from flowsheet.spec.text.number_with_doubt import parse
from flowsheet.spec.text.units import LENGTH

# ASTM E11-01, Table 1.
E11_PRINTED_INCHES = {"1": 25.0, "3/4": 19.0, "1/2": 12.5, "3/8": 9.5, "1/4": 6.3}
# The same table: the sieves of the fourth-root-of-two series that have no fraction for a name.
E11_DECIMAL_INCHES = {"5": 125.0, "4.24": 106.0, "2.12": 53.0, "1.06": 26.5, ".530": 13.2, ".265": 6.7}
E11_PRINTED_NUMBERS = {"4": 4.75, "5": 4.00, "6": 3.35, "7": 2.80}
# ASTM E11, Table 1, from memory.
E11_REMEMBERED_NUMBERS = {
    "10": 2.00, "18": 1.00, "35": 0.500, "60": 0.250, "120": 0.125, "200": 0.075, "400": 0.038,
}  # fmt: skip
# ISO 565 / ISO 3310-1, R20/3, from memory.
R20_3_PRINTED = (
    125, 90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125, 0.09,
    0.063, 0.045,
)  # fmt: skip


@pytest.mark.parametrize(("number", "mm"), (E11_PRINTED_NUMBERS | E11_REMEMBERED_NUMBERS).items())
def test_mesh_numbers(number: str, mm: float) -> None:
    assert parse(f"#{number}", LENGTH).value == mm / 1000
    assert parse(f"{number} mesh", LENGTH).value == mm / 1000


@pytest.mark.parametrize(("name", "mm"), (E11_PRINTED_INCHES | E11_DECIMAL_INCHES).items())
def test_inch_names(name: str, mm: float) -> None:
    assert E11_INCHES[name] == mm
    assert parse(f"E11 {name} in", LENGTH).value == mm / 1000


@pytest.mark.parametrize("name", [".53", "0.530", "0.53"])
def test_a_decimal_name_may_be_written_with_other_noughts(name: str) -> None:
    assert parse(f"E11 {name} in", LENGTH).value == 13.2 / 1000


def test_every_coarse_sieve_of_fluids_astm_table_has_an_inch_name() -> None:
    ours = [mm / 1000 for mm in E11_INCHES.values()]
    theirs = [sieve.opening for sieve in ASTM_E11_sieves.values() if sieve.opening > 0.0057]
    assert sorted(theirs) == pytest.approx(sorted(ours), rel=1e-12)


def test_every_sieve_of_ours_is_one_of_fluids_astm_table() -> None:
    theirs = sorted(sieve.opening for sieve in ASTM_E11_sieves.values())
    for mm in [*E11_NUMBERS.values(), *E11_INCHES.values()]:
        assert any(opening == pytest.approx(mm / 1000, rel=1e-12) for opening in theirs), f"{mm} mm"


def test_every_fine_sieve_of_fluids_astm_table_is_one_of_ours() -> None:
    # From No. 3 1/2 (5.6 mm) down to No. 635 (20 um) the standard numbers all of its sieves.
    ours = [mm / 1000 for mm in E11_NUMBERS.values()]
    theirs = [sieve.opening for sieve in ASTM_E11_sieves.values() if sieve.opening < 0.0057]
    assert sorted(theirs) == pytest.approx(sorted(ours), rel=1e-12)


@pytest.mark.parametrize(("inches", "name"), [("1 in", "1"), ("1/2 in", "1/2"), ("1/4 in", "1/4")])
def test_an_inch_name_is_no_length(inches: str, name: str) -> None:
    # 25.4/25.0, 12.7/12.5 and 6.35/6.3; these three stand outside the fourth-root-of-two series (E11-01, note D).
    ratio = parse(inches, LENGTH).value / parse(f"E11 {name} in", LENGTH).value
    assert ratio == pytest.approx({"1": 1.016, "1/2": 1.016, "1/4": 1.00794}[name], abs=5e-6)


def test_the_grid_is_the_series_of_iso_565() -> None:
    inside = [mm for mm in R20_3_MM if 0.04 < mm <= 125]
    assert inside == list(R20_3_PRINTED)
    assert [mm / 1000 for mm in inside] == pytest.approx([s.opening for s in ISO_3310_1_R20_3], rel=1e-12)
    grid = Grid.make(0.125)
    assert grid.upper == pytest.approx([mm / 1000 for mm in (*R20_3_PRINTED, 0.032)], rel=1e-12)


def test_the_series_is_every_third_of_twenty_to_the_decade() -> None:
    for above, below in pairwise(R20_3_MM):
        assert above / below == pytest.approx(10 ** (3 / 20), rel=0.02)
    for k, mm in zip(range(42, -31, -3), (*R20_3_PRINTED, 0.032), strict=True):
        assert mm == pytest.approx(10 ** (k / 20), rel=0.013)
