"""Doubt by default: slack, tilt, grain sizes and clusters, as a sheet writes them and as they are taken else."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from sheets import sheet_of
from strategies import as_text, sheets
from tiers import examples

from flowsheet.solve.model import Model
from flowsheet.spec.blocks.explain import field_text
from flowsheet.spec.blocks.schema import Ore, Sheet
from flowsheet.spec.blocks.slack import MOST_SLACK, Slack
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.json_schema import json_schema
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.steps import kinds
from flowsheet.study.common.monte_carlo import cluster
from flowsheet.study.common.uncertain_inputs import changed, doubtful
from flowsheet.study.run.assumptions import assumed
from flowsheet.study.run.parameters import turnables

QUICK = Path(__file__).parent.parent / "configs" / "quick.yaml"
TYPICAL = {
    "screen": (0.25, 0.25), "sort": (0.5, 0.5), "jaw_crush": (0.0, 0.0), "pulverize": (0.3, 0.5), "pan": (0.4, 0.8),
    "sluice": (0.4, 0.8), "magnet": (0.3, 0.5), "smelt": (0.2, 0.5), "cupel": (0.2, 0.4), "saw": (0.2, 0.2),
    "split": (0.02, 0.02), "factors": (0.2, 0.5),
}  # fmt: skip


def data(**fields: Any) -> dict[str, Any]:
    """Return the quick sheet's data, fields of its steps or ore set: ``wash={"slack": 0.3}``, ``gold={...}``."""
    found: dict[str, Any] = yaml.safe_load(QUICK.read_text(encoding="utf-8"))
    for name, more in fields.items():
        block = found["ore"] if name == "ore" else found["ore"]["gold"] if name == "gold" else found["steps"][name]
        block.update(more)
    return found


def quick(**fields: Any) -> Sheet:
    return sheet_of(as_text(data(**fields)))


def faults(sheet: dict[str, Any]) -> list[tuple[str, str]]:
    with pytest.raises(SheetError) as caught:
        sheet_of(as_text(sheet))
    assert all(mistake.line and mistake.remedy for mistake in caught.value.mistakes)
    return [(mistake.field, mistake.code) for mistake in caught.value.mistakes]


def slack(name: str, **fields: Any) -> Slack:
    return quick(**fields).steps[name].slack_of()


# ── slack ───────────────────────────────────────────────────────────────────────────────────────────────────


def test_every_kind_has_its_own_and_says_why() -> None:
    assert {kind: (step.typical_slack.rock, step.typical_slack.gold) for kind, step in kinds().items()} == TYPICAL
    assert all(step.typical_slack.source.endswith("typical, set your own") for step in kinds().values())


@pytest.mark.parametrize(
    ("written", "rock", "gold"),
    [(0.3, 0.3, 0.3), ("0", 0.0, 0.0), ({"rock": 0.2, "gold": 0.4}, 0.2, 0.4), ({"gold": "1/2"}, 0.5, 0.5)],
)
def test_it_is_what_the_sheet_writes(written: Any, rock: float, gold: float) -> None:
    found = slack("look", look={"slack": written})
    assert (found.rock, found.gold, found.gold_shift, found.assumed) == (rock, gold, 0.0, isinstance(written, dict)
                                                                           and "rock" not in written)  # fmt: skip


def test_a_handbook_recovery_lies_below_itself_and_one_of_your_own_does_not() -> None:
    assert slack("wash") == Slack(0.4, 0.8, -0.7, rock_assumed=True, gold_assumed=True)
    for own in ({"r_max": "90 %"}, {"recovery": {"concentrate": "88 %"}}):
        assert slack("wash", wash=own) == Slack(0.4, 0.5, 0.0, rock_assumed=True, gold_assumed=True)
    assert slack("wash", wash={"slack": {"rock": 0.1}}) == Slack(0.1, 0.8, -0.7, gold_assumed=True)
    assert slack("wash", wash={"slack": 0}) == Slack(0.0, 0.0)
    assert slack("wash", wash={"d50": "90 um"}).gold_shift == -0.7


