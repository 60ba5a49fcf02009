"""The numbers that a sheet gives with doubt: their names, and the sheet with any of them set anew."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from flowsheet.ore import feed
from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Inputs, Model
from flowsheet.solve.slack import GOLD, ROCK, Deltas
from flowsheet.spec.blocks.factors import OutletFactors
from flowsheet.spec.blocks.fields import Block, extra_of, solved_fields
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.yaml.marked_document import Document, Path_

#: Name of a number ("ore.grade", "look.care") and the number; returns what is to stand there.
Change = Callable[[str, Number], Number]


def doubtful(sheet: Sheet) -> dict[str, Number]:
    """Return every number of the ores and steps that has a doubt, by name."""
    found: dict[str, Number] = {}

    def note(name: str, number: Number) -> Number:
        if number.doubtful:
            found[name] = number
        return number

    changed(sheet, note)
    return found


def told_numbers(sheet: Sheet) -> dict[str, Number]:
    """Return every number of the ores and steps by name, in doubt or not, and the tilts of the ores."""
    found = {name: number for name, number, _ in _numbers(sheet)}
    return {**found, **{tilt_name(sheet, n): ore.tilt for n, ore in sheet.ores.items()}}


def changed(sheet: Sheet, change: Change) -> Sheet:
    """Return the sheet with every number replaced by what ``change`` makes of it."""
    ores = {n: _block(o, sheet.field_of(n), change) for n, o in sheet.ores.items()}
    steps = {n: _block(s, n, change) for n, s in sheet.steps.items()}
    return replace(sheet, ores=ores, steps=steps)


def _block(block: Any, within: str, change: Change) -> Any:
    if isinstance(block, Number):
        return change(within, block)
    if isinstance(block, OutletFactors):
        return OutletFactors(
            {
                outlet: tuple(replace(b, share=change(f"{within}.{outlet}", b.share)) for b in bands)
                if len(bands) == 1
                else tuple(replace(b, share=change(f"{within}.{outlet}.{i}", b.share)) for i, b in enumerate(bands))
                for outlet, bands in block.outlets.items()
            }
        )
    if isinstance(block, list):
        items = [_block(item, f"{within}.{i}", change) for i, item in enumerate(block)]
        return block if all(now is old for now, old in zip(items, block, strict=True)) else items
    if isinstance(block, Block):
        # What stays as it is does not count as written afterwards.
        new = {}
        for name in solved_fields(block):
            old = getattr(block, name)
            if (now := _block(old, f"{within}.{name}", change)) is not old:
                new[name] = now
        return block.model_copy(update=new) if new else block
    return block


def inputs_with(model: Model, values: Mapping[str, Array], draws: int | None) -> Inputs:
    """Return a model's inputs with what is named in ``values`` set to arrays of shape () or (draws,).

    That is numbers of the sheet, tilts of its ores (``tilt_name``), and slacks of its steps (``slack_name``).
    """
    drawn: dict[int, Array] = {}
    held: list[Number] = []  # so that no two of them share an identity

    def mark(name: str, number: Number) -> Number:
        if name not in values:
            return number
        own = replace(number)
        held.append(own)
        drawn[id(own)] = values[name]
        return own

    marked = replace(model, sheet=changed(model.sheet, mark))
    found = marked.inputs(lambda number: drawn.get(id(number), np.asarray(number.value)), draws)
    tilts = {n: values[name] for n in model.sheet.ores if (name := tilt_name(model.sheet, n)) in values}
    feeds = {n: feed.tilted(m, model.grid, tilts[n]) if n in tilts else m for n, m in found.feeds.items()}
    return replace(found, feeds=feeds, slack=_slack(model.sheet, values))


def tilt_name(sheet: Sheet, ore: str) -> str:
    """Return the name of an ore's tilt."""
    return f"{sheet.field_of(ore)}.tilt"


def mass_name(sheet: Sheet, ore: str) -> str:
    """Return the name of an ore's mass."""
    return f"{sheet.field_of(ore)}.mass"


def slack_name(step: str, what: str, outlet: str) -> str:
    """Return the name of the slack (log odds) of ``what`` ("rock", "gold") of a step to one of its outlets."""
    return f"{step}.slack.{what}.{outlet}"


def _slack(sheet: Sheet, values: Mapping[str, Array]) -> dict[str, Deltas]:
    found = {}
    for name, step in sheet.steps.items():
        sides = [
            {outlet: values[at] for outlet in step.outlets if (at := slack_name(name, what, outlet)) in values}
            for what in (ROCK, GOLD)
        ]
        if any(sides):
            found[name] = Deltas(*sides)
    return found


