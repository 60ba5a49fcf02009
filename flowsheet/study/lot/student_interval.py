"""The plain way with several samples of a lot: their mean, its standard deviation, and Student's interval.

Source: W. G. Cochran, Sampling Techniques (3rd ed., 1977), sections 2.3 to 2.8; from memory. It holds where what the
samples hold is about normal, which gold in sacks is not: it stands beside the other as the trade's habit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Plain:
    """n samples, of a lot of ``size`` (None: without end), by their mean."""

    n: int
    mean: float
    #: Standard deviation of the samples, and of their mean, with the lot's size in it; NaN for a single sample.
    sd: float
    mean_sd: float
    size: int | None = None

    def limits(self, times: float) -> tuple[float, float]:
        """Return the mean less and plus so many of its standard deviations."""
        return self.mean - times * self.mean_sd, self.mean + times * self.mean_sd

    def student(self, share: float = 0.9) -> tuple[float, float]:
        """Return Student's interval, which holds the mean with chance ``share`` where samples are normal."""
        from scipy.special import stdtrit

        return self.limits(float(stdtrit(self.n - 1, (1 + share) / 2)) if self.n > 1 else math.nan)


def plain_lot(values: Sequence[float], size: int | None = None) -> Plain:
    """Return mean and standard deviation of samples, drawn from a lot of ``size`` without putting any back."""
    n = len(values)
    mean = math.fsum(values) / n
    sd = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1)) if n > 1 else math.nan
    return Plain(n, mean, sd, mean_sd(sd, n, size), size)


def mean_sd(sd: float, n: int, size: int | None = None) -> float:
    """Return the standard deviation of the mean of n of ``size`` samples of standard deviation ``sd`` (n - 1)."""
    return sd / math.sqrt(n) * math.sqrt(1 - n / size if size is not None else 1.0)
