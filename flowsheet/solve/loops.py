"""Loops of linear steps, exactly, and what is caught in them.

A linear step mixes neither light with heavy gangue nor one grain class with another: light moves among
its S size classes, and the gold of grain class j among S hosts and one free state. So S + 1 unit feeds a
cut, sent once round along a leading axis, show the whole gain of a loop, block by block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material

LEAVES = 1e-9
"""A share that leaves a loop in one round and is smaller than this leaves it never."""

Streams: TypeAlias = Mapping[str, Material]
#: Cuts → all streams that the loop's steps give, with or without what is fed from outside.
Round: TypeAlias = Callable[[Streams, bool], dict[str, Material]]


@dataclass(frozen=True)
class Solved:
    """A loop's answer: what the cuts carry round, and what arrives there and can never leave."""

    cuts: dict[str, Material]
    caught: dict[str, Material]


def solve_linear(round_trip: Round, cuts: tuple[str, ...], leaving: list[str], classes: int) -> Solved:
    """Solve x = G x + b for the cuts' materials x, block by block, setting aside what is caught.

    ``round_trip`` sends cut materials once round; ``leaving`` names the streams by which things leave.
    """
    unit = _basis(cuts, classes)
    first = round_trip({cut: Material.nothing(classes) for cut in cuts}, True)
    gain = round_trip(unit, False)
    parts = [
        _rock([getattr(gain[c], k) for c in cuts], [getattr(first[c], k) for c in cuts],
              [getattr(gain[s], k) for s in leaving], classes)
        for k in ("light", "heavy")
    ]  # fmt: skip
    gold = _gold([gain[c] for c in cuts], [first[c] for c in cuts], [gain[s] for s in leaving], classes)
    return Solved(*(_assemble(cuts, [p[i] for p in parts], gold[i], classes) for i in (0, 1)))


def _basis(cuts: tuple[str, ...], classes: int) -> dict[str, Material]:
    """Return K (S + 1) unit feeds along a leading axis, then an axis for draws: for each cut, one in each
    size class (in all grain classes at once), then one as free gold."""
    number = len(cuts) * (classes + 1)
    found = {}
    for k, cut in enumerate(cuts):
        rock = np.zeros((number, 1, classes))
        free = np.zeros((number, 1, classes))
        at = k * (classes + 1)
        rock[at : at + classes, 0, :] = np.eye(classes)
        free[at + classes] = 1.0
        locked = np.repeat(rock[..., :, None], classes, axis=-1)
        found[cut] = Material(rock, rock, free, locked)
    return found


def absorb(gain: Array, escape: Array, feed: Array) -> tuple[Array, Array]:
    """Solve x = G x + b where all of x can leave; return x and what ends where nothing leaves, both (..., n).

    ``gain`` (..., n, n) with columns that, with ``escape`` (..., n), make one; ``feed`` b (..., n). States
    from which no escape can be reached form the trap: x is 0 there, and b + G x is caught.
    """
    leaves = escape > LEAVES
    onward = gain > LEAVES
    while True:
        wider = leaves | (onward & leaves[..., :, None]).any(axis=-2)
        if (wider == leaves).all():
            break
        leaves = wider
    n = gain.shape[-1]
    # The diagonal from what leaves a state, not from one minus what stays: no digits are lost in states
    # that hold on to nearly everything.
    off = gain * (1 - np.eye(n))
    system = -off
    system[..., np.arange(n), np.arange(n)] = escape + off.sum(axis=-2)
    keep = leaves[..., :, None] & leaves[..., None, :]
    system = np.where(keep, system, np.eye(n))
    x = np.linalg.solve(system, np.where(leaves, feed, 0.0)[..., None])[..., 0]
    x = np.maximum(x, 0.0)
    arrived = feed + (gain @ x[..., None])[..., 0]
    return x, np.where(leaves, 0.0, arrived)


