"""The least-squares core of ``fit`` against certified results.

NIST Statistical Reference Datasets, nonlinear regression (National Institute of Standards and Technology, 1998):
data, certified estimates, their standard deviations and the residual sum of squares of each set (all from memory;
that the sums and estimates agree to every digit shows that the data are remembered right).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from flowsheet.ore.arrays import Array
from flowsheet.study.estimate.bounded_lsq import least_squares
from flowsheet.study.estimate.laplace_posterior import LaplacePosterior

Curve = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class Certified:
    """One set: y is ``curve(b, x)`` with b (n, 1)."""

    name: str
    curve: Curve
    x: tuple[float, ...]
    y: tuple[float, ...]
    starts: tuple[tuple[float, ...], tuple[float, ...]]
    estimates: tuple[float, ...]
    sds: tuple[float, ...]
    sum_of_squares: float


MISRA_X = (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)
MISRA_Y = (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78)

SETS = [
    Certified(
        "Misra1a", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), MISRA_X, MISRA_Y, ((500, 0.0001), (250, 0.0005)),
        (2.3894212918e2, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 1.2455138894e-1,
    ),
    Certified(
        "Misra1b", lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2), MISRA_X, MISRA_Y,
        ((500, 0.0001), (300, 0.0002)), (3.3799746163e2, 3.9039091287e-4), (3.1643950207, 4.2547321834e-6),
        7.5464681533e-2,
    ),
    Certified(
        "Misra1c", lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5), MISRA_X, MISRA_Y,
        ((500, 0.0001), (600, 0.0002)), (6.3642725809e2, 2.0813627256e-4), (4.6638326572, 1.7728423155e-6),
        4.0966836971e-2,
    ),
    Certified(
        "Misra1d", lambda b, x: b[0] * b[1] * x / (1 + b[1] * x), MISRA_X, MISRA_Y, ((500, 0.0001), (450, 0.0003)),
        (4.3736970754e2, 3.0227324449e-4), (3.6489174345, 2.9334354479e-6), 5.6419295283e-2,
    ),
    Certified(
        "DanWood", lambda b, x: b[0] * x ** b[1], (1.309, 1.471, 1.490, 1.565, 1.611, 1.680),
        (2.138, 3.421, 3.597, 4.340, 4.882, 5.660), ((1, 5), (0.7, 4)), (7.6886226176e-1, 3.8604055871),
        (1.8281973860e-2, 5.1726610913e-2), 4.3173084083e-3,
    ),
    Certified(
        "BoxBOD", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), (1, 2, 3, 5, 7, 10), (109, 149, 149, 191, 213, 224),
        ((100, 0.75), (150, 0.6)), (2.1380940889e2, 5.4723748542e-1), (1.2354515176e1, 1.0455993237e-1),
        1.1680088766e3,
    ),
    Certified(
        "Rat42", lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)), (9, 14, 21, 28, 42, 57, 63, 70, 79),
        (8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08), ((100, 1, 0.1), (75, 2.5, 0.07)),
        (7.2462237576e1, 2.6180768402, 6.7359200066e-2), (1.7340283401, 8.8295217536e-2, 3.4465663377e-3), 8.0565229338,
    ),
    Certified(
        "MGH09", lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
        (4, 2, 1, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625),
        (0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246),
        ((0.25, 0.39, 0.415, 0.39), (0.25, 0.39, 0.415, 0.39)),
        (1.9280693458e-1, 1.9128232873e-1, 1.2305650693e-1, 1.3606233068e-1),
        (1.1435312227e-2, 1.9633220911e-1, 8.0842031232e-2, 9.0025542308e-2), 3.0750560385e-4,
    ),
]  # fmt: skip


@pytest.mark.parametrize("which", [0, 1], ids=["far start", "near start"])
@pytest.mark.parametrize("certified", SETS, ids=lambda one: one.name)
def test_certified_regressions(certified: Certified, which: int) -> None:
    x, y = np.array(certified.x), np.array(certified.y)
    start = np.array(certified.starts[which], dtype=float)
    wide = np.full(len(start), np.inf)

    def residuals(sets: Array) -> Array:
        return np.stack([certified.curve(b[:, None], x) for b in sets]) - y

    found = least_squares(residuals, start, -wide, wide, np.abs(start))
    precision = found.jacobian.T @ found.jacobian * (len(y) - len(start)) / found.sum_of_squares
    sds = LaplacePosterior(found.x, precision, -wide, wide, np.abs(start)).sd
    assert found.settled
    assert found.x == pytest.approx(certified.estimates, rel=1e-9)
    assert sds == pytest.approx(certified.sds, rel=1e-6)
    assert found.sum_of_squares == pytest.approx(certified.sum_of_squares, rel=1e-10)
