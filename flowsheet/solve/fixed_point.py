"""Fixed points of many draws at once, each going on by its own steps until it has settled."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from flowsheet.ore.arrays import Array, Mask

MOST_TURNS = 100
SETTLED = 1e-13
"""A draw has settled when no number differs by more than this from what comes of it."""
DEPTH = 5
"""Turns back that are looked at to see where the next should go."""

#: What comes of guesses (A, N) of the draws (A,), by their numbers.
Answer: TypeAlias = Callable[[Array, npt.NDArray[np.intp]], Array]


def settle(start: Array, answer: Answer) -> tuple[Array, Mask]:
    """Find the x (D, N), none below zero, that come of themselves; return them and which of them have settled, (D,).

    Draws that have settled are not looked at again. The others go on to where a weighted mean of the last turns' gaps
    is smallest. Source: D. G. Anderson, Iterative Procedures for Nonlinear Integral Equations, J. ACM 12 (1965), 547;
    H. F. Walker & P. Ni, SIAM J. Numer. Anal. 49 (2011), 1715 (both from memory).
    """
    x = np.array(start)
    settled = np.zeros(len(x), dtype=bool)
    left = np.arange(len(x))
    guesses: list[Array] = []
    gaps: list[Array] = []
    for _ in range(MOST_TURNS):
        guess = x[left]
        gap = answer(guess, left) - guess
        there = np.max(np.abs(gap), axis=1) < SETTLED
        settled[left[there]] = True
        if there.all():
            break
        going = ~there
        guesses = [one[going] for one in (*guesses, guess)][-DEPTH - 1 :]
        gaps = [one[going] for one in (*gaps, gap)][-DEPTH - 1 :]
        left = left[going]
        x[left] = np.maximum(_next(np.stack(guesses, axis=-1), np.stack(gaps, axis=-1)), 0.0)
    return x, settled


TRUST = 1e-10
"""Directions of gaps shorter than this (of the longest, squared) tell nothing but rounding."""


def _next(guesses: Array, gaps: Array) -> Array:
    """Return where to go from the last of some guesses (A, N, turns) and their gaps."""
    plain = guesses[..., -1] + gaps[..., -1]
    if gaps.shape[-1] == 1:
        return np.asarray(plain)
    moved, changed = np.diff(guesses, axis=-1), np.diff(gaps, axis=-1)
    length = np.sqrt((changed**2).sum(axis=1, keepdims=True))
    unit = changed / np.where(length > 0, length, 1.0)
    values, directions = np.linalg.eigh(np.swapaxes(unit, 1, 2) @ unit)
    along = np.swapaxes(directions, 1, 2) @ (np.swapaxes(unit, 1, 2) @ gaps[..., -1:])
    told = values[..., None] > TRUST * values[..., -1:, None]
    weights = directions @ np.where(told, along / np.where(told, values[..., None], 1.0), 0.0)
    weights = weights / np.where(length > 0, length, 1.0).swapaxes(1, 2)
    return np.asarray(plain - ((moved + changed) @ weights)[..., 0])
