"""Liberation against the lattice model."""

from __future__ import annotations

import numpy as np
import pytest

from flowsheet.ore.liberation import lattice_share


@pytest.mark.parametrize(
    ("ratio", "share"),
    [(2, 0.125), (3, 0.296296), (5, 0.512), (10, 0.729), (20, 0.857375), (100, 0.970299), (1, 0.0), (0.3, 0.0)],
)
def test_share_that_no_fracture_touches(ratio: float, share: float) -> None:
    # A. M. Gaudin, Principles of Mineral Dressing (1939): ((K - 1)/K)^3 (from memory; values analytic). There K is the
    # size of the mineral grain over that of the particle and the share is free mineral; the same lattice, with grain
    # and particle in each other's place, leaves this share of the gold untouched in its host.
    assert lattice_share(np.asarray(float(ratio))) == pytest.approx(share, abs=5e-7)


def test_it_is_the_limit_of_wiegel_and_li_for_a_rare_mineral() -> None:
    # R. L. Wiegel & K. Li, Trans. AIME 238 (1967), from memory: L = [(K-1)^3 + 3 (K-1)^2 V + 3 (K-1) V^3 + V^7]/K^3
    # for an abundance V; gold is rare, V = 1e-5.
    def wiegel(k: float, v: float) -> float:
        return ((k - 1) ** 3 + 3 * (k - 1) ** 2 * v + 3 * (k - 1) * v**3 + v**7) / k**3

    assert wiegel(4, 0.25) == pytest.approx(0.529542, abs=5e-7)
    for k in (1.5, 2.0, 4.0, 10.0, 100.0):
        assert lattice_share(np.asarray(k)) == pytest.approx(wiegel(k, 1e-5), abs=5e-5)
