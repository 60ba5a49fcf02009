"""Specimens weighed in water: the numbers, their doubts, many rocks from a table, and the command."""

from __future__ import annotations

import csv
import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import Command

from flowsheet.spec.rocks import host_rock
from flowsheet.spec.rocks.specimen_table import Specimen, from_options, parse
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.text.number_with_doubt import NumberMistake
from flowsheet.spec.written.written_list import LIST
from flowsheet.study.rocks.hydrostatic import fineness_of, water_density, weigh
from flowsheet.study.rocks.result import SpecimenGold, Specimens

PNG = b"\x89PNG\r\n\x1a\n"
DRAWS = 40_000


def specimen(air: str = "96 g", water: str = "74.5 g", at: float | None = None, **options: str) -> Specimen:
    found = from_options({"air": air, "water": water, **options}, at)[1]
    assert found is not None
    return found


def found(*arguments: Any, draws: int = 200, **options: str) -> SpecimenGold:
    return weigh([specimen(*arguments, **options)], draws).specimens[0]


def grams(density_g: float, host: float, metal: float, air: float) -> float:
    """Return the metal of a rock by bisection: the mass at which the rock has its density."""
    low, high = -air, 2 * air
    for _ in range(200):
        middle = (low + high) / 2
        if middle / metal + (air - middle) / host > air / density_g:
            low = middle
        else:
            high = middle
    return low


# ── one rock ────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("air", "water"), [(96.0, 74.5), (310.0, 196.0), (50.0, 30.0), (12.0, 11.0)])
@pytest.mark.parametrize(("host", "metal"), [(2.65, 19.3), (2.9, 17.5), (3.4, 15.2)])
def test_the_metal_is_that_at_which_the_rock_has_its_density(
    air: float, water: float, host: float, metal: float
) -> None:
    one = found(f"{air} g", f"{water} g", host=f"{host} ± 0", metal=f"{metal}")
    assert one.density == pytest.approx(air / (air - water), rel=1e-12)
    assert 1e3 * one.alloy.value == pytest.approx(grams(one.density, host, metal, air), abs=1e-6)
    share = (one.density - host) / (metal - host)
    assert one.volume_share == pytest.approx(share, rel=1e-9)
    assert 1e3 * one.alloy.value == pytest.approx(share * (air - water) * metal, rel=1e-9)


def test_fineness_tells_density_and_density_fineness() -> None:
    by_fineness = found(fineness="870")
    by_density = found(metal=f"{by_fineness.metal:.9f}")
    assert by_fineness.metal == pytest.approx(1 / (0.87 / 19.3 + 0.13 / 10.49), rel=1e-12)
    assert 1000 * by_density.fine == pytest.approx(870, abs=1e-5)
    assert by_density.gold.value == pytest.approx(by_fineness.gold.value, rel=1e-7)
    assert by_fineness.gold.value == pytest.approx(0.87 * by_fineness.alloy.value, rel=1e-12)
    both = found(metal="17.5", fineness="900")
    assert (both.metal, both.fine) == (17.5, 0.9)
    assert float(fineness_of(np.asarray(25.0))) == 1.0


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"scale": "0.01g"},
        {"fineness": "870 ± 20"},
        {"metal": "17.5 ± 0.3", "host": "2.7 ± 0.03"},
        {"metal": "17.5 ± 0.3", "fineness": "880 ± 10"},
        {"host": "quartz + 6 % ± 2 % pyrite + 1 % galena", "fineness": "800 to 900"},
        {"host": "2.62 to 2.70"},
    ],
    ids=str,
)
def test_draws_and_first_order_agree(options: dict[str, str]) -> None:
    one = found(draws=DRAWS, **options)
    assert one.gold.sd == pytest.approx(one.by_first_order.sd, rel=0.03)
    assert (one.gold.low, one.gold.high) == pytest.approx(
        (one.by_first_order.low, one.by_first_order.high), abs=0.15 * one.gold.sd
    )


