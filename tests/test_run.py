"""The questions answered on sheets small enough to check by hand."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from sheets import plain_run_of, sheet_of, solved

from flowsheet import starters
from flowsheet.show.run import run_tables
from flowsheet.show.run.terminal import show_run
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document
from flowsheet.study.common import coarse_fraction
from flowsheet.study.run.losses import REASONS, Loss
from flowsheet.study.run.run import run
from flowsheet.study.trials.trials import Trials, counts, parse_settings, run_trials

CONFIGS = sorted(starters.folder().glob("*.yaml"))


def tried(text: str, *settings: str) -> Trials:
    return run_trials(marked_document.parse(text, "sheet.yaml"), parse_settings(settings))


def ore(sizes: str = "{top: 40 mm, p80: 25 mm}", gold: str = "{d50: 0.3 mm, d95: 1 mm, fineness: 900}",
        grade: str = "20 g/t") -> str:  # fmt: skip
    return f"ore: {{mass: 10 kg, grade: {grade}, sizes: {sizes}, heavies: 5 %, gold: {gold}}}"


# ── the balance ─────────────────────────────────────────────────────────────────────────────────────────────

BY_FACTORS = """
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 80 %}}
  melt: {do: smelt, takes: con, gives: {button: button, slag: slag}, gold: 95 %, silver: 90 %}
  fire: {do: cupel, takes: button, gives: {bead: bead, absorbed: cupel}, gold_loss: 1 %, silver_loss: 4 %}
keep: bead
"""


def test_the_balance_of_a_sheet_of_factors_by_hand() -> None:
    found = plain_run_of(BY_FACTORS)
    ore, con, tails = (found.streams[name] for name in ("ore", "con", "tails"))
    assert (ore.mass, ore.gold) == (pytest.approx(10), pytest.approx(0.2e-3))
    assert ore.grade == pytest.approx(20e-6, rel=1e-12)
    assert (ore.mass_share, ore.gold_share) == (pytest.approx(1), pytest.approx(1))
    assert con.mass == pytest.approx(0.2, rel=1e-12)
    assert con.gold == pytest.approx(0.16e-3, rel=1e-12)
    assert con.grade == pytest.approx(800e-6, rel=1e-12)
    assert (con.mass_share, con.gold_share) == (pytest.approx(0.02), pytest.approx(0.8))
    assert tails.grade == pytest.approx(0.04e-3 / 9.8, rel=1e-12)
    assert found.kept == pytest.approx(0.16e-3 * 0.95 * 0.99, rel=1e-12)
    assert found.kept_share == pytest.approx(0.8 * 0.95 * 0.99, rel=1e-12)
    assert [stream.fate for stream in found.streams.values()] == ["fed", "inside", "lost", "inside", "lost", "kept",
                                                                  "lost"]  # fmt: skip
    assert len(con.sizes) == 1
    assert con.sizes[0].upper is None
    assert con.sizes[0].light + con.sizes[0].heavy == pytest.approx(0.2)


def test_the_bead_is_gold_and_silver_with_a_fineness_by_hand() -> None:
    found = plain_run_of(BY_FACTORS)
    bead, button, slag, cupel = (found.streams[name] for name in ("bead", "button", "slag", "cupel"))
    # 900 fine where the sheet says nothing: 1 g of silver with 9 g of gold.
    silver = 0.16e-3 / 9
    assert button.silver == pytest.approx(silver * 0.90, rel=1e-12)
    assert bead.silver == pytest.approx(silver * 0.90 * 0.96, rel=1e-12)
    assert cupel.silver == pytest.approx(silver * 0.90 * 0.04, rel=1e-12)
    assert slag.silver == pytest.approx(silver * 0.10, rel=1e-12)
    gold = 0.16e-3 * 0.95 * 0.99
    assert bead.gold == pytest.approx(gold, rel=1e-12)
    assert bead.mass == pytest.approx(bead.gold + bead.silver, rel=1e-12)
    fineness = gold / (gold + silver * 0.90 * 0.96)
    assert bead.grade == pytest.approx(fineness, rel=1e-12)
    assert button.mass == pytest.approx(button.gold + button.silver, rel=1e-12)


def test_the_slag_weighs_its_rock() -> None:
    # Gold in the slag weighs nothing beside 200 g of it.
    assert plain_run_of(BY_FACTORS).streams["slag"].mass == pytest.approx(0.2, rel=1e-12)


def test_a_rich_concentrate_weighs_its_gold_too() -> None:
    found = plain_run_of("""
ore: {mass: 1 kg, grade: 1000 g/t, gold: {fineness: 800}}
steps: {wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 1 %}, recovery: {con: 90 %}}}
keep: con
""")
    # 10 g of rock, 0.9 g of gold and a quarter of that in silver.
    assert found.streams["con"].mass == pytest.approx((10 + 0.9 + 0.225) / 1000, rel=1e-12)
    assert found.streams["tails"].mass == pytest.approx(0.99, rel=1e-12)


def test_an_ore_weighs_what_the_sheet_says_however_rich() -> None:
    found = plain_run_of("""
