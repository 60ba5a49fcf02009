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


EPSILON = float(np.finfo(float).eps)


def crossing(low: Array, high: Array, above: Callable[[Array], Array], turns: int = 60) -> Array:
    """Return where ``above``, which rises from ``low`` to ``high``, passes nought; the nearer end if it does not.

    ``low``, ``high`` of one shape; ``above`` takes such an array. Where it is no number the high end is returned.
    By inverse quadratic interpolation where that is safe, else by halves. Source: T. R. Chandrupatla, Adv. Eng.
    Software 28 (1997), 145 (from memory).
    """
    a, b = np.array(high), np.array(low)
    at_a, at_b = np.nan_to_num(above(a), nan=-1.0), np.nan_to_num(above(b), nan=-1.0)
    # Beyond an end: there is nothing to look for.
    b = np.where(at_a < 0, a, b)
    a = np.where(at_b >= 0, b, a)
    done = (at_a < 0) | (at_b >= 0)
    c, at_c, t = a, at_a, np.full(a.shape, 0.5)
    for _ in range(turns):
        if done.all():
            break
        new = np.where(done, a, a + t * (b - a))
        at_new = np.nan_to_num(above(new), nan=-1.0)
        same = (at_new >= 0) == (at_a >= 0)
        c, at_c = np.where(same, a, b), np.where(same, at_a, at_b)
        b, at_b = np.where(same, b, a), np.where(same, at_b, at_a)
        a, at_a = new, at_new
        with np.errstate(divide="ignore", invalid="ignore"):
            least = 2 * EPSILON * np.maximum(np.abs(a), EPSILON) / np.abs(b - a)
            done = done | ~(least < 0.5) | (at_a == 0)
            along, up = (a - b) / (c - b), (at_a - at_b) / (at_c - at_b)
            curved = at_a / (at_b - at_a) * at_c / (at_b - at_c)
            curved = curved + (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
            safe = (up * up < along) & ((1 - up) ** 2 < 1 - along)
            t = np.clip(np.where(safe, curved, 0.5), least, 1 - least)
        t = np.where(np.isfinite(t), t, 0.5)
    return np.asarray(np.where(np.abs(at_b) < np.abs(at_a), b, a))