def test_first_order_slopes_are_those_of_small_changes() -> None:
    options = {"host": "2.7 ± 0.001 + 5 % ± 0.01 % pyrite", "fineness": "870 ± 2"}
    base = found("96 g ± 0.0001 g", "74.5 g ± 0.0001 g", **options)
    moved = {
        "weight in air": found("96.0001 g", "74.5 g", **options),
        "weight in water": found("96 g", "74.5001 g", **options),
        "host rock": found("96 g", "74.5 g", **{**options, "host": "2.701 + 5 % pyrite"}),
        f"pyrite in {options['host']}": found("96 g", "74.5 g", **{**options, "host": "2.7 + 5.01 % pyrite"}),
        "fineness": found("96 g", "74.5 g", **{**options, "fineness": "872"}),
    }  # fmt: skip
    assert set(base.slopes) == set(moved)
    for cause, other in moved.items():
        assert other.gold.value - base.gold.value == pytest.approx(base.slopes[cause], rel=5e-3), cause


def test_intervals_hold_the_truth_nine_times_in_ten() -> None:
    rng = np.random.default_rng(5)
    inside = 0
    for i in range(400):
        gold, rest = rng.uniform(2, 40), rng.uniform(50, 100)
        air = gold + rest
        water = air - gold / 19.3 - rest / rng.normal(2.65, 0.05)
        read = [f"{w + rng.normal(0, 0.1):.6f} g ± 0.1 g" for w in (air, water)]
        one = weigh([specimen(*read)], 2000, i).specimens[0]
        inside += one.gold.low <= 1e-3 * gold <= one.gold.high
    assert 0.87 <= inside / 400 <= 0.93


def test_a_barren_rock_seldom_seems_to_hold_gold_and_the_smallest_is_mostly_found() -> None:
    rng = np.random.default_rng(6)
    limit = found("100 g ± 0.1 g", "62 g ± 0.1 g").smallest
    called = []
    for gold in (0.0, 1e3 * limit.detection):
        seen = 0
        for _ in range(2000):
            rest = 100 - gold
            water = 100 - gold / 19.3 - rest / rng.normal(2.65, 0.05)
            air, water = 100 + rng.normal(0, 0.1), water + rng.normal(0, 0.1)
            seen += grams(air / (air - water), 2.65, 19.3, air) > 1e3 * limit.decision
        called.append(seen / 2000)
    assert called[0] == pytest.approx(0.05, abs=0.015)
    assert called[1] == pytest.approx(0.95, abs=0.015)
    assert limit.scale_only == pytest.approx(3.29 * 0.1e-3 * np.hypot(3.07177, 1.91261), rel=1e-3)


def test_pyrite_that_would_explain_it_does() -> None:
    one = found()
    share = one.without_gold["pyrite"]
    assert share is not None
    solid = found(host=f"2.65 + {100 * share:.9f} % pyrite")
    assert solid.gold.value == pytest.approx(0, abs=1e-9)
    assert found("100 g", "90 g").without_gold == {"pyrite": None, "arsenopyrite": None, "galena": None}


def test_slips_do_what_the_cautions_say() -> None:
    one = found()
    assert found("96.5 g").gold.value - one.gold.value == pytest.approx(0.5 * 1e-3 * one.per_wet, rel=1e-9)
    assert found(water="74 g").gold.value - one.gold.value == pytest.approx(0.5 * 1e-3 * one.per_air, rel=1e-9)
    warm = weigh([specimen(at=25.0)], 200).specimens[0]
    assert warm.gold.value - one.gold.value == pytest.approx(one.by_warm_water, rel=1e-9)
    assert (warm.by_warm_water, water_density(None)) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("air", "water", "scale", "step"),
    [("96g", "74.5g", None, 1e-4), ("96.00 g", "74.5 g", None, 1e-5), ("3 lb", "2 lb", None, 0.45359237),
     ("96g", "74.5g", "0.02 g", 2e-5)],
)  # fmt: skip
def test_the_scale_is_what_the_weights_show(air: str, water: str, scale: str | None, step: float) -> None:
    options = {} if scale is None else {"scale": scale}
    one = specimen(air, water, **options)
    assert one.division == pytest.approx(step, rel=1e-9)
    assert one.sd(one.air) == pytest.approx(step, rel=1e-9)
    assert specimen("96 g ± 0.3 g").sd(specimen("96 g ± 0.3 g").air) == pytest.approx(3e-4)


