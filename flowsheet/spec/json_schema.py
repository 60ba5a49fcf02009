"""One JSON Schema (draft 2020-12) of the whole sheet, from the same descriptions that validation reads.

Beyond the standard's own words it tells, of a number: ``quantity`` (its dimension), ``low_si`` and
``high_si`` (its bounds in kg, m, or as a fraction), ``source`` (where its default comes from) and
``better`` (the change that the advice may try); of a kind: ``outlets`` and ``cautions``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from flowsheet.spec.blocks.costs_and_sales import GENERAL_COSTS, Sale, StepCost
from flowsheet.spec.blocks.fields import ONLY_ESTIMATED
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate
from flowsheet.spec.blocks.money import PRICE
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.schema import TOP_FIELDS, Ore, Weighed
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text import units

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"

#: Names of ``knob`` → names in the schema.
_RENAMED = {"low": "low_si", "high": "high_si", "default_text": "default"}


def json_schema(kinds: Mapping[str, type[StepBlock]]) -> Schema:
    """Return the JSON Schema of a sheet whose steps may be of ``kinds``."""
    from pydantic.json_schema import models_json_schema

    models: list[type[BaseModel]] = [Ore, Weighed, StepCost, Sale, Pile, FittedEstimate, *kinds.values()]
    refs, definitions = models_json_schema([(model, "validation") for model in models])
    defs = {name: _tidy(schema) for name, schema in definitions["$defs"].items()}
    ref = {model: refs[model, "validation"] for model in models}
    for kind in kinds.values():
        _tell_kind(defs[ref[kind]["$ref"].rsplit("/", 1)[-1]], kind)
    shapes = _shapes(ref[Ore], ref[Weighed], [ref[kind] for kind in kinds.values()], ref[StepCost], ref[Sale])
    shapes["pile"] = ref[Pile]
    shapes["fitted"] = ref[FittedEstimate]
    return {
        "$schema": DIALECT,
        "title": "Sheet",
        "type": "object",
        "properties": {name: {"description": what, **shapes[name]} for name, what in TOP_FIELDS.items()},
        "required": ["steps", "keep"],
        "oneOf": [{"required": ["ore"]}, {"required": ["ores"]}],
        "additionalProperties": False,
        "$defs": defs,
    }


def _shapes(ore: Schema, weighed: Schema, steps: list[Schema], cost: Schema, sale: Schema) -> dict[str, Schema]:
    """Return the shape of each field of a sheet."""
    streams = {"type": "array", "items": {"type": "string"}, "minItems": 1}
    sieve = {"type": "string", "quantity": units.LENGTH.name, "examples": [units.LENGTH.example, "20 mesh"]}
    return {
        "title": {"type": "string"},
        "ore": ore,
        "ores": _by_name(ore),
        "steps": _by_name({"oneOf": steps}),
        "keep": {"anyOf": [{"type": "string"}, streams]},
        "weighed": {**_by_name(weighed), "properties": {"file": _FILES}},
        "prices": _by_name({"type": "string", "pattern": f"^{PRICE}$", "examples": ["100 USD/g"]}),
        "costs": {**_by_name(cost), "properties": _general_costs()},
        "sells": _by_name(sale),
        "sieves": {"type": "array", "items": sieve},
    }


def _general_costs() -> Schema:
    return {
        name: {"type": "string", "quantity": dimension.name, "examples": [dimension.example], "description": what}
        for name, (what, dimension) in GENERAL_COSTS.items()
    }


_FILES = {
    "description": "weigh sheets (CSV), one a test, beside the sheet",
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}],
}


def _by_name(shape: Schema) -> Schema:
    return {"type": "object", "minProperties": 1, "additionalProperties": shape}


def _tell_kind(schema: Schema, kind: type[StepBlock]) -> None:
    """Add to a step's schema what its kind says of itself: what it does, its outlets, its cautions."""
    schema["description"] = kind.what
    schema["outlets"] = [{"name": port.name, "what": port.what, "optional": port.optional} for port in kind.ports]
    schema["cautions"] = list(kind.cautions)
    typical = kind.typical_slack
    told = {"default": {"rock": typical.rock, "gold": typical.gold}, "source": typical.source}
    schema["properties"]["slack"] = {**schema["properties"]["slack"], **told}
    if not kind.ports:
        return
    needed = [port.name for port in kind.ports if not port.optional]
    by_outlet = {
        "type": "object",
        "properties": {port.name: {"type": "string", "description": port.what} for port in kind.ports},
        "required": needed,
        "additionalProperties": False,
    }
    shape = {"anyOf": [by_outlet, {"type": "string"}]} if len(needed) == 1 else by_outlet
    schema["properties"]["gives"] = {"description": schema["properties"]["gives"]["description"], **shape}


def _tidy(schema: Any) -> Any:
    """Return a generated schema in the sheet's own words.

    A field that is left out has no default of null, and null is not a value: the sheet leaves it out.
    """
    if isinstance(schema, list):
        return [_tidy(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    told = {name: part for name, part in schema.items() if not _noise(name, part)}
    tidy = {_RENAMED.get(name, name): _tidy(part) for name, part in told.items()}
    if "properties" in schema:
        # Names of fields are no words of the schema: ``low`` may be one.
        tidy["properties"] = {name: _tidy(part) for name, part in schema["properties"].items()}
    choices = [part for part in tidy.get("anyOf", []) if part != {"type": "null"}]
    if len(choices) == 1:
        del tidy["anyOf"]
        return {**choices[0], **tidy}
    return tidy


def _noise(name: str, part: Any) -> bool:
    # What only estimates read is told by what the field is, not by a mark.
    marks = name == ONLY_ESTIMATED or (name == "title" and isinstance(part, str))
    return marks or (name == "default" and not isinstance(part, str))
