"""Typed fields of a sheet, each described once: unit, default, bounds, meaning, source, what to try.

A field is annotated with its dimension (``opening: Length``) and described by ``knob(...)``. Validation,
the JSON Schema, the documentation and the advice after a run all read that one description.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Annotated, Any, Literal, TypeAlias, get_args

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler, field_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError, core_schema

from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.number_with_doubt import AT_BOUND, Number, NumberMistake

__all__ = [
    "NO_SOURCE", "TYPICAL", "Block", "Count", "Field", "Fineness", "Grade", "Length", "Mass", "Plain", "Quantity",
    "Share", "Sieve", "Signed", "complaint", "dimension_of", "extra_of", "knob", "only_estimated", "solved_fields",
]  # fmt: skip

TYPICAL = "typical, set your own"
NO_SOURCE = "common practice, no source"


def complaint(message: str, remedy: str, at: tuple[str | int, ...] = (), *, code: str) -> PydanticCustomError:
    """Return the error a validator raises; ``at`` leads from the field to the very spot."""
    return PydanticCustomError("sheet", "{message}", {"message": message, "remedy": remedy, "at": at, "code": code})


class Quantity:
    """Makes pydantic read a field as a Number of one dimension, or as the ``word`` that may stand in its place."""

    def __init__(self, dimension: units.Dimension, word: str | None = None) -> None:
        self.dimension, self.word = dimension, word

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(self._read)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        types = ["string", "number"] if self.dimension.bare_ok else "string"
        examples = [self.dimension.example, *([self.word] if self.word else [])]
        return {"type": types, "quantity": self.dimension.name, "examples": examples}

    def _read(self, value: object) -> Number | str:
        if isinstance(value, Number):
            return value
        if self.word is not None and isinstance(value, str) and value.strip().casefold() == self.word:
            return self.word
        if isinstance(value, (dict, list)):
            raise complaint(
                f"several fields stand where {self.dimension} is wanted",
                f"Write one value, as {self.dimension.example}",
                code="one_value_wanted",
            )
        try:
            return number_with_doubt.parse("" if value is None else str(value), self.dimension)
        except NumberMistake as wrong:
            raise complaint(wrong.message, wrong.remedy, code=wrong.code) from None


Length: TypeAlias = Annotated[Number, Quantity(units.LENGTH)]
Sieve: TypeAlias = Annotated[Number | Literal["pan"], Quantity(units.LENGTH, "pan")]
Mass: TypeAlias = Annotated[Number, Quantity(units.MASS)]
Grade: TypeAlias = Annotated[Number, Quantity(units.GRADE)]
Share: TypeAlias = Annotated[Number, Quantity(units.SHARE)]
Plain: TypeAlias = Annotated[Number, Quantity(units.PLAIN)]
Signed: TypeAlias = Annotated[Number, Quantity(units.SIGNED)]
Count: TypeAlias = Annotated[Number, Quantity(units.COUNT)]
Fineness: TypeAlias = Annotated[Number, Quantity(units.FINENESS)]


def knob(
    default: str | None,
    what: str,
    *,
    source: str = "",
    low: float | None = None,
    high: float | None = None,
    better: str | None = None,
    required: bool = False,
    like: str | None = None,
    only_estimated: bool = False,
) -> Any:
    """Describe one number of a sheet.

    ``default`` is written as in a sheet (None: not set); ``low`` and ``high`` bound it, in SI; ``source``
    says where the default comes from; ``better`` is the change that the advice may try: "x0.5" (times),
    "+1" (more of it) or "to 0.95"; ``like`` is what a sheet might say, where the default does not show it;
    ``only_estimated``: it is a doubt of the solve, which does not read it. A default's own doubt ("0 ± 0.45") is an
    assumption: nobody told it (``Number.told_doubt``).
    """
    extra: dict[str, Any] = {"source": source} if source else {}
    if low is not None:
        extra["low"] = low
    if high is not None:
        extra["high"] = high
    if better is not None:
        extra["better"] = better
    if like is not None:
        extra["examples"] = [like]
    if default is not None:
        extra["default_text"] = default
    if only_estimated:
        extra[ONLY_ESTIMATED] = True
    kwargs: dict[str, Any] = {"description": what, "json_schema_extra": extra}
    if required:
        return Field(**kwargs)
    return Field(_default(default, _guess(default)) if default is not None else None, **kwargs)


def _default(text: str, dimension: units.Dimension) -> Number:
    """Return a default; nobody wrote the doubt that stands behind it."""
    return replace(number_with_doubt.parse(text, dimension), doubt=None)


def _guess(default: str) -> units.Dimension:
    """Return a dimension in which a default's own text makes sense, until its block knows that of the field."""
    for dimension in (units.PLAIN, units.SHARE, units.LENGTH, units.MASS, units.GRADE):
        try:
            number_with_doubt.parse(default, dimension)
        except NumberMistake:
            continue
        return dimension
    raise ValueError(f"the default {default!r} is no quantity")


def extra_of(field: FieldInfo) -> dict[str, Any]:
    """Return what ``knob`` said of a field beyond its default and meaning."""
    return field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}