# ── hosts ───────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("text", "density", "sd", "assumed"),
    [
        ("2.65 ± 0.05", 2.65, 0.05, False),
        ("2.65+/-0.05", 2.65, 0.05, False),
        ("2.7 g/cm3", 2.7, 0.05, True),
        ("2.7 ± 0", 2.7, 0.0, False),
        ("quartz", 2.65, 0.02, True),
        ("quartz + 3 % pyrite", 1 / (0.97 / 2.65 + 0.03 / 5), 0.02372, True),
        ("3 % pyrite", 1 / (0.97 / 2.65 + 0.03 / 5), 0.02372, True),
        ("2.7 ± 0 + 3 % ± 1 % pyrite + 2 ± 0 % Galena", 1 / (0.95 / 2.7 + 0.03 / 5 + 0.02 / 7.5), 0.01312, False),
        ("slate + 2 to 4 % of pyrrhotite", 1 / (0.97 / 2.75 + 0.03 / 4.6), 0.0502, True),
        ("granite", 2.65, 0.05, True),
    ],
)
def test_hosts(text: str, density: float, sd: float, assumed: bool) -> None:
    host = host_rock.host(text)
    assert host.density == pytest.approx(density, rel=1e-12)
    assert host.sd == pytest.approx(sd, rel=0.02, abs=1e-9)
    assert host.assumed is assumed


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "nothing is written here"),
        ("quarz + 3 % pyrite", 'Did you mean "quartz"?'),
        ("quartz + pyrite", "two parts have no share"),
        ("quartz + 3 pyrite", "needs its %"),
        ("quartz + 120 % pyrite", "between 0 and 100 %"),
        ("quartz + 60 % pyrite + 50 % galena", "100 % or more"),
        ("2650 kg/m3", "in g/cm3 here"),
        ("2650", "no host rock weighs"),
        ("2.65 ± 5", "too large"),
        ("heavy", "known here"),
        ("heavy", '…; or write a density, as "2.65 ± 0.05"'),
        ("2,65", "a comma"),
    ],
)
def test_hosts_that_are_none(text: str, told: str) -> None:
    with pytest.raises(NumberMistake) as wrong:
        host_rock.host(text)
    assert told in f"{wrong.value.message}. {wrong.value.remedy}"


# ── many rocks ──────────────────────────────────────────────────────────────────────────────────────────────

TABLE = """\
# Invented, all of it.
name,air,water,unit,host,fineness,note
knuckle,96,74.5,g,,870 ± 20,"wire, in sight"
egg,310.22 g,196.40 g,,2.65 ± 0.05,870 ± 20,
thumb,41.3,26.1,g,quartz + 3 % pyrite,870 ± 20,
lump,512.0,316.9,g,,870 ± 20,mossy
"""


def many(text: str = TABLE, draws: int = DRAWS, **options: str) -> Specimens:
    return weigh(parse(text, "rocks.csv", from_options(options, None)[0]), draws)


def test_a_table_says_what_its_rocks_say_alone() -> None:
    all_ = many()
    assert [one.specimen.name for one in all_.specimens] == ["knuckle", "egg", "thumb", "lump"]
    assert all_.specimens[0].specimen.note == "wire, in sight"
    alone = found("96 g", "74.5 g", fineness="870 ± 20")
    assert all_.specimens[0].gold.value == pytest.approx(alone.gold.value, rel=1e-12)
    assert all_.total.value == pytest.approx(sum(one.gold.value for one in all_.specimens), rel=1e-12)


