"""The sampler of the one estimate against certified regressions.

With a flat prior, and the standard deviation of the errors given, draws of a curve's parameters have the certified
estimates as their mean and the certified standard deviations, as far as the curve is straight in so small a doubt: the
residuals of each set are taken a hundredth as large, which makes its certified deviations a hundredth as well.

NIST Statistical Reference Datasets, nonlinear regression (National Institute of Standards and Technology, 1998):
data, certified estimates, their standard deviations and the residual sum of squares of each set (all from memory;
that the sums agree to every digit shows that the data are remembered right).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from flowsheet.ore.arrays import Array
from flowsheet.study.posterior.importance import resampled, sampled

Curve = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class Certified:
    """One set: y is ``curve(b, x)`` with b (n, 1)."""

    name: str
    curve: Curve
    x: tuple[float, ...]
    y: tuple[float, ...]
    estimates: tuple[float, ...]
    sds: tuple[float, ...]
    sum_of_squares: float


MISRA_X = (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)
MISRA_Y = (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78)

SETS = [
    Certified(
        "Misra1a", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), MISRA_X, MISRA_Y,
        (2.3894212918e2, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 1.2455138894e-1,
    ),
    Certified(
        "Misra1b", lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2), MISRA_X, MISRA_Y,
        (3.3799746163e2, 3.9039091287e-4), (3.1643950207, 4.2547321834e-6), 7.5464681533e-2,
    ),
    Certified(
        "DanWood", lambda b, x: b[0] * x ** b[1], (1.309, 1.471, 1.490, 1.565, 1.611, 1.680),
        (2.138, 3.421, 3.597, 4.340, 4.882, 5.660), (7.6886226176e-1, 3.8604055871),
        (1.8281973860e-2, 5.1726610913e-2), 4.3173084083e-3,
    ),
    Certified(
        "BoxBOD", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), (1, 2, 3, 5, 7, 10), (109, 149, 149, 191, 213, 224),
        (2.1380940889e2, 5.4723748542e-1), (1.2354515176e1, 1.0455993237e-1), 1.1680088766e3,
    ),
    Certified(
        "Rat42", lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)), (9, 14, 21, 28, 42, 57, 63, 70, 79),
        (8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08),
        (7.2462237576e1, 2.6180768402, 6.7359200066e-2), (1.7340283401, 8.8295217536e-2, 3.4465663377e-3), 8.0565229338,
    ),
]  # fmt: skip


SMALLER = 0.01


@pytest.mark.parametrize("certified", SETS, ids=lambda one: one.name)
def test_draws_have_the_certified_estimates_and_deviations(certified: Certified) -> None:
    x, y = np.array(certified.x), np.array(certified.y)
    best, sds = np.array(certified.estimates), np.array(certified.sds)
    fitted = certified.curve(best[:, None], x)
    assert float(((y - fitted) ** 2).sum()) == pytest.approx(certified.sum_of_squares, rel=1e-9)
    sigma = SMALLER * np.sqrt(certified.sum_of_squares / (len(y) - len(best)))
    data = fitted + SMALLER * (y - fitted)

    def log_density(z: Array, _: Array) -> Array:
        curves = np.stack([certified.curve((best + SMALLER * sds * one)[:, None], x) for one in z])
        return np.asarray(-0.5 * (((data - curves) / sigma) ** 2).sum(axis=-1))

    # It starts off the mode, with a spread that is twice too small and knows of no ties.
    found = sampled(
        log_density, np.full(len(best), 0.5), 4 * np.eye(len(best)), ((1.0,), (1.0,)), np.random.default_rng(1)
    )
    draws = found.z[resampled(found.weights, 4000, np.random.default_rng(2))]
    assert found.effective > 300
    # So many draws tell a mean to 0.06 and a deviation to 0.04 of it; three times that is allowed.
    assert draws.mean(axis=0) == pytest.approx(np.zeros(len(best)), abs=0.18)
    assert draws.std(axis=0) == pytest.approx(np.ones(len(best)), rel=0.12)
