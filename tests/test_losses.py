"""Why gold is lost in streams whose own outlet tells no reason: what was parted, and what no step takes."""

from __future__ import annotations

from typing import Any

import pytest
from sheets import plain_run_of, sheet_of

from flowsheet import starters
from flowsheet.show.run import sentences
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.study.run import losses as losses_module
from flowsheet.study.run.losses import REASONS, Loss, losses
from flowsheet.study.run.run import Run

ORE = "ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 4 mm, p80: 2 mm}, heavies: 5 %, gold: {d50: 0.1 mm, d95: 0.6 mm}}"
WASH = "wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}}"


def run_with(steps: str, ore: str = ORE, keep: str = "con") -> Run:
    return plain_run_of(f"{ore}\nsteps:\n{steps}\nkeep: {keep}\n")


def loss_of(found: Run, stream: str) -> Loss:
    return next(loss for loss in found.losses if loss.stream == stream)


#: The pan's tailings parted once more, in ways that tell no reason of their own.
PARTED = {
    "split": "{do: split, takes: tails, gives: {a: one, b: two}}",
    "factors": "{do: factors, takes: tails, gives: {a: one, b: two}, split: {a: 20 %}, recovery: {a: 30 %}}",
    "factors by form": "{do: factors, takes: tails, gives: {a: one, b: two}, split: {a: 20 %}, "
    "recovery: {a: {free: 70 %, locked: 10 %}}}",
    "screen": "{do: screen, takes: tails, gives: {oversize: one, undersize: two}, opening: 0.5 mm}",
    "efficient screen": "{do: screen, takes: tails, gives: {oversize: one, undersize: two}, opening: 0.5 mm, "
    "efficiency: 80 %}",
}


@pytest.mark.parametrize("part", PARTED)
def test_what_is_parted_is_lost_for_the_reasons_of_what_went_in(part: str) -> None:
    whole = loss_of(run_with(f"  {WASH}"), "tails")
    assert whole.why["too_fine"] > 0.01
    assert whole.why["locked"] > 0.01
    found = run_with(f"  {WASH}\n  part: {PARTED[part]}")
    # Parted or not, as much is lost for each reason.
    for reason in REASONS:
        parted = sum(loss_of(found, s).gold * loss_of(found, s).why[reason] for s in ("one", "two"))
        assert parted == pytest.approx(whole.gold * whole.why[reason], rel=1e-9, abs=1e-15)


def test_each_part_has_its_own_reasons() -> None:
    found = run_with(f"  {WASH}\n  part: {PARTED['factors by form']}")
    one, two = loss_of(found, "one"), loss_of(found, "two")
    tails = found.solution.streams["tails"]
    free, locked = 0.7 * float(tails.free.sum()), 0.1 * float(tails.locked.sum())
    assert one.why["locked"] == pytest.approx(locked / (free + locked), rel=1e-9)
    assert one.why["locked"] < two.why["locked"]
    # A split parts all alike.
    found = run_with(f"  {WASH}\n  part: {PARTED['split']}")
    assert loss_of(found, "one").why == pytest.approx(loss_of(found, "two").why, rel=1e-9)


def test_reasons_come_through_several_steps_and_a_magnet() -> None:
    found = run_with(f"""  {WASH}
  lift: {{do: magnet, takes: tails, gives: {{magnetics: iron, rest: clean}}}}
  part: {{do: split, takes: clean, gives: {{a: one, b: two}}}}""")
    whole = loss_of(run_with(f"  {WASH}"), "tails")
    # The magnet lifts one percent of all gold, so what it leaves has the reasons of the tailings.
    assert loss_of(found, "one").why == pytest.approx(whole.why, rel=1e-9)
    assert loss_of(found, "iron").why["other"] > 0  # the magnet has reasons of its own


def test_where_two_streams_are_parted_together_each_brings_its_reasons() -> None:
    found = run_with("""  cut: {do: split, takes: ore, gives: {a: west, b: east}, split: {a: 60 %}}
  wash: {do: pan, takes: west, gives: {concentrate: con, tailings: tails}}
  look: {do: sort, takes: east, gives: {picked: specimens, left: plain}, sees: 0.5 mm}
  mix: {do: split, takes: [tails, plain], gives: {a: one, b: two}}""", keep="[con, specimens]")  # fmt: skip
    one, streams = loss_of(found, "one"), found.streams
    plain = streams["plain"].gold / (streams["plain"].gold + streams["tails"].gold)
    assert one.why["not_seen"] == pytest.approx(plain, rel=1e-9)
    assert one.why["too_fine"] > 0
    assert sum(one.why.values()) == pytest.approx(1, rel=1e-12)


