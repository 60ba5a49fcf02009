"""Loops of linear steps, exactly, and what is caught in them.

A linear step mixes neither light with heavy gangue nor one grain class with another: each kind of rock
moves among its S size classes, and the gold of grain class j among S hosts and one free state. So a
material is S + 2 blocks of S + 1 states (rock leaves its last one empty), and S + 1 unit feeds a cut, sent
once round along a leading axis, show the whole gain of a loop, block by block.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array, Mask
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


def solve_linear(round_trip: Round, cuts: Sequence[str], leaving: Sequence[str], classes: int) -> Solved:
    """Solve x = G x + b for the cuts' materials x, block by block, setting aside what is caught.

    ``round_trip`` sends cut materials once round; ``leaving`` names the streams by which things leave.
    """
    states = len(cuts) * (classes + 1)
    first = round_trip({cut: Material.nothing(classes) for cut in cuts}, True)
    # Axes of a unit feed: which state it fills, draws, blocks, states of one cut.
    units = np.eye(states).reshape(states, 1, 1, len(cuts), classes + 1)
    units = np.broadcast_to(units, (states, 1, classes + 2, len(cuts), classes + 1))
    given = round_trip({cut: unpack(units[..., k, :]) for k, cut in enumerate(cuts)}, False)
    gain = np.moveaxis(_side_by_side([pack(given[cut]) for cut in cuts]), 0, -1)
    escape = np.moveaxis(_total([pack(given[name]).sum(axis=-1) for name in leaving]), 0, -1)
    feed = _side_by_side([pack(first[cut]) for cut in cuts])
    x, caught = absorb(gain, escape, feed if feed.ndim == 3 else feed[None])
    if feed.ndim == 2 and len(x) == 1:  # no draws anywhere
        x, caught = x[0], caught[0]
    return Solved(_by_cut(x, cuts, classes), _by_cut(caught, cuts, classes))


def absorb(gain: Array, escape: Array, feed: Array) -> tuple[Array, Array]:
    """Solve x = G x + b but for what ends where nothing leaves; return x and what is caught, both (..., n).

    ``gain`` (..., n, n) with columns that, with ``escape`` (..., n), make one; ``feed`` b (..., n), with as
    many axes before. In the states of the trap x is 0, and b + G x is caught.

    By elimination without a subtraction: what leaves a state is summed up from where it goes, never taken as
    one minus what stays. So no digits are lost in a loop that holds on to nearly everything.
    Source: W. K. Grassmann, M. I. Taksar & D. P. Heyman, Oper. Res. 33 (1985), 1107 (from memory).
    """
    leaves = ~_trap(gain, escape)
    keep = leaves[..., :, None] & leaves[..., None, :] & ~np.eye(leaves.shape[-1], dtype=bool)
    # What falls into the trap has left the rest as well.
    out = escape + np.where(leaves[..., :, None], 0.0, gain).sum(axis=-2)
    eliminated = _eliminate(np.where(keep, gain, 0.0), np.where(leaves, out, 1.0))
    x = _substitute(*eliminated, np.where(leaves, feed, 0.0))
    arrived = feed + (gain @ x[..., None])[..., 0]
    return x, np.where(leaves, 0.0, arrived)


def _eliminate(flow: Array, out: Array) -> tuple[Array, Array]:
    """Take one state after another out of the network, handing its flows on to those before it.

    ``flow`` (..., n, n) from column to row, with nothing on the diagonal, ``out`` (..., n) what leaves. Return
    the flows at the time each state was taken out, (n, n, ...), and all that left it then, (n, ...).
    """
    draws = np.broadcast_shapes(flow.shape[:-2], out.shape[:-1])
    n = out.shape[-1]
    # The states come first, so that the inner loops run along draws and blocks.
    flow = np.array(np.moveaxis(np.broadcast_to(flow, (*draws, n, n)), (-2, -1), (0, 1)))
    out = np.array(np.moveaxis(np.broadcast_to(out, (*draws, n)), -1, 0))
    total = np.empty_like(out)
    for k in range(n - 1, -1, -1):
        total[k] = out[k] + flow[:k, k].sum(axis=0)
        through = flow[k, :k] / total[k]
        flow[:k, :k] += flow[:k, k, None] * through
        out[:k] += out[k] * through
    return flow, total


def _substitute(flow: Array, total: Array, feed: Array) -> Array:
    """Solve for the states, (..., n), in a network that ``_eliminate`` has taken apart."""
    n = len(total)
    x = np.array(np.moveaxis(np.broadcast_to(feed, np.broadcast_shapes(feed.shape, (*total.shape[1:], n))), -1, 0))
    for k in range(n - 1, 0, -1):
        x[:k] += flow[:k, k] * (x[k] / total[k])
    for k in range(n):
        x[k] = (x[k] + (flow[k, :k] * x[:k]).sum(axis=0)) / total[k]
    return np.moveaxis(x, 0, -1)


def _trap(gain: Array, escape: Array) -> Mask:
    """Return the states (..., n) that what once is there goes round in for ever."""
    leaves, onward = escape > LEAVES, gain > LEAVES
    while True:
        wider = leaves | (onward & leaves[..., :, None]).any(axis=-2)
        if (wider == leaves).all():
            break
        leaves = wider
    if leaves.all():
        return ~leaves
    # Of the states that never lead out some still lead on (rock that will yet free a coarse grain) to those, from
    # which all that can be reached leads back. Links (to, from), then paths of any length.
    paths = (onward & ~leaves[..., None, :]) | np.eye(leaves.shape[-1], dtype=bool)
    while True:
        longer = paths.astype(np.float32) @ paths.astype(np.float32) > 0
        if (longer == paths).all():
            break
        paths = longer
    leads_on = (paths & ~np.swapaxes(paths, -1, -2)).any(axis=-2)
    return ~leaves & ~leads_on


def pack(material: Material) -> Array:
    """Lay a material out in blocks: light, heavy, then the gold of each grain class; (..., S + 2, S + 1)."""
    draws = np.broadcast_shapes(
        material.light.shape[:-1], material.heavy.shape[:-1], material.free.shape[:-1], material.locked.shape[:-2]
    )
    classes = material.light.shape[-1]
    packed = np.zeros((*draws, classes + 2, classes + 1))
    packed[..., 0, :classes] = material.light
    packed[..., 1, :classes] = material.heavy
    packed[..., 2:, :classes] = np.swapaxes(material.locked, -1, -2)
    packed[..., 2:, classes] = material.free
    return packed


def unpack(packed: Array) -> Material:
    """Undo ``pack``."""
    locked = np.swapaxes(packed[..., 2:, :-1], -1, -2)
    return Material(packed[..., 0, :-1], packed[..., 1, :-1], packed[..., 2:, -1], locked)


def _side_by_side(parts: Sequence[Array]) -> Array:
    return np.concatenate(np.broadcast_arrays(*parts), axis=-1)


def _total(parts: Sequence[Array]) -> Array:
    first, *others = parts
    for other in others:
        first = first + other
    return first


def _by_cut(states: Array, cuts: Sequence[str], classes: int) -> dict[str, Material]:
    parted = states.reshape(*states.shape[:-1], len(cuts), classes + 1)
    return {cut: unpack(parted[..., k, :]) for k, cut in enumerate(cuts)}
