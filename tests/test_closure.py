"""Closure as far as weighed: by hand, against exhaustive search, with errors put in, and in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from sheets import sheet_of
from strategies import sheets
from tiers import examples

from flowsheet.show.balance import closure
from flowsheet.solve.balance import metal_streams
from flowsheet.solve.model import Model, load
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.measurement import BEAD, GOLD, MASS, Measurement
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.closure import ALLOWED, Closing, closing

# All sheets and numbers here are invented.
SHEET = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t, gold: {d50: 0.3 mm, d95: 1 mm, fineness: 870 ± 20}, sizes: {p80: 40 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  break: {do: jaw_crush, takes: [lumps, fines], gives: crushed, setting: 6 mm}
  powder: {do: pulverize, takes: crushed, gives: {product: powder, held_up: in the mill}, gap: 0.2 mm, held_up: 0.5 %}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}}
  fire: {do: cupel, takes: button, gives: {bead: bead, absorbed: cupel loss}}
keep: bead
"""

LOOP = """
ore: {mass: 14.2 kg ± 20 g, grade: 22 g/t}
steps:
  mill: {do: factors, takes: [ore, back], gives: {out: milled}}
  wash: {do: factors, takes: milled, gives: {con: con, back: back}, split: {con: 60 %}, recovery: {con: 90 %}}
keep: con
"""


def weighed(text: str, *lines: str) -> Sheet:
    """Return a sheet with lines such as "lumps mass 9.1 ± 0.01", in kg (and shares)."""
    measured = []
    for line in lines:
        *stream, what, value, _, sd = line.split()
        measured.append(Measurement(" ".join(stream), what, float(value), float(sd), False))
    return replace(sheet_of(text), weighed=tuple(measured))


def of(found: list[Closing], what: str, *steps: str) -> Closing:
    (one,) = [balance for balance in found if balance.what == what and balance.steps == steps]
    return one


# ── by hand ─────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_screen_closes_by_hand():
    found = closing(weighed(SHEET, "ore mass 14.2 ± 0.02", "lumps mass 9.1 ± 0.01", "fines mass 4.8 ± 0.02"))
    scalp = of(found, MASS, "scalp")
    # 14.2 − 9.1 − 4.8 = 0.3; √(0.02² + 0.01² + 0.02²) = 0.03
    assert (scalp.came_in, scalp.came_out) == (14.2, pytest.approx(13.9, rel=1e-12))
    assert scalp.gap == pytest.approx(0.3, rel=1e-9)
    assert scalp.sd == pytest.approx(0.03, rel=1e-12)
    assert scalp.share == pytest.approx(0.3 / 14.2, rel=1e-9)
    assert scalp.closed
    assert not scalp.allowed


def test_a_gap_of_two_standard_deviations_is_allowed_and_one_above_is_not():
    lines = ("ore mass 14.2 ± 0.02", "lumps mass 9.1 ± 0.01")
    for fines, allowed in (("5.0401", True), ("5.0399", False), ("5.1599", True), ("5.1601", False)):
        found = of(closing(weighed(SHEET, *lines, f"fines mass {fines} ± 0.02")), MASS, "scalp")
        assert ALLOWED * found.sd == pytest.approx(0.06, rel=1e-12)
        assert found.allowed is allowed, fines


def test_what_lies_between_is_merged_and_told():
    lines = ("lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01", "con mass 0.2 ± 0.001", "tails mass 13.9 ± 0.02")
    found = closing(weighed(SHEET, "ore mass 14.2 ± 0.02", *lines))
    masses = [balance for balance in found if balance.what == MASS]
    assert [b.steps for b in masses] == [("scalp", "break", "powder", "wash"), ("scalp",), ("break", "powder", "wash")]
    assert [b.whole for b in masses] == [True, False, False]
    assert masses[2].inside == ("crushed", "powder")
    assert masses[2].gap == pytest.approx(0.1, rel=1e-9)
    assert all(b.closed for b in masses)


def test_what_is_still_to_be_weighed_is_told():
    found = closing(weighed(SHEET, "lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01", "tails mass 13.9 ± 0.02"))
    assert of(found, MASS, "break", "powder", "wash").missing == ("con",)
    assert of(found, MASS, "scalp", "break", "powder", "wash").missing == ("con",)
    assert of(found, MASS, "scalp").closed


def test_an_ore_that_was_not_weighed_has_the_sheets_mass():
    scalp = of(closing(weighed(SHEET, "lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01")), MASS, "scalp")
    (ore,) = scalp.into
    assert (ore.amount, ore.sd, ore.from_sheet) == (14.2, 0.02, True)


