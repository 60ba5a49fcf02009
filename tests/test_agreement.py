"""One quantity, one number: what run, chance, label, worth, lot, the report and the page tell of it is the same."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, Phase, given, settings
from strategies import doubtful, sheets

import flowsheet as fs
from flowsheet.show.page import surely
from flowsheet.show.run import certainty
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.trials.trials import pair

ROOT = Path(__file__).parent.parent
SHIPPED = [ROOT / "configs" / "quick.yaml", ROOT / "examples" / "sack_test" / "sack3.yaml",
           ROOT / "examples" / "pile" / "pile.yaml", *sorted((ROOT / "configs").glob("[!q]*.yaml"))]  # fmt: skip

Told = Iterator[tuple[str, Any]]


def plain(result: Any) -> Any:
    """Return what a command prints with --json, once read back."""
    return json.loads(json.dumps(result.as_dict()))


def of_run(told: dict[str, Any]) -> Told:
    """Go through what every result calls by these names; of each amount its middle and its ends."""
    for name in ("this_test", "tests", "all_tests", "ore", "ores", "next_sack"):
        if name in told:
            yield name, told[name]
    yield "spread", told["spread"]
    if "ore" in told:
        grade = told["ore"]["grade_g_per_t"]
        yield "ends of the grade", [grade["value"], grade["low"], grade["high"]]
    for what in ("p5", "p95"):
        yield f"next sack {what}", told["next_sack"]["gold_g"][what]
    for what in ("less_than_half", "more_than_double"):
        yield what, told["next_sack"][what]
    if not told["weighed"]:
        for name, one in told.get("streams", {}).items():
            if "gold_g_90" in one:
                yield f"ends of {name}", one["gold_g_90"]


def ends_of(one: dict[str, Any]) -> list[float]:
    return [one["mean"], one["p5"], one["p95"]]


def of_chance(told: dict[str, Any]) -> Told:
    yield from of_run(told)
    yield "head grade", told["head_grade_g_per_t"]
    yield "ends of the grade", ends_of(told["head_grade_g_per_t"])
    for name, one in told["streams"].items():
        yield f"stream {name}", one["gold_g"]
        yield f"mean of {name}", one["gold_g"]["mean"]
        if not told["weighed"]:
            yield f"ends of {name}", ends_of(one["gold_g"])[1:]


def of_label(told: dict[str, Any]) -> Told:
    if told["grade"] is not None:
        yield "head grade", told["grade"]
    yield "spread", told["spread"]
    yield "next sack p5", told["next_low_g"]
    yield "next sack p95", told["next_high_g"]
    for what in ("less_than_half", "more_than_double"):
        yield what, told[what]
    for one in told["kept"]:
        yield f"stream {one['stream']}", one["interval"]


def of_worth(told: dict[str, Any], mass: float) -> Told:
    """Go through the streams that are sold as they are, in a sack as heavy as the one that was run."""
    for way in told["ways"]:
        if not way["raw"] and told["sack_kg"] == pytest.approx(mass):
            for sale in way["sack"]["sales"]:
                if len(sale["streams"]) == 1:
                    yield f"mean of {sale['streams'][0]}", sale["gold_g"]


def of_lot(told: dict[str, Any]) -> Told:
    yield "head grade", told["grade_g_per_t"]
    yield "spread", told["spread"]


def assert_agree(*told: tuple[str, Told], rel: float = 0.0) -> int:
    """Compare what each command tells; return how many quantities two of them or more have told."""
    found: dict[str, tuple[str, Any]] = {}
    twice = set()
    for command, quantities in told:
        for name, value in quantities:
            if name in found:
                first, known = found[name]
                same = value == pytest.approx(known, rel=rel) if rel else value == known
                assert same, f"{name}: {known} by {first}, {value} by {command}"
                twice.add(name)
            found.setdefault(name, (command, value))
    return len(twice)


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", "", page)).split())


@pytest.mark.slow
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_commands_agree_on_a_shipped_sheet(path: Path) -> None:
    sheet = fs.read(path)
    run = fs.run(sheet)
    if run.sure is None or not run.solution.model.grains_known:
        pytest.skip("nothing is drawn of this sheet, or it knows no grains")
    chance, label = plain(fs.chance(sheet)), plain(fs.label(sheet).contents)
    told = [("run", of_run(plain(run))), ("chance", of_chance(chance)), ("label", of_label(label))]
    if run.sure.lot is not None:
        told.append(("lot", of_lot(plain(fs.lot(sheet)))))
    assert assert_agree(*told) >= 6
    if sheet.worth.prices and sheet.worth.sells:
        mass = sum(ore.mass.value for ore in sheet.ores.values())
        worth = [*of_worth(plain(fs.worth(sheet)), mass)]
        # A sum over other draws of a thousand, in another order: the last bits differ.
        assert assert_agree(("chance", of_chance(chance)), ("worth", iter(worth)), rel=1e-9) > 0
    said = " ".join(certainty.said(run).split())
    assert said in words(fs.report(sheet).html)
    assert said in words(" ".join(surely.sure_parts(pair(sheet, sheet, {})).values()))


def weighed(text: str) -> str:
    """Return a sheet with the gold of each stream that leaves it weighed, as a plain solve has it, ± 5 %."""
    run = fs.run(fs.parse(text), certain=False)
    sheet = yaml.safe_load(text)
    # What is held up has no name in the sheet, and no scale.
    named = {stream for step in sheet["steps"].values() for stream in step["gives"].values()}
    golds = {name: run.streams[name].gold for name in run.solution.model.sheet.ends if name in named}
    sheet["weighed"] = {name: {"gold": f"{1e6 * gold:.6g} mg ± {5e4 * gold:.6g} mg"}
                        for name, gold in golds.items() if gold > 1e-9}  # fmt: skip
    return yaml.safe_dump(sheet, sort_keys=False, allow_unicode=True)


@pytest.mark.slow
@settings(
    max_examples=25, derandomize=True, deadline=None, phases=(Phase.generate,), suppress_health_check=list(HealthCheck)
)
@given(sheets(loops=False))
def test_commands_agree_on_random_sheets(text: str) -> None:
    """Of fifty sheets: each by its own doubts, and by its weights."""
    for one in (doubtful(text), weighed(doubtful(text))):
        sheet: Sheet = fs.parse(one)
        run = fs.run(sheet)
        if run.sure is None or not run.solution.model.grains_known:
            continue
        assert_agree(
            ("run", of_run(plain(run))),
            ("chance", of_chance(plain(fs.chance(sheet)))),
            ("label", of_label(plain(fs.label(sheet).contents))),
        )
