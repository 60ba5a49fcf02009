"""What all numerical rooms share: the normal law's point, halving; and weights that are far from what was foretold."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from flowsheet.ore.arrays import NORMAL_95, bisect
from flowsheet.spec.blocks.measurement import GOLD, MASS, Measurement
from flowsheet.study.balance.misfits import exchanged, misfits


def test_the_point_of_the_normal_law() -> None:
    assert pytest.approx(0.95, rel=1e-15) == NormalDist().cdf(NORMAL_95)
    assert round(NORMAL_95, 3) == 1.645  # as tables print it


def test_halving_finds_roots_of_several_at_once() -> None:
    squares = np.array([2.0, 9.0, 0.25])
    low, high = bisect(np.zeros(3), np.full(3, 10.0), lambda x: x * x >= squares)
    assert high == pytest.approx(np.sqrt(squares), rel=1e-14)
    assert ((low <= high) & (low * low <= squares)).all()
    rough, _ = bisect(np.zeros(()), np.asarray(8.0), lambda x: x >= 5.0, 3)
    assert rough == 4.0


def weight(stream: str, value: float, what: str = MASS) -> Measurement:
    return Measurement(stream, what, value, 0.01, False)


def test_weights_that_read_each_others_value_may_have_been_exchanged() -> None:
    pairs = [(weight("lumps", 5.0), 9.0), (weight("fines", 9.1), 5.1), (weight("tails", 4.0), 4.1)]
    odd = misfits(pairs)
    assert [one.measured.stream for one in odd] == ["lumps", "fines"]  # the furthest first, tails within a fifth
    other = exchanged(odd)
    assert other is not None
    assert other.measured.stream == "fines"


@pytest.mark.parametrize("other", [weight("fines", 7.0), weight("fines", 9.1, GOLD)])
def test_weights_that_do_not_read_each_others_value_were_not(other: Measurement) -> None:
    assert exchanged(misfits([(weight("lumps", 5.0), 9.0), (other, 5.1)])) is None
    assert exchanged([]) is None


def test_a_weight_where_nothing_was_foretold_is_infinitely_far() -> None:
    (one,) = misfits([(weight("lumps", 5.0), 0.0)])
    assert one.ratio == one.far == np.inf