def test_the_host_is_common_to_all_rocks() -> None:
    same = "name,air,water\n" + "".join(f"rock {i},100.00 g,64.00 g\n" for i in range(25))
    all_ = many(same)
    each = all_.specimens[0].gold.sd
    assert all_.total.sd == pytest.approx(25 * each, rel=0.02)
    assert all_.sd_if_independent == pytest.approx(5 * each, rel=0.02)
    assert all_.by_first_order.sd == pytest.approx(all_.total.sd, rel=0.02)
    own_weights = many(same, host="2.65 ± 0")
    assert own_weights.total.sd == pytest.approx(5 * own_weights.specimens[0].gold.sd, rel=0.03)


def test_the_sum_by_draws_and_by_first_order_agree() -> None:
    all_ = many()
    assert all_.total.sd == pytest.approx(all_.by_first_order.sd, rel=0.03)
    assert all_.total.sd > 1.2 * all_.sd_if_independent


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators(separator: str) -> None:
    text = TABLE.replace('"wire, in sight"', "wire").replace(",", separator)
    assert many(text, 200).specimens[3].gold.value == pytest.approx(many(draws=200).specimens[3].gold.value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ":1:1: The table is empty. Begin with the line"),
        ("a,b\n1,2\n", "The header is missing"),
        ("name,air\nx,3 g\n", 'The column "water" is missing'),
        ("name,air,watr\nx,3 g,2 g\n", 'No column of a table of specimens has this name. Did you mean "water"'),
        ("name,air,water,air\nx,3 g,2 g,1 g\n", "Two columns have this name"),
        ("name,air,water\n", "There is no line below the header"),
        ("name,air,water\nx,3,2\n", ':2:3: x, air: read "3": A mass needs its unit. Write "3 g"'),
        ("name,air,water,unit\nx,3 g,2,kg\n", "The weight has a unit of its own"),
        ("name,air,water,unit\nx,3,2,grm\n", ':2:7: x, air: read "grm"'),
        ("name,air,water\nx,2 g,3 g\n", ':2:7: x, water: read "3 g": The rock weighs no less in water than in air'),
        ("name,air,water\nx,2 g,2 g\n", "Weigh it again hanging in water"),
        ("name,air,water\nx,0 g,0 g\n", "Nothing lay on the scale"),
        ("name,air,water\nx,2 g,-1 g\n", "A weight below nothing"),
        ("name,air,water\nx,,1 g\n", "Nothing is written here"),
        ("name,air,water\n,2 g,1 g\n", "The line names no rock"),
        ("name,air,water\nx,2 g,1 g\nx,2 g,1 g\n", ':3:1: name: read "x": Two rocks have this name, the first in'),
        ("name,air,water\nx,2,5 g,1 g\n", "more fields than the header"),
        ("name,air,water,host\nx,2 g,1 g,2.65 + 3 % pirite\n", 'Did you mean "pyrite"'),
        ("name,air,water,fineness\nx,2 g,1 g,0.87\n", "Did you mean 870?"),
        ('name,air,water\n"x,2 g,1 g\n', "A quote is not closed"),
    ],
)  # fmt: skip
def test_tables_that_are_wrong(text: str, told: str) -> None:
    with pytest.raises(SheetError) as wrong:
        many(text, 100)
    said = str(wrong.value)
    assert told.casefold() in said.casefold()
    assert said.startswith("rocks.csv:")


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(SheetError) as wrong:
        many("name,air,water\nx,3,2 g\ny,1 g,2 g\nz,1 g,q\n", 100)
    assert [m.line for m in wrong.value.mistakes] == [2, 3, 4]


