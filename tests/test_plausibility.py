"""What can hardly be meant is noted, in a check and in a run, and refused nowhere; and what a rich ore weighs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sheets import plain_run_of, sheet_of

from flowsheet import starters
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.study.common.streams import weight

STEPS = """
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 10 mm}
  break: {do: jaw_crush, takes: [lumps, fines], gives: crushed, setting: 6 mm}
  grind: {do: pulverize, takes: crushed, gives: powder, gap: 0.3 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
keep: con
"""
ORE = "ore: {mass: 14 kg, grade: 22 g/t, sizes: {top: 60 mm, p80: 40 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}"


def model_of(text: str) -> Model:
    return Model.of(sheet_of(text))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("22 g/t", "3 %", "ore: a grade of 3 % is more than 1 % of gold. Is this a concentrate?"),
        ("d95: 1 mm", "d95: 1 mm, fineness: 92", "ore: a fineness of 92 is one of 9.2 % gold, which is hardly gold. Did"
         " you mean 920?"),
        ("d95: 1 mm", "d95: 1 mm, fineness: 18", "ore: a fineness of 18 is one of 1.8 % gold, which is hardly gold. Did"
         " you mean 18 ct, or 180?"),
        ("d95: 1 mm", "d95: 70 mm", "ore: gold grains coarser than 70 mm cannot lie in an ore whose largest piece is"),
        ("{d50: 0.3 mm, d95: 1 mm}", "{sizes: [{sieve: 90 mm, passing: 99 %}, {sieve: 1 mm, passing: 10 %}]}",
         "ore: gold grains coarser than 90 mm"),
        # A quartz sphere of 60 mm weighs 0.2997 kg.
        ("14 kg", "299 g", "ore: 299 g is less than one rock of 60 mm weighs (about 0.3 kg)"),
        ("opening: 10 mm", "opening: 61 mm", "scalp: no piece of the ore is as large as its opening of 61 mm, so all"),
        ("setting: 6 mm", "setting: 61 mm", "break: no piece of the ore is as large as its setting of 61 mm"),
        ("gap: 0.3 mm", "gap: 61 mm", "grind: no piece of the ore is as large as its gap of 61 mm"),
    ],
)  # fmt: skip
def test_what_can_hardly_be_meant_is_noted(old: str, new: str, told: str) -> None:
    text = ORE + STEPS
    assert text.count(old) == 1
    notes = model_of(text.replace(old, new)).notes()
    assert any(note.text.startswith(told) for note in notes), notes
    assert notes == [note for note in plain_run_of(text.replace(old, new)).notes if note in notes]


@pytest.mark.parametrize(
    ("old", "new"),
    [("22 g/t", "0.9 %"), ("d95: 1 mm", "d95: 60 mm"), ("14 kg", "300 g"), ("opening: 10 mm", "opening: 60 mm"),
     ("setting: 6 mm", "setting: 60 mm"), ("gap: 0.3 mm", "to: {p80: 61 mm}"),
     ("opening: 10 mm", "opening: 61 mm, split: {oversize: 10 %}, recovery: {oversize: 10 %}")],
)  # fmt: skip
def test_what_may_be_meant_is_not(old: str, new: str) -> None:
    assert model_of((ORE + STEPS).replace(old, new)).notes() == []


@pytest.mark.parametrize("path", sorted(starters.folder().glob("*.yaml")), ids=lambda path: path.stem)
def test_no_shipped_sheet_is_odd(path: Path) -> None:
    notes = Model.of(sheet_of(path)).notes()
    odd = {"grade_of_a_concentrate", "idle_step", "lighter_than_its_largest_rock", "grains_larger_than_rock"}
    assert not odd & {note.code for note in notes}


def test_an_odd_ore_without_sizes_is_noted_too() -> None:
    found = plain_run_of("ore: {mass: 1 kg, grade: 2 %}\nsteps: {a: {do: factors, takes: ore, gives: b}}\nkeep: b")
    assert any(note.code == "grade_of_a_concentrate" for note in found.notes)


def test_a_mass_to_stop_at_is_noted_where_it_is_used() -> None:
    told = "wash: washed down to 200 g: the model takes no more free gold to be lost for that."
    text = (ORE + STEPS).replace("tailings: tails}", "tailings: tails}, pull: 200 g")
    assert any(warning.text.startswith(told) for warning in plain_run_of(text).warnings)
    assert plain_run_of(ORE + STEPS).warnings == []
    given = text.replace("pull: 200 g", "pull: 200 g, recovery: {concentrate: 80 %}")
    assert plain_run_of(given).warnings == []


# ── rich ores ───────────────────────────────────────────────────────────────────────────────────────────────

RICH = """
ore: {mass: 10 kg, grade: 3 %, gold: {fineness: 800}}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 10 %}, recovery: {con: 90 %}}
keep: con
"""


def test_a_rich_feed_weighs_what_was_weighed_and_so_does_what_comes_of_it() -> None:
    found = plain_run_of(RICH)
    ore, con, tails = (found.streams[name] for name in ("ore", "con", "tails"))
    # 300 g of gold and a quarter of that in silver are 375 g of the 10 kg; 9.625 kg are rock.
    assert ore.mass == pytest.approx(10, rel=1e-12)
    assert ore.gold == pytest.approx(0.3, rel=1e-12)
    assert ore.grade == pytest.approx(0.03, rel=1e-12)
    assert con.mass == pytest.approx(0.9625 + 0.9 * 0.375, rel=1e-12)
    # Less than one percent of the tailings is gold, and it is counted all the same.
    assert tails.gold / tails.mass < 0.01
    assert tails.mass == pytest.approx(9 * 0.9625 + 0.1 * 0.375, rel=1e-12)
    assert con.mass_share + tails.mass_share == pytest.approx(1, rel=1e-12)
    assert ore.mass_share == pytest.approx(1, rel=1e-12)


def test_a_rich_ore_makes_room_for_its_metal_in_every_draw() -> None:
    text = RICH.replace("3 %", "3 % ± 0.5 %") + "title: drawn\n"
    model = model_of(text)
    drawn = solve(model, model.drawn(50, seed=3))
    np.testing.assert_allclose(weight(drawn, "ore", set()), 10, rtol=1e-12)
    np.testing.assert_allclose(weight(drawn, "con", set()) + weight(drawn, "tails", set()), 10, rtol=1e-12)
    assert np.ptp(weight(drawn, "con", set())) > 0


def test_two_ores_of_which_one_is_rich_add_up() -> None:
    found = plain_run_of("""