def test_no_mass_is_balanced_over_a_furnace():
    found = closing(weighed(SHEET, "con mass 0.2 ± 0.001", "slag mass 0.7 ± 0.001", "button mass 3e-4 ± 1e-6",
                            "bead mass 2.9e-4 ± 1e-6", "cupel loss mass 1e-5 ± 1e-6"))  # fmt: skip
    assert not any({"melt", "fire"} & set(balance.steps) for balance in found if balance.what == MASS)


def test_metal_has_no_part_in_the_balance_of_rock():
    lines = ("powder mass 14.1 ± 0.01", "crushed mass 14.1 ± 0.01", "in the mill mass 0.5 ± 0.01")
    mill = of(closing(weighed(SHEET, *lines)), MASS, "powder")
    assert mill.gap == pytest.approx(0, abs=1e-12)
    assert [known.stream for known in mill.out] == ["powder"]


def test_gold_by_metal_by_hand():
    lines = ("button mass 3.00e-4 ± 2e-6", "bead mass 2.98e-4 ± 2e-6", "cupel loss gold 1.2e-6 ± 4e-7")
    fire = of(closing(weighed(SHEET, *lines)), GOLD, "fire")
    # 0.87 × (300 − 298) mg − 1.2 mg = 0.54 mg; the fineness counts for the 2 mg between the two alone.
    assert fire.gap == pytest.approx(0.54e-6, rel=1e-9)
    own = math.hypot(0.87 * 2e-6, 0.87 * 2e-6, 4e-7)
    assert fire.sd == pytest.approx(math.hypot(own, 0.02 * 2e-6), rel=1e-9)
    assert fire.allowed


def test_gold_by_mass_and_grade_and_by_a_bead_by_hand():
    lines = ("powder bead 3.3e-4 ± 1e-6", "in the mill gold 0 ± 1e-6", "con gold 2.5e-4 ± 3e-6",
             "tails mass 13.5 ± 0.02", "tails grade 3e-6 ± 4e-7")  # fmt: skip
    wash = of(closing(weighed(SHEET, *lines)), GOLD, "wash")
    assert [(k.stream, k.told_by) for k in (*wash.into, *wash.out)] == [
        ("powder", BEAD), ("con", GOLD), ("tails", "mass and grade"),
    ]  # fmt: skip
    # 0.87 × 330 − 250 − 13.5 × 3 = −3.4 mg
    assert wash.gap == pytest.approx(-3.4e-6, rel=1e-9)
    tails = math.hypot(13.5 * 4e-7, 3e-6 * 0.02)
    bead = math.hypot(0.87 * 1e-6, 0.02 * 3.3e-4)
    assert wash.sd == pytest.approx(math.hypot(tails, bead, 3e-6), rel=1e-9)


def test_of_two_ways_to_know_gold_the_surer_one_counts():
    lines = ("con mass 0.2 ± 0.001", "con grade 1.3e-3 ± 1e-4", "con gold 2.5e-4 ± 3e-6", "slag gold 1e-6 ± 1e-7")
    melt = of(closing(weighed(SHEET, *lines)), GOLD, "melt", "fire")
    assert melt.into[0].told_by == GOLD


def test_a_grade_alone_tells_no_gold():
    found = closing(weighed(SHEET, "tails grade 3e-6 ± 4e-7", "con gold 2.5e-4 ± 3e-6", "slag gold 1e-6 ± 1e-7"))
    known = {k.stream for balance in found for k in (*balance.into, *balance.out) if balance.what == GOLD}
    assert known == {"con", "slag"}


def test_a_loop_closes_round_its_steps():
    found = closing(weighed(LOOP, "ore mass 14.2 ± 0.02", "con mass 14.1 ± 0.02"))
    both = of(found, MASS, "mill", "wash")
    assert both.whole
    assert set(both.inside) == {"back", "milled"}
    assert both.gap == pytest.approx(0.1, rel=1e-9)


def test_tests_are_told_apart():
    sheet = weighed(SHEET, "lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01")
    sheet = replace(sheet, weighed=tuple(replace(m, test="sack 7") for m in sheet.weighed))
    assert of(closing(sheet, "sack 7"), MASS, "scalp").closed
    assert not any(balance.closed for balance in closing(sheet, "sack 8"))


