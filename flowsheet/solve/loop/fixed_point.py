"""What many draws come to, sought at once, each going on by its own steps until it has settled.

Fixed points of all that goes round, or the few numbers at which nothing is off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Ends:
    """Between which the numbers are sought, (K,) each. At an end one may be off by what lies beyond."""

    low: Array
    high: Array

    def gap(self, x: Array, off: Array) -> Array:
        """Return how far numbers are from what they should be, where what lies beyond an end does not count."""
        return np.asarray(x - np.clip(x - off, self.low, self.high))


def settle(
    start: Array, answer: Answer, settled: Mask | None = None, ends: Ends | None = None, most: int = MOST_TURNS
) -> tuple[Array, Mask]:
    """Find the x (D, N) that come of themselves; return them and which have settled, (D,).

    None is below nought, or beyond its ``ends``.

    Those that have ``settled`` (D,) at the start are left as they are.

    Draws that have settled are not looked at again. The others go on to where a weighted mean of the last turns' gaps
    is smallest. Source: D. G. Anderson, Iterative Procedures for Nonlinear Integral Equations, J. ACM 12 (1965), 547;
    H. F. Walker & P. Ni, SIAM J. Numer. Anal. 49 (2011), 1715 (both from memory).
    """
    x = np.array(start)
    settled = np.zeros(len(x), dtype=bool) if settled is None else np.array(settled)
    left = np.flatnonzero(~settled)
    guesses: list[Array] = []
    gaps: list[Array] = []
    for _ in range(most):
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
        to = _next(np.stack(guesses, axis=-1), np.stack(gaps, axis=-1))
        x[left] = np.maximum(to, 0.0) if ends is None else np.clip(to, ends.low, ends.high)
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


# ── a few numbers that are not to be off ────────────────────────────────────────────────────────────────────

MOST_CORRECTIONS = 30
RIGHT = 1e-13
"""A draw has settled when nothing is off by more than this,"""
NEARLY = 1e-11
"""or by more than this, and another turn makes it no better: the rest is rounding."""
NUDGE = 1e-6
"""How far a number is moved to see what hangs on it; rounding then spoils its slope by a ten-milliardth."""
FARTHEST = 1.0
"""No number moves further in a turn: they are shares, or logarithms."""
FEW = 16
"""So few draws get slopes of their own where those that they set out with do not lead on."""
PATIENCE = 8
"""Turns without slopes of their own."""

#: How far off numbers (A, K) are, of the draws (A,) by their numbers; it rises with each number, all else the same.
Off: TypeAlias = Callable[[Array, npt.NDArray[np.intp]], Array]


def tuned(
    start: Array,
    off: Off,
    ends: Ends,
    inverse: Array | None = None,
    most: int = MOST_CORRECTIONS,
    right: float = RIGHT,
) -> tuple[Array, Mask, Array]:
    """Find numbers (D, K) that are not off; return them, which draws have settled, and the slopes' inverse (D, K, K).

    Where no more than ``right`` is asked for, the last step of each draw is made unseen: it brings some digits more.
    ``inverse`` (K, K): of the slopes near the start, which all draws begin with. Each turn corrects it by what it has
    shown. Source: C. G. Broyden, A Class of Methods for Solving Nonlinear Simultaneous Equations, Math. Comp. 19
    (1965), 577 (from memory).
    """
    many, k = start.shape
    x = np.clip(start, ends.low, ends.high)
    settled = np.zeros(many, dtype=bool)
    left = np.arange(many)
    gap = ends.gap(x, off(x, left))
    turn = (
        np.array(np.broadcast_to(inverse, (many, k, k))) if inverse is not None else _inverse(x, gap, left, off, ends)
    )
    size = np.abs(gap).max(axis=1)
    for turns in range(most):
        there = size[left] < right
        settled[left[there]] = True
        if right > RIGHT:
            last = left[there]
            x[last] = np.clip(x[last] - (turn[last] @ gap[last][..., None])[..., 0], ends.low, ends.high)
        left = left[~there]
        if not len(left):
            break
        if turns and turns % PATIENCE == 0 and len(left) <= FEW:
            turn[left] = _inverse(x[left], gap[left], left, off, ends)
        was, had = x[left], gap[left]
        step = np.clip(-(turn[left] @ had[..., None])[..., 0], -FARTHEST, FARTHEST)
        now = np.clip(was + step, ends.low, ends.high)
        got = ends.gap(now, off(now, left))
        new = np.abs(got).max(axis=1)
        for _ in range(2):  # twice as far off: too far
            worse = ~(new < 2 * size[left])
            if not worse.any():
                break
            now[worse] = (now[worse] + 3 * was[worse]) / 4
            got[worse] = ends.gap(now[worse], off(now[worse], left[worse]))
            new[worse] = np.abs(got[worse]).max(axis=1)
        stuck = (new < NEARLY) & (new > size[left] / 2)
        settled[left[stuck]] = True
        turn[left] = _corrected(turn[left], now - was, got - had)
        better = ~stuck | (new < size[left])
        x[left[better]], gap[left[better]], size[left[better]] = now[better], got[better], new[better]
        left = left[~stuck]
    return x, settled, turn


def _inverse(x: Array, gap: Array, draws: npt.NDArray[np.intp], off: Off, ends: Ends) -> Array:
    """Return the inverse of the slopes at numbers (A, K) with their gaps, (A, K, K)."""
    many, k = x.shape
    sign = np.where(x + NUDGE > ends.high, -1.0, 1.0)
    moved = (x[:, None, :] + NUDGE * sign[:, None, :] * np.eye(k)).reshape(-1, k)
    there = ends.gap(moved, off(moved, np.repeat(draws, k))).reshape(many, k, k)
    slopes = np.swapaxes((there - gap[:, None, :]) / (NUDGE * sign[:, :, None]), 1, 2)
    # What nothing moves is left as it is.
    flat = np.abs(slopes).max(axis=2) < NUDGE
    own = np.arange(k)
    slopes[:, own, own] = np.where(flat, 1.0, slopes[:, own, own])
    try:
        return np.asarray(np.linalg.inv(slopes))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(slopes))


def _corrected(inverse: Array, step: Array, change: Array) -> Array:
    """Return inverses (A, K, K) such that a change of the gap (A, K) calls for the step that made it."""
    called = (inverse @ change[..., None])[..., 0]
    row = (step[:, None, :] @ inverse)[:, 0, :]
    scale = (row * change).sum(axis=1)
    safe = np.abs(scale) > 1e-8 * (step**2).sum(axis=1)
    by = np.where(safe[:, None], step - called, 0.0) / np.where(safe, scale, 1.0)[:, None]
    return np.asarray(inverse + by[:, :, None] * row[:, None, :])
