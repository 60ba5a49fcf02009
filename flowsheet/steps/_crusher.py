"""The crusher model that the jaw crusher and the pulverizer share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Self

import numpy as np
from pydantic import model_validator

from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import Plain, Share, knob
from flowsheet.spec.text.number_with_doubt import Number, parse
from flowsheet.spec.text.units import SHARE
from flowsheet.steps._operator import crushed_until_it_passes
from flowsheet.steps.base import Breakage, Operator, Port, Shares, Site, Step, Values, evaluate, even, missing

WHITEN = (
    "form: W. J. Whiten, A Matrix Theory of Comminution Machines, Chem. Eng. Sci. 29 (1974); "
    "value: meets the jaw gradation of US Army subcourse EN5464, Rock Crushing Operations, Table 8"
)


LODGED = replace(parse("0.5 %", SHARE), doubt=None)
"""Of the free gold, where a sheet has a stream for what is held up and tells no share: typical, set your own.

With nought there no slack could lift it, whatever was brushed out.
"""


class Crusher(Step):
    """What all crushers of this model have: when a piece breaks, and into what."""

    kind = ""
    k1: Plain = knob("0.7", "pieces below k1 settings never break", source=WHITEN, low=0.01, high=10.0)
    k2: Plain = knob("2.2", "pieces above k2 settings always break", source=WHITEN, low=0.02, high=100.0)
    k3: Plain = knob("2.3", "shape of the chance of breaking between them", source=WHITEN, low=0.1, high=20.0)
    phi: Share = knob("0.3", "share of a broken piece that becomes fines", source=WHITEN, low=0.0, high=1.0)
    gamma: Plain = knob("0.6", "slope of those fines", source=WHITEN, low=0.05, high=10.0)
    beta: Plain = knob("4", "slope of the coarse fragments", source=WHITEN, low=0.1, high=50.0)
    held_up: Share = knob(
        "0 %",
        "share of the free gold that stays in the machine; 0.5 % where gives names held_up and nothing tells it",
        source="typical, set your own",
        low=0.0,
        high=1.0,
    )

    @model_validator(mode="after")
    def _may_hold_gold(self) -> Self:
        """Give an outlet that is named a share, which nobody wrote."""
        if "held_up" not in self.model_fields_set and isinstance(self.gives, dict) and "held_up" in self.gives:
            self.__dict__["held_up"] = LODGED
        return self

    gold_follows_rock = True
    breaks = True
    bond_power = True
    by_rock_alone = True

    def opening_fields(self) -> str:
        """Return the field (or "a|b": either) that sets how fine the machine breaks."""
        raise NotImplementedError

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """A machine needs its setting where the sheet knows sizes; without them it changes nothing."""
        if sizes and self.split is None and (lacking := self._lacking((self.opening_fields(),), sizes, grains)):
            yield missing(self.kind, lacking[0], "split", sizes)
        if self.k2.value <= self.k1.value:
            yield "k2", "k2 is not above k1", "Pieces above k2 settings always break, those below k1 never"

    def idle(self, top: float) -> Iterator[str]:
        """A setting above the largest piece breaks next to nothing."""
        for name in self.opening_fields().split("|"):
            setting = getattr(self, name, None)
            if self.split is None and isinstance(setting, Number) and setting.value > top:
                yield f"no piece of the ore is as large as its {name} of {setting}, so hardly anything breaks"

    @property
    def outlets(self) -> dict[str, str]:
        """Outlet → stream; what is held up is a stream, named or not, so that no gold is forgotten."""
        given = super().outlets
        if (self.held_up.value > 0 or self.held_up.doubtful) and "held_up" not in given:
            return {**given, "held_up": f"{given['product']} held up"} if "product" in given else given
        return given

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say that nothing is held up where free gold is not told from locked."""
        if "held_up" in self.model_fields_set and at.held_up > 0 and not site.grains_known and self.recovery is None:
            yield (
                "held_up is a share of the free gold, which this sheet does not know: "
                "give the ore gold: {d50: …, d95: …}, or the step a recovery."
            )

    def broken(self, breakage: Breakage | None, at: Values, site: Site) -> Operator:
        """Return the operator of a breakage, with some of the free gold held up."""
        all_of_it, none, kept = even(np.ones(())), even(np.zeros(())), at.held_up[..., None]
        shares = {
            "product": Shares(all_of_it.light, all_of_it.heavy, 1 - kept, all_of_it.locked),
            "held_up": Shares(none.light, none.heavy, kept, none.locked),
        }
        return Operator({outlet: shares[outlet] for outlet in self.outlets}, breakage)


