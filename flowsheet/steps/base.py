"""What every kind of equipment has in common: its description, its operator, and factors in its place.

A step is linear once its shares are known: an Operator breaks the rock (where the step breaks it) and
then parts every class among the outlets. A kind whose shares depend on what it is fed (``linear`` False)
makes its operator anew for each feed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import ClassVar

import numpy as np

from flowsheet.ore.arrays import Array, Mask
from flowsheet.ore.grid import SAME, Grid
from flowsheet.ore.material import Material
from flowsheet.spec.blocks.factors import Band
from flowsheet.spec.blocks.step import Port, StepBlock
from flowsheet.steps._contract import ContractError, check_silver, share_all_out
from flowsheet.steps._operator import Breakage, Crushing, Operator, Shares, Site, even
from flowsheet.steps._values import Banded, Values, evaluate

__all__ = [
    "Breakage", "ContractError", "Crushing", "Operator", "Port", "Shares", "Site", "Step", "Values", "as_mass",
    "as_size", "evaluate", "even", "missing", "share_all_out",
]  # fmt: skip

# The limit: OSHA 29 CFR 1910.1053 and MSHA 30 CFR part 60, 50 µg/m3 over a shift (both from memory).
SILICA = (
    "Crushing, dry screening and sawing throw respirable silica dust, which ruins lungs: work wet or under suction "
    "and wear a fitted respirator (limit 0.05 mg/m3 over a shift in several codes)."
)
LOCAL = "Local codes and licensed practice come first."
SAWING = (SILICA, "Saw wet, with eye protection and guards.", LOCAL)


class Step(StepBlock):
    """Base of all kinds: subclass it in a new file of this room, and the sheet knows the kind."""

    #: What the model of the solids and of the gold cannot do without: "sizes", "grains" or a field
    #: ("gap|to": either).
    solids_need: ClassVar[tuple[str, ...]] = ()
    gold_need: ClassVar[tuple[str, ...]] = ()
    #: Whether gold without a model or a recovery goes the way of the rock (else the sheet must say).
    gold_follows_rock: ClassVar[bool] = False
    #: Whether gold that leaves for good by an outlet without a reason of its own is lost for the reasons of what went
    #: in: the step only parts it.
    parts_alike: ClassVar[bool] = False

    #: Whether an operator that depends on its feed depends on the rock in it alone.
    by_rock_alone: ClassVar[bool] = False

    def linear(self) -> bool:
        """Whether the operator is the same for every feed."""
        return True

    def hangs_on_feed(self) -> bool:
        """Whether the operator in force is another for another feed: not where the sheet gives all shares itself."""
        return not self.linear() and (self.breaks or self.split is None or self.recovery is None)

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Return the step's own operator for ``feed``; ``at`` holds its numbers."""
        raise NotImplementedError

    # ── a few numbers by which alone the model hangs on its feed ────────────────────────────────────────
    # A loop of such steps is solved for these numbers, and not for all that goes round.

    def tuned(self, feed: Material, at: Values, site: Site) -> Array | None:
        """Return the numbers that the rock of a feed calls for, (..., K); None if the step has none.

        A length or a ratio by its logarithm.
        """
        return None

    def tuning_ends(self, site: Site) -> tuple[Array, Array]:
        """Return between which ``tuned`` numbers may lie, (K,) each."""
        raise NotImplementedError

    def model_at(self, numbers: Array, at: Values, site: Site) -> Operator:
        """Return what ``model`` is for a feed that calls for ``numbers`` (..., K)."""
        raise NotImplementedError

    def off(self, own: Operator, feed: Material, at: Values, site: Site) -> Array:
        """Return how far the ``numbers`` of ``own`` (of ``model_at``) lie from what the feed calls for, (..., K).

        Nought there, rising with each of them; by how much is left open.
        """
        raise NotImplementedError

    def warnings(self, feed: Material, at: Values, site: Site) -> Iterator[str]:
        """Say what is amiss with this step on this feed (plain solve only)."""
        yield from ()

    def idle(self, top: float) -> Iterator[str]:
        """Say which setting of the step has nothing to work on where no piece of the ore exceeds ``top`` (m)."""
        yield from ()

    def lost(self, outlet: str, stream: Material, at: Values, site: Site) -> dict[str, float]:
        """Return the gold (kg) of a stream that leaves by ``outlet`` for good, by why it is lost."""
        port = self.port(outlet)
        if not site.grains_known:
            same = port.free_lost == port.locked_lost
            return {port.free_lost if same else "other": float(stream.gold)}
        found = {port.free_lost: float(stream.free.sum())}
        found[port.locked_lost] = found.get(port.locked_lost, 0.0) + float(stream.locked.sum())
        return found

    def silver_shares(self, at: Values) -> dict[str, Array] | None:
        """Return the share of the silver that goes to each outlet; None: it goes as the gold does."""
        return None

    # ── what the sheet must give ────────────────────────────────────────────────────────────────────────

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """Give (field, message, remedy) of what the models lack where no factors stand in for them."""
        lacks_solids = self._lacking(self.solids_need, sizes, grains)
        lacks_gold = self._lacking(self.gold_need, sizes, grains)
        if self.split is None and lacks_solids:
            yield missing(self.kind, lacks_solids[0], "split", sizes)
        elif self.recovery is None and lacks_gold and not (self.split is not None and self.gold_follows_rock):
            yield missing(self.kind, lacks_gold[0], "recovery", sizes)

    def _lacking(self, needs: tuple[str, ...], sizes: bool, grains: bool) -> list[str]:
        told = {"sizes": sizes, "grains": grains}
        return [
            need
            for need in needs
            if not told.get(need, any(getattr(self, name, None) is not None for name in need.split("|")))
        ]

    # ── the operator, with factors in their place ───────────────────────────────────────────────────────

    def operator(self, feed: Material, at: Values, site: Site) -> Operator:
        """Return the operator in force: the model's, with the sheet's factors in place of its shares.

        Raises ContractError where it does not share out all that is fed.
        """
        draws = partial(_draws, feed, at, site)
        return self._in_force(feed, at, site).checked(self.kind, self.outlets.keys(), len(site.grid), draws)

    def shaped_operator(self, feed: Material, at: Values, site: Site) -> Operator:
        """Return the operator in force with its shapes checked, for whoever checks the numbers of many together."""
        draws = partial(_draws, feed, at, site)
        return self._in_force(feed, at, site).shaped(self.kind, self.outlets.keys(), len(site.grid), draws)

    def silver_parted(self, at: Values) -> dict[str, Array] | None:
        """Return ``silver_shares``, checked. Raises ContractError where they do not share all of it out."""
        shares = self.silver_shares(at)
        if shares is not None:
            check_silver(self.kind, shares, self.outlets.keys())
        return shares

    def _in_force(self, feed: Material, at: Values, site: Site) -> Operator:
        return self.with_factors(lambda: self.model(feed, at, site), at, site)

    def with_factors(self, model: Callable[[], Operator], at: Values, site: Site) -> Operator:
        """Return the operator of ``model`` with the sheet's factors in place of its shares; it may not be asked for."""
        if self.split is None and self.recovery is None:
            return model()
        sized, grains = site.grid.sized, site.grains_known
        no_solids, no_gold = (bool(self._lacking(n, sized, grains)) for n in (self.solids_need, self.gold_need))
        outlets = list(self.outlets)
        replaced = self.split is not None and (self.recovery is not None or no_gold)
        own = Operator({}) if no_solids or (replaced and not self.breaks) else model()
        split = _factor_shares(at.banded("split"), outlets, site.grid) if self.split else None
        recovery = _factor_shares(at.banded("recovery"), outlets, site.grid) if self.recovery else None
        shares = {}
        for outlet in outlets:
            mine = own.shares.get(outlet)
            solids = split[outlet] if split else mine
            gold = recovery[outlet] if recovery else (mine if not no_gold and mine is not None else solids)
            if solids is not None and gold is not None:
                shares[outlet] = Shares(solids.light, solids.heavy, gold.free, gold.locked)
        return Operator(shares, own.breakage, own.then)


