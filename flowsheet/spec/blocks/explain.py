"""What a block of the sheet may hold, as data to be shown: each field in words, from the description that reads it.

A page shows ``field_text`` beside the field that it belongs to; ``block_text`` is all of a block, with the outlets of a
kind of step and how a sheet might write it.
"""

from __future__ import annotations

import inspect
import re
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from flowsheet.spec.blocks.factors import OutletFactors
from flowsheet.spec.blocks.fields import Block, dimension_of, extra_of, in_words
from flowsheet.spec.blocks.pydantic_faults import models_in
from flowsheet.spec.blocks.slack import WrittenSlack
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text import units

SLACK = "slack"
ANY_NAMES = ("part", "rest")
"""Outlets of an example whose kind lets the user name them."""


@dataclass(frozen=True)
class FieldText:
    """One field of a block, in words; what does not hold of it is empty."""

    name: str
    what: str
    #: What is wanted: "a length", "one of lead, bismuth", "shares by outlet".
    wants: str = ""
    #: The units that it may be written in, as a sheet writes them.
    units: tuple[str, ...] = ()
    #: How it may be written without a unit; "" where it needs one, or none is known of it.
    bare: str = ""
    #: What is taken where it is left out, as a sheet would write it, and where that comes from.
    default: str = ""
    source: str = ""
    #: Bounds, as a sheet would write them.
    low: str = ""
    high: str = ""
    required: bool = False
    #: What a sheet might say.
    example: str = ""
    #: Names of the blocks' fields, where fields of its own stand behind it.
    inner: tuple[str, ...] = ()


@dataclass(frozen=True)
class OutletText:
    """One outlet of a kind of step; ``free_lost`` and ``locked_lost``: why gold that leaves by it for good is lost."""

    name: str
    what: str
    optional: bool
    free_lost: str
    locked_lost: str


@dataclass(frozen=True)
class BlockText:
    """A block, or a kind of step: what it is, its fields, and (of a kind) outlets, cautions and an example."""

    name: str
    about: str
    fields: tuple[FieldText, ...]
    outlets: tuple[OutletText, ...] = ()
    #: Whether the outlets may have any names.
    any_outlets: bool = False
    cautions: tuple[str, ...] = ()
    #: A line that a sheet may hold.
    example: str = ""


def block_text(block: type[Block], name: str) -> BlockText:
    """Return what a block holds, under the ``name`` that a sheet gives it."""
    return BlockText(name, first_line(block), tuple(field_text(block, field) for field in block.model_fields))


def kind_text(kind: type[StepBlock]) -> BlockText:
    """Return what a kind of step takes and gives. Fields that every step has are left to ``block_text(StepBlock)``."""
    # What only this kind has stands first.
    inherited = [name for name in kind.model_fields if name not in inspect.get_annotations(kind)]
    own = [name for name in dict.fromkeys((*inspect.get_annotations(kind), *inherited))
           if name in kind.model_fields and name not in StepBlock.model_fields]  # fmt: skip
    if SLACK not in own:
        own.append(SLACK)  # which every kind has, each with its own default
    outlets = tuple(
        OutletText(port.name, port.what, port.optional, port.free_lost, port.locked_lost) for port in kind.ports
    )
    return BlockText(
        kind.kind,
        first_line(kind),
        tuple(field_text(kind, name) for name in own),
        outlets,
        not kind.ports,
        tuple(kind.cautions),
        example_of(kind),
    )


def field_text(block: type[Block], name: str) -> FieldText:
    """Return one field of a block in words. Raises KeyError where the block has no such field."""
    field = block.model_fields[name]
    extra, dimension = extra_of(field), dimension_of(field)
    default = extra.get("default_text", "")
    if not default and isinstance(field.default, str):
        default = field.default
    source = extra.get("source", "")
    if name == SLACK and issubclass(block, StepBlock) and block is not StepBlock:
        default, source = block.typical_slack.text, block.typical_slack.source
    return FieldText(
        name=name,
        what=field.description or "",
        wants=_wants(field, dimension),
        units=tuple(unit for unit in (dimension.units if dimension is not None else "").split(", ") if unit),
        bare=_BARE.get(dimension, "") if dimension is not None else "",
        default=default,
        source=source,
        low=_bound(extra.get("low"), dimension),
        high=_bound(extra.get("high"), dimension),
        required=field.is_required(),
        example=_example(field, dimension, default),
        inner=tuple(dict.fromkeys(part for inner in models_in(field.annotation) for part in inner.model_fields)),
    )