# ── the command ─────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def flowsheet(flowsheet: Command) -> Command:
    return partial(flowsheet, "specimen")


WEIGHTS = ("--air", "96g", "--water", "74.5g")


def test_the_command_as_json(flowsheet: Command) -> None:
    code, out, err = flowsheet(*WEIGHTS, "--json")
    told = json.loads(out, parse_constant=pytest.fail)
    assert (code, err) == (0, "")
    assert told["gold_g"]["value"] == pytest.approx(45.236186, abs=1e-6)
    assert set(told["gold_g"]) == {"value", "sd", "low", "high"}
    assert told["gold_g"]["low"] < told["gold_g"]["value"] < told["gold_g"]["high"]
    assert told["trade_rule_g"] == pytest.approx(48.55)
    assert any("pyrite" in text for text in told["warnings"])
    assert flowsheet(*WEIGHTS, "--json")[1] == out
    assert flowsheet(*WEIGHTS, "--json", "--seed", "2")[1] != out


def test_the_command_in_words(flowsheet: Command) -> None:
    _, out, _ = flowsheet(*WEIGHTS, "--scale", "0.01g")
    assert "About 45.2 g (43." in out
    assert "not a resource statement or an assay certificate" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 100
    _, out, _ = flowsheet("--air", "50.0g", "--water", "30.0g")
    assert "None that shows. By its weights it would hold −3.48 g, less than nothing" in " ".join(out.split())
    assert "cavities" in out
    _, out, _ = flowsheet("--air", "20g", "--water", "19.1g")
    said = " ".join(out.split())
    assert "denser than the metal itself (19.3), by less than the doubt of its weights" in said
    assert "of its volume is metal" not in said
    _, out, _ = flowsheet("--air", "100.0g", "--water", "63.0g")
    assert "may hold none" in out
    _, out, _ = flowsheet("--air", "50.0g", "--water", "31.0g")
    assert "hardly more than" in " ".join(out.split())


def test_the_command_for_a_table(flowsheet: Command, tmp_path: Path) -> None:
    Path("rocks.csv").write_text(TABLE, encoding="utf-8")
    code, out, err = flowsheet("--file", "rocks.csv", "--out", "here")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 100
    assert "One rock comes out below nothing and counted as such (−" in " ".join(out.split())
    assert "The host's and the metal's doubts are taken to err the same way in rocks that differ" in " ".join(
        out.split()
    )
    assert "1 of 4 hold more" in out
    assert {line.removeprefix("Wrote ") for line in err.splitlines()} == {
        "here/specimens.csv",
        "here/specimen_gold.png",
    }
    assert (tmp_path / "here/specimen_gold.png").read_bytes().startswith(PNG)
    with (tmp_path / "here/specimens.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["Specimen"] for row in rows] == ["knuckle", "egg", "thumb", "lump", "all"]
    told = json.loads(flowsheet("--file", "rocks.csv", "--json")[1], parse_constant=pytest.fail)
    assert float(rows[-1]["Gold, g"]) == pytest.approx(told["sum_g"]["value"])
    assert told["sum_g"]["sd"] > told["sum_sd_if_independent_g"]


def test_a_table_of_one_rock_is_a_table(flowsheet: Command) -> None:
    Path("one.csv").write_text("name,air,water\nknuckle,96 g,74.5 g\n", encoding="utf-8")
    told = json.loads(flowsheet("--file", "one.csv", "--json")[1])
    assert told["sum_g"]["value"] == pytest.approx(told["specimens"][0]["gold_g"]["value"])
    assert "In which does gold show?" in flowsheet("--file", "one.csv")[1]


def test_the_command_writes_one_rock(flowsheet: Command, tmp_path: Path) -> None:
    flowsheet(*WEIGHTS, "--out", "here")
    assert {path.name for path in (tmp_path / "here").iterdir() if path.name != LIST} == {
        "doubts.csv",
        "without_gold.csv",
        "specimen_gold.png",
    }
    assert (tmp_path / "here/specimen_gold.png").read_bytes().startswith(PNG)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "--air: This weight is missing."),
        (("--air", "96g"), "--water: This weight is missing."),
        ((*WEIGHTS, "--file", "x.csv"), "--file: Both a table and the weights of one rock are given."),
        (("--file", "x.csv"), "x.csv:1:1: There is no such file."),
        (("--air", "96", "--water", "74.5g"), '--air: read "96": A mass needs its unit. Write "96 g"'),
        (("--air", "74.5g", "--water", "96g"), "Have the two changed places? Then air is 96g and water 74.5g."),
        ((*WEIGHTS, "--metal", "25"), "--metal: read \"25\""),
        ((*WEIGHTS, "--fineness", "0"), "--fineness: read \"0\""),
        ((*WEIGHTS, "--scale", "0g"), "--scale: read \"0g\""),
        ((*WEIGHTS, "--temperature", "90"), "--temperature: Water is not at 90 °C."),
        (("--air", "20g", "--water", "19.2g"), '--water: read "19.2g": These weights cannot be: the rock (25 g/cm3)'),
        (("--air", "20g", "--water", "19.2g"), "Weigh it again: did it hang free in the water"),
        (("--air", "50.0g", "--water", "49.0g"), "by more than the doubt of its weights"),
        (("--air", "20.00g", "--water", "18.90g", "--fineness", "870"), "Or is the metal finer than you say?"),
        ((*WEIGHTS, "--host", "kwartz"), 'Did you mean "quartz"? Or write a density, as "2.65 ± 0.05".'),
    ],
)  # fmt: skip
def test_what_the_command_refuses(flowsheet: Command, arguments: tuple[str, ...], told: str) -> None:
    code, out, err = flowsheet(*arguments)
    assert (code, out) == (2, "")
    assert told.casefold() in err.casefold()