def _draws(feed: Material, at: Values, site: Site) -> set[int]:
    """Return how many draws a step is given, by each array that has them; nothing in a plain solve."""
    shapes = [feed.light.shape[:-1], feed.heavy.shape[:-1], feed.free.shape[:-1]]
    shapes += [site.locked_share.shape[:-2], site.fineness.shape, *at.shapes()]
    return {length for shape in shapes for length in shape}


def missing(kind: str, need: str, factors: str, sizes: bool) -> tuple[str, str, str]:
    """Return (field, message, remedy) for a model that lacks ``need``; ``factors`` could stand in for it."""
    instead = f"or give the step {factors}: {{outlet: share}}"
    if need == "sizes":
        return (
            "",
            f"{kind} needs to know the sizes of the rock",
            f"Give the ore sizes: {{top: …, p80: …}}, {instead}",
        )
    if need == "grains":
        blocks = "gold: {d50: …, d95: …}" + ("" if sizes else " and sizes:")
        return "", f"{kind} needs to know the gold grains", f"Give the ore {blocks}, {instead}"
    names = " or ".join(need.split("|"))
    if need == factors:
        return "", f"{kind} has no {need}", f"Add {need}: {{outlet: share}}"
    return "", f"{kind} has no {names}", f"Add {need.split('|')[0]}:, {instead}"