def test_a_stream_that_no_step_takes_is_told_as_such() -> None:
    found = run_with("""  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 1 mm}
  wash: {do: pan, takes: lumps, gives: {concentrate: con, tailings: tails}}""")
    fines = loss_of(found, "fines")
    assert fines.unused == fines.why["other"] == 1
    assert fines.reasons["unused"] == 1
    assert fines.reasons["other"] == 0
    assert loss_of(found, "tails").unused == 0
    text = " ".join(sentences.losses(found))
    assert "no step takes it: process it, or keep it." in text
    assert "does not know" not in text


def test_it_is_told_where_it_is_not_the_largest_loss() -> None:
    found = run_with("""  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 0.1 mm}
  wash: {do: pan, takes: lumps, gives: {concentrate: con, tailings: tails}, r_max: 5 %}""")
    assert [loss.stream for loss in found.losses] == ["tails", "fines"]
    assert "%, no step takes it)" in " ".join(sentences.losses(found))


@pytest.mark.parametrize(
    ("steps", "stream", "unused"),
    [
        # Broken rock, and a concentrate, that nobody goes on with.
        ("crush: {do: jaw_crush, takes: rest, gives: crushed, setting: 1 mm}", "crushed", 1),
        ("again: {do: pan, takes: rest, gives: {concentrate: more, tailings: waste}}", "more", 1),
        ("again: {do: pan, takes: rest, gives: {concentrate: more, tailings: waste}}", "waste", 0),
        # Given shares send gold there on purpose, though they do not say why.
        ("half: {do: factors, takes: rest, gives: {a: one, b: two}, split: {a: 50 %}}", "one", 0),
        # Gold that stays in the mill leaves by no stream that a step could take.
        ("mill: {do: pulverize, takes: rest, gives: powder, gap: 0.3 mm, held_up: 2 %}", "powder held up", 0),
        ("mill: {do: pulverize, takes: rest, gives: powder, gap: 0.3 mm, held_up: 2 %}", "powder", 1),
    ],
)
def test_what_counts_as_taken_by_no_step(steps: str, stream: str, unused: float) -> None:
    found = run_with(f"""  cut: {{do: split, takes: ore, gives: {{a: con, b: rest}}}}
  {steps}""")
    assert loss_of(found, stream).unused == unused


def test_what_comes_round_a_loop_brings_its_reasons() -> None:
    found = run_with("""  mix: {do: split, takes: [ore, back], gives: {a: on, b: waste}, split: {a: 60 %}}
  wash: {do: pan, takes: on, gives: {concentrate: con, tailings: tails}}
  part: {do: split, takes: tails, gives: {a: back, b: out}}""")
    for stream in ("waste", "out"):
        assert sum(loss_of(found, stream).why.values()) == pytest.approx(1, rel=1e-9)
    assert loss_of(found, "out").why["locked"] > 0
    # What comes round brings its reasons; what comes from the ore has none but that no step takes it.
    waste = loss_of(found, "waste")
    assert 0 < waste.unused < 1
    assert waste.why["locked"] > 0


def test_the_reasons_of_the_shipped_blend() -> None:
    found = plain_run_of(starters.folder() / "blend.yaml")
    for stream in ("tails sample", "tails rest"):
        loss = loss_of(found, stream)
        assert loss.why["too_fine"] > 0.5
        assert loss.why["other"] < 0.1


def test_a_loop_of_which_little_comes_round_is_soon_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    rounds = 0
    put_down = losses_module._put_down

    def counted(*arguments: Any) -> None:
        nonlocal rounds
        rounds += 1
        put_down(*arguments)

    monkeypatch.setattr(losses_module, "_put_down", counted)
    steps = "".join(
        f"  s{i}: {{do: split, takes: {f'm{i}' if i else '[ore, m20]'}, gives: {{a: m{i + 1}, b: w{i}}}, "
        "split: {a: 50 %}}\n"
        for i in range(20)
    )
    sheet = sheet_of(f"ore: {{mass: 14 kg, grade: 2 g/t}}\nsteps:\n{steps}keep: [w0]\n")
    found = losses(solve(Model.of(sheet)))
    assert rounds < 19 * 20 * 4  # a millionth comes round: three times at most
    for loss in found:
        assert sum(loss.why.values()) == pytest.approx(1, abs=1e-14)
