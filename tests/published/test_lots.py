"""The plain way with samples of a lot, against published examples."""

from __future__ import annotations

import math

import pytest

from flowsheet.study.lot.student_interval import mean_sd, plain_lot

PETITION = {42: 23, 41: 4, 36: 1, 32: 1, 29: 1, 27: 2, 23: 1, 19: 1, 16: 2, 15: 2, 14: 1, 11: 1, 10: 1, 9: 1, 7: 1,
            6: 3, 5: 2, 4: 1, 3: 1}  # fmt: skip


def test_petition_sheets() -> None:
    # W. G. Cochran, Sampling Techniques (3rd ed., 1977), section 2.8: signatures on 50 of 676 sheets; total 19,888,
    # with 80 % limits (1.28) of 18,107 and 21,669. From memory; the frequencies give both sums that the book prints.
    counts = [number for number, sheets in PETITION.items() for _ in range(sheets)]
    assert (len(counts), sum(counts), sum(c**2 for c in counts)) == (50, 1471, 54497)
    found = plain_lot(counts, 676)
    assert found.sd**2 == pytest.approx(229.0, abs=0.05)
    assert 676 * found.mean == pytest.approx(19888, abs=0.5)
    low, high = found.limits(1.28)
    # The book rounds on its way: within 6.
    assert 676 * low == pytest.approx(18107, abs=6)
    assert 676 * high == pytest.approx(21669, abs=6)


def test_a_fifth_of_the_papers() -> None:
    # 20 of 100 papers of standard deviation 10 (all 100 of them): that of the mean is 10/√20 × √(80/99) = 2.01008, and
    # nothing where all are marked. A textbook exercise in statistics; the answer computed.
    sd = 10 * math.sqrt(100 / 99)  # by n - 1
    assert mean_sd(sd, 20, 100) == pytest.approx(2.01008, abs=5e-6)
    assert mean_sd(sd, 100, 100) == 0


def test_students_interval() -> None:
    # Student's t for 9 degrees of freedom, 95 %: 1.833 (W. S. Gosset's table as all textbooks print it).
    found = plain_lot([float(k) for k in range(10)])
    low, high = found.student()
    assert (high - low) / 2 / found.mean_sd == pytest.approx(1.833, abs=5e-4)
    assert math.isnan(plain_lot([1.0]).student()[0])