ore: {mass: 200 g, grade: 5 %}
steps: {melt: {do: smelt, takes: ore, gives: {button: button, slag: slag}}}
keep: button
""")
    assert found.streams["ore"].mass == pytest.approx(0.2, rel=1e-12)
    assert found.streams["ore"].grade == pytest.approx(0.05, rel=1e-12)
    assert found.streams["ore"].mass_share == pytest.approx(1, rel=1e-12)


TWO_ORES = """
ores:
  east: {mass: 10 kg, grade: 10 g/t, gold: {fineness: 800}}
  west: {mass: 30 kg, grade: 20 g/t, gold: {fineness: 900}}
steps:
  wash: {do: factors, takes: [east, west], gives: {con: con, tails: tails}, split: {con: 1 %}, recovery: {con: 50 %}}
  fire: {do: cupel, takes: con, gives: {bead: bead, absorbed: cupel}, gold_loss: 0 %, silver_loss: 10 %}
keep: bead
"""


def test_two_ores_by_hand() -> None:
    found = plain_run_of(TWO_ORES)
    assert list(found.streams)[:2] == ["east", "west"]
    east, west, con, bead = (found.streams[name] for name in ("east", "west", "con", "bead"))
    assert (east.mass_share, west.mass_share) == (pytest.approx(0.25), pytest.approx(0.75))
    assert (east.gold_share, west.gold_share) == (pytest.approx(1 / 7), pytest.approx(6 / 7))
    assert (con.mass, con.gold) == (pytest.approx(0.4), pytest.approx(0.35e-3))
    silver = 0.1e-3 / 4 + 0.6e-3 / 9  # 800 fine: a quarter of the gold; 900 fine: a ninth
    assert con.silver == pytest.approx(silver / 2, rel=1e-12)
    assert bead.silver == pytest.approx(0.9 * silver / 2, rel=1e-12)
    assert found.kept == pytest.approx(0.35e-3, rel=1e-12)


def test_two_ores_of_different_sizes_share_one_grid() -> None:
    found = plain_run_of("""
ores:
  east: {mass: 10 kg, grade: 10 g/t, sizes: {top: 30 mm, p80: 20 mm}, gold: {d50: 0.2 mm, d95: 1 mm}}
  west: {mass: 30 kg, grade: 20 g/t, sizes: {top: 80 mm, p80: 50 mm}, gold: {d50: 0.4 mm, d95: 2 mm}}
