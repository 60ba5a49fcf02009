"""The array types of the numerical rooms, and what every one of them works with."""

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]
Mask: TypeAlias = npt.NDArray[np.bool_]

NORMAL_95 = 1.6448536269514722
"""95 % point of the standard normal law, so that ± as many standard deviations hold 90 % of any.

Source: M. Abramowitz & I. A. Stegun, Handbook of Mathematical Functions (1964), table 26.5; more digits by a test.
"""


def bisect(low: Array, high: Array, reached: Callable[[Array], Mask], turns: int = 60) -> tuple[Array, Array]:
    """Return ends between which something is reached, after so many halvings of the way from ``low`` to ``high``.

    ``low``, ``high`` of one shape; ``reached`` takes such an array and says where what is sought lies at or below it.
    """
    for _ in range(turns):
        middle = (low + high) / 2
        there = reached(middle)
        low, high = np.where(there, low, middle), np.where(there, middle, high)
    return low, high