CRUSHER_PORTS = (
    Port("product", "what comes out", also=("crushed", "powder", "ground")),
    Port("held_up", "gold smeared and lodged in the machine", optional=True, metal=True),
)


def chance_broken(size: Array, gap: Array, at: Values) -> Array:
    """Return Whiten's classification function at ``size`` (S,): the chance that a piece is broken, (..., S)."""
    low = (at.k1 * gap)[..., None]
    # Draws of k1 and k2 may cross: then everything above k1 settings breaks.
    high = np.maximum((at.k2 * gap)[..., None], low * (1 + 1e-9))
    inside = np.clip((high - size) / (high - low), 0.0, 1.0)
    return np.asarray(1 - inside ** at.k3[..., None])


def until_all_passes(size: float, site: Site) -> Breakage:
    """Return the breaking of rock until all of it passes ``size`` (m), a class limit: what is coarser goes again."""
    machine = Crusher.model_validate({"do": "", "takes": [], "gives": "crushed", "k1": 1, "k2": 1})
    at = evaluate(machine, lambda number: np.asarray(number.value))
    return Breakage(product_matrix(site.grid, np.asarray(size), at), site.locked_share)


def fragments(grid: Grid, at: Values) -> Array:
    """Return B, (..., S, S): share of a broken piece of each class (column) that goes to each class (row).

    Cumulative B(x, y) = φ (x/y)^γ + (1 - φ) (x/y)^β below size y, the broken class's upper edge. What would
    stay in its own class is spread over the finer ones in proportion.
    """
    phi, gamma, beta = (value[..., None, None] for value in (at.phi, at.gamma, at.beta))
    share = phi * np.exp(gamma * grid.log_ratio) + (1 - phi) * np.exp(beta * grid.log_ratio)
    share[..., :-1, :] -= share[..., 1:, :]
    own = np.arange(len(grid))
    share[..., own, own] = 0.0
    total = share.sum(axis=-2, keepdims=True)
    return np.asarray(share / np.where(total > 0, total, 1.0))


def product_matrix(grid: Grid, gap: Array, at: Values) -> Array:
    """Return (I - C)(I - BC)^-1, (..., S, S): where each class of the feed ends.

    A piece is broken again as long as it is caught. The finest class is never broken.
    """
    return crushed_until_it_passes(chance_but_of_the_finest(grid, gap, at), fragments(grid, at))


def chance_but_of_the_finest(grid: Grid, gap: Array, at: Values) -> Array:
    """Return ``chance_broken`` of all classes but the finest, which is never broken."""
    chance = chance_broken(grid.size, gap, at)
    chance[..., -1] = 0.0
    return chance


def crushed(rock: Array, chance: Array, pieces: Array) -> Array:
    """Return what ``product_matrix`` makes of ``rock`` (..., S), class by class and without the matrix.

    ``chance`` (..., S) that a piece of a class is broken, ``pieces`` (..., S, S) what becomes of it (``fragments``).
    """
    chance = np.concatenate([chance[..., :-1], np.zeros_like(chance[..., :1])], axis=-1)
    shape = np.broadcast_shapes(rock.shape, chance.shape, pieces.shape[:-1])
    # Draws come last, so that each class is a product with all of them.
    whole = np.array(np.moveaxis(np.broadcast_to(rock, shape), -1, 0), order="C")
    caught = np.ascontiguousarray(np.moveaxis(np.broadcast_to(chance, shape), -1, 0))
    broken = np.empty_like(whole)
    broken[0] = caught[0] * whole[0]
    for i in range(1, len(whole)):
        if pieces.ndim == 2:
            whole[i] += (pieces[i, :i] @ broken[:i].reshape(i, -1)).reshape(whole.shape[1:])
        else:
            whole[i] += (np.moveaxis(pieces[..., i, :i], -1, 0) * broken[:i]).sum(axis=0)
        broken[i] = caught[i] * whole[i]
    return np.ascontiguousarray(np.moveaxis((1 - caught) * whole, 0, -1))
