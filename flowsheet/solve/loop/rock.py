"""A loop of linear steps as its rock alone goes through it: what some steps are fed, for many settings of the steps.

Whatever is solved again and again to find the settings is solved here, so all that is the same in all size classes is
worked out in all of them at once: what comes of a unit of each source, in the loop's cuts and at each place where rock
is broken. From class to class there is then only a small product, however many steps the loop has.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.loop.blocks import Blocks, joined, last, summed
from flowsheet.solve.loop.by_class import Passage, rock_fed_by_class
from flowsheet.solve.loop.cuts import Links, Network, Units
from flowsheet.steps.base import Breakage, Crushing, Operator


@dataclass(frozen=True)
class _Place:
    """A place where rock is broken: of what goes in of a class, and what comes of coarser ones, Σ pieces · broken.

    ``stays`` · the former + ``comes`` · the latter comes out; ``breaks`` · the former is broken, if ``again`` with the
    latter.
    """

    pieces: Array
    stays: Array
    comes: Blocks
    breaks: Blocks
    leaves: Array
    again: bool


def _places(breakage: Breakage) -> list[_Place]:
    """Return the places of a breakage, one a pass, with draws last: (S, 1, D) each, ``pieces`` (S, S, D)."""
    if isinstance(breakage, Crushing):
        found = []
        for turn in range(int(np.max(breakage.passes))):
            chance = breakage.chance * np.asarray(turn < breakage.passes)[..., None]
            c = last(chance)[:, None]
            found.append(_Place(last(breakage.pieces, 2), 1 - c, 1 - c, c, c, True))
        return found
    own = np.arange(breakage.product.shape[-1])
    finer = np.array(breakage.product)
    finer[..., own, own] = 0.0
    product = last(breakage.product, 2)
    return [_Place(product, product[own, own][:, None], 1.0, 1.0, last(finer.sum(axis=-2))[:, None], False)]


def _shares(operator: Operator, outlet: str) -> Array:
    one = operator.shares[outlet]
    return joined([last(one.light)[:, None], last(one.heavy)[:, None]])


def rock_fed(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int, to: Sequence[int]
) -> Array:
    """Solve a loop for its rock alone; return the light and heavy rock fed to some passages, (D, len(to), 2, S)."""
    found = _all_at_once(passages, cuts, outside, classes, to)
    return rock_fed_by_class(passages, cuts, outside, classes, to) if found is None else found


def _all_at_once(
    passages: Sequence[Passage], cuts: Sequence[str], outside: Mapping[str, Material], classes: int, to: Sequence[int]
) -> Array | None:
    """Return what ``rock_fed`` does; None where rock is caught, which is set aside class by class."""
    sources = list(outside)
    first = len(cuts)
    now: dict[str, Units] = {cut: {k: 1.0} for k, cut in enumerate(cuts)}
    now |= {stream: {first + o: 1.0} for o, stream in enumerate(sources)}
    number = {cut: k for k, cut in enumerate(cuts)}
    taken = {stream for passage in passages for stream in passage.takes}
    gain: Links = {}
    out: list[Blocks] = [0.0] * first
    places: list[_Place] = []
    goes_in: list[Units] = []
    fed: dict[int, Units] = {}

    def broken(unit: Units, breakage: Breakage) -> Units:
        for place in _places(breakage):
            for k in range(first):
                if k in unit:
                    out[k] = out[k] + unit[k] * place.leaves
            goes_in.append(unit)
            unit = {k: amount * place.stays for k, amount in unit.items()}
            unit[first + len(sources) + len(places)] = place.comes
            places.append(place)
        return unit

    for t, passage in enumerate(passages):
        operator = passage.operator
        unit: Units = {}
        for stream in passage.takes:
            for k, amount in now.pop(stream).items():
                unit[k] = unit[k] + amount if k in unit else amount
        if t in to:
            fed[t] = unit
        if operator.breakage is not None:
            unit = broken(unit, operator.breakage)
        for outlet, stream in passage.outlets.items():
            share = _shares(operator, outlet)
            of_unit: Units = {k: amount * share for k, amount in unit.items()}
            if outlet in operator.then:
                of_unit = broken(of_unit, operator.then[outlet])
            if stream in number:
                gain.update({(number[stream], k): amount for k, amount in of_unit.items()})
            elif stream in taken:
                now[stream] = of_unit
            else:
                for k in range(first):
                    if k in of_unit:
                        out[k] = out[k] + of_unit[k]
    network = Network.of({at: link for at, link in gain.items() if at[1] < first}, out, classes)
    if network.holds.any():
        return None
    behind = first + len(sources) + len(places)
    # What a unit of each source that is no cut comes to in the cuts.
    cut_of = [network.all_of([gain.get((c, source), 0.0) for c in range(first)]) for source in range(first, behind)]

    def whole(unit: Units) -> list[Blocks]:
        """Return what comes of a unit of each source that is no cut, with what goes round."""
        found = []
        for source, x in enumerate(cut_of, start=first):
            amount = unit.get(source, 0.0)
            for k in range(first):
                if k in unit and not (np.ndim(x[k]) == 0 and x[k] == 0.0):
                    amount = amount + unit[k] * x[k]
            found.append(amount)
        return found

    from_sources = [_laid(outside[stream], classes) for stream in sources]
    reach = [whole(unit) for unit in goes_in]
    draws = max(
        (a.shape[-1] for a in (*from_sources, *(np.asarray(r) for row in reach for r in row)) if a.ndim), default=1
    )
    many, kinds = len(places), 2
    table = np.zeros((classes, many, len(sources) + many, kinds, draws))
    for p, row in enumerate(reach):
        for s, amount in enumerate(row):
            table[:, p, s] = amount
    # By class: what comes from each source.
    came = np.zeros((classes, len(sources) + many, kinds, draws))
    for s, amount in enumerate(from_sources):
        came[:, s] = amount
    lost = np.zeros((many, classes, kinds, draws))
    for i in range(classes):
        for p, place in enumerate(places):
            if i:
                came[i, len(sources) + p] = summed(place.pieces[i, :i], lost[p, :i])
        arrives = (table[i] * came[i]).sum(axis=1)
        for p, place in enumerate(places):
            more = arrives[p] + came[i, len(sources) + p] if place.again else arrives[p]
            lost[p, i] = more * (place.breaks if isinstance(place.breaks, float) else place.breaks[i])
    told = []
    for t in to:
        amount = np.zeros((classes, kinds, draws))
        for s, one in enumerate(whole(fed[t])):
            amount = amount + one * came[:, s]
        told.append(amount)
    return np.ascontiguousarray(np.stack(told).transpose(3, 0, 2, 1))


def _laid(material: Material, classes: int) -> Array:
    """Return the rock of a material by class, (S, 2, D)."""
    rock = joined([last(material.light)[:, None], last(material.heavy)[:, None]])
    return np.broadcast_to(rock, (classes, *rock.shape[1:]))