steps: {wash: {do: pan, takes: [east, west], gives: {concentrate: con, tailings: tails}}}
keep: con
""")
    east, west = found.streams["east"], found.streams["west"]
    assert sum(row.light for row in east.sizes) == pytest.approx(10, rel=1e-12)
    assert all(row.light == 0 for row in east.sizes if row.lower >= 0.0315)
    assert west.sizes[0].upper == 0.080
    assert found.coarse[0].opening == 0.045
    # Above 45 mm lies west alone.
    above = sum(row.light + row.heavy for row in west.sizes if row.lower >= 0.045)
    assert found.coarse[0].mass_share == pytest.approx(above / 40, rel=1e-12)


HELD_UP = f"""
{ore()}
steps:
  grind: {{do: pulverize, takes: ore, gives: powder, gap: 0.2 mm, held_up: 10 %}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: con
"""


def test_what_a_mill_holds_up_is_a_stream_and_a_loss() -> None:
    found = plain_run_of(HELD_UP)
    none = plain_run_of(HELD_UP.replace("10 %", "0 %"))
    held = found.streams["powder held up"]
    ground = none.streams["powder"]
    free = sum(row.free for row in ground.sizes)
    assert held.gold == pytest.approx(0.1 * free, rel=1e-12)
    assert held.free_share == pytest.approx(1, rel=1e-12)
    assert held.fate == "lost"
    assert held.mass == pytest.approx(held.gold + held.silver, rel=1e-12)
    assert found.streams["powder"].gold == pytest.approx(ground.gold - held.gold, rel=1e-12)
    assert found.streams["powder"].mass == pytest.approx(10, rel=1e-12)
    loss = next(loss for loss in found.losses if loss.stream == "powder held up")
    assert loss.why["other"] == pytest.approx(1)
    named = plain_run_of(HELD_UP.replace("gives: powder", "gives: {product: powder, held_up: lodged}"))
    assert named.streams["lodged"].gold == pytest.approx(held.gold, rel=1e-12)
    assert "powder held up" not in named.streams


# ── the coarse fraction ─────────────────────────────────────────────────────────────────────────────────────

ASSAYED = """
ore:
  mass: 10 kg
  grade: 25 g/t
  sizes:
    - {sieve: 50 mm, passing: 100 %}
    - {sieve: 20 mm, passing: 40 %, grade: 30 g/t}
    - {sieve: 5 mm, passing: 10 %}
  heavies: 5 %
  gold: {d50: 0.3 mm, d95: 1 mm}
sieves: [10 mm, 80 mm, 20000 um, 1/2 in, 12.7 mm]
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  look: {do: sort, takes: lumps, gives: {picked: specimens, left: plain}}
  wash: {do: pan, takes: [plain, fines], gives: {concentrate: con, tailings: tails}}
keep: [con, specimens]
"""


def test_the_coarse_fraction_of_an_assayed_sieve_table_by_hand() -> None:
    rows = {row.opening: row for row in plain_run_of(ASSAYED).coarse}
    assert list(rows) == [0.08, 0.02, 0.0127, 0.01, 0.005]
    assert len(plain_run_of(ASSAYED).coarse) == len(rows)
    assert rows[0.02].mass_share == pytest.approx(0.6, rel=1e-12)
    assert rows[0.02].grade == pytest.approx(30e-6, rel=1e-12)
    assert rows[0.02].gold_share == pytest.approx(6 * 30 / (10 * 25), rel=1e-12)
    # Between the sieves the passing is linear in log size: 10 mm lies half way from 20 mm to 5 mm.
    assert rows[0.01].mass_share == pytest.approx(1 - 0.25, rel=1e-9)


def test_an_opening_above_the_top_size_holds_nothing() -> None:
    row = plain_run_of(ASSAYED).coarse[0]
    assert row.opening == 0.080
    assert (row.mass_share, row.gold_share, row.grade, row.in_sight_share) == (0, 0, 0, 0)


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_coarse_shares_are_sums_over_the_classes_of_the_feed(path: Path) -> None:
    found = plain_run_of(path)
    ores = [found.streams[name] for name in found.solution.model.sheet.ores]
    for told in found.coarse:
        above = [row for stream in ores for row in stream.sizes if row.lower >= told.opening * (1 - 1e-9)]
        rock = sum(row.light + row.heavy for row in above)
        gold = sum(row.free + row.locked for row in above)
        assert told.mass_share == pytest.approx(rock / sum(o.mass for o in ores), rel=1e-12)
        assert told.gold_share == pytest.approx(gold / sum(o.gold for o in ores), rel=1e-12)
        assert told.grade == pytest.approx(gold / rock if rock else 0, rel=1e-12)
        assert 0 <= told.in_sight_share <= told.gold_share * (1 + 1e-12)


@pytest.mark.parametrize("opening", ["22.4 mm", "5.6 mm", "11.2 mm", "2.8 mm", "0.0056 m"])
def test_a_screen_of_a_standard_size_is_told_once(opening: str) -> None:
    rows = plain_run_of(ASSAYED.replace("opening: 20 mm", f"opening: {opening}")).coarse
    told = [row.opening for row in rows]
    assert len(told) == len(set(told))
    size = number_with_doubt.parse(opening, units.LENGTH).value
    assert any(one == pytest.approx(size, rel=1e-12) for one in told)


LOOKED_OVER = f"""
{ore()}
steps:
  look: {{do: sort, takes: ore, gives: {{picked: specimens, left: plain}}, care: 0.7, sees: 0.25 mm, cluster: 3}}
keep: specimens
"""


def test_what_is_in_sight_is_what_the_sheet_s_sort_picks_of_the_same_feed() -> None:
    solution = solved(LOOKED_OVER)
    picked = solution.streams["specimens"]
    seen = coarse_fraction.in_sight(solution.streams["ore"], solution)
    np.testing.assert_allclose(seen, picked.free + picked.locked_by_host, rtol=1e-12, atol=0)
    for row in coarse_fraction.coarse(solution):
        above = solution.model.grid.coarser(row.opening)
        want = (picked.free + picked.locked_by_host)[:above].sum() / solution.fed_gold
        assert row.in_sight_share == pytest.approx(float(want), rel=1e-12)


def test_without_a_sort_gold_is_in_sight_as_for_one_with_the_defaults() -> None:
    sort = LOOKED_OVER.replace(", care: 0.7, sees: 0.25 mm, cluster: 3", "")
    none = f"{ore()}\nsteps: {{wash: {{do: pan, takes: ore, gives: {{concentrate: con, tailings: t}}}}}}\nkeep: con"
    assert plain_run_of(none).coarse == plain_run_of(sort).coarse
    assert plain_run_of(none).coarse[0].in_sight_share > 0


def test_gold_in_sight_of_one_class_by_hand() -> None:
    solution = solved(LOOKED_OVER.replace(", cluster: 3", ""))
    grid, feed = solution.model.grid, solution.streams["ore"]
    i = 3
    host, sizes = grid.size[i], grid.size
    rocks = (feed.light[i] / 2650 + feed.heavy[i] / 5000) / (math.pi / 6 * host**3)
    density = 1 / (0.9 / 19300 + 0.1 / 10490)
    want, blind = 0.0, 1.0
    seen = []
    for j, size in enumerate(sizes):
        x = host / size
        shows = 1 - ((x - 2) / x) ** 3 if x > 2 else 1.0
        seen.append(0.7 * shows if size >= 0.25e-3 else 0.0)
        grains = feed.locked[i, j] / (math.pi / 6 * size**3 * density * 0.9)
        blind *= math.exp(-grains / rocks * seen[j])
    for j, size in enumerate(sizes):
        want += feed.locked[i, j] * (1 - (1 - seen[j]) * blind)
        want += feed.free[j] * (0.7 if size >= 0.25e-3 else 0.0) if i == j else 0.0
    assert coarse_fraction.in_sight(feed, solution)[i] == pytest.approx(want, rel=1e-9)


def test_unknown_grains_are_not_in_sight() -> None:
    text = "ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 40 mm, p80: 25 mm}}\nsteps:\n  look: {do: sort, takes: ore, "
    found = plain_run_of(text + "gives: {picked: a, left: b}, split: {picked: 5 %}, recovery: {picked: 20 %}}\nkeep: a")
    assert [row.in_sight_share for row in found.coarse] == [0] * len(found.coarse)
    assert found.coarse[0].gold_share > 0


def test_openings_that_only_given_shares_name_are_told_of() -> None:
    found = plain_run_of(f"""
{ore()}
steps:
  sieve: {{do: screen, takes: ore, gives: {{oversize: over, undersize: under}}, recovery: {{oversize: 50 %}},
          split: {{oversize: {{"+17 mm": 98 %, "17 mm to 3 mm": 10 %, "-3 mm": 1 %}}}}}}
keep: under
""")
    assert [row.opening for row in found.coarse] == [0.0224, 0.017, 0.0112, 0.0056, 0.003, 0.0028]
    ore_sizes = found.streams["ore"].sizes
    above = sum(row.light + row.heavy for row in ore_sizes if row.lower >= 0.017)
    assert found.coarse[1].mass_share == pytest.approx(above / 10, rel=1e-12)


# ── a finer screen ──────────────────────────────────────────────────────────────────────────────────────────

SCREENED = f"""
{ore()}
steps:
  scalp: {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: 20 mm}}
  look: {{do: sort, takes: lumps, gives: {{picked: specimens, left: plain}}}}
  grind: {{do: pulverize, takes: [plain, fines], gives: powder, gap: 0.3 mm}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: [con, specimens]
"""


def test_finer_rows_are_the_sheets_solved_one_by_one() -> None:
    found = plain_run_of(SCREENED)
    assert [row.opening for row in found.finer] == [0.020, 0.016, 0.0112, 0.008, 0.0056]
    base = solved(SCREENED)
    for row in found.finer:
        alone = solved(SCREENED.replace("opening: 20 mm", f"opening: {row.opening} m"), openings=[0.020])
        assert (row.screen, row.sort) == ("scalp", "look")
        assert row.looked_over == pytest.approx(float(alone.streams["lumps"].solids), rel=1e-12)
        assert row.picked == pytest.approx(float(alone.streams["specimens"].gold), rel=1e-12)
        assert row.kept == pytest.approx(float(alone.kept_gold), rel=1e-12)
        assert row.gain == pytest.approx(float(alone.kept_gold - base.kept_gold), rel=1e-9, abs=1e-18)
        lumps, size = alone.streams["lumps"], alone.model.grid.size
        rocks = sum((lumps.light[i] / 2650 + lumps.heavy[i] / 5000) / (math.pi / 6 * size[i] ** 3)
                    for i in range(len(size)) if size[i] >= row.opening / 2)  # fmt: skip
        assert row.rocks == pytest.approx(float(rocks), rel=1e-12)
    assert found.finer[0].gain == 0
    assert all(a.picked < b.picked for a, b in zip(found.finer, found.finer[1:], strict=False))


def test_dust_on_the_oversize_is_no_rock_to_look_over() -> None:
    text = (starters.folder() / "finer_screen.yaml").read_text(encoding="utf-8")
    assert "efficiency: 90 %" in text
    for row in plain_run_of(text.replace("efficiency: 90 %", "efficiency: 60 %")).finer:
        # Were all of it pieces of half the opening, there would be so many, and more there can be none.
        least = 2650 * math.pi / 6 * (row.opening / 2) ** 3
        assert 1 < row.rocks < row.looked_over / least


def test_each_screen_that_is_looked_over_is_tried() -> None:
    twice = SCREENED.replace(
        "  grind:",
        "  again: {do: screen, takes: fines, gives: {oversize: middle, undersize: sand}, opening: 8 mm}\n"
        "  peer: {do: sort, takes: middle, gives: {picked: small ones, left: small plain}}\n  grind:",
    ).replace("[plain, fines]", "[plain, small plain, sand]")
    rows = plain_run_of(twice).finer
    assert [row.screen for row in rows] == ["scalp"] * 5 + ["again"] * 5
    assert [row.opening for row in rows if row.screen == "again"] == [0.008, 0.0056, 0.004, 0.0028, 0.002]


@pytest.mark.parametrize(
    "changed",
    [
        SCREENED.replace("opening: 20 mm", "split: {oversize: 60 %}, recovery: {oversize: 60 %}"),
        SCREENED.replace("opening: 20 mm", "opening: 20 mm, split: {oversize: 60 %}"),
        SCREENED.replace("left: plain}}", "left: plain}, split: {picked: 5 %}, recovery: {picked: 20 %}}"),
        SCREENED.replace("takes: lumps", "takes: x").replace("undersize: fines", "undersize: x").replace(
            "[plain, fines]", "[plain, lumps]"
        ),
    ],
    ids=["screen by factors", "screen by factors with its opening", "sort by factors", "undersize is looked over"],
)  # fmt: skip
def test_no_finer_screen_is_tried_where_it_would_tell_nothing(changed: str) -> None:
    assert changed != SCREENED
    assert plain_run_of(changed).finer == []


# ── losses ──────────────────────────────────────────────────────────────────────────────────────────────────


def lost(text: str, stream: str) -> Loss:
    return next(loss for loss in plain_run_of(text).losses if loss.stream == stream)


def pan(**knobs: str) -> str:
    told = "".join(f", {name}: {value}" for name, value in knobs.items())
    return f"steps: {{wash: {{do: pan, takes: ore, gives: {{concentrate: con, tailings: tails}}{told}}}}}\nkeep: con"


#: Rock finer than its gold: every grain is free.
ALL_FREE = ore("{top: 0.1 mm, p80: 0.06 mm}", "{d50: 0.3 mm, d95: 0.3 mm}")
#: Nothing that breaking could free is freed.
ALL_LOCKED = ore("{top: 1 mm, p80: 0.6 mm}", "{d50: 0.1 mm, d95: 0.2 mm, detach: 0 %}")


def test_gold_too_fine_for_the_pan() -> None:
    loss = lost(f"{ALL_FREE}\n{pan(r_max='100 %', d50='1 mm')}", "tails")
    assert loss.why["too_fine"] == pytest.approx(1, rel=1e-12)
    assert loss.gold > 0.1e-3


def test_gold_still_locked() -> None:
    loss = lost(f"{ALL_LOCKED}\n{pan()}", "tails")
    assert loss.why["locked"] == pytest.approx(1, rel=1e-12)
    assert loss.gold > 0.1e-3


def test_gold_that_slips_at_any_size_is_no_matter_of_fineness() -> None:
    # Grains this coarse are lost only because no pan is perfect: r_max.
    loss = lost(f"{ALL_FREE}\n{pan(r_max='90 %', d50='1 um')}", "tails")
    assert loss.share == pytest.approx(0.1, rel=1e-3)
    assert loss.why["other"] == pytest.approx(1, rel=1e-3)


def test_why_of_free_gold_of_one_size_by_hand() -> None:
    # All grains in one class: R = 0.9/(1 + (60/grain)^2); of the loss 1 - R, 0.1 slips, the rest is too fine.
    text = f"{ore('{top: 0.1 mm, p80: 0.06 mm}', '{d50: 0.08 mm, d95: 0.08 mm}')}\n{pan(r_max='90 %')}"
    solution = solved(text)
    grain = float(solution.model.grid.size[np.flatnonzero(solution.streams["ore"].free)[0]])
    recovery = 0.9 / (1 + (60e-6 / grain) ** 2)
    loss = lost(text, "tails")
    free = float(solution.streams["tails"].free.sum() / solution.streams["tails"].gold)
    assert loss.why["other"] == pytest.approx(free * 0.1 / (1 - recovery), rel=1e-9)
    assert loss.why["too_fine"] == pytest.approx(free * (1 - 0.1 / (1 - recovery)), rel=1e-9)


def test_gold_not_seen() -> None:
    loss = lost(LOOKED_OVER, "plain")
    assert loss.why["not_seen"] == pytest.approx(1, rel=1e-12)


@pytest.mark.parametrize("stream", ["slag", "cupel"])
def test_gold_soaked_up(stream: str) -> None:
    loss = lost(BY_FACTORS, stream)
    assert loss.why["soaked_up"] == pytest.approx(1, rel=1e-12)
    assert loss.share == pytest.approx({"slag": 0.8 * 0.05, "cupel": 0.8 * 0.95 * 0.01}[stream], rel=1e-12)


def test_gold_lost_for_reasons_that_factors_do_not_tell() -> None:
    loss = lost(BY_FACTORS, "tails")
    assert loss.why["other"] == pytest.approx(1, rel=1e-12)
    assert (loss.gold, loss.share) == (pytest.approx(0.04e-3), pytest.approx(0.2))


def test_a_pan_without_grains_cannot_tell_fine_from_locked() -> None:
    text = f"ore: {{mass: 10 kg, grade: 20 g/t}}\n{pan(split='{concentrate: 2 %}', recovery='{concentrate: 70 %}')}"
    assert lost(text, "tails").why["other"] == pytest.approx(1, rel=1e-12)


CIRCUIT = f"""
{ore()}
steps:
  plates: {{do: pulverize, takes: [ore, coarse], gives: ground, gap: 0.4 mm}}
  sieve: {{do: screen, takes: ground, gives: {{oversize: coarse, undersize: powder}}, opening: 0.5 mm}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: con
"""


def test_a_loop_catches_every_grain_that_is_coarser_than_its_sieve() -> None:
    found = plain_run_of(CIRCUIT)
    feed, lower = found.solution.streams["ore"], found.solution.model.grid.lower
    by_grain = feed.free + feed.locked.sum(axis=0)
    want = float(by_grain[lower >= 0.5e-3 * (1 - 1e-9)].sum())
    (caught,) = found.caught
    assert caught.loop == ("plates", "sieve")
    assert caught.stream == "coarse"
    assert caught.gold == pytest.approx(want, rel=1e-9)
    assert caught.solids == pytest.approx(0, abs=1e-12)
    assert caught.circulating_load == pytest.approx(found.streams["coarse"].mass / 10, rel=1e-12)
    assert sum(row.free + row.locked for row in caught.sizes) == pytest.approx(caught.gold, rel=1e-12)
    assert all(row.free + row.locked == 0 for row in caught.sizes if row.lower < 0.5e-3 * (1 - 1e-9))
    assert sum(row.free for row in caught.sizes) > 0.9 * caught.gold
    loss = next(loss for loss in found.losses if loss.stream == "coarse")
    assert loss.why["caught"] == pytest.approx(1)
    assert loss.gold == pytest.approx(caught.gold, rel=1e-12)
    assert found.kept + sum(loss.gold for loss in found.losses) == pytest.approx(200e-6, rel=1e-12)


def test_what_a_loop_caught_is_advised_to_be_panned_first() -> None:
    found = plain_run_of(CIRCUIT)
    change = next(change for change in found.advice if change.setting == "coarse")
    panned = plain_run_of(CIRCUIT.replace("takes: [ore, coarse]", "takes: [ore, rest]").replace("keep: con", """
  by hand: {do: pan, takes: coarse, gives: {concentrate: nuggets, tailings: rest}}
keep: [con, nuggets]
"""))  # fmt: skip
    assert change.then == "panned first"
    assert change.gain == pytest.approx(panned.kept - found.kept, rel=1e-9)
    assert change.gain != pytest.approx(found.caught[0].gold, rel=1e-3)
    assert change.gain_share == pytest.approx(change.gain / 200e-6, rel=1e-12)


def test_names_that_the_sheet_has_are_not_given_to_the_pan_of_the_advice() -> None:
    (change,) = (change for change in plain_run_of(CIRCUIT).advice if change.setting == "coarse")
    named = CIRCUIT.replace("  wash:", "  pan coarse:").replace(": con", ": coarse panned off")
    named = named.replace("powder", "coarse panned")
    (same,) = (change for change in plain_run_of(named).advice if change.setting == "coarse")
    assert same.gain == pytest.approx(change.gain, rel=1e-12)


def test_of_what_a_loop_caught_all_can_be_won_at_most_where_no_grains_are_known() -> None:
    found = plain_run_of("""
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  a: {do: factors, takes: [ore, back], gives: {on: on, out: out}, split: {on: 50 %}, recovery: {on: 70 %}}
  b: {do: factors, takes: on, gives: {back: back, off: off}, split: {back: 50 %}, recovery: {back: 100 %}}
  c: {do: factors, takes: out, gives: {hold: hold, more: more}, split: {hold: 1 %}, recovery: {hold: 100 %}}
  d: {do: factors, takes: [hold, again], gives: {again: again, end: end}, split: {end: 50 %}, recovery: {again: 100 %}}
keep: [off, end, more]
""")
    change = found.advice[0]
    assert (change.setting, change.then) == ("again", "cleaned out by hand, at most")
    assert change.gain == pytest.approx(200e-6, rel=1e-9)


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_losses_are_ranked_and_their_reasons_make_one(path: Path) -> None:
    found = plain_run_of(path)
    assert [loss.gold for loss in found.losses] == sorted((loss.gold for loss in found.losses), reverse=True)
    ends = {name for name, stream in found.streams.items() if stream.fate == "lost"}
    assert ends <= {loss.stream for loss in found.losses}
    for loss in found.losses:
        assert tuple(loss.why) == REASONS
        assert sum(loss.why.values()) == pytest.approx(1, rel=1e-9)
        assert min(loss.why.values()) >= 0
    fed = sum(found.streams[name].gold for name in found.solution.model.sheet.ores)
    assert found.kept + sum(loss.gold for loss in found.losses) == pytest.approx(fed, rel=1e-12)


# ── advice ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_advice_gains_what_a_trial_of_the_same_change_gains(path: Path) -> None:
    found = plain_run_of(path)
    caught = {row.stream for row in found.caught}
    assert found.advice
    assert [c.gain for c in found.advice] == sorted((c.gain for c in found.advice), reverse=True)
    fed = sum(found.streams[name].gold for name in found.solution.model.sheet.ores)
    for change in found.advice:
        assert change.gain > 0
        assert change.gain_share == pytest.approx(change.gain / fed, rel=1e-12)
        if change.setting in caught:
            continue
        again = run_trials(marked_document.read(path), {change.setting: [change.then]})
        assert again.rows[0].gain == pytest.approx(change.gain, rel=1e-6, abs=1e-15)


def test_what_is_as_good_already_is_not_advised() -> None:
    text = SCREENED.replace(
        "gives: {picked: specimens, left: plain}", "gives: {picked: specimens, left: plain}, care: 1"
    )
    assert "look.care" in {change.setting for change in plain_run_of(SCREENED).advice}
    assert "look.care" not in {change.setting for change in plain_run_of(text).advice}


def test_factors_in_place_of_a_model_leave_its_knobs_without_advice() -> None:
    text = SCREENED.replace(
        "tailings: tails}", "tailings: tails}, split: {concentrate: 1 %}, recovery: {concentrate: 80 %}"
    )
    advised = {change.setting for change in plain_run_of(text).advice}
    assert {s for s in advised if s.startswith("wash.")} == set()
    assert advised


# ── trials ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_trials_by_hand() -> None:
    found = tried(BY_FACTORS, "wash.recovery.con=50%,100%", "melt.gold=50%")
    assert found.moved == {"wash.recovery.con": ["50%", "100%"], "melt.gold": ["50%"]}
    assert found.base.kept == pytest.approx(0.2e-3 * 0.8 * 0.95 * 0.99, rel=1e-12)
    half, all_of_it = found.rows
    assert half.kept == pytest.approx(0.2e-3 * 0.5 * 0.5 * 0.99, rel=1e-12)
    assert half.kept_share == pytest.approx(0.2475, rel=1e-12)
    assert half.gain == pytest.approx(half.kept - found.base.kept, rel=1e-12)
    assert (half.worst_stream, half.worst) == ("tails", pytest.approx(0.1e-3))
    assert (all_of_it.worst_stream, all_of_it.worst_share) == ("slag", pytest.approx(0.5))
    assert half.lost == {"tails": pytest.approx(0.1e-3), "slag": pytest.approx(0.05e-3), "cupel": pytest.approx(0.5e-6)}


def test_a_trial_of_the_sheet_s_own_value_changes_nothing() -> None:
    found = tried(SCREENED, "scalp.opening=20 mm,7 mm")
    assert found.rows[0].kept == pytest.approx(found.base.kept, rel=1e-13)
    assert found.rows[1].kept != pytest.approx(found.base.kept, rel=1e-6)


def test_progress_sees_every_trial() -> None:
    seen: list[int] = []
    run_trials(
        marked_document.parse(BY_FACTORS), parse_settings(["melt.gold=50%,60%,70%"]), lambda x: seen.extend(x) or seen
    )
    assert seen == [0, 1, 2]


@pytest.mark.parametrize(
    ("setting", "values"),
    [
        ("sieve.opening=1/2 in to 1 in in 3", ["1/2 in", "0.707 in", "1 in"]),
        ("sieve.opening=1/4 to 2 1/4 in in 3", ["1/4 in", "0.75 in", "2 1/4 in"]),
        ("sieve.opening=1e-3 m to 8e-3 m in 4", ["1e-3 m", "0.002 m", "0.004 m", "8e-3 m"]),
        ("sieve.opening=#20 to 60 mesh in 2", ["0.85 mm", "0.25 mm"]),
        ("sieve.opening=½ in to 1 in in 2", ["1/2 in", "1 in"]),
        ("wash.passes=1 to 5 in 3", ["1", "3", "5"]),
        ("wash.passes=5 to 1 in 5", ["5", "4", "3", "2", "1"]),
        ("steps.wash.passes=1 to 5 in 2", ["1", "5"]),
    ],
)
def test_a_range_takes_the_numbers_of_a_sheet(setting: str, values: list[str]) -> None:
    sheet = sheet_of(SCREENED)
    (found,) = parse_settings([setting], counts(sheet)).values()
    assert found == values


@pytest.mark.parametrize(
    ("setting", "message", "remedy"),
    [
        ("wash.passes=1 to 5 in 4", "no 4 whole numbers", "Write 1 to 5 in 3 or 1 to 5 in 5"),
        ("wash.passes=7 to 1 in 5", "no 5 whole numbers", "Write 7 to 1 in 4 or 7 to 1 in 7"),
        ("steps.wash.passes=1 to 5 in 9", "no 9 whole numbers", "Write 1 to 5 in 5"),
        ("wash.passes=1 to 999999999 in 4", "no 4 whole numbers", "Write 1 to 999999999 in 3 or 1 to 999999999 in 692"),
        ("sieve.opening=#21 to #60 in 3", "no 21 mesh", "20 mesh (0.85 mm)"),
        ("sieve.opening=1/0 in to 1 in in 3", "divides by nothing", "a number below the line"),
    ],
)
def test_a_range_that_cannot_be_spread_says_what_can(setting: str, message: str, remedy: str) -> None:
    with pytest.raises(SheetError) as caught:
        parse_settings([setting], counts(sheet_of(SCREENED)))
    (mistake,) = caught.value.mistakes
    assert message in mistake.message
    assert remedy in mistake.remedy


# ── nothing to tell ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("text", [SCREENED, CIRCUIT, LOOKED_OVER, BY_FACTORS, HELD_UP])
def test_an_ore_without_gold_is_solved_all_the_same(text: str) -> None:
    found = plain_run_of(text.replace("20 g/t", "0 g/t"))
    assert (found.kept, found.kept_share) == (0, 0)
    assert found.advice == []
    assert all(stream.gold == stream.gold_share == stream.grade == 0 for stream in found.streams.values())
    assert all(math.isfinite(stream.mass) and math.isfinite(stream.free_share) for stream in found.streams.values())
    assert all(loss.gold == loss.share == 0 for loss in found.losses)
    assert all(row.gold_share == row.in_sight_share == 0 for row in found.coarse)
    assert found.solution.closure.solids <= 1e-12
    assert found.solution.closure.gold <= 1e-12


def test_factors_alone_go_through_every_question() -> None:
    found = plain_run_of(starters.folder() / "factors.yaml")
    assert found.coarse == []
    assert found.finer == []
    assert found.advice
    assert found.losses[0].stream == "tails"


def test_warnings_and_cautions_of_the_steps_are_told() -> None:
    found = plain_run_of(TWO_ORES)
    assert any(note.subject.step == "fire" and "rock" in note.text for note in found.warnings)  # gangue in the cupel
    assert found.cautions[-1] == "Local codes and licensed practice come first."
    assert sum("Local codes" in text for text in found.cautions) == 1
    assert plain_run_of(BY_FACTORS).warnings == []  # its button is clean
    for step in found.solution.model.sheet.steps.values():
        for caution in step.cautions:
            assert any(caution in text for text in found.cautions)


def test_a_table_of_one_size_is_noted_with_the_slope_that_was_taken() -> None:
    table = "[{sieve: 60 mm, passing: 100 %}]"
    for text, what in (
        (HELD_UP.replace("{top: 40 mm, p80: 25 mm}", table), "sieve table"),
        (HELD_UP.replace("d50: 0.3 mm, d95: 1 mm", f"sizes: {table.replace('60', '2')}"), "table of gold grains"),
    ):
        (note,) = (note for note in plain_run_of(text).notes if note.code == "slope_below_taken")
        assert note.numbers == {"table": what, "slope": 0.7}
        assert f"the {what} has one size" in note.text
    found = plain_run_of(HELD_UP.replace("{top: 40 mm, p80: 25 mm}", table))
    finer = sum(row.light + row.heavy for row in found.streams["ore"].sizes if row.upper <= 0.016)
    assert finer == pytest.approx(10 * (16 / 60) ** 0.7, rel=1e-12)
    assert not any(note.code == "slope_below_taken" for note in plain_run_of(ASSAYED).notes)


def test_a_dirty_table_is_noted() -> None:
    found = plain_run_of(ASSAYED.replace("    - {sieve: 50 mm, passing: 100 %}\n", ""))
    assert any(note.code == "largest_piece_taken" for note in found.notes)


# ── the ore's own sieves ────────────────────────────────────────────────────────────────────────────────────

SIEVED = """
ore:
  mass: 20 kg
  grade: 10 g/t
  sizes:
    - {sieve: 50 mm,  passing: 100 %}
    - {sieve: 30 mm,  passing: 70 %, grade: 4 g/t}
    - {sieve: 7 mm,   passing: 40 %}
    - {sieve: 150 um, passing: 10 %, grade: 9 g/t}
  gold: {d50: 0.1 mm, d95: 0.4 mm}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 12 mm}
keep: lumps
"""


def test_assayed_sieves_are_shown_back_as_they_are() -> None:
    found = run(sheet_of(SIEVED), certain=False)
    told = [(row.upper, row.lower, row.assayed) for row in found.sieved]
    assert told == [(0.05, 0.03, True), (0.03, 0.007, False), (0.007, 1.5e-4, True), (1.5e-4, 0.0, False)]
    assert [row.mass for row in found.sieved] == pytest.approx([6.0, 6.0, 6.0, 2.0])
    assert [row.mass_share for row in found.sieved] == pytest.approx([0.3, 0.3, 0.3, 0.1])
    assert [found.sieved[0].grade, found.sieved[2].grade] == pytest.approx([4e-6, 9e-6])
    # What was not assayed shares the rest of the ore's gold.
    assert sum(row.gold for row in found.sieved) == pytest.approx(20 * 10e-6)
    assert [row.gold_share for row in found.sieved][::2] == pytest.approx([6 * 4 / 200, 6 * 9 / 200])
    assert sum(row.gold_share for row in found.sieved) == pytest.approx(1.0)


def test_no_row_between_assayed_sieves_takes_their_place() -> None:
    found = run(sheet_of(SIEVED), certain=False)
    assert [row.opening for row in found.coarse] == pytest.approx([0.03, 0.012, 0.007, 1.5e-4])
    plain = run(sheet_of(SIEVED.replace(", grade: 4 g/t", "").replace(", grade: 9 g/t", "")), certain=False)
    assert plain.sieved == []
    assert 0.0224 in [row.opening for row in plain.coarse]


def test_the_ores_own_sieves_in_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    found = run(sheet_of(SIEVED), certain=False)
    grid = run_tables.sieved(found)
    assert [column.head for column in grid.columns][:2] == ["Coarser than, mm", "Finer than, mm"]
    assert b"30,50,6,30,4,24,12,assayed" in grid.csv()
    show_run(found)
    assert "The ore by its own sieves" in capsys.readouterr().out