def _rock(gain: list[Array], first: list[Array], leaving: list[Array], classes: int) -> tuple[Array, Array]:
    """Solve one kind of rock; return (x, caught), each (D, K, S)."""
    columns = _rock_columns(len(gain), classes)
    matrix = np.concatenate([np.moveaxis(g, 0, -1) for g in gain], axis=-2)[..., columns]
    escape = sum(np.moveaxis(out.sum(axis=-1), 0, -1) for out in leaving)[..., columns]  # type: ignore[index]
    feed = np.concatenate([np.atleast_2d(f) for f in _alike(first)], axis=-1)
    x, caught = absorb(*_same_draws(matrix, escape, feed))
    return tuple(part.reshape(*part.shape[:-1], len(gain), classes) for part in (x, caught))  # type: ignore[return-value]


def _gold(
    gain: list[Material], first: list[Material], leaving: list[Material], classes: int
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Solve the gold, grain class by grain class; return ((free, locked) of x, of what is caught)."""
    # States of grain class j: for each cut, S hosts and then free; (D, J, K (S + 1), B).
    matrix = np.concatenate(
        [
            np.concatenate(
                [np.moveaxis(g.locked, (0, -1), (-1, 1)), np.moveaxis(g.free, 0, -1)[..., :, None, :]],
                axis=-2,
            )
            for g in gain
        ],
        axis=-2,
    )
    escape = sum(np.moveaxis(out.free + out.locked.sum(axis=-2), 0, -1) for out in leaving)
    feed = np.concatenate(
        [
            np.concatenate([np.swapaxes(_drawn(f.locked, 3), -1, -2), _drawn(f.free, 2)[..., None]], axis=-1)
            for f in _alike_materials(first)
        ],
        axis=-1,
    )
    x, caught = absorb(*_same_draws(matrix, np.asarray(escape), feed))

    def parted(state: Array) -> tuple[Array, Array]:
        state = state.reshape(*state.shape[:-1], len(gain), classes + 1)  # (D, J, K, S + 1)
        locked = np.moveaxis(state[..., :classes], 1, -1)  # (D, K, S, J)
        return np.moveaxis(state[..., classes], 1, -1), locked  # free: (D, K, J)

    return parted(x), parted(caught)


def _rock_columns(cuts: int, classes: int) -> list[int]:
    return [k * (classes + 1) + i for k in range(cuts) for i in range(classes)]


def _drawn(array: Array, ndim: int) -> Array:
    """Give an array its axis of draws."""
    return array if array.ndim == ndim else array[None]


def _alike(arrays: list[Array]) -> list[Array]:
    shape = np.broadcast_shapes(*(a.shape for a in arrays))
    return [np.broadcast_to(a, shape) for a in arrays]


def _alike_materials(materials: list[Material]) -> list[Material]:
    free, locked = _alike([m.free for m in materials]), _alike([m.locked for m in materials])
    return [Material(m.light, m.heavy, f, k) for m, f, k in zip(materials, free, locked, strict=True)]


def _same_draws(matrix: Array, escape: Array, feed: Array) -> tuple[Array, Array, Array]:
    draws = np.broadcast_shapes(matrix.shape[:-2], escape.shape[:-1], feed.shape[:-1])
    return (
        np.broadcast_to(matrix, (*draws, *matrix.shape[-2:])),
        np.broadcast_to(escape, (*draws, escape.shape[-1])),
        np.broadcast_to(feed, (*draws, feed.shape[-1])),
    )


def _assemble(cuts: tuple[str, ...], rock: list[Array], gold: tuple[Array, Array], classes: int) -> dict[str, Material]:
    (light, heavy), (free, locked) = rock, gold

    def one(array: Array, k: int, axes: int) -> Array:
        """Take one cut's part, without an axis of draws that only ever held one."""
        part = array[:, k]
        return part[0] if part.shape[0] == 1 and part.ndim == axes + 1 else part

    return {
        cut: Material(one(light, k, 1), one(heavy, k, 1), one(free, k, 1), one(locked, k, 2))
        for k, cut in enumerate(cuts)
    }
