"""The JSON Schema of a sheet, and what the descriptions of the fields must hold that it is made of."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError
from pydantic.fields import FieldInfo
from sheets import price_fault

from flowsheet.spec.blocks.fields import Block, dimension_of, extra_of, in_words
from flowsheet.spec.blocks.schema import TOP_FIELDS, Gold, GrainRow, Metallics, Nuggets, Ore, SieveRow, SizeLaw, Weighed
from flowsheet.spec.json_schema import json_schema
from flowsheet.spec.text import number_with_doubt
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.text.units import FINENESS, GRADE, LENGTH, MASS, PLAIN, SHARE
from flowsheet.spec.yaml import marked_document
from flowsheet.steps import kinds

SHEETS = sorted((Path(__file__).parent.parent / "configs").glob("*.yaml"))
SCHEMA = json_schema(kinds())
BLOCKS: list[type[Block]] = [Ore, SizeLaw, SieveRow, Gold, GrainRow, Nuggets, Weighed, Metallics, *kinds().values()]


def kind_schema(kind: str) -> dict[str, Any]:
    (found,) = [d for d in SCHEMA["$defs"].values() if d["properties"].get("do", {}).get("const") == kind]
    return found


def valid(data: Any) -> bool:
    return jsonschema.Draft202012Validator(SCHEMA).is_valid(data)


@pytest.fixture
def quick() -> dict[str, Any]:
    return copy.deepcopy(marked_document.read(next(p for p in SHEETS if p.stem == "quick")).data)


# ── the schema as a whole ───────────────────────────────────────────────────────────────────────────────────


def test_it_is_a_json_schema_and_plain_json():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert json.loads(json.dumps(SCHEMA, allow_nan=False)) == SCHEMA
    assert SCHEMA["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.stem)
def test_the_shipped_sheets_fit(path):
    jsonschema.Draft202012Validator(SCHEMA).validate(marked_document.read(path).data)


@pytest.mark.parametrize(("path", "value"), [
    (("titel",), "a sheet"),
    (("ore", "heavys"), "4 %"),
    (("ore", "mass"), ["14 kg"]),
    (("ore", "gold", "d51"), "1 mm"),
    (("ore", "sizes"), "100 mm"),
    (("steps", "scalp", "do"), "sieve"),
    (("steps", "scalp", "opning"), "20 mm"),
    (("steps", "scalp", "gap"), "20 mm"),
    (("steps", "scalp", "gives", "undersise"), "fines"),
    (("steps", "scalp", "gives"), "lumps"),
    (("steps", "break", "takes"), {"all": "lumps"}),
    (("steps",), {}),
    (("keep",), []),
    (("weighed",), {"tails": {"weight": "3 kg"}}),
    (("weighed",), {}),
    (("weighed",), {"file": {"tails": "3 kg"}}),
    (("weighed",), {"file": []}),
    (("weighed",), {"tails": {"passing": "80 %"}}),
    (("weighed",), {"tails": {"passing": {}}}),
    (("weighed",), {"tails": {"grains": ["4"]}}),
    (("weighed",), {"tails": {"metallics": {"plus": "12 g", "minus": "480 g", "minus_grades": "3 g/t"}}}),
    (("weighed",), {"tails": {"metallics": {"plus": "1 g", "plus_gold": "1 mg", "minus": "9 g", "minus_grades": []}}}),
    (("prices",), {"gold": "a lot"}),
    (("sieves",), "20 mm"),
    (("ores",), {"east": {"mass": "3 kg"}}),
])  # fmt: skip
def test_a_sheet_that_is_wrong_does_not_fit(quick, path, value):
    assert valid(quick)
    node = quick
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = value
    assert not valid(quick)


@pytest.mark.parametrize("path", [("ore",), ("steps",), ("keep",), ("ore", "mass"), ("steps", "scalp", "do"),
                                  ("steps", "scalp", "takes"), ("steps", "scalp", "gives", "undersize")])  # fmt: skip
def test_a_sheet_that_lacks_something_does_not_fit(quick, path):
    node = quick
    for part in path[:-1]:
        node = node[part]
    del node[path[-1]]
    assert not valid(quick)


def test_all_that_a_sheet_may_say_fits(quick):
    quick["ores"] = {"east": quick.pop("ore"), "west": {"mass": "3 kg", "sizes": [{"sieve": "pan", "passing": "0 %"}]}}
    metallics = {"plus": "12.1 g", "plus_gold": "3.2 mg", "minus": "480 g", "minus_grades": ["3.1 g/t", "2.9 g/t"]}
    quick["weighed"] = {
        "file": ["sack3.csv", "sack4.csv"],
        "tails": {"mass": "8 kg", "grade": "3 g/t ± 0.5 g/t", "moisture": "2 %", "when": "3 May", "note": "wet"},
        "con": {"passing": {"#100": "80 %"}, "grains": {"+0.3 mm": 4, "all": "7"}, "bead": "0.2 g", "gold": "0.2 g"},
        "lumps": {"grains": 4, "metallics": metallics},
        "fines": {"metallics": {**metallics, "minus_grades": "3 g/t"}},
    }
    quick["prices"] = {"gold": "100 ± 5 USD/g"}
    quick["sieves"] = ["20 mesh", "1/2 in"]
    quick["keep"] = "bead"
    quick["steps"]["wash"]["recovery"] = {"concentrate": {"free": {"+1 mm": "95 %", "-1 mm": 0.4}, "locked": "5 %"}}
    assert valid(quick)


def test_its_fields_are_those_that_a_sheet_may_hold():
    assert list(SCHEMA["properties"]) == list(TOP_FIELDS)
    assert all(SCHEMA["properties"][name]["description"] == what for name, what in TOP_FIELDS.items())


# ── the kinds ───────────────────────────────────────────────────────────────────────────────────────────────


def test_every_kind_is_a_choice():
    refs = [choice["$ref"] for choice in SCHEMA["properties"]["steps"]["additionalProperties"]["oneOf"]]
    found = [SCHEMA["$defs"][ref.rsplit("/", 1)[-1]]["properties"]["do"]["const"] for ref in refs]
    assert found == list(kinds())


@pytest.mark.parametrize("name", list(kinds()))
def test_a_kind_tells_what_it_does_its_outlets_and_its_cautions(name):
    kind, schema = kinds()[name], kind_schema(name)
    assert schema["description"] == kind.what
    assert schema["cautions"] == list(kind.cautions)
    assert schema["cautions"]
    assert [(o["name"], o["what"], o["optional"]) for o in schema["outlets"]] == [
        (port.name, port.what, port.optional) for port in kind.ports
    ]
    assert set(schema["properties"]) == set(kind.model_fields)
    assert schema["required"] == ["do", "takes", "gives"]


def test_a_number_tells_its_quantity_default_bounds_and_source():
    assert kind_schema("screen")["properties"]["open_area"] == {
        "type": ["string", "number"],
        "quantity": "share",
        "examples": ["80 %"],
        "description": "share of the screen that is holes",
        "default": "0.6",
        "source": "typical, set your own",
        "low_si": 0.01,
        "high_si": 1.0,
    }
    opening = kind_schema("screen")["properties"]["opening"]
    assert (opening["type"], opening["quantity"], opening["better"]) == ("string", "length", "x0.5")
    assert "default" not in opening


def fields() -> Iterator[tuple[type[Block], str, FieldInfo]]:
    for block in BLOCKS:
        for name, field in block.model_fields.items():
            yield block, name, field


def schema_of(block: type[Block], name: str) -> dict[str, Any]:
    return SCHEMA["$defs"][block.__name__]["properties"][name]


def test_the_schema_says_of_every_number_what_validation_goes_by():
    checked = 0
    for block, name, field in fields():
        if (dimension := dimension_of(field)) is None:
            continue
        told, extra = schema_of(block, name), extra_of(field)
        assert told["quantity"] == dimension.name
        assert (told.get("low_si"), told.get("high_si")) == (extra.get("low"), extra.get("high"))
        assert told.get("default") == extra.get("default_text")
        assert ("number" in told["type"]) == dimension.bare_ok
        checked += 1
    assert checked > 60


# ── what a description must hold ────────────────────────────────────────────────────────────────────────────


def test_every_field_is_described():
    assert [f"{block.__name__}.{name}" for block, name, field in fields() if not field.description] == []


def test_every_number_with_a_default_has_a_source_and_every_source_a_default():
    for block, name, field in fields():
        if dimension_of(field) is not None:
            told = extra_of(field)
            assert ("default_text" in told) == bool(told.get("source")), f"{block.__name__}.{name}"


def test_every_number_is_bounded():
    for block, name, field in fields():
        if dimension_of(field) is not None:
            assert {"low", "high"} <= set(extra_of(field)), f"{block.__name__}.{name}"


def test_a_default_means_the_same_as_if_the_sheet_said_it():
    for block, name, field in fields():
        dimension = dimension_of(field)
        if dimension is None or field.is_required() or field.default is None:
            continue
        said = number_with_doubt.parse(extra_of(field)["default_text"], dimension)
        assert isinstance(field.default, Number)
        assert field.default.value == said.value, f"{block.__name__}.{name}"
        assert extra_of(field)["low"] <= said.value <= extra_of(field)["high"]


def complaints(block: type[Block], name: str, number: Number) -> list[str]:
    """Return what validation says of one field (a block lacks others, of which it complains besides)."""
    try:
        block.model_validate({name: number})
    except ValidationError as wrong:
        return [error["msg"] for error in wrong.errors() if error["loc"] == (name,)]
    return []


def test_bounds_hold_at_their_ends_and_not_beyond():
    for block, name, field in fields():
        dimension = dimension_of(field)
        if dimension is None:
            continue
        low, high = extra_of(field)["low"], extra_of(field)["high"]
        for value, held in ((low, True), (high, True), (low - 1, False), (high * 1.01, False)):
            assert bool(complaints(block, name, Number(value))) != held, f"{block.__name__}.{name} = {value}"


@pytest.mark.parametrize("text", ["10 um", "0.01 mm", "1e-5 m", "1000 mm", "39.37007874015748 in", "10 um to 1 m"])
def test_a_bound_takes_its_own_value_in_any_unit(text):
    screen = kinds()["screen"].model_validate(
        {"do": "screen", "takes": "ore", "gives": {"oversize": "a", "undersize": "b"}, "opening": text}
    )
    ends = {screen.opening.value} if screen.opening.low is None else {screen.opening.low, screen.opening.high}
    assert ends <= {1e-5, 1.0}  # to the last bit


@pytest.mark.parametrize("text", ["9.99 um", "1.0001 m", "9.99 um to 1 mm"])
def test_a_bound_takes_nothing_beyond_it(text):
    assert complaints(kinds()["screen"], "opening", number_with_doubt.parse(text, LENGTH))


def test_sieves_and_shares_take_their_bounds_too():
    from flowsheet.spec.blocks.factors import is_sieve

    for text in ("1 um", "0.001 mm", "5 m", "5000 mm"):
        assert is_sieve(number_with_doubt.parse(text, LENGTH).value)
    assert not is_sieve(number_with_doubt.parse("0.999 um", LENGTH).value)
    assert not is_sieve(number_with_doubt.parse("5.001 m", LENGTH).value)


# ── words of the fields' room ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("value", "dimension", "text"), [
    (0.02, LENGTH, "20 mm"), (5.0, LENGTH, "5 m"), (1e-6, LENGTH, "1 um"), (1e-9, LENGTH, "0.001 um"),
    (14.2, MASS, "14.2 kg"), (1e9, MASS, "1000000 t"), (2e-5, MASS, "20 mg"), (22e-6, GRADE, "22 g/t"),
    (0.8, SHARE, "80 %"), (870.0, FINENESS, "870"), (0.7, PLAIN, "0.7"),
])  # fmt: skip
def test_an_si_value_in_the_words_of_a_sheet(value, dimension, text):
    assert in_words(value, dimension) == text
    assert number_with_doubt.parse(text, dimension).value == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["100 USD/g", "100.5 USD/g", "100 ± 5 USD/g", "100 +/- 5 USD/g", "2000 AUD/ozt", "9 EUR/dwt"]
)
def test_a_price_of_gold(text):
    assert price_fault("gold", text) is None


def test_other_things_have_prices_too():
    assert price_fault("haulage", "4 USD/mile") is None


@pytest.mark.parametrize(("text", "message"), [
    ("100", "no price"), ("100 USD", "no price"), ("$100/g", "no price"), ("100 usd/g", "no price"), ("", "no price"),
    ("-5 USD/g", "no price"), ("1.2.3 USD/g", "no price"), ("100 USD/g/t", "no price"),
    ("0 USD/g", "a price of nothing"), ("100 USD/oz", "ambiguous"), ("100 USD/mm", "a length, where a mass"),
    ("100 USD/" + "g" * 200, "no price"),
])  # fmt: skip
def test_a_bad_price(text, message):
    fault = price_fault("gold", text)
    assert fault is not None
    assert message in fault[0]
    assert fault[1]