# ── numbers to words ────────────────────────────────────────────────────────────────────────────────────────


def as_mass(kg: float) -> str:
    """Return a mass as one would say it: 250 g, 1.2 kg."""
    return f"{kg:.3g} kg" if kg >= 1 else f"{1e3 * kg:.3g} g"


def as_size(metres: float) -> str:
    """Return a size as one would say it: 250 µm, 1.2 mm."""
    return f"{1e3 * metres:.3g} mm" if metres >= 1e-3 else f"{1e6 * metres:.3g} µm"


# ── numbers to arrays ───────────────────────────────────────────────────────────────────────────────────────


def _factor_shares(at: Banded, outlets: list[str], grid: Grid) -> dict[str, Shares]:
    """Return the shares of each outlet; the one that is left out gets the rest."""
    given = {outlet: _laid_out(bands, grid) for outlet, bands in at.items()}
    total = Shares.total(given.values())
    over = Shares(*(np.maximum(1.0, part) for part in (total.light, total.heavy, total.free, total.locked)))
    rest = [outlet for outlet in outlets if outlet not in given]
    # Draws of shares with doubt may pass one together, or (with no outlet left for the rest) fall short.
    if not rest:
        over = total
    shares = {outlet: _over(mine, over) for outlet, mine in given.items()}
    for outlet in rest:
        taken = Shares.total(shares.values())
        left = (np.maximum(1 - part, 0.0) for part in (taken.light, taken.heavy, taken.free, taken.locked))
        shares[outlet] = Shares(*left)
    return shares


def _over(mine: Shares, by: Shares) -> Shares:
    return Shares(mine.light / by.light, mine.heavy / by.heavy, mine.free / by.free, mine.locked / by.locked)


def _laid_out(bands: Sequence[tuple[Band, Array]], grid: Grid) -> Shares:
    """Lay one outlet's bands out on the grid: rock and locked gold by host size, free gold by its own."""
    rows: dict[str | None, Array] = {}
    for form in (None, "free", "locked"):
        row = np.zeros(len(grid))
        for band, share in bands:
            if band.form in (None, form) or form is None:
                inside = _inside(band, grid)
                row = np.where(inside, share[..., None], row)
        rows[form] = row
    return Shares(rows[None], rows[None], rows["free"], rows["locked"][..., :, None])


def _inside(band: Band, grid: Grid) -> Mask:
    if not grid.sized:
        return np.ones(1, dtype=bool)
    return (grid.lower >= band.lower * (1 - SAME)) & (grid.upper <= band.upper * (1 + SAME))
