"""Silver along the way: an amount in every stream, worked out from a solved sheet when it is asked for.

Silver comes in with the gold of the ores, by their fineness. In every step it goes to the outlets as all the gold of
that step's feed does, but where the kind parts silver by numbers of its own (``Step.silver_shares``: fire).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.balance import Caught
from flowsheet.solve.loop.absorb import absorb
from flowsheet.solve.network import Stage

if TYPE_CHECKING:
    from flowsheet.solve.model import Inputs, Model

#: Stream → the shares of what its step is fed that go on in it, and that its loop catches there.
_Parts: TypeAlias = Mapping[str, tuple[Array, Array]]


@dataclass(frozen=True)
class Silver:
    """Silver in kg, shape () or (D,): in each stream, and what loops have caught of it, by the stream they are cut at.

    What a loop has caught of the gold takes its silver along.
    """

    streams: dict[str, Array]
    caught: dict[str, Array]


def silver(model: Model, inputs: Inputs, streams: Mapping[str, Material], caught: Iterable[Caught]) -> Silver:
    """Return the silver of a solved sheet."""
    held = {c.stream: c.material for c in caught}
    found = Silver({name: streams[name].gold * (1 - f) / f for name, f in inputs.fineness.items()}, {})
    for stage in model.stages:
        parts = {name: _parts(model, inputs, streams, held, name) for name in stage.steps}
        if stage.is_loop:
            _loop(model, stage, parts, found)
        else:
            _single(model, stage.steps[0], parts, found)
    return found


def _single(model: Model, name: str, parts: Mapping[str, _Parts], found: Silver) -> None:
    fed = _sum(found.streams[stream] for stream in model.sheet.steps[name].takes)
    found.streams.update({stream: on * fed for stream, (on, _) in parts[name].items()})


def _loop(model: Model, stage: Stage, parts: Mapping[str, _Parts], found: Silver) -> None:
    """Solve the linear system of the silver that the loop's cuts carry, exactly as that of the gold is solved."""
    cuts, count = stage.cuts, len(stage.cuts)
    taken = [stream for name in stage.steps for stream in model.sheet.steps[name].takes]
    outside = {stream: found.streams[stream] for stream in taken if stream in found.streams}
    # The last axis: one unit in each cut and nothing from outside, then what comes from outside alone.
    eye = np.eye(count + 1)
    start = {cut: eye[k] for k, cut in enumerate(cuts)}
    start |= {stream: amount[..., None] * eye[count] for stream, amount in outside.items()}
    given, kept_back = _round(model, stage, parts, start)
    arriving = np.stack(np.broadcast_arrays(*(given[cut] for cut in cuts)), axis=-2)
    leaving = _sum([given[stream] for stream in given if stream not in taken] + list(kept_back.values()))
    arriving, leaving = np.broadcast_arrays(arriving, leaving[..., None, :])
    x, trapped = absorb(arriving[..., :count], leaving[..., 0, :count], arriving[..., count])
    start = {cut: x[..., k, None] for k, cut in enumerate(cuts)}
    start |= {stream: amount[..., None] for stream, amount in outside.items()}
    given, kept_back = _round(model, stage, parts, start)
    found.streams.update({stream: amount[..., 0] for stream, amount in given.items()})
    for k, cut in enumerate(cuts):
        found.streams[cut] = x[..., k]
        found.caught[cut] = kept_back[cut][..., 0] + trapped[..., k]


def _round(
    model: Model, stage: Stage, parts: Mapping[str, _Parts], start: Mapping[str, Array]
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Go through a loop's steps once; return what the steps give (..., U), and what is caught of each stream."""
    given: dict[str, Array] = {}
    kept_back: dict[str, Array] = {}
    for name in stage.steps:
        # What a cut carries on is not what has just arrived there.
        at = {**given, **start}
        fed = _sum(at[stream] for stream in model.sheet.steps[name].takes)
        for stream, (on, held) in parts[name].items():
            given[stream] = on[..., None] * fed
            kept_back[stream] = held[..., None] * fed
    return given, kept_back


def _parts(
    model: Model, inputs: Inputs, streams: Mapping[str, Material], held: Mapping[str, Material], name: str
) -> _Parts:
    """Return the shares of one step's silver: those of its gold, or of its kind's own numbers.

    Where a step is fed silver and no gold (what fire left of either), it goes as the rock does, and without rock in
    equal parts. Shares of gold are taken of all that came out, so that they make one to the last digit.
    """
    outlets = model.outlets[name]
    gold, rock = ({s: _with(streams[s], held.get(s), what) for s in outlets.values()} for what in ("gold", "solids"))
    own = model.silver_shares(name, inputs.values[name])
    if own is not None:
        shares = {stream: np.asarray(own[outlet]) for outlet, stream in outlets.items()}
    else:
        even = np.array(1 / len(outlets))
        by_rock = _of_all(rock, dict.fromkeys(rock, even))
        shares = _of_all(gold, by_rock)
    found = {}
    for stream, share in shares.items():
        one = np.ones(())
        stays = _ratio(held[stream].gold, gold[stream], 0 * one) if stream in held else 0 * one
        goes = _ratio(streams[stream].gold, gold[stream], one) if stream in held else one
        found[stream] = (share * goes, share * stays)
    return found


def _with(material: Material, held: Material | None, what: str) -> Array:
    amount: Array = getattr(material, what)
    return amount if held is None else np.asarray(amount + getattr(held, what))


def _of_all(amounts: Mapping[str, Array], otherwise: Mapping[str, Array]) -> dict[str, Array]:
    """Return each amount as a share of all, or the share in ``otherwise`` where they are nothing."""
    total = _sum(amounts.values())
    return {stream: _ratio(amount, total, otherwise[stream]) for stream, amount in amounts.items()}


def _ratio(part: Array, whole: Array, otherwise: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(whole > 0, part / whole, otherwise))


def _sum(parts: Iterable[Array]) -> Array:
    first, *others = parts
    for other in others:
        first = first + other
    return np.asarray(first)
