"""What holds of every legal sheet, on random ones."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from checker import amount, check
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st
from strategies import KINDS, doubtful, heavier, parted_and_joined, sheets, shuffled
from tiers import examples

from flowsheet.solve.balance import closure
from flowsheet.solve.propagate import Solution
from flowsheet.solve.silver import Silver
from flowsheet.spec.text.mistakes import SheetError

ARRAYS = ("light", "heavy", "free", "locked")
FEW = settings(max_examples=examples(40))


@contextlib.contextmanager
def unless_nothing_leaves() -> Iterator[None]:
    """Pass over a sheet that is refused because nothing leaves one of its loops, by its sizes or shares."""
    try:
        yield
    except SheetError as wrong:
        assume("nothing ever leaves the loop" not in str(wrong))
        raise


def hold(text: str, solved: Callable[..., Solution]) -> None:
    with unless_nothing_leaves():
        solution = solved(text)  # and its balance is checked
    model, inputs = solution.model, solution.inputs
    for name, step in model.sheet.steps.items():
        operator = model.step(name).operator(solution.feeds[name], inputs.values[name], inputs.site)
        for array in ARRAYS:
            shares = [np.asarray(getattr(part, array)) for part in operator.shares.values()]
            assert all(np.all((share >= 0) & (share <= 1)) for share in shares), (name, array)
            assert sum(shares) == pytest.approx(1.0, abs=1e-14), (name, array)
        for what in ("solids", "gold"):
            fed = amount(solution.feeds[name], what)
            for stream in step.outlets.values():
                assert amount(solution.streams[stream], what) <= fed * (1 + 1e-12)
    assert 0 <= solution.kept_gold <= solution.fed_gold * (1 + 1e-12)
    for caught in solution.caught:
        assert caught.circulating_load >= 0


@pytest.mark.smoke
@settings(max_examples=examples(100))
@given(text=sheets())
def test_every_sheet_closes(text: str, solved: Callable[..., Solution]) -> None:
    hold(text, solved)


@pytest.mark.slow
@settings(max_examples=500)
@given(text=sheets())
def test_five_hundred_sheets_close(text: str, solved: Callable[..., Solution]) -> None:
    hold(text, solved)


@settings(max_examples=examples(10))
@given(text=sheets(), seed=st.integers(0, 1000))
def test_every_sheet_closes_on_draws(text: str, seed: int, solved: Callable[..., Solution]) -> None:
    with unless_nothing_leaves():
        solved(doubtful(text), draws=3, seed=seed)


class SeenAllError(Exception):
    """Enough has been seen."""


@pytest.mark.slow
def test_the_random_sheets_are_of_all_kinds() -> None:
    """Loops, joins, several ores, given shares by size and by form, and every kind of equipment do come up."""
    marks = ("recovery:", "free:", "+2 mm", "rosin_rammler", "held_up", "pull:", "to:", "wall", "efficiency:")
    seen: set[str] = set()

    @settings(max_examples=1000, database=None, phases=[Phase.generate], report_multiple_bugs=False)
    @given(text=sheets())
    def look(text: str) -> None:
        seen.update(kind for kind in KINDS if f"do: {kind}\n" in text)
        seen.update(mark for mark in marks if mark in text)
        if seen >= {*KINDS, *marks}:
            raise SeenAllError

    with pytest.raises(SeenAllError):
        look()


# ── the checks themselves ───────────────────────────────────────────────────────────────────────────────────

LOOP = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 20 mm, p80: 12 mm}, heavies: 5 %, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  mill: {do: pulverize, takes: [ore, back], gives: ground, gap: 1 mm}
  sieve: {do: screen, takes: ground, gives: {oversize: back, undersize: on}, opening: 1 mm}
  wash: {do: pan, takes: on, gives: {concentrate: con, tailings: tails}}
keep: [con]
"""


@pytest.mark.parametrize("stream", ["ore", "back", "ground", "on", "con", "tails"])
@pytest.mark.parametrize(
    ("array", "what"), [("light", "solids"), ("heavy", "solids"), ("free", "gold"), ("locked", "gold")]
)
def test_a_hole_in_a_stream_is_seen(stream: str, array: str, what: str, solved: Callable[..., Solution]) -> None:
    whole = solved(LOOP)
    material = whole.streams[stream]
    leaky = replace(material, **{array: getattr(material, array) * (1 - 1e-6)})
    streams = {**whole.streams, stream: leaky}
    with pytest.raises(AssertionError, match=f"{what} of .*: gap"):
        check(replace(whole, streams=streams))
    gaps = closure(whole.model, streams, whole.feeds, whole.caught)
    assert getattr(gaps, what) > 1e-9
    other = {"solids": "gold", "gold": "solids"}[what]
    assert getattr(gaps, other) < 1e-12


def test_what_is_caught_is_part_of_the_balance(solved: Callable[..., Solution]) -> None:
    whole = solved(LOOP)
    assert whole.caught[0].material.gold > 0
    with pytest.raises(AssertionError, match="gold of the sheet: gap"):
        check(replace(whole, caught=[]))
    assert closure(whole.model, whole.streams, whole.feeds, []).gold > 1e-3