@pytest.mark.parametrize(
    ("step", "fields", "without"),
    [
        ("wash", {"pull": "180 g"}, {"rock"}),
        ("wash", {"pull": "180 g", "split": {"concentrate": "2 %"}}, set()),  # then the share is in force
        ("wash", {"recovery": {"concentrate": "88 % ± 3 %"}}, {"gold"}),
        ("wash", {"recovery": {"concentrate": "80 % to 90 %"}}, {"gold"}),
        ("wash", {"recovery": {"concentrate": {"+1 mm": "95 % ± 2 %", "-1 mm": "40 %"}}}, set()),
        ("wash", {"recovery": {"concentrate": {"+1 mm": "95 % ± 2 %", "-1 mm": 0}}}, {"gold"}),
        ("wash", {"split": {"concentrate": "2 % ± 0 %"}}, {"rock"}),
        ("wash", {"r_max": "97 % ± 1 %", "d50": "60 um ± 10 um"}, {"gold"}),
        ("wash", {"r_max": "97 % ± 1 %"}, set()),
        ("scalp", {"efficiency": "90 %"}, {"rock"}),
        ("melt", {"gold": "99 % ± 0.5 %"}, {"gold"}),
        ("fire", {"gold_loss": "0.4 % ± 0.1 %"}, {"gold"}),
        ("break", {}, {"rock", "gold"}),  # it has one outlet
    ],
)  # fmt: skip
def test_none_where_shares_are_fixed_or_have_a_doubt_of_their_own(
    step: str, fields: dict[str, Any], without: set[str]
) -> None:
    found = slack(step, **{step: fields})
    assert {side for side in ("rock", "gold") if getattr(found, side) == 0} == without
    assert "gold" not in without or found.gold_shift == 0


def test_a_mill_ground_to_a_size_has_none_of_rock() -> None:
    mill = {"held_up": "1 %", "gives": {"product": "powder", "held_up": "in the mill"}}
    assert slack("powder", powder=mill) == Slack(0.3, 0.5, rock_assumed=True, gold_assumed=True)
    to = data(powder={**mill, "to": {"p80": "150 um"}})
    del to["steps"]["powder"]["gap"]
    assert sheet_of(as_text(to)).steps["powder"].slack_of() == Slack(0.0, 0.5, gold_assumed=True)


@pytest.mark.parametrize(
    ("written", "field", "code"),
    [
        ("0.3 ± 0.1", "", "slack_with_doubt"),
        ("0.2 to 0.4", "", "slack_with_doubt"),
        (-0.1, "", "too_small"),
        (MOST_SLACK + 1, "", "too_large"),
        ("20 %", "", "wrong_unit"),
        ("a lot", "", "no_number"),
        ({}, "", "nothing_written"),
        ([0.2], "", "one_value_wanted"),
        ({"rok": 0.2}, ".rok", "field_unknown"),
        ({"rock": 0.2, "gold": {"free": 0.1}}, ".gold", "one_value_wanted"),
    ],
)
def test_a_slack_that_cannot_be_is_refused(written: Any, field: str, code: str) -> None:
    assert faults(data(wash={"slack": written})) == [(f"steps.wash.slack{field}", code)]


@pytest.mark.parametrize(
    ("step", "fields", "side"),
    [
        ("wash", {"pull": "180 g"}, "rock"),
        ("wash", {"recovery": {"concentrate": "88 % ± 3 %"}}, "gold"),
        ("break", {}, "gold"),
    ],
)
def test_a_slack_that_moves_nothing_is_refused_where_it_is_written_for_that_alone(
    step: str, fields: dict[str, Any], side: str
) -> None:
    told = {**fields, "slack": {side: 0.3}}
    assert faults(data(**{step: told})) == [(f"steps.{step}.slack.{side}", "slack_moves_nothing")]
    assert getattr(slack(step, **{step: {**fields, "slack": 0.3}}), side) == 0
    assert getattr(slack(step, **{step: {**fields, "slack": {side: 0}}}), side) == 0


@settings(max_examples=examples(60))
@given(
    st.sampled_from(["wash", "look", "melt"]),
    st.fixed_dictionaries({}, optional={s: st.floats(0, MOST_SLACK) for s in ("rock", "gold")}).filter(bool),
)
def test_what_is_written_is_read_back(step: str, written: dict[str, float]) -> None:
    found = slack(step, **{step: {"slack": written}})
    assert {side: getattr(found, side) for side in written} == {side: float(f"{x}") for side, x in written.items()}
    assert found.assumed == (len(written) < 2)