ODD = """\
name,air,water
knuckle,96.0 g,74.5 g
light,50.0 g,30.0 g
brick,50.0 g,49.0 g
"""


def test_weights_that_cannot_be_are_left_out_of_the_sum(flowsheet: Command) -> None:
    Path("rocks.csv").write_text(ODD, encoding="utf-8")
    code, out, _ = flowsheet("--file", "rocks.csv", "--out", "here")
    said = " ".join(out.split())
    assert code == 0
    assert "in 2 specimens" in said
    assert "Left out, since such weights cannot be: brick." in said
    assert "brick: these weights cannot be: the rock (50 g/cm3)" in said
    told = json.loads(flowsheet("--file", "rocks.csv", "--json")[1], parse_constant=pytest.fail)
    knuckle, light, brick = told["specimens"]
    assert told["left_out"] == ["brick"]
    assert (brick["cannot_be"], brick["gold_g"], knuckle["cannot_be"]) == (True, None, False)
    assert told["sum_g"]["value"] == pytest.approx(knuckle["gold_g"]["value"] + light["gold_g"]["value"])
    with Path("here/specimens.csv").open(encoding="utf-8") as file:
        rows = {row["Specimen"]: row for row in csv.DictReader(file)}
    assert (rows["brick"]["Gold, g"], rows["brick"]["Look at"]) == ("", "cannot be: left out")
    assert float(rows["all"]["Air, g"]) == pytest.approx(146)


def test_a_table_of_which_nothing_can_be_is_refused(flowsheet: Command) -> None:
    Path("rocks.csv").write_text("name,air,water\nbrick,50.0 g,49.0 g\n", encoding="utf-8")
    code, out, err = flowsheet("--file", "rocks.csv")
    assert (code, out) == (2, "")
    assert "rocks.csv: brick: these weights cannot be" in err


