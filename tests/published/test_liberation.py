"""Liberation: Gaudin's lattice, thrown at random."""

from __future__ import annotations

import numpy as np
import pytest

from flowsheet.ore.liberation import lattice_share, showing_share

THROWN = 200_000


@pytest.mark.parametrize(
    ("ratio", "share"), [(2, 0.125), (3, 0.296296), (5, 0.512), (10, 0.729), (20, 0.857375), (100, 0.970299)]
)
def test_share_that_no_fracture_touches(ratio: float, share: float) -> None:
    # A. M. Gaudin, Principles of Mineral Dressing (1939): ((K - 1)/K)^3 (from memory). There K is the size of the
    # mineral grain over that of the particle and the share is free mineral; the same lattice, with grain and particle
    # in each other's place, leaves this share of the gold untouched in its host. Planes a host's size apart, each way;
    # a grain of size one lies where it will.
    corner = np.random.default_rng(5).uniform(0, ratio, (THROWN, 3))
    untouched = np.all(corner + 1 <= ratio, axis=1)
    assert untouched.mean() == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / THROWN))
    assert lattice_share(np.asarray(float(ratio))) == pytest.approx(share, abs=5e-7)


@pytest.mark.parametrize("ratio", [1.0, 0.3])
def test_a_grain_as_large_as_its_host_is_free(ratio: float) -> None:
    assert lattice_share(np.asarray(ratio)) == 0


@pytest.mark.parametrize("ratio", [3.0, 5.0, 20.0])
def test_a_grain_near_a_face_shows(ratio: float) -> None:
    # A grain that lies within its own size of a face is taken to show (the model's own rule), by throwing grains.
    corner = np.random.default_rng(6).uniform(0, ratio, (THROWN, 3))
    shows = np.any((corner < 1) | (corner > ratio - 1), axis=1).mean()
    assert showing_share(np.asarray(ratio)) == pytest.approx(shows, abs=4 * np.sqrt(0.25 / THROWN))
