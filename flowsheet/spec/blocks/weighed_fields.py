"""Fields of what was weighed that hold several numbers: sieves and what passes, grains counted, replicates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from flowsheet.spec.blocks.factors import At, Fault, is_sieve
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.number_with_doubt import Number, NumberMistake

ALL = "all"
"""The key of a grain count of every size."""

ALSO = {"assay": "grade", "assays": "grade", "weight": "mass", "weights": "mass"}
"""What else people call what they measured → the field that it is."""

MOST_COUNTED = 1e6
"""Nobody counts more grains."""


@dataclass(frozen=True)
class AtSize:
    """A number that belongs to a size (m; None: to all sizes), and the key that it is written under."""

    key: str
    size: float | None
    number: Number


def opening(text: str) -> float:
    """Return the opening (m) that a key names. Raises NumberMistake."""
    size = number_with_doubt.parse(text, units.LENGTH).value
    if not is_sieve(size):
        raise NumberMistake("no sieve has such an opening", "Check the number and its unit", code="no_such_sieve")
    return size


def least_size(text: str) -> float | None:
    """Return the least grain size (m) that a key names ("+0.3 mm"), None for "all". Raises NumberMistake."""
    plain = text.strip()
    if plain.casefold() == ALL:
        return None
    if not plain.startswith("+"):
        opening(plain)
        raise NumberMistake("grains are counted from a size up", f'Write "+{plain}"', code="grains_from_a_size_up")
    return opening(plain[1:].strip())


_Found = TypeVar("_Found")


def _number(given: object, wanted: units.Dimension) -> Number:
    if isinstance(given, Number):
        return given
    if isinstance(given, (dict, list)):
        raise NumberMistake(
            f"several fields stand where {wanted} is wanted",
            f"Write one value, as {wanted.example}",
            code="one_value_wanted",
        )
    return number_with_doubt.parse("" if given is None else str(given), wanted)


def _share(given: object) -> Number:
    share = _number(given, units.SHARE)
    low = share.value if share.low is None else share.low
    top = share.value if share.high is None else share.high
    if low < 0:
        raise NumberMistake("a negative share", "Write a share from 0 % to 100 %", code="share_out_of_range")
    if top > 1:
        hint = f'Did you mean "{top:g} %"?' if top <= 100 and not share.unit[0] else "Write at most 100 %"
        raise NumberMistake("a share over 100 %", hint, code="share_out_of_range")
    return share


def _count(given: object) -> Number:
    count = _number(given, units.COUNT)
    if count.value < 0:
        raise NumberMistake("a minus sign makes no sense here", "Write it without", code="negative")
    if count.value > MOST_COUNTED:
        raise NumberMistake(f"nobody counts more than {MOST_COUNTED:,.0f} grains", "Check the number", code="too_large")
    if count.doubtful:
        raise NumberMistake(
            "a count carries no doubt but its own luck", "Write the number alone", code="doubt_of_a_count"
        )
    return count


def _grade(given: object) -> Number:
    grade = _number(given, units.GRADE)
    if grade.value < 0:
        raise NumberMistake("a minus sign makes no sense here", "Write it without", code="negative")
    if grade.value > 1:
        raise NumberMistake("more gold than rock", "Check the number and its unit", code="more_gold_than_rock")
    return grade


def _table(
    given: dict[Any, Any], size: Callable[[str], float | None], number: Callable[[object], Number], faults: list[Fault]
) -> tuple[AtSize, ...]:
    """Read a block of sizes and numbers; what cannot be read is added to ``faults``."""
    found: list[AtSize] = []
    for key, value in given.items():
        try:
            here = size(str(key))
        except NumberMistake as wrong:
            faults.append(((key,), wrong.message, wrong.remedy, True, wrong.code))
            continue
        try:
            found.append(AtSize(str(key), here, number(value)))
        except NumberMistake as wrong:
            faults.append(((key,), wrong.message, wrong.remedy, False, wrong.code))
    return tuple(found)


def _read_passing(value: object) -> tuple[AtSize, ...]:
    faults: list[Fault] = []
    if not isinstance(value, dict) or not value:
        remedy = 'Write passing: {"150 um": 80 %}'
        raise _refusal([((), "sieves and what passes them are wanted here", remedy, False, "sieves_wanted")])
    found = _table(value, opening, _share, faults)
    return _unless(faults, found)


def _read_grains(value: object) -> tuple[AtSize, ...]:
    faults: list[Fault] = []
    if isinstance(value, dict) and value:
        return _unless(faults, _table(value, least_size, _count, faults))
    if isinstance(value, (dict, list)):
        remedy = 'Write grains: 4, or by least size grains: {"+0.3 mm": 4}'
        raise _refusal([((), "a count of grains is wanted here", remedy, False, "count_wanted")])
    try:
        return (AtSize(ALL, None, _count(value)),)
    except NumberMistake as wrong:
        raise _refusal([((), wrong.message, wrong.remedy, False, wrong.code)]) from None


def _read_grades(value: object) -> tuple[Number, ...]:
    given = value if isinstance(value, list) else [value]
    if not given or isinstance(value, dict):
        raise _refusal(
            [((), "assays are wanted here", "Write minus_grades: [3.1 g/t, 2.9 g/t]", False, "assays_wanted")]
        )
    faults: list[Fault] = []
    found = []
    for i, item in enumerate(given):
        at: At = (i,) if isinstance(value, list) else ()
        try:
            found.append(_grade(item))
        except NumberMistake as wrong:
            faults.append((at, wrong.message, wrong.remedy, False, wrong.code))
    return _unless(faults, tuple(found))


def _unless(faults: list[Fault], found: _Found) -> _Found:
    if faults:
        raise _refusal(faults)
    return found


def _refusal(faults: list[Fault]) -> PydanticCustomError:
    return PydanticCustomError("sheet", "{faults}", {"faults": faults})


class _Reader:
    """Makes pydantic read a field by a function, and tells its JSON Schema."""

    def __init__(self, read: Callable[[object], Any], schema: dict[str, Any]) -> None:
        self.read, self.schema = read, schema

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return self.schema


_SHARE = {"type": ["string", "number"], "quantity": units.SHARE.name}
_COUNT = {"type": ["string", "number"], "quantity": units.COUNT.name}
_GRADE = {"type": "string", "quantity": units.GRADE.name}


def _by_size(inner: dict[str, Any], example: str) -> dict[str, Any]:
    names = {"type": "string", "quantity": units.LENGTH.name, "examples": [example]}
    return {"type": "object", "minProperties": 1, "propertyNames": names, "additionalProperties": inner}


PassingField: TypeAlias = Annotated[tuple[AtSize, ...], _Reader(_read_passing, _by_size(_SHARE, "150 um"))]
GrainsField: TypeAlias = Annotated[
    tuple[AtSize, ...], _Reader(_read_grains, {"anyOf": [_COUNT, _by_size(_COUNT, "+0.3 mm")]})
]
GradesField: TypeAlias = Annotated[
    tuple[Number, ...],
    _Reader(_read_grades, {"anyOf": [_GRADE, {"type": "array", "items": _GRADE, "minItems": 1}]}),
]