def test_solid_gold_can_be() -> None:
    for at in (None, 25.0):
        # 19.3 g/cm3 in water of 25 °C, told to the milligram.
        water = 19.3 - water_density(25.0)
        assert not found("19.300 g", f"{water:.3f} g", at).cannot_be
    assert found("19.300 g", "18.350 g").cannot_be
    # Within the doubt: by hand, 20/19.3 - 0.9 = 0.136 cm3, of sd 0.1 * sqrt(1 + (1 - 1/19.3)^2) = 0.138.
    assert not found("20.0 g", "19.1 g").cannot_be
    assert found("20.0 g", "19.2 g").cannot_be


def test_nothing_is_shown_below_nothing(flowsheet: Command) -> None:
    Path("rocks.csv").write_text(ODD, encoding="utf-8")
    flowsheet("--file", "rocks.csv", "--out", "here")
    told = json.loads(flowsheet("--file", "rocks.csv", "--json")[1])
    light = told["specimens"][1]
    for name in ("gold_g", "alloy_g", "first_order_g"):
        assert light[name]["value"] < 0
        assert light[name]["low"] == 0
        assert light[name]["high"] >= 0
    alone = json.loads(flowsheet("--air", "50.0g", "--water", "31.0g", "--json")[1])
    assert alone["gold_g"]["value"] < 0 < alone["gold_g"]["high"]
    assert alone["gold_g"]["low"] == 0
    with Path("here/specimens.csv").open(encoding="utf-8") as file:
        row = list(csv.DictReader(file))[1]
    assert [row[head] for head in ("Gold, g", "5 %, g")] == ["0", "0"]


def test_a_host_that_is_not_given_is_marked_as_assumed(flowsheet: Command) -> None:
    _, out, _ = flowsheet(*WEIGHTS)
    assert "2.65 ± 0.05 (assumed)" in out
    assert "No host is given: 2.65 ± 0.05 g/cm3 (quartz) and its doubt are assumed" in " ".join(out.split())
    assert json.loads(flowsheet(*WEIGHTS, "--json")[1])["host_g_per_cm3"]["doubt_assumed"] is True
    given = (*WEIGHTS, "--host", "2.65 ± 0.05")
    _, out, _ = flowsheet(*given)
    assert "2.65 ± 0.05 (assumed)" not in out
    assert "No host is given" not in out
    assert json.loads(flowsheet(*given, "--json")[1])["host_g_per_cm3"]["doubt_assumed"] is False


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("a,96 g,74.5 g,2.7 ± 0.05\nb,41.3 g,26.1 g,2.7 ± 0.05\n", "The host's doubt is the same for all rocks"),
        ("a,96 g,74.5 g,2.7 ± 0.05\nb,41.3 g,26.1 g,2.8 ± 0.05\n", "The host's doubt is taken to err the same way"),
        ("a,96 g,74.5 g,2.7 ± 0\nb,41.3 g,26.1 g,2.8 ± 0.05\n", ""),
        ("a,96 g,74.5 g,2.7 ± 0.05\n", ""),
    ],
)
def test_only_doubts_in_common_are_said_to_be(flowsheet: Command, rows: str, told: str) -> None:
    Path("rocks.csv").write_text(f"name,air,water,host\n{rows}", encoding="utf-8")
    said = " ".join(flowsheet("--file", "rocks.csv")[1].split())
    assert told in said
    assert ("had each rock its own" in said) is bool(told)


def test_a_rock_of_many_minerals_is_in_doubt_no_less_than_a_host_that_is_not_told() -> None:
    assert all(host_rock.host(name).sd >= host_rock.usual().sd for name in host_rock.ROCKS)


def test_a_fineness_that_hardly_any_gold_has_is_asked_about(flowsheet: Command) -> None:
    weights = ("--air", "96g", "--water", "74.5g", "--fineness")
    told = " ".join(flowsheet(*weights, "92").out.split())
    assert "A fineness of 92 is one of 9.2 % gold, which is hardly gold. Did you mean 920?" in told
    assert "hardly gold" not in flowsheet(*weights, "870").out