@settings(max_examples=examples(40))
@given(sheets())
def test_random_sheets_have_slack_that_is_sound(text: str) -> None:
    sheet = sheet_of(text)
    for step in sheet.steps.values():
        found = step.slack_of()
        assert 0 <= found.rock <= MOST_SLACK
        assert 0 <= found.gold <= MOST_SLACK
        assert found.gold_shift in (0.0, -0.7)
        assert len(step.outlets) > 1 or found == Slack(0.0, 0.0)
    assert not [name for name in doubtful(sheet) if "slack" in name or name.endswith(("tilt", "cluster"))]


def test_the_schema_and_the_help_tell_it_of_each_kind() -> None:
    defs = json_schema(kinds())["$defs"]
    for kind in kinds().values():
        told = next(d for d in defs.values() if d["properties"].get("do", {}).get("const") == kind.kind)
        assert told["properties"]["slack"]["default"] == dict(zip(("rock", "gold"), TYPICAL[kind.kind], strict=True))
        assert told["properties"]["slack"]["source"] == field_text(kind, "slack").source
        text = field_text(kind, "slack")
        assert yaml.safe_load(text.default) == told["properties"]["slack"]["default"]
    assert field_text(StepBlock, "slack").default == ""


# ── tilt ────────────────────────────────────────────────────────────────────────────────────────────────────


def test_tilt_is_nought_with_an_assumed_doubt() -> None:
    tilt = quick().ores["ore"].tilt
    assert (tilt.value, tilt.sd, tilt.told_doubt, tilt.law) == (0.0, 0.45, False, "normal")
    assert tilt.least == -math.inf


@pytest.mark.parametrize(
    ("written", "value", "sd", "told"),
    [("0", 0.0, 0.0, False), ("0 ± 0", 0.0, 0.0, True), ("-0.4 ± 0.2", -0.4, 0.2, True), (0.3, 0.3, 0.0, False)],
)
def test_tilt_is_what_the_sheet_writes(written: Any, value: float, sd: float, told: bool) -> None:
    tilt = quick(ore={"tilt": written}).ores["ore"].tilt
    assert (tilt.value, tilt.sd, tilt.told_doubt) == (value, sd, told)


@pytest.mark.parametrize(("written", "code"), [(4, "too_large"), (-4, "too_small"), ("0 ± 5", "doubt_too_large"),
                                               ("1 mm", "wrong_unit")])  # fmt: skip
def test_a_tilt_that_cannot_be_is_refused(written: Any, code: str) -> None:
    assert faults(data(ore={"tilt": written})) == [("ore.tilt", code)]


# ── grain sizes and clusters ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("gold", "size", "spread", "told"),
    [
        ({}, 0.5, 0.2, (False, False)),
        ({"d50": "0.4 mm ± 0"}, 0.0, 0.2, (True, False)),
        ({"d50": "0.4 mm ± 0", "d95": "1.6 mm ± 0"}, 0.0, 0.0, (True, True)),
        ({"d50": "0.4 mm ± 25 %"}, 0.25, 0.2, (True, False)),
        ({"d95": "1.6 mm ± 20 %"}, 0.5, 0.2 / math.log(1.6 / 0.35), (False, True)),
        ({"d50": "0.4 mm ± 30 %", "d95": "1.6 mm ± 40 %"}, 0.3, 0.5 / math.log(4), (True, True)),
    ],
)
def test_grain_sizes_have_a_typical_doubt_or_their_own(
    gold: dict[str, str], size: float, spread: float, told: tuple[bool, bool]
) -> None:
    block = quick(gold=gold).ores["ore"].gold
    assert block is not None
    found = block.doubts()
    assert (found.size_sd, found.spread_sd) == pytest.approx((size, spread), rel=1e-12)
    assert (found.size_told, found.spread_told) == told


def test_a_table_of_grains_has_one_factor_and_its_own_spread() -> None:
    sheet = data()
    rows = [{"sieve": "2 mm", "passing": "100 %"}, {"sieve": "0.3 mm", "passing": "40 %"}]
    for passing, size in (("40 %", 0.5), ("40 % ± 5 %", 0.0)):
        rows[1]["passing"] = passing
        sheet["ore"]["gold"] = {"sizes": rows}
        gold = sheet_of(as_text(sheet)).ores["ore"].gold
        assert gold is not None
        assert (gold.doubts().size_sd, gold.doubts().spread_sd) == (size, 0.0)