def example_of(kind: type[StepBlock]) -> str:
    """Return a step of this kind as a sheet might write it, with the fields that its model cannot do without.

    Which those are the kind's own check says: fields are added until it finds nothing lacking.
    """
    ports = [port.name for port in kind.ports if not port.optional] or list(ANY_NAMES)
    gives: dict[str, str] | str = ports[0] if len(ports) == 1 else {port: port for port in ports}
    step: dict[str, Any] = {"do": kind.kind, "takes": kind.fed_with, "gives": gives}
    like: dict[str, Any] = {name: field_text(kind, name).example for name in kind.model_fields
                            if name not in StepBlock.model_fields}  # fmt: skip
    like["split"] = {ports[0]: "30 %"}
    while (lacking := _lacking(kind, step)) and (name := _helps(kind, step, like, lacking)):
        step[name] = like[name]
    return f"{kind.kind}: {_as_written(step)}"


def _lacking(kind: type[StepBlock], step: dict[str, Any]) -> list[tuple[str, str, str]]:
    return list(kind.model_validate(step).faults(sizes=True, grains=True))


def _helps(
    kind: type[StepBlock], step: dict[str, Any], like: dict[str, Any], lacking: list[tuple[str, str, str]]
) -> str | None:
    """Return the first field that is lacking no more once it is written."""
    left = (name for name, told in like.items() if name not in step and told)
    return next((name for name in left if _lacking(kind, {**step, name: like[name]}) != lacking), None)


def _as_written(value: Any) -> str:
    """Return plain data as a sheet writes it on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name}: {_as_written(part)}" for name, part in value.items()) + "}"
    return str(value)


def first_line(thing: type[Any]) -> str:
    """Return the first paragraph of a docstring, on one line and without the marks of code."""
    told = inspect.getdoc(thing) or ""
    return " ".join(told.partition("\n\n")[0].replace("``", "").split())


def _wants(field: FieldInfo, dimension: units.Dimension | None) -> str:
    if dimension is not None:
        return str(dimension)
    parts = list(_annotations(field.annotation))
    names = [str(name) for part in parts if get_origin(part) is Literal for name in get_args(part)]
    if names:
        return f"one of {', '.join(names)}" if len(names) > 1 else names[0]
    if any(isinstance(part, type) and issubclass(part, BaseModel) for part in parts):
        return "fields of its own"
    if OutletFactors in parts:
        return "shares by outlet"
    if WrittenSlack in parts:
        return "a plain number for both, or rock and gold each"
    if str in parts and not any(get_origin(part) in (dict, tuple) for part in parts):
        return "a name, or several in brackets" if any(get_origin(part) is list for part in parts) else "a line of text"
    return ""


def _annotations(annotation: Any) -> list[Any]:
    """Return an annotation and all that it is made of."""
    return [annotation, *(part for inner in get_args(annotation) for part in _annotations(inner))]


def _bound(value: float | None, dimension: units.Dimension | None) -> str:
    """Return a bound in words, "" where there is none, or none that can be said in a unit (of money)."""
    if value is None or dimension not in (None, *_SAID):
        return ""
    if dimension is units.GRADE:  # more gold than rock
        dimension = units.SHARE
    told = "0" if value == 0 else in_words(value, dimension or units.PLAIN)
    return re.sub(r"\S+e[+]\d+|\d{5,}", lambda found: f"{float(found[0]):,.0f}", told)


_SAID = (units.LENGTH, units.MASS, units.GRADE, units.SHARE, units.PLAIN, units.SIGNED, units.COUNT, units.FINENESS)


_BARE = {units.SHARE: "0.8", units.FINENESS: "870"}
"""Dimensions that have units and need none."""


def _example(field: FieldInfo, dimension: units.Dimension | None, default: str) -> str:
    like = extra_of(field).get("examples")
    return str(like[0]) if like else default or (dimension.example if dimension is not None else "")
