"""The array types of the numerical rooms, and what every one of them works with."""

from collections.abc import Callable
from typing import Any, Generic, Self, TypeAlias, TypeVar, overload

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]
Mask: TypeAlias = npt.NDArray[np.bool_]

Draws: TypeAlias = slice | npt.NDArray[np.intp]
"""Which of many draws: a part of them, or some by their numbers."""

T = TypeVar("T")


class Kept(Generic[T]):
    """A property that is worked out when it is first asked for, and kept.

    functools.cached_property does the same behind a lock in Python 3.11, which takes longer than the sums kept here.
    """

    def __init__(self, work: Callable[[Any], T]) -> None:
        self.work, self.name, self.__doc__ = work, work.__name__, work.__doc__

    @overload
    def __get__(self, of: None, owner: type) -> Self: ...
    @overload
    def __get__(self, of: object, owner: type) -> T: ...

    def __get__(self, of: object | None, owner: type) -> Self | T:
        """Return what is kept of an object, worked out now: it is found before this is asked again."""
        if of is None:
            return self
        value = self.work(of)
        vars(of)[self.name] = value
        return value


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