@pytest.mark.parametrize(
    ("written", "values"),
    [
        (5, (5.0,)),
        ("5 ± 0", (5.0,)),
        ("2 to 12", (3.0, 5.0, 7.0, 9.0, 11.0)),
        ("4 ± 2", (1.43690, 2.95120, 4.0, 5.04880, 6.56310)),
        ("2 ± 2", (1.0, 1.0, 2.0, 3.04880, 4.56310)),
    ],
)
def test_clusters_are_what_the_gold_says(written: Any, values: tuple[float, ...]) -> None:
    gold = quick(gold={"cluster": written}).ores["ore"].gold
    assert gold is not None
    found, chances = gold.cluster_law()
    assert found == pytest.approx(values, abs=1e-4)
    assert len(chances) == len(values)
    assert sum(chances) == pytest.approx(1)


def test_clusters_of_which_nothing_is_said() -> None:
    gold = quick().ores["ore"].gold
    assert gold is not None
    assert gold.cluster_law() == ((1.0, 2.0, 5.0, 10.0), (0.55, 0.20, 0.20, 0.05))


def test_grains_lie_together_by_one_number_wherever_it_stands() -> None:
    for sheet in (quick(gold={"cluster": 4}), quick(look={"cluster": 4}),
                  quick(gold={"cluster": 4}, look={"cluster": 4})):  # fmt: skip
        gold = sheet.ores["ore"].gold
        assert gold is not None
        assert gold.cluster_law() == ((4.0,), (1.0,))
        assert sheet.steps["look"].lie_together() == 4.0
        assert cluster(Model.of(sheet)) == 4.0
    assert quick().steps["look"].lie_together() == cluster(Model.of(quick())) == 1.0
    doubted = quick(gold={"cluster": "4 ± 2"})
    assert doubted.steps["look"].lie_together() == 4.0
    assert not [name for name in doubtful(doubted) if "cluster" in name]


def test_two_numbers_for_grains_that_lie_together_are_refused() -> None:
    assert faults(data(gold={"cluster": 4}, look={"cluster": 5})) == [("steps.look.cluster", "cluster_twice")]
    two = data()
    ore = two.pop("ore")
    two["ores"] = {n: {**ore, "gold": {**ore["gold"], "cluster": c}} for n, c in (("east", 2), ("west", 3))}
    two["steps"]["scalp"]["takes"] = ["east", "west"]
    assert faults(two) == [("ores.west.gold.cluster", "ores_differ")]


# ── none of it is read by the solve ─────────────────────────────────────────────────────────────────────────


def test_what_only_estimates_read_is_in_no_list_of_the_solve() -> None:
    told = {"tilt": "0.2 ± 0.1"}
    sheet = quick(ore=told, gold={"cluster": "4 ± 2"}, wash={"slack": 0.3})
    names = ("tilt", "gold.cluster", "slack")
    assert sheet.document is not None
    assert not [name for name in doubtful(sheet) if name.endswith(names)]
    assert not [one.where for one in assumed(sheet) if one.where.endswith(names)]
    assert not [one.setting for one in turnables(sheet.document, sheet) if one.setting.endswith(names)]


def test_a_sheet_whose_numbers_are_gone_through_counts_as_written_what_was_written() -> None:
    sheet = quick()
    same = changed(sheet, lambda _, number: number)
    assert same.steps["wash"].model_fields_set == sheet.steps["wash"].model_fields_set
    assert same.steps["wash"].slack_of() == sheet.steps["wash"].slack_of()
    assert "tilt" not in same.ores["ore"].model_fields_set
    assert Ore.model_fields["tilt"].default is same.ores["ore"].tilt


def test_what_a_new_sheet_shows_in_its_remarks_can_be_written() -> None:
    remarks = QUICK.read_text(encoding="utf-8").partition("# More that you may say")[2]
    told = {place.strip(" #"): yaml.safe_load(said) for line in remarks.splitlines()[1:]
            for place, _, said in [line.partition(": ")]}  # fmt: skip
    assert list(told) == ["ore", "gold", "a step"]
    sheet = quick(ore=told["ore"], gold=told["gold"], wash=told["a step"])
    gold = sheet.ores["ore"].gold
    assert gold is not None
    assert gold.nuggets is not None
    assert (gold.cluster_law()[0], sheet.ores["ore"].tilt.value) == ((3.0,), 0.2)
    assert (sheet.steps["wash"].slack_of().rock, sheet.steps["wash"].slack_of().gold) == (0.2, 0.4)
