"""A screen: what is coarser than the opening stays, what is finer passes if it meets a hole often enough."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Literal

import numpy as np
from pydantic import Field

from flowsheet.ore.arrays import Array, Mask, crossing
from flowsheet.ore.grid import SAME, Grid, of_grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Length, Plain, Share, knob
from flowsheet.spec.blocks.slack import TypicalSlack
from flowsheet.steps.base import LOCAL, SILICA, Operator, Port, Shares, Site, Step, Values

POINTS = 48
"""Gauss-Legendre points a class; the mean is then right to 1e-9 for up to 1e4 presentations."""

LEAST_PRESENTATIONS, MOST_PRESENTATIONS = 1e-5, 1e6
"""Between these the presentations are sought that give an efficiency."""


class Screen(Step):
    """A screen or sieve, by hand or shaken."""

    kind = "screen"
    what = "parts rock by size at an opening"
    also = ("sieve", "sift", "riddle", "grizzly", "trommel", "classify")
    done = "screened at {opening}"
    set_by = "opening"
    parts_at_size = True
    ports = (
        Port("oversize", "what stays on the screen", also=("coarse", "plus", "over", "lumps")),
        Port("undersize", "what passes it", also=("fines", "fine", "minus", "under", "passing")),
    )
    cautions = (SILICA, LOCAL)
    solids_need = ("opening", "sizes")
    gold_need = ("opening", "sizes")
    parts_alike = True
    typical_slack = TypicalSlack(
        0.25, 0.25, "blinding, damp and flat pieces are not in the model", rock_fixed_by=("efficiency",)
    )
    by_rock_alone = True

    do: Literal["screen"] = Field(description="kind of equipment")
    opening: Length | None = knob(None, "clear opening", low=1e-5, high=1.0, better="x0.5")
    open_area: Share = knob("0.6", "share of the screen that is holes", source=TYPICAL, low=0.01, high=1.0)
    presentations: Plain = knob(
        "300", "how often a piece gets a chance at a hole", source=TYPICAL, low=0.01, high=MOST_PRESENTATIONS
    )
    efficiency: Share | None = knob(
        None,
        "share of the undersize in the feed that passes; sets the presentations",
        low=0.001,
        high=0.9999,
        like="90 %",
    )

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say when no number of presentations gives the efficiency that is wanted."""
        if self.efficiency is None or self.opening is None or self.split is not None or not site.grid.sized:
            return
        under = np.where(site.grid.upper <= at.opening * (1 + SAME), feed.rock_by_size, 0.0)
        if under.sum() > 0:
            passes = 1 - self.model(feed, at, site).shares["oversize"].light
            reached = float((under * passes).sum() / under.sum())
            if abs(reached - at.efficiency) > 1e-5:
                wanted = 100 * float(at.efficiency)
                yield f"no screening passes {wanted:.6g} % of the undersize here; {100 * reached:.6g} % was taken."

    def idle(self, top: float) -> Iterator[str]:
        """An opening above the largest piece lets all through."""
        if self.split is None and self.opening is not None and self.opening.value > top:
            yield f"no piece of the ore is as large as its opening of {self.opening}, so all passes"

    def openings(self) -> set[float]:
        """The opening is a class limit, so that no class straddles it."""
        return super().openings() | ({self.opening.value} if self.opening is not None else set())

    def linear(self) -> bool:
        """An efficiency holds for one feed, so the presentations depend on it."""
        return self.efficiency is None

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Part every class by the chance that it stays on the screen."""
        n = at.presentations
        if self.efficiency is not None:
            n = presentations_for(feed.rock_by_size, at.efficiency, at.opening, at.open_area, site.grid)
        return self._parted(n, at, site)

    def tuned(self, feed: Material, at: Values, site: Site) -> Array | None:
        """Return the logarithm of the presentations that give the efficiency."""
        if self.efficiency is None or self.opening is None or not site.grid.sized:
            return None
        n = presentations_for(feed.rock_by_size, at.efficiency, at.opening, at.open_area, site.grid)
        return np.log(n)[..., None]

    def tuning_ends(self, site: Site) -> tuple[Array, Array]:
        """Return the presentations between which they are sought."""
        return np.log([LEAST_PRESENTATIONS]), np.log([MOST_PRESENTATIONS])

    def model_at(self, numbers: Array, at: Values, site: Site) -> Operator:
        """Part every class at some presentations."""
        return self._parted(np.exp(numbers[..., 0]), at, site)

    def off(self, own: Operator, feed: Material, at: Values, site: Site) -> Array:
        """Return how much more of the undersize passes than wanted; a feed without undersize is never off."""
        under = np.where(_under(site.grid, at.opening), feed.rock_by_size, 0.0)
        total = under.sum(axis=-1)
        passed = (under * own.shares["undersize"].light).sum(axis=-1)
        share = passed / np.maximum(total, 1e-300)
        return np.where(total > 0, share - at.efficiency, 0.0)[..., None]

    def _parted(self, n: Array, at: Values, site: Site) -> Operator:
        stays = retained(site.grid, at.opening, at.open_area, n)
        over = Shares(stays, stays, stays, stays[..., :, None])
        passes = 1 - stays
        return Operator({"oversize": over, "undersize": Shares(passes, passes, passes, passes[..., :, None])})


@cache
def _points() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    return (nodes + 1) / 2, weights / 2


@of_grid
def _sizes_within(grid: Grid) -> Array:
    """Return the sizes (m) at which a class is looked at, (S, POINTS); the last class from a quarter of its edge."""
    lower = np.append(grid.upper[1:], grid.upper[-1] / 4)
    return np.asarray(lower[:, None] * (grid.upper / lower)[:, None] ** _points()[0])


def retained(grid: Grid, opening: Array, open_area: Array, presentations: Array) -> Array:
    """Return the chance that a piece of each class stays on the screen, (..., S).

    A piece of size d below the opening h stays n presentations with probability (1 - f (1 - d/h)^2)^n, f
    the open area; d >= h always stays. Averaged over the class, even in log size (the last class from a
    quarter of its upper edge). Source of the single chance: A. F. Taggart, Handbook of Mineral Dressing
    (1945), after Gaudin (1939): a sphere falls clear of the wires of a square hole.
    """
    stays = np.exp(presentations[..., None, None] * _missed(grid, opening, open_area)) @ _points()[1]
    # Not a trace of what is coarser passes, whatever the sum of the weights.
    coarser = grid.lower >= opening[..., None] * (1 - SAME)
    return np.where(coarser, 1.0, np.clip(stays, 0.0, 1.0))


def _missed(grid: Grid, opening: Array, open_area: Array) -> Array:
    """Return the logarithm of the chance that a piece does not pass at one presentation, (..., S, POINTS)."""
    h, f = (value[..., None, None] for value in (opening, open_area))
    clear = np.maximum(1 - _sizes_within(grid) / h, 0.0)
    return np.asarray(np.log1p(-f * clear * clear))


def _under(grid: Grid, opening: Array) -> Mask:
    """Return which classes are undersize, (..., S)."""
    return np.asarray(grid.upper <= opening[..., None] * (1 + SAME))


def presentations_for(rock: Array, efficiency: Array, opening: Array, open_area: Array, grid: Grid) -> Array:
    """Return the presentations at which ``efficiency`` of the undersize in ``rock`` (..., S) passes.

    Efficiency in the trade's sense: undersize that passed ÷ undersize in the feed.
    """
    fine = _under(grid, opening)
    under = np.where(fine, rock, 0.0)
    total = np.maximum(under.sum(axis=-1), 1e-300)
    shape = np.broadcast_shapes(total.shape, np.shape(efficiency), np.shape(opening))
    low, high = np.full(shape, np.log(LEAST_PRESENTATIONS)), np.full(shape, np.log(MOST_PRESENTATIONS))
    # Only what is finer than some draw's opening is looked at, again and again.
    some = fine.reshape(-1, len(grid)).any(axis=0)
    share, missed = (under / total[..., None])[..., some], _missed(grid, opening, open_area)[..., some, :]

    def above(presentations: Array) -> Array:
        stays = np.exp(np.exp(presentations)[..., None, None] * missed) @ _points()[1]
        return np.asarray((share * (1 - np.clip(stays, 0.0, 1.0))).sum(axis=-1) - efficiency)

    return np.asarray(np.exp(crossing(low, high, above)))