@pytest.mark.parametrize("stream", ["ore", "back", "ground", "on", "con", "tails"])
def test_a_hole_in_the_silver_is_seen(stream: str, solved: Callable[..., Solution]) -> None:
    whole, leaky = solved(LOOP), solved(LOOP)
    assert whole.silver.caught["back"] > 0
    amounts = {**whole.silver.streams, stream: whole.silver.streams[stream] * (1 - 1e-6)}
    vars(leaky)["silver"] = Silver(amounts, whole.silver.caught)
    with pytest.raises(AssertionError, match=r"silver of .*: gap"):
        check(leaky)
    vars(leaky)["silver"] = Silver(whole.silver.streams, {"back": np.zeros(())})
    with pytest.raises(AssertionError, match=r"silver of .*: gap"):
        check(leaky)


@pytest.mark.parametrize(
    ("value", "complaint"), [(-1e-9, "is negative"), (np.nan, "gap|finite"), (np.inf, "gap|finite")]
)
def test_what_no_stream_carries_is_seen(value: float, complaint: str, solved: Callable[..., Solution]) -> None:
    whole = solved(LOOP)
    tails = whole.streams["tails"]
    light = tails.light.copy()
    light[0], light[-1] = value, light[-1] + (light[0] - value if np.isfinite(value) else 0.0)
    with pytest.raises(AssertionError, match=complaint):
        check(replace(whole, streams={**whole.streams, "tails": replace(tails, light=light)}))


# ── what makes no difference ────────────────────────────────────────────────────────────────────────────────


def same(one: Solution, other: Solution, rel: float, times: float = 1.0) -> None:
    """Compare streams of two solutions, relative to what goes through the busiest step.

    Inside a loop that caught something, what it caught stands in the streams up to where it was taken out: so
    only what leaves such a loop is compared.
    """
    inside = {
        stream
        for caught in one.caught
        if np.any(caught.material.solids > 0) or np.any(caught.material.gold > 0)
        for name in caught.loop
        for stream in one.model.sheet.steps[name].takes
    }
    names = [name for name in one.streams if name not in inside]
    solids = max(float(np.max(amount(feed, "solids"))) for feed in one.feeds.values())
    gold = max(float(np.max(amount(feed, "gold"))) for feed in one.feeds.values())
    for name in names:
        for array in ARRAYS:
            scale = solids if array in ("light", "heavy") else gold
            mine, theirs = getattr(one.streams[name], array), getattr(other.streams[name], array)
            assert theirs == pytest.approx(times * mine, rel=rel, abs=times * rel * scale), (name, array)


@FEW
@given(text=sheets(linear=True), pick=st.integers(0, 50))
def test_a_stream_that_is_split_and_joined_again_changes_nothing(
    text: str, pick: int, solved: Callable[..., Solution]
) -> None:
    with unless_nothing_leaves():
        whole = solved(text)
    changed, _ = parted_and_joined(text, pick)
    same(whole, solved(changed), 1e-12)


@FEW
@given(text=sheets(), seed=st.integers(0, 1000))
def test_the_order_of_the_steps_does_not_matter(text: str, seed: int, solved: Callable[..., Solution]) -> None:
    with unless_nothing_leaves():
        one = solved(text)
        other = solved(shuffled(text, seed))
    assume(not one.notes and not other.notes)
    straight = all(one.model.step(name).linear() for name in one.model.sheet.steps)
    same(one, other, 1e-12 if straight else 1e-9)


@FEW
@given(text=sheets())
def test_more_of_the_same_ore_gives_more_of_the_same(text: str, solved: Callable[..., Solution]) -> None:
    assume("pull:" not in text)  # a mass to stop at does not grow with the ore
    with unless_nothing_leaves():
        one = solved(text)
    assume(not one.notes)
    other = solved(heavier(text, 8))
    straight = all(one.model.step(name).linear() for name in one.model.sheet.steps)
    same(one, other, 1e-12 if straight else 1e-9, times=8.0)
    for mine, theirs in zip(one.caught, other.caught, strict=True):
        assert theirs.circulating_load == pytest.approx(mine.circulating_load, rel=1e-9, abs=1e-12)


@settings(max_examples=examples(15))
@given(text=sheets(linear=True))
def test_draws_of_a_linear_sheet_average_to_its_plain_answer(text: str, solved: Callable[..., Solution]) -> None:
    draws = 300
    with unless_nothing_leaves():
        plain = solved(doubtful(text))
    many = solved(doubtful(text), draws=draws)
    for name, material in many.streams.items():
        for what in ("solids", "gold"):
            found = np.broadcast_to(amount(material, what), (draws,))
            stated = float(amount(plain.streams[name], what))
            spread = found.std(ddof=1) / np.sqrt(draws)
            assert abs(found.mean() - stated) <= 5 * spread + 1e-12 * abs(stated), (name, what)