ONLY_ESTIMATED = "only_estimated"
"""What ``knob`` marks such a field by."""


def only_estimated(field: FieldInfo) -> bool:
    """Whether a field is a doubt of the solve, which an estimate draws and the solve itself never reads."""
    return bool(extra_of(field).get(ONLY_ESTIMATED))


def solved_fields(block: Block) -> dict[str, FieldInfo]:
    """Return the fields of a block that a solve may read."""
    return {name: field for name, field in type(block).model_fields.items() if not only_estimated(field)}


def dimension_of(field: FieldInfo) -> units.Dimension | None:
    """Return the dimension of a field that holds a number, None for any other field."""
    return next((part.dimension for part in _parts(field) if isinstance(part, Quantity)), None)


def _parts(field: FieldInfo) -> Iterator[Any]:
    """Go through a field's metadata and all that its annotation is made of."""
    yield from field.metadata
    queue = [field.annotation]
    while queue:
        part = queue.pop()
        yield part
        queue.extend(get_args(part))


class Block(BaseModel):
    """A block of the sheet: unknown fields are refused, bounds are held, nothing changes afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Read each default again, now that its field tells the dimension: "0.6" may be a share, a number, a count."""
        super().__pydantic_init_subclass__(**kwargs)
        for field in cls.model_fields.values():
            text, dimension = extra_of(field).get("default_text"), dimension_of(field)
            if text is not None and dimension is not None:
                field.default = _default(text, dimension)

    @field_validator("*", mode="before")
    @classmethod
    def _written(cls, value: Any, info: Any) -> Any:
        """Refuse a name with nothing behind it: what is not known is left out."""
        if value is not None:
            return value
        field = cls.model_fields[info.field_name]
        if dimension_of(field) is None:
            raise complaint(
                "nothing is written here", f"Write {info.field_name}: …, or leave the field out", code="nothing_written"
            )
        return ""

    @field_validator("*", mode="after")
    @classmethod
    def _within_bounds(cls, value: Any, info: Any) -> Any:
        if not isinstance(value, Number):
            return value
        field = cls.model_fields[info.field_name]
        extra, dimension = extra_of(field), dimension_of(field) or units.PLAIN
        low, high = extra.get("low"), extra.get("high")
        value = _on_bound(value, low, high)
        ends = [value.value] if value.low is None else [value.low, value.high or 0.0]
        for end in ends:
            if low is not None and end < low:
                raise complaint(*_too_small(end, low, dimension), code="too_small")
            if high is not None and end > high:
                raise complaint(*_too_large(end, high, dimension, value), code="too_large")
        if high is not None and value.sd > high:
            most = f"the doubt is larger than the most that makes sense here, {in_words(high, dimension)}"
            raise complaint(most, "Check the doubt and its unit", code="doubt_too_large")
        return value


def _on_bound(number: Number, low: float | None, high: float | None) -> Number:
    """Return a number that misses a bound by its unit's rounding alone (10 um is not 1e-5 m to the last bit) on it."""

    def nudged(value: float) -> float:
        bounds = (bound for bound in (low, high) if bound is not None)
        return next((bound for bound in bounds if math.isclose(bound, value, rel_tol=AT_BOUND)), value)

    if number.low is None or number.high is None:
        return replace(number, value=nudged(number.value))
    return replace(number, low=nudged(number.low), high=nudged(number.high))


def _too_small(end: float, low: float, dimension: units.Dimension) -> tuple[str, str]:
    if end < 0 <= low:
        return "a minus sign makes no sense here", "Write it without"
    if end == 0 < low:
        return "zero makes no sense here", f"Write something like {dimension.example}"
    return f"too small: the least that makes sense here is {in_words(low, dimension)}", "Check the number and its unit"


def _too_large(end: float, high: float, dimension: units.Dimension, value: Number) -> tuple[str, str]:
    if dimension is units.SHARE and high == 1:
        percent = f'Did you mean "{end:g} %"?' if not value.unit[0] and end <= 100 else "Write at most 100 %"
        return "a share over 100 %", percent
    return f"too large: the most that makes sense here is {in_words(high, dimension)}", "Check the number and its unit"


_SHOWN_IN = {
    units.LENGTH: ((1.0, "m"), (1e-3, "mm"), (1e-6, "um")),
    units.MASS: ((1e3, "t"), (1.0, "kg"), (1e-3, "g"), (1e-6, "mg")),
    units.GRADE: ((1e-6, "g/t"),),
    units.SHARE: ((1e-2, "%"),),
}


def in_words(value: float, dimension: units.Dimension) -> str:
    """Return an SI value as a sheet would write it, in the largest unit that leaves no leading zero."""
    shown = _SHOWN_IN.get(dimension)
    if shown is None:
        return f"{value:g}"
    scale, unit = next(((s, u) for s, u in shown if value >= s * (1 - 1e-9)), shown[-1])
    number = value / scale
    return f"{number:.0f} {unit}" if number >= 1e5 else f"{number:g} {unit}"