ores:
  vein: {mass: 2 kg, grade: 5 %}
  wall: {mass: 8 kg, grade: 10 g/t}
steps:
  wash: {do: factors, takes: [vein, wall], gives: {con: con, tails: tails}, split: {con: 5 %}, recovery: {con: 90 %}}
keep: con
""")
    streams = found.streams
    assert (streams["vein"].mass, streams["wall"].mass) == (pytest.approx(2), pytest.approx(8))
    assert streams["con"].mass_share + streams["tails"].mass_share == pytest.approx(1, rel=1e-12)


def test_a_table_s_grades_make_an_ore_rich_too() -> None:
    text = """
ore: {mass: 10 kg, sizes: [{sieve: 10 mm, passing: 100 %}, {sieve: 1 mm, passing: 50 %, grade: 4 %},
                           {sieve: pan, passing: 0 %, grade: 2 %}]}
steps: {part: {do: split, takes: ore, gives: {a: one, b: two}}}
keep: [one, two]
sieves: [1 mm]
"""
    found = plain_run_of(text)
    assert found.streams["ore"].gold == pytest.approx(0.3, rel=1e-9)
    assert found.streams["ore"].mass == pytest.approx(10, rel=1e-12)
    assert found.streams["one"].mass == pytest.approx(5, rel=1e-12)
    # The coarse rows weigh the metal too; rock makes room for it in equal parts, so their grade is near to the table's.
    row = next(row for row in found.coarse if row.opening == 0.001)
    rock = 5 * (1 - 0.3 / 0.9 / 10)
    assert row.grade == pytest.approx(0.2 / (rock + 0.2 / 0.9), rel=1e-9)


# ── one outlet ──────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("gives", ["pile", "{all: pile}"])
@pytest.mark.parametrize("more", ["", ", split: {OUT: 100 %}", ", recovery: {OUT: 100 %}"])
def test_given_shares_with_one_outlet_send_all_there(gives: str, more: str) -> None:
    step = f"{{do: factors, takes: ore, gives: {gives}{more.replace('OUT', 'all' if 'all' in gives else 'out')}}}"
    found = plain_run_of(f"{ORE}\nsteps: {{hold: {step}}}\nkeep: pile")
    assert found.streams["pile"].mass == pytest.approx(14, rel=1e-12)
    assert found.kept_share == pytest.approx(1, rel=1e-12)