A_TRACE = 1e-30
"""As good as nothing, and yet not nothing."""


def all_outlets_open(sheet: Sheet) -> Sheet:
    """Return the sheet with a trace in place of each number of a step that stands at nothing.

    Draws may move such a number though the sheet has it at nothing; then the outlet that it opens (what a mill holds
    up) must be there.
    """

    def open_up(name: str, number: Number) -> Number:
        return replace(number, value=A_TRACE) if number.value == 0 and not number.doubtful else number

    return replace(sheet, steps=changed(sheet, open_up).steps)


LEAST_SHARE = 1e-6
"""A number that is not zero stays above this share of itself: many models divide by theirs."""


def limits(sheet: Sheet) -> dict[str, tuple[float, float]]:
    """Return what each number given with doubt may not pass: its field's bounds and, if spread evenly, its own ends."""
    found: dict[str, tuple[float, float]] = {}
    for name, number, extra in _numbers(sheet):
        if not number.doubtful:
            continue
        low = max(number.least, extra.get("low", -np.inf), -np.inf if number.low is None else number.low)
        high = min(number.most, extra.get("high", np.inf), np.inf if number.high is None else number.high)
        found[name] = (max(low, LEAST_SHARE * number.value) if number.value > 0 else low, high)
    return found


def bounds(sheet: Sheet) -> dict[str, tuple[float, float]]:
    """Return what each number may not pass by its field and its dimension, whatever doubt it has."""
    return {
        name: (max(number.least, extra.get("low", -np.inf)), min(number.most, extra.get("high", np.inf)))
        for name, number, extra in _numbers(sheet)
    }


def meanings(sheet: Sheet) -> dict[str, str]:
    """Return what each number is, in the words of its field."""
    return {name: extra.get("what", "") for name, _, extra in _numbers(sheet)}


def places(document: Document, sheet: Sheet, names: Container[str]) -> dict[str, Path_]:
    """Return where each number of these names stands in the sheet's document; none for what it leaves out."""
    found: dict[str, Path_] = {}
    tops: list[tuple[str, Path_]] = [(sheet.field_of(n), tuple(sheet.field_of(n).split(".", 1))) for n in sheet.ores]
    tops += [(name, ("steps", name)) for name in sheet.steps]
    for within, top in tops:
        for name, path in _places(document, top, within):
            if name in names:
                found[name] = path
    return found


def _places(document: Document, path: Path_, within: str) -> Iterator[tuple[str, Path_]]:
    """Give the name by which ``changed`` calls what stands at ``path``, and the path."""
    node: Any = document.data
    for part in path:
        node = node[part]
    if isinstance(node, str):
        yield within, path
    elif len(path) > 2 and path[0] == "steps" and path[2] in ("split", "recovery"):
        for outlet in node:
            leaves = list(_leaves(node[outlet], (*path, outlet)))
            for i, leaf in enumerate(leaves):
                yield f"{within}.{outlet}" if len(leaves) == 1 else f"{within}.{outlet}.{i}", leaf
    elif isinstance(node, (dict, list)):
        for part in node if isinstance(node, dict) else range(len(node)):
            yield from _places(document, (*path, part), f"{within}.{part}")


def _leaves(node: Any, path: Path_) -> Iterator[Path_]:
    if isinstance(node, dict):
        for part in node:
            yield from _leaves(node[part], (*path, part))
    else:
        yield path


def _numbers(sheet: Sheet) -> Iterator[tuple[str, Number, Mapping[str, Any]]]:
    """Go through all numbers: name, number, and what its field says of it."""
    for n, ore in sheet.ores.items():
        yield from _numbers_in(ore, sheet.field_of(n), {})
    for n, step in sheet.steps.items():
        yield from _numbers_in(step, n, {})


def _numbers_in(block: Any, within: str, extra: Mapping[str, Any]) -> Iterator[tuple[str, Number, Mapping[str, Any]]]:
    if isinstance(block, Number):
        yield within, block, extra
    elif isinstance(block, OutletFactors):
        for outlet, bands in block.outlets.items():
            for i, band in enumerate(bands):
                name = f"{within}.{outlet}" if len(bands) == 1 else f"{within}.{outlet}.{i}"
                yield name, band.share, {"what": f"{extra.get('what', 'share')}: {outlet}"}
    elif isinstance(block, list):
        for i, item in enumerate(block):
            yield from _numbers_in(item, f"{within}.{i}", extra)
    elif isinstance(block, Block):
        for name, field in solved_fields(block).items():
            told = {**extra_of(field), "what": field.description or name}
            yield from _numbers_in(getattr(block, name), f"{within}.{name}", told)
