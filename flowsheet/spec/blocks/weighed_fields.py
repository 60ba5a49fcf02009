"""Fields of what was weighed that hold several numbers: sieves and what passes, grains counted, replicates."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias, TypeVar

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from flowsheet.spec.blocks.factors import At, Fault, is_sieve
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import did_you_mean
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


def read_grade(given: object) -> Number:
    """Read a grade. Raises NumberMistake."""
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
        raise refusal([((), "sieves and what passes them are wanted here", remedy, False, "sieves_wanted")])
    found = _table(value, opening, _share, faults)
    return _unless(faults, found)


def _read_grains(value: object) -> tuple[AtSize, ...]:
    faults: list[Fault] = []
    if isinstance(value, dict) and value:
        return _unless(faults, _table(value, least_size, _count, faults))
    if isinstance(value, (dict, list)):
        remedy = 'Write grains: 4, or by least size grains: {"+0.3 mm": 4}'
        raise refusal([((), "a count of grains is wanted here", remedy, False, "count_wanted")])
    try:
        return (AtSize(ALL, None, _count(value)),)
    except NumberMistake as wrong:
        raise refusal([((), wrong.message, wrong.remedy, False, wrong.code)]) from None


def _read_grades(value: object) -> tuple[Number, ...]:
    given = value if isinstance(value, list) else [value]
    if not given or isinstance(value, dict):
        raise refusal(
            [((), "assays are wanted here", "Write minus_grades: [3.1 g/t, 2.9 g/t]", False, "assays_wanted")]
        )
    faults: list[Fault] = []
    found = []
    for i, item in enumerate(given):
        at: At = (i,) if isinstance(value, list) else ()
        try:
            found.append(read_grade(item))
        except NumberMistake as wrong:
            faults.append((at, wrong.message, wrong.remedy, False, wrong.code))
    return _unless(faults, tuple(found))


def _unless(faults: list[Fault], found: _Found) -> _Found:
    if faults:
        raise refusal(faults)
    return found


def refusal(faults: list[Fault]) -> PydanticCustomError:
    """Return what pydantic takes as a complaint of several faults."""
    return PydanticCustomError("sheet", "{faults}", {"faults": faults})


class Reader:
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


PassingField: TypeAlias = Annotated[tuple[AtSize, ...], Reader(_read_passing, _by_size(_SHARE, "150 um"))]
GrainsField: TypeAlias = Annotated[
    tuple[AtSize, ...], Reader(_read_grains, {"anyOf": [_COUNT, _by_size(_COUNT, "+0.3 mm")]})
]
GradesField: TypeAlias = Annotated[
    tuple[Number, ...],
    Reader(_read_grades, {"anyOf": [_GRADE, {"type": "array", "items": _GRADE, "minItems": 1}]}),
]


# ── what stayed on each sieve ───────────────────────────────────────────────────────────────────────────────

PAN = "pan"
"""What lies below the finest sieve, in the place of its opening."""
ROW = "{sieve: 1 mm, mass: 1.2 kg, grade: 3 g/t}"
KEYS = ("sieve", "mass", "grade")
NO_PAN, NO_SIEVES, NO_FRACTION_MASS, NO_FRACTION_GRADE = (
    "pan_missing", "sieves_missing", "fraction_mass_missing", "fraction_grade_missing",
)  # fmt: skip
LACKING = {
    NO_PAN: "what passed the finest sieve (mass on pan)",
    NO_SIEVES: "what stayed on the sieves above the pan",
    NO_FRACTION_MASS: "the mass of each fraction",
    NO_FRACTION_GRADE: "the grade of each fraction",
}
"""Code of a mistake that says what fractions lack → that, in words."""


@dataclass(frozen=True)
class OnSieve:
    """One fraction: what stayed on a sieve (m; 0 for the pan), and where in the field it is written."""

    at: str | int
    size: float
    mass: Number
    grade: Number | None


def read_fractions(value: object) -> tuple[OnSieve, ...]:
    """Read rows, or a block by sieve, coarse first in what comes back. Raises what pydantic takes as a complaint."""
    faults: list[Fault] = []
    found = [row for row in _rows(value, faults) if row is not None]
    if not faults:
        faults += _whole(found)
    if faults:
        raise refusal(faults)
    return tuple(sorted(found, key=lambda row: -row.size))


def _rows(value: object, faults: list[Fault]) -> Iterator[OnSieve | None]:
    if isinstance(value, Mapping) and value:
        given: list[tuple[str | int, Any, Any]] = [(str(sieve), sieve, row) for sieve, row in value.items()]
    elif isinstance(value, list) and value:
        given = [(i, row.get("sieve") if isinstance(row, Mapping) else None, row) for i, row in enumerate(value)]
    else:
        remedy = f"Write sizes: [{ROW}, {{sieve: pan, mass: 3 kg, grade: 5 g/t}}]"
        faults.append(((), "what stayed on each sieve is wanted here", remedy, False, "fractions_wanted"))
        return
    for at, sieve, row in given:
        yield _row(at, sieve, row, faults)


def _row(at: str | int, sieve: object, row: object, faults: list[Fault]) -> OnSieve | None:
    if not isinstance(row, Mapping):
        faults.append(((at,), "a sieve and what stayed on it are wanted", f"Write {ROW}", False, "fractions_wanted"))
        return None
    before = len(faults)
    for key in row:
        if key not in KEYS:
            faults.append(((at, str(key)), "no such field here", did_you_mean(str(key), KEYS, "fields here"), True,
                           "field_unknown"))  # fmt: skip
    size = _tried(lambda: _opening(sieve), (at,) if isinstance(at, str) else (at, "sieve"), faults, isinstance(at, str))
    if "mass" not in row:
        remedy = f"Write {ROW}, or in a weigh sheet the line mass on 1 mm"
        faults.append(((at,), "the mass of what stayed on this sieve is missing", remedy, False, NO_FRACTION_MASS))
        return None
    mass = _tried(lambda: _mass(row["mass"]), (at, "mass"), faults)
    grade = _tried(lambda: read_grade(row["grade"]), (at, "grade"), faults) if "grade" in row else None
    if len(faults) > before or size is None or mass is None:
        return None
    return OnSieve(at, size, mass, grade)


def _tried(read: Any, at: At, faults: list[Fault], in_name: bool = False) -> Any:
    try:
        return read()
    except NumberMistake as wrong:
        faults.append((at, wrong.message, wrong.remedy, in_name, wrong.code))
        return None


def _opening(sieve: object) -> float:
    if sieve is None:
        raise NumberMistake("the sieve is missing", f"Write {ROW}", code="sieve_missing")
    return 0.0 if str(sieve).strip().casefold() == PAN else opening(str(sieve))


def _mass(given: object) -> Number:
    number = given if isinstance(given, Number) else number_with_doubt.parse(str(given), units.MASS)
    if number.value < 0:
        raise NumberMistake("a minus sign makes no sense here", "Write it without", code="negative")
    return number


def _whole(found: list[OnSieve]) -> Iterator[Fault]:
    """Go through what is wrong with fractions that can all be read by themselves."""
    seen: dict[float, OnSieve] = {}
    for row in found:
        if row.size in seen:
            yield (row.at,), "the same sieve twice", "Keep one of the two", False, "size_twice"
        seen.setdefault(row.size, row)
    if 0.0 not in seen:
        remedy = "Add what passed the finest sieve: {sieve: pan, mass: 3 kg}, or in a weigh sheet the line mass on pan"
        yield (), "the pan is missing, so nobody knows what all of it weighed", remedy, False, NO_PAN
    elif len(seen) < 2:
        yield (), "only the pan stands here", f"Add the sieves above it, as {ROW}", False, NO_SIEVES
    elif not sum(row.mass.value for row in found) > 0:
        yield (), "nothing lay on any sieve", "Write what each fraction weighed", False, "fractions_wanted"
    without = [row for row in found if row.grade is None and row.mass.value > 0]
    if without and len(without) < sum(row.mass.value > 0 for row in found):
        remedy = "Have it assayed too, or leave all grades out: one that is missing leaves the whole unknown"
        yield (without[0].at,), "the grade of this fraction is missing", remedy, False, NO_FRACTION_GRADE


_ROW = {
    "type": "object",
    "properties": {
        "sieve": {"type": "string", "examples": ["1 mm", PAN]},
        "mass": {"type": "string", "quantity": units.MASS.name},
        "grade": {"type": "string", "quantity": units.GRADE.name},
    },
    "required": ["sieve", "mass"],
    "additionalProperties": False,
}
FractionsField: TypeAlias = Annotated[
    tuple[OnSieve, ...], Reader(read_fractions, {"type": "array", "items": _ROW, "minItems": 2})
]