def test_the_example_closes():
    sheet, _ = load(Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml")
    (closed,) = [balance for balance in closing(sheet, "sack3") if balance.closed]
    assert closed.steps == ("scalp", "look", "break", "powder", "wash")
    # 14.2 − 0.62 − 0.181 − 13.41
    assert closed.gap == pytest.approx(-0.011, abs=1e-9)
    assert closed.allowed


# ── of any sheet ────────────────────────────────────────────────────────────────────────────────────────────


def exactly(solution: Solution, sd: float = 1e-6) -> list[Measurement]:
    """Weigh every stream of a solved sheet without error."""
    metal = metal_streams(solution.model.sheet)
    found = []
    for name, material in solution.streams.items():
        if name not in metal:
            found.append(Measurement(name, MASS, float(material.solids), sd, False))
        found.append(Measurement(name, GOLD, float(material.gold), sd, False))
    return found


def has_rock_in_metal(solution: Solution, balance: Closing) -> bool:
    """Whether a given split sends rock to where a mill holds back gold alone: no balance of rock counts it."""
    steps = [solution.model.sheet.steps[name] for name in balance.steps]
    touched = {stream for step in steps for stream in (*step.takes, *step.outlets.values())}
    rich = touched & metal_streams(solution.model.sheet)
    return balance.what == MASS and any(solution.streams[name].solids > 0 for name in rich)


def solved_and_weighed(text: str) -> tuple[Solution, Sheet]:
    sheet = sheet_of(text)
    try:
        solution = solve(Model.of(sheet))
    except SheetError:  # a loop that nothing leaves
        assume(False)
    return solution, replace(sheet, weighed=tuple(exactly(solution)))


@given(sheets())
@settings(max_examples=examples(60))
def test_a_solved_sheet_that_is_weighed_exactly_closes_everywhere(text: str):
    solution, sheet = solved_and_weighed(text)
    held = {caught.stream for caught in solution.caught}
    found = closing(sheet)
    assert {step for balance in found for step in balance.steps} == set(sheet.steps)
    for balance in found:
        # What a loop holds for ever leaves by no stream.
        inside = {s for step in balance.steps for s in sheet.steps[step].outlets.values()}
        if not inside & held and not has_rock_in_metal(solution, balance):
            assert balance.closed
            scale = max(balance.came_in, 1e-9)
            assert balance.gap == pytest.approx(0, abs=1e-9 * scale)
            assert balance.allowed


@given(sheets(loops=False), st.data())
@settings(max_examples=examples(60))
def test_an_error_in_one_weight_shows_at_the_steps_that_touch_it_and_nowhere_else(text: str, data: st.DataObject):
    solution, sheet = solved_and_weighed(text)
    at = data.draw(st.integers(0, len(sheet.weighed) - 1))
    m = sheet.weighed[at]
    off = 0.1
    wrong = [replace(m, value=m.value + off) if i == at else m for i, m in enumerate(sheet.weighed)]
    for before, after in zip(closing(sheet), closing(replace(sheet, weighed=tuple(wrong))), strict=True):
        maker, taker = sheet.makers.get(m.stream), sheet.takers.get(m.stream)
        crosses = (maker in after.steps) != (taker in after.steps)
        touched = crosses and after.what == m.what
        sign = 1 if taker in after.steps else -1
        assert after.gap - before.gap == pytest.approx(sign * off if touched else 0, abs=1e-9)
        if not has_rock_in_metal(solution, after):
            assert after.allowed is not touched


def smallest(sheet: Sheet, balanced: list[str], streams: set[str], known: set[str]) -> Iterator[set[str]]:
    """Go through the smallest sets of steps round which all crossing streams are known: by trying them all."""
    found: list[set[str]] = []
    for size in range(1, len(balanced) + 1):
        for steps in map(set, combinations(balanced, size)):
            crossing = {s for s in streams if (sheet.makers.get(s) in steps) != (sheet.takers.get(s) in steps)}
            if crossing <= known and not any(other <= steps for other in found):
                found.append(steps)
                yield steps


@given(sheets(), st.data())
@settings(max_examples=examples(60))
def test_the_groups_are_the_smallest_that_close(text: str, data: st.DataObject):
    solution, sheet = solved_and_weighed(text)
    kept = data.draw(st.lists(st.booleans(), min_size=len(sheet.weighed), max_size=len(sheet.weighed)))
    sheet = replace(sheet, weighed=tuple(m for m, keep in zip(sheet.weighed, kept, strict=True) if keep))
    found = closing(sheet)
    metal = metal_streams(sheet)
    rock = set(solution.streams) - metal
    # A furnace, and what takes metal alone, has no balance of rock.
    fires = {"smelt", "cupel"}
    cold = [n for n, step in sheet.steps.items() if step.do not in fires and any(s not in metal for s in step.takes)]
    for what, balanced, streams, given_ in (
        (MASS, cold, rock, set(sheet.ores)),
        (GOLD, list(sheet.steps), set(solution.streams), set()),
    ):
        known = given_ | {m.stream for m in sheet.weighed if m.what == what}
        groups = [set(b.steps) for b in found if b.what == what and b.closed and (not b.whole or len(balanced) == 1)]
        wholes = [set(b.steps) for b in found if b.what == what and b.closed and b.whole]
        expected = list(smallest(sheet, balanced, streams, known))
        assert sorted(map(sorted, groups or wholes)) == sorted(map(sorted, expected))


# ── in words ────────────────────────────────────────────────────────────────────────────────────────────────


def words(*lines: str) -> list[str]:
    return closure.sentences(closing(weighed(SHEET, *lines)))


def test_a_gap_that_the_doubt_allows_in_words():
    told = words("ore mass 14.2 ± 0.02", "lumps mass 9.1 ± 0.005", "fines mass 5.08 ± 0.007")
    said = "scalp: 14.20 kg in, 14.18 kg out: 20 g (0.14 %) missing, which twice the scales' doubt of 22 g allows."
    assert told[0] == said


def test_a_gap_that_the_doubt_does_not_allow_says_what_to_do():
    told = words("ore mass 14.2 ± 0.02", "lumps mass 9.1 ± 0.01", "fines mass 5.5 ± 0.02")
    gap = "scalp: 14.2 kg in, 14.6 kg out: 400 g (2.8 %) too much, more than twice the scales' doubt of 30 g allows."
    assert told[0] == f"{gap} Check ore, lumps and fines."


def test_of_the_whole_it_is_told_where_it_goes_wrong():
    lines = ("lumps mass 9.1 ± 0.01", "fines mass 4.8 ± 0.01", "con mass 0.2 ± 0.001", "tails mass 13.7 ± 0.02")
    told = words(*lines)
    assert told[0].startswith("the whole test: rock 14.2 kg in, 13.9 kg out: 300 g (2.1 %) missing, more than")
    assert told[0].endswith("It goes wrong at scalp. The mass of ore is the sheet's.")
    assert "Check" not in told[0]
    assert any(text.startswith("break, powder and wash together: 13.90 kg in, 13.90 kg out: no gap") for text in told)


def test_what_is_open_is_told_last_and_once():
    told = words("lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01", "tails mass 13.9 ± 0.02")
    assert told[1:] == ["break, powder and wash together: weigh con to see whether it closes."]
    assert told[0].startswith("scalp: 14.20 kg in")


def test_gold_that_is_open_asks_for_gold():
    told = words("con gold 2.5e-4 ± 3e-6", "slag gold 1e-6 ± 1e-7")
    asked = "find the gold of bead and cupel loss (mass and grade, a bead, or the gold itself)."
    assert f"melt and fire together: to see whether its gold closes, {asked}" in told


def test_steps_that_could_not_be_told_apart_say_what_tells_them_apart():
    told = words("lumps mass 9.1 ± 0.01", "fines mass 5.1 ± 0.01", "con mass 0.2 ± 0.001", "tails mass 13.1 ± 0.02")
    assert any(text.endswith("To see in which step it went wrong, weigh crushed and powder too.") for text in told)


@given(sheets(), st.data())
@settings(max_examples=examples(30))
def test_every_balance_can_be_said(text: str, data: st.DataObject):
    _, sheet = solved_and_weighed(text)
    kept = data.draw(st.lists(st.sampled_from([None, 0.0, 1.0, 1.2]), min_size=len(sheet.weighed),
                              max_size=len(sheet.weighed)))  # fmt: skip
    pairs = zip(sheet.weighed, kept, strict=True)
    sheet = replace(sheet, weighed=tuple(replace(m, value=k * m.value) for m, k in pairs if k is not None))
    for told in closure.sentences(closing(sheet)):
        assert told.endswith(".")
        assert "nan" not in told
        assert "inf" not in told.replace("infinite", "")


def test_the_sheets_mass_of_an_ore_counts_for_its_gold_where_its_grade_is_weighed():
    lines = ("ore grade 22e-6 ± 2e-6", "lumps gold 100e-6 ± 1e-6", "fines gold 210e-6 ± 1e-6")
    sheet = weighed(SHEET, *lines)
    scalp = of(closing(sheet), GOLD, "scalp")
    (ore,) = scalp.into
    assert ore.amount == pytest.approx(14.2 * 22e-6, rel=1e-12)
    # The mass's doubt and the grade's, each times the other.
    assert ore.sd == pytest.approx(math.hypot(14.2 * 2e-6, 22e-6 * 0.02), rel=1e-9)
    assert ore.from_sheet
    assert scalp.closed
    assert scalp.gap == pytest.approx(14.2 * 22e-6 - 310e-6, rel=1e-9)
    said = closure.sentence(scalp)
    assert "The mass of ore is the sheet's." in said
    # Its grade was weighed, so that it is among what is to be looked at where the gap is too large.
    off = of(closing(weighed(SHEET, *lines[:2], "fines gold 21e-6 ± 1e-6")), GOLD, "scalp")
    assert "Check ore, lumps and fines." in closure.sentence(off)
    # Without a grade of its own, the sheet's guess is not used.
    assert of(closing(weighed(SHEET, *lines[1:])), GOLD, "scalp").missing == ("ore",)
