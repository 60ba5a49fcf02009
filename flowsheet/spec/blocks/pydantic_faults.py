"""What pydantic complains of, as mistakes that say where, what was read and what would be right."""

from __future__ import annotations

import inspect
from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from flowsheet.spec.blocks.fields import dimension_of
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.blocks.weighed_fields import ALSO
from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, did_you_mean, nearest
from flowsheet.spec.text.number_with_doubt import NumberMistake
from flowsheet.spec.yaml.marked_document import Document, Path_

SET_BY = ("setting", "closed side setting", "css", "gap", "opening", "aperture", "mesh")
"""What people call the size that equipment is set to; each kind has one name for it (``StepBlock.set_by``)."""
PASSING = "passing"
RETAINED = (
    "the table says what passes each sieve, not what stays on it",
    "Write passing: in its place, which is what passes the sieve above (100 % above the first) less what is retained "
    "on this one",
)


def explain(document: Document, path: Path_, wrong: ValidationError, model: type[BaseModel]) -> Iterator[Mistake]:
    """Turn pydantic's errors into mistakes that say where, what was read and what would be right."""
    errors = wrong.errors(include_url=False)
    spots = [(*path, *_real(document, path, error["loc"], error["type"])) for error in errors]
    strangers = [spot for spot, error in zip(spots, errors, strict=True) if error["type"] == "extra_forbidden"]
    for spot, error in zip(spots, errors, strict=True):
        known, context = _fields_at(model, spot[len(path) : -1]), error.get("ctx", {})
        name = str(spot[-1])
        if error["type"] == "sheet" and "faults" in context:
            for at, message, remedy, in_name, code in context["faults"]:
                say = document.name_mistake if in_name else document.mistake
                yield say((*spot, *at), message, remedy, code=code)
        elif error["type"] == "sheet":
            yield document.mistake(
                (*spot, *context.get("at", ())), context["message"], context["remedy"], code=context["code"]
            )
        elif error["type"] == "extra_forbidden" and _is_retained(name, known):
            yield document.name_mistake(spot, *RETAINED, code="retained_not_passing")
        elif error["type"] == "extra_forbidden":
            own = inspect.get_annotations(model)  # those of the very kind come first, those of every step last
            known_here = sorted(known, key=lambda field: (field in StepBlock.model_fields, field not in own))
            here = _called_here(name, model, known)
            remedy = f'Here it is called "{here}"' if here else did_you_mean(name, known_here, "fields here")
            yield document.name_mistake(spot, "no such field here", remedy, code="field_unknown")
        elif error["type"] == "missing":
            beside = [str(s[-1]) for s in strangers if s[:-1] == spot[:-1]]
            if not any(nearest(s, known) == name or (name == PASSING and _is_retained(s, known)) for s in beside):
                yield document.mistake(
                    spot, f'"{name}" is missing', f"Add {name}: {_example(known, name)}", code="field_missing"
                )
        elif error["type"] == "literal_error":
            names = str(context["expected"]).replace("'", "").replace(" or ", ", ").split(", ")
            read = document.text_at(spot) or ""
            yield document.mistake(
                spot, "not one of the names known here", did_you_mean(read, names, "names"), code="name_unknown"
            )
        else:
            yield document.mistake(
                spot, "fields are wanted here", f"Write {_as_block(model, spot[len(path) :])}", code="fields_wanted"
            )


def _called_here(name: str, model: type[BaseModel], known: Mapping[str, FieldInfo]) -> str:
    """Return the field that people mean by a name which other blocks have for it, "" where none is meant."""
    if nearest(name, known) is not None:
        return ""
    if issubclass(model, StepBlock) and model.set_by in known and nearest(name, SET_BY, VERY_ALIKE) is not None:
        return model.set_by
    also = ALSO.get(nearest(name, ALSO, VERY_ALIKE) or "", "")
    return also if also in known else ""


def _is_retained(name: str, known: Mapping[str, FieldInfo]) -> bool:
    """Whether a row of a sieve table says what stays on the sieve."""
    return PASSING in known and nearest(name, ("retained",)) is not None


def _real(document: Document, path: Path_, loc: tuple[int | str, ...], kind: str) -> Path_:
    """Drop from pydantic's location the names of union branches, which the sheet knows nothing of."""
    node: Any = document.data
    for part in path:
        node = node[part]
    kept: list[int | str] = []
    for i, part in enumerate(loc):
        inside = (isinstance(node, dict) and part in node) or (
            isinstance(node, list) and isinstance(part, int) and part < len(node)
        )
        if inside:
            node = node[part]
            kept.append(part)
        elif kind == "missing" and i == len(loc) - 1:
            kept.append(part)
    return tuple(kept)


def _as_block(model: type[BaseModel], within: Path_) -> str:
    """Return how a block, or a row of a table, may be written."""
    if not within:
        return some_fields(model)
    row = isinstance(within[-1], int)
    at = within[:-1] if row else within
    name = str(at[-1])
    known = _fields_at(model, at[:-1])
    inner = models_in(known[name].annotation) if name in known else []
    fields = some_fields(inner[-1 if row else 0]) if inner else "{name: value}"
    return fields if row else f"{name}: {fields}"


def _fields_at(model: type[BaseModel], within: Path_) -> dict[str, FieldInfo]:
    """Return the fields of the block at ``within``, looking through unions and lists of blocks."""
    fields = dict(model.model_fields)
    for part in within:
        if isinstance(part, str) and part in fields:
            inner = models_in(fields[part].annotation)
            fields = {name: found for block in reversed(inner) for name, found in block.model_fields.items()}
    return fields


def models_in(annotation: Any) -> list[type[BaseModel]]:
    """Return the blocks that an annotation is made of, in order."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [block for part in get_args(annotation) for block in models_in(part)]


def some_fields(model: type[BaseModel], told: object = None) -> str:
    """Return how a block may be written: its required fields, or its first two.

    ``told``: what stands in its place; where a field may hold it, that is put behind its name.
    """
    required = [name for name, found in model.model_fields.items() if found.is_required()]
    shown = required if len(required) > 1 else list(model.model_fields)[:2]
    if isinstance(told, str) and (meant := _field_of(told, model)) is not None:
        shown = [meant, *(name for name in shown if required and name != meant)]
        return "{" + ", ".join(f"{name}: {told if name == meant else '…'}" for name in shown) + "}"
    return "{" + ", ".join(f"{name}: …" for name in shown) + "}"


def _field_of(told: str, model: type[BaseModel]) -> str | None:
    """Return the first field that a number with its unit may be meant for."""
    for name, field in model.model_fields.items():
        if (dimension := dimension_of(field)) is None or dimension.bare_ok:
            continue
        try:
            number_with_doubt.parse(told, dimension)
        except NumberMistake:
            continue
        return name
    return None


def _example(known: Mapping[str, FieldInfo], name: str) -> str:
    """Return how a missing field may look."""
    told = {"takes": "and the stream that goes in", "gives": "{outlet: name of its stream}",
            "kind": "and one of raw, specimen, slabs, metal"}  # fmt: skip
    found = known.get(name)
    dimension = dimension_of(found) if found is not None else None
    return told.get(name) or (dimension.example if dimension is not None else "…")
