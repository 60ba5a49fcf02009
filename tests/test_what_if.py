"""What is tried for the better: a number set anew is told as the sheet writes it."""

from __future__ import annotations

import pytest

from flowsheet.spec.text.number_with_doubt import parse
from flowsheet.spec.text.units import COUNT, LENGTH, SHARE, Dimension
from flowsheet.study.common.what_if import changed


@pytest.mark.parametrize(("wanted", "now", "rule", "then"), [
    (SHARE, "0.8 ± 0.1", "to 0.95", "0.95"), (SHARE, "0.7 to 0.9", "to 0.95", "0.95"),
    (SHARE, "80 %", "to 0.95", "95 %"),
    # A share is no length: 0.1 of it is halved to 0.05, and not to 50 mm.
    (SHARE, "0.1", "x0.5", "0.05"), (SHARE, ".002", "x0.5", "0.001"), (SHARE, "0.2 %", "x0.5", "0.1 %"),
    (LENGTH, "0.4 mm", "x0.5", "0.2 mm"), (LENGTH, "20 mm ± 5 %", "x0.5", "10 mm"), (LENGTH, "60 um", "x0.7", "42 um"),
    (LENGTH, "#20", "x0.5", "0.425 mm"), (LENGTH, "20 mesh", "x0.5", "0.425 mm"), (LENGTH, "1/2 in", "x0.5", "6.35 mm"),
    (LENGTH, "0.5 in", "x0.5", "0.25 in"), (LENGTH, "20 to 30 mm", "x0.5", "12.5 mm"), (COUNT, "1", "+1", "2"),
    (LENGTH, "E11 1/2 in", "x0.5", "6.25 mm"), (LENGTH, "20 ± 1 mm", "x0.5", "10 mm"),
    (LENGTH, "2e-2 m", "x0.5", "10 mm"), (LENGTH, "2 1/4 in", "x0.5", "28.57 mm"),
    (SHARE, "0.43 %", "x0.5", "0.215 %"), (SHARE, "0.0043", "x0.5", "0.00215"),
    (SHARE, "0.4 % to 0.6 %", "x0.5", "0.25 %"), (SHARE, "1 % ± 0.5 %", "x0.5", "0.5 %"),
])  # fmt: skip
def test_a_number_set_anew_is_told_as_the_sheet_writes_it(wanted: Dimension, now: str, rule: str, then: str) -> None:
    new = changed(parse(now, wanted), rule)
    assert new is not None
    assert str(new) == then
    assert parse(then, wanted).value == pytest.approx(new.value, rel=1e-3)
    assert (new.dimension, new.doubtful) == (wanted, False)


@pytest.mark.parametrize("good", ["95 %", "0.95", "99 %"])
def test_what_is_as_good_already_is_left(good: str) -> None:
    assert changed(parse(good, SHARE), "to 0.95") is None
