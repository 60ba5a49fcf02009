"""How a loop's cuts feed one another within each size class: most of them only a few others, so as a sparse network.

What leaves a class (broken, or freed) has left the network, so it is the same for a class whatever the coarser ones
send there: it is taken apart once, for all classes, blocks and draws together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from flowsheet.ore.arrays import Mask
from flowsheet.solve.loop.absorb import LEAVES, absorb
from flowsheet.solve.loop.blocks import Blocks, of_class

#: What comes of one unit in each cut, by the number of the cut; (S or 1, B, D or 1).
Units: TypeAlias = dict[int, Blocks]
#: (to, from), numbers of cuts → what comes there of one unit.
Links: TypeAlias = dict[tuple[int, int], Blocks]


@dataclass(frozen=True)
class Network:
    """The cuts of a loop, taken apart; ``gain`` and ``out`` make one for each cut, over all that it feeds."""

    gain: Links
    out: Sequence[Blocks]
    #: Of each class, whether anything in it can never leave.
    holds: Mask
    #: The links at the time each cut was taken out, and all that left it then.
    flow: Links
    total: Sequence[Blocks]

    @classmethod
    def of(cls, gain: Links, out: Sequence[Blocks], classes: int) -> Network:
        """Take a network apart, the last cut first, handing its flows on to those before it.

        By elimination without a subtraction, as ``absorb.absorb`` does it.
        """
        holds = _holds(gain, out, classes)
        flow = {at: link for at, link in gain.items() if at[0] != at[1]}
        left, total = list(out), list(out)
        with np.errstate(divide="ignore", invalid="ignore"):  # of classes that hold something
            for k in range(len(left) - 1, -1, -1):
                onward = [j for j in range(k) if (j, k) in flow]
                total[k] = left[k] + sum(flow[j, k] for j in onward)
                for i in range(k):
                    if (k, i) not in flow:
                        continue
                    through = flow[k, i] / np.asarray(total[k])
                    for j in onward:
                        if j != i:
                            flow[j, i] = flow.get((j, i), 0.0) + flow[j, k] * through
                    left[i] = left[i] + left[k] * through
        return cls(gain, out, holds, flow, total)

    def absorb(self, i: int, feed: Sequence[Blocks]) -> tuple[list[Blocks], list[Blocks]]:
        """Solve class i for what the cuts carry and what is caught there, (B, D) each, of ``feed`` (B, D).

        What leaves the class has left: it is finer from then on, or free. So what is caught shows within each class.
        """
        n = len(feed)
        if self.holds[i]:
            if n == 1:
                stays, out, fed = np.broadcast_arrays(
                    of_class(self.out[0], i) <= LEAVES, of_class(self.out[0], i), feed[0]
                )
                x = np.divide(fed, out, out=np.zeros(fed.shape), where=~stays)
                return [x], [np.where(stays, fed, 0.0)]
            return self._set_aside(i, feed)
        flow = {at: of_class(link, i) for at, link in self.flow.items()}
        return _substituted(flow, [of_class(one, i) for one in self.total], feed), [0.0] * n

    def all_of(self, feed: Sequence[Blocks]) -> list[Blocks]:
        """Solve all classes, none of which holds anything, for a feed of all of them, (S or 1, B, D)."""
        return _substituted(self.flow, self.total, feed)

    def _set_aside(self, i: int, feed: Sequence[Blocks]) -> tuple[list[Blocks], list[Blocks]]:
        """Solve a class that holds something, as ``absorb.absorb`` does."""
        n = len(feed)
        out, fed = ([of_class(one, i) for one in self.out], feed)
        gain = [[of_class(self.gain.get((j, k), 0.0), i) for k in range(n)] for j in range(n)]
        laid = np.broadcast_arrays(*(np.atleast_2d(one) for one in (*out, *fed, *(g for row in gain for g in row))))
        states = np.stack(laid, axis=-1)
        x, caught = absorb(
            states[..., 2 * n :].reshape(*states.shape[:-1], n, n), states[..., :n], states[..., n : 2 * n]
        )
        return [x[..., k] for k in range(n)], [caught[..., k] for k in range(n)]


def _substituted(flow: Links, total: Sequence[Blocks], feed: Sequence[Blocks]) -> list[Blocks]:
    """Return what the cuts carry of a feed; a feed that is the number nought is none."""
    x, n = list(feed), len(feed)
    for k in range(n - 1, 0, -1):
        if isinstance(x[k], np.ndarray):
            ratio = x[k] / total[k]
            for j in range(k):
                if (j, k) in flow:
                    x[j] = x[j] + flow[j, k] * ratio
    for k in range(n):
        came = [flow[k, j] * x[j] for j in range(k) if (k, j) in flow and isinstance(x[j], np.ndarray)]
        if came or isinstance(x[k], np.ndarray):
            x[k] = (x[k] + sum(came)) / total[k]
    return x


def _holds(gain: Mapping[tuple[int, int], Blocks], out: Sequence[Blocks], classes: int) -> Mask:
    """Return whether anything in each class can never leave, by shares above LEAVES alone, (S,)."""
    leaves: list[Mask] = [np.asarray(one > LEAVES) for one in out]
    onward = {at: np.asarray(link > LEAVES) for at, link in gain.items() if at[0] != at[1]}
    while not all(one.all() for one in leaves):
        wider = list(leaves)
        for (to, of), open_ in onward.items():
            wider[of] = wider[of] | (open_ & wider[to])
        if all(bool((one == two).all()) for one, two in zip(leaves, wider, strict=True)):
            break
        leaves = wider
    held = np.zeros(classes, dtype=bool)
    for one in leaves:
        held |= ~(one.all(axis=(-2, -1)) if one.ndim else one)
    return held
