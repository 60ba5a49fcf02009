"""Several tests of one pile: laws of sacks, the estimate, its coverage, ledgers, and what is told of them."""

from __future__ import annotations

import csv
import io
import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import Command
from piles import Grains, sheet_text
from sheets import sheet_of

from flowsheet.show.graphics.style import png
from flowsheet.show.lot import lot_plots, lots
from flowsheet.show.text import workbook
from flowsheet.show.text.line_width import WIDTH
from flowsheet.show.text.tables import Column, Grid
from flowsheet.spec.blocks.pile import TYPICAL_SPREAD
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.written.written_list import LIST
from flowsheet.study.lot.combine_tests import lot, luck_of
from flowsheet.study.lot.ledger import Ledger, Test, read_ledger
from flowsheet.study.lot.pile_estimate import PileEstimate
from flowsheet.study.lot.pile_total import UntestedRock
from flowsheet.study.lot.sack_likelihood import SHARP, PileGrains
from flowsheet.study.lot.spread_between_sacks import MEDIAN, SackReader, Sacks, sigma
from flowsheet.study.lot.student_interval import plain_lot

ROOT = Path(__file__).parent.parent
PILE = ROOT / "examples" / "pile" / "pile.yaml"
NO_GRAINS = PileGrains(np.zeros(0), np.zeros(0))
ONE_SIZE = PileGrains(np.array([1e-5]), np.array([1.0]))


def sacks_of(gold: Any, sd: Any, mass: float = 14.0) -> list[Test]:
    return [Test(f"sack{k + 1}", f"sack{k + 1}.csv", mass, float(g), float(s)) for k, (g, s) in
            enumerate(zip(gold, np.broadcast_to(sd, np.shape(gold)), strict=True))]  # fmt: skip


# ── the law of a sack ───────────────────────────────────────────────────────────────────────────────────────


def test_a_table_holds_the_compound_poisson_law() -> None:
    mass, share = np.array([8e-5, 2e-5, 1e-6]), np.array([0.5, 0.3, 0.2])
    luck = PileGrains(mass, share)
    table = luck.table(1e-4, 4e-4, 0.1)
    for row, expected in zip(table.chance, np.exp(table.expected), strict=True):
        gold = (np.arange(len(row)) - table.cells(0.0)) * table.step
        mean = row @ gold
        assert row.sum() == pytest.approx(1, abs=1e-6)
        assert mean == pytest.approx(expected, rel=1e-3)
        variance = expected * luck.heavy
        assert row @ (gold - mean) ** 2 == pytest.approx(variance, rel=2e-3)
        skew = expected * float(share @ mass**2)
        assert row @ (gold - mean) ** 3 == pytest.approx(skew, rel=2e-2)


def test_one_grain_size_is_the_poisson_law() -> None:
    # Of single grains weighed sharply, the likelihood is Poisson's: e^-n n^k, n grains expected.
    table = ONE_SIZE.table(1e-6, 2e-4, 0.05)
    for k in (0, 1, 4):
        found = table.likelihood(k * 1e-5, 3e-7)
        n = np.exp(table.expected) / 1e-5
        slow = np.exp(-n) * n**k
        assert found / found.max() == pytest.approx(slow / slow.max(), abs=2e-3)


def test_what_a_sack_tells_agrees_with_the_slow_way() -> None:
    """Whole integral over each sack's grade, by plain sums, with Poisson's law of equal grains."""
    counts, rock, each = np.array([3, 5, 2, 6]), 14.0, 1e-5
    sacks = Sacks(counts * each, np.full(4, 1e-7), np.full(4, rock))
    reader = SackReader(ONE_SIZE, sacks, 0.4)
    found = reader.posterior()
    mean, spread = np.linspace(-15.5, -11.0, 181), np.linspace(0.005, 2.0, 60)
    log = np.zeros((len(spread), len(mean)))
    z = np.linspace(-6, 6, 241)
    for q, tau in enumerate(spread):
        s = float(sigma(tau))
        grade = np.exp(mean[:, None] - s**2 / 2 + s * z)
        for k in counts:
            n = grade * rock / each
            log[q] += np.log((np.exp(-n + k * np.log(n)) * np.exp(-(z**2) / 2)).sum(axis=1))
    grade = np.exp(mean)
    weighing = float((np.maximum(1e-7, SHARP * sacks.found) ** 2).mean()) / rock**2
    here = each / rock * grade + (spread[:, None] ** 2 + SHARP**2) * grade**2 + weighing
    there = each / rock * sacks.scale + (spread[:, None] ** 2 + SHARP**2) * sacks.scale**2 + weighing
    log += mean - 0.5 * np.log(here / there) - 0.5 * (spread[:, None] / 0.4) ** 2
    slow = np.exp(log - log.max()).sum(axis=0)
    rising = np.cumsum(slow) / slow.sum()
    for share in (0.05, 0.5, 0.95):
        assert found.mean_quantile(share) == pytest.approx(math.exp(np.interp(share, rising, mean + 0.0125)), rel=0.02)


# ── the estimate ────────────────────────────────────────────────────────────────────────────────────────────


def test_where_all_sacks_are_tested_only_weighing_is_left() -> None:
    gold = np.array([2e-4, 3e-4, 1e-4])
    estimate = PileEstimate.of(ONE_SIZE, sacks_of(gold, 2e-6))
    whole = estimate.gold(UntestedRock(np.zeros(0)))
    assert whole.mean == pytest.approx(6e-4, rel=1e-12)
    assert whole.sd == pytest.approx(2e-6 * math.sqrt(3), rel=1e-9)
    assert estimate.one_more(UntestedRock(np.zeros(0))) is None


def test_without_grains_and_with_many_sacks_it_is_the_plain_interval() -> None:
    rng = np.random.default_rng(3)
    gold = 3e-4 * np.exp(rng.normal(-0.02, 0.2, 400))
    found = PileEstimate.of(NO_GRAINS, sacks_of(gold, 1e-7)).grade()
    low, high = plain_lot(list(gold / 14)).student()
    assert found.p5 == pytest.approx(low, rel=3e-3)
    assert found.p95 == pytest.approx(high, rel=3e-3)


def test_more_sacks_narrow_it_and_the_forecast_of_one_more_is_fair() -> None:
    rng = np.random.default_rng(5)
    gold = 3e-4 * np.exp(rng.normal(-0.05, 0.3, 9))
    widths = [PileEstimate.of(ONE_SIZE, sacks_of(gold[:n], 3e-6)).grade() for n in (2, 4, 8)]
    spans = [one.p95 - one.p5 for one in widths]
    assert spans[0] > spans[1] > spans[2]
    more = PileEstimate.of(ONE_SIZE, sacks_of(gold[:4], 3e-6)).one_more(None)
    assert more is not None
    assert more.now == pytest.approx(spans[1], rel=1e-9)
    assert 0.75 * more.now < more.then < more.now
    # What it forecasts is the average over what the fifth sack may hold; one that is as expected comes near to it.
    fifth = PileEstimate.of(ONE_SIZE, sacks_of([*gold[:4], gold[:4].mean()], 3e-6)).grade()
    assert fifth.p95 - fifth.p5 == pytest.approx(more.then, rel=0.2)


def test_a_doubt_that_all_share_is_not_averaged_out() -> None:
    gold = np.full(30, 3e-4)
    own = sacks_of(gold, 3e-6)
    shared = [Test(t.name, t.file, t.mass, t.gold, math.hypot(t.sd, 0.05 * t.gold), common=0.05) for t in own]
    rest = UntestedRock(np.full(10, 14.0))
    narrow, wide = (PileEstimate.of(NO_GRAINS, tests).gold(rest) for tests in (own, shared))
    assert wide.p95 - wide.p5 == pytest.approx(2 * 1.645 * 0.05 * 40 * 3e-4, rel=0.1)
    assert narrow.p95 - narrow.p5 < 0.5 * (wide.p95 - wide.p5)


def test_sacks_without_any_gold_leave_an_upper_end() -> None:
    found = PileEstimate.of(ONE_SIZE, sacks_of([0.0, 0.0, 0.0], 1e-7)).grade()
    # Three sacks of 14 kg without one grain of 10 mg: 3.0 grains at 95 % by the flat prior, 1.9 by Jeffreys', spread
    # between sacks on top.
    grain = 1e-5 / 42
    assert found.p5 < 0.1 * grain
    assert 1.5 * grain < found.p95 < 5 * grain


def test_next_to_no_grains_are_said_to_be_too_few() -> None:
    sheet = sheet_of(sheet_text(3, 6, 5, 40))
    few = lot(Ledger(sheet, tuple(sacks_of([0.0, 3e-4, 0.0, 1e-6], 1e-6)), (), ()))
    assert any(note.code == "few_grains" for note in few.notes)
    many = lot(Ledger(sheet, tuple(sacks_of([6e-3, 3e-3, 5e-3, 4e-3], 1e-5)), (), ()))
    assert not any(note.code == "few_grains" for note in many.notes)


@pytest.mark.parametrize("n", [8, 60])
def test_a_sack_that_is_far_off_is_shown_and_still_counts(n: int) -> None:
    rng = np.random.default_rng(2)
    gold = 3e-4 * np.exp(rng.normal(0, 0.15, n))
    gold[3] *= 12
    sheet = sheet_of(sheet_text(0.1, 0.3, 20, 100))
    found = lot(Ledger(sheet, tuple(sacks_of(gold, 3e-6)), (), ()))
    assert [row.name for row in found.outlying] == ["sack4"]
    assert found.outlying[0].outlying == "rich"
    assert found.plain.n == n
    assert "sack4 (rich" in lots.standing_out(found)
    without = lot(Ledger(sheet, tuple(t for t in sacks_of(gold, 3e-6) if t.name != "sack4"), (), ()))
    assert not without.outlying
    assert found.grade.mean > 1.05 * without.grade.mean
    # It says that such sacks may lie among those that nobody tested.
    assert found.spread.p5 > without.spread.p95


# ── coverage ────────────────────────────────────────────────────────────────────────────────────────────────

#: d50 and d95 of the gold in mm, grade in g/t, sacks tested.
ORES = {
    "fine": (0.1, 0.4, 20.0, 5),
    "middling": (0.5, 2.0, 20.0, 6),
    "coarse": (1.0, 4.0, 20.0, 5),
    "nuggety": (2.0, 5.0, 10.0, 5),
}
NUGGETY_T = 0.82
PILES, SACKS = 1000, 40


@pytest.mark.slow
@pytest.mark.parametrize("name", ORES)
def test_nine_intervals_in_ten_hold_the_truth(name: str) -> None:
    """1,000 piles of 40 sacks, grain by grain; how far sacks differ is drawn as the sheet's spread has it."""
    d50, d95, grade, tested = ORES[name]
    rng, gold = np.random.default_rng(20 + tested), Grains(1e-3 * d50, 1e-3 * d95)
    rock, whole = 14.0, 1e-6 * grade * 14.0 * SACKS
    luck = luck_of(sheet_of(sheet_text(d50, d95, grade, SACKS)), whole, [])
    rest = UntestedRock(np.full(SACKS - tested, rock))
    ours = plains = 0
    widths = []
    for _ in range(PILES):
        wide = float(sigma(abs(rng.normal(0, TYPICAL_SPREAD / MEDIAN))))
        expected = 1e-6 * grade * rock * np.exp(rng.normal(-(wide**2) / 2, wide, SACKS))
        held = gold.sacks(expected, rng)
        sd = 0.01 * held[:tested] + 1e-6
        weighed = np.maximum(rng.normal(held[:tested], sd), 0.0)
        found = PileEstimate.of(luck, sacks_of(weighed, sd, rock)).gold(rest)
        ours += found.p5 <= held.sum() <= found.p95
        widths.append((found.p95 - found.p5) / held.sum())
        low, high = plain_lot(list(weighed), SACKS).student()
        plains += low <= held.mean() <= high
    print(f"\n{name}: {100 * ours / PILES:.1f} % of our intervals hold the truth, {100 * plains / PILES:.1f} % of the "
          f"plain t intervals; ours is {np.median(widths):.2f} of the pile's gold wide")  # fmt: skip
    assert 0.87 <= ours / PILES <= 0.93
    if name == "nuggety":
        assert plains / PILES < NUGGETY_T


# ── ledgers ─────────────────────────────────────────────────────────────────────────────────────────────────

SHEET = """
title: A small pile
{pile}
ore: {{mass: 10 kg ± 20 g, grade: 20 g/t, sizes: {{top: 4 mm, p80: 2 mm}}, gold: {{d50: 0.3 mm, d95: 1 mm}}}}
steps: {{wash: {{do: pan, takes: ore, gives: {{concentrate: con, tailings: tails}}}}}}
keep: con
{weighed}
"""
HEAD = "stream,what,value,unit,sd\n"
BODY = "ore,mass,{mass:.2f},kg,0.02\ncon,gold,{con:.1f},mg,2\ntails,gold,{tails:.1f},mg,2\n"


def write_sheet(folder: Path, name: str = "pile.yaml", pile: str = "pile: {sacks: 12, sack_mass: 10 kg}",
                weighed: str = "") -> Path:  # fmt: skip
    path = folder / name
    path.write_text(SHEET.format(pile=pile, weighed=weighed), encoding="utf-8")
    return path


def write_test(folder: Path, name: str, gold_mg: float = 200.0, mass: float = 10.0) -> Path:
    path = folder / name
    body = BODY.format(mass=mass, con=0.9 * gold_mg, tails=0.1 * gold_mg)
    path.write_text(HEAD + body, encoding="utf-8")
    return path


def said_by(error: pytest.ExceptionInfo[SheetError]) -> str:
    return str(error.value)


def test_a_sheet_with_its_weigh_sheets(tmp_path: Path) -> None:
    for k, gold in enumerate((180, 210, 240), 1):
        write_test(tmp_path, f"sack{k}.csv", gold)
    sheet = write_sheet(tmp_path, weighed="weighed: {file: [sack1.csv, sack2.csv, sack3.csv]}")
    ledger = read_ledger(sheet)
    assert [(t.name, round(1e6 * t.gold), t.mass) for t in ledger.tests] == [
        ("sack1", 180, 10.0), ("sack2", 210, 10.0), ("sack3", 240, 10.0)]  # fmt: skip
    assert all(t.told and t.sd == pytest.approx(2e-6 * math.sqrt(2), rel=1e-6) for t in ledger.tests)
    found = lot(ledger)
    assert found.sacks == 12
    assert found.mass == pytest.approx(120)
    assert found.gold is not None
    assert found.gold.p5 < 12 * 0.21e-3 < found.gold.p95
    assert found.grade.mean == pytest.approx(found.gold.mean / 120)


def test_a_folder_reads_every_table_that_its_one_sheet_does_not_name(tmp_path: Path) -> None:
    for k in (1, 2, 10):
        write_test(tmp_path, f"sack{k}.csv")
    write_sheet(tmp_path, weighed="weighed: {file: sack2.csv}")
    # Those that it names first, then the others by number.
    assert [t.name for t in read_ledger(tmp_path).tests] == ["sack2", "sack1", "sack10"]
    write_sheet(tmp_path, weighed="weighed: {con: {gold: 170 mg}, tails: {gold: 25 mg}}")
    assert [t.name for t in read_ledger(tmp_path).tests] == ["A small pile", "sack1", "sack2", "sack10"]


def test_one_weigh_sheet_and_the_sheets_own_weights_are_one_test(tmp_path: Path) -> None:
    write_test(tmp_path, "sack1.csv")
    (tmp_path / "sack2.csv").write_text(HEAD + "ore,mass,10,kg,0.02\ncon,gold,180,mg,2\n", encoding="utf-8")
    write_sheet(tmp_path, weighed="weighed: {file: sack2.csv, tails: {gold: 30 mg}}")
    tests = read_ledger(tmp_path).tests
    assert [(t.name, round(1e6 * t.gold)) for t in tests] == [("sack2", 210), ("sack1", 200)]


def test_a_folder_of_sheets_that_name_their_own(tmp_path: Path) -> None:
    for k in (1, 2):
        write_test(tmp_path, f"t{k}.csv")
        write_sheet(tmp_path, f"s{k}.yaml", weighed=f"weighed: {{file: t{k}.csv}}")
    assert [t.name for t in read_ledger(tmp_path).tests] == ["t1", "t2"]
    write_test(tmp_path, "stray.csv")
    with pytest.raises(SheetError) as error:
        read_ledger(tmp_path)
    assert "stray.csv" in said_by(error)
    assert "Name it in its sheet, as weighed: {file: stray.csv}" in said_by(error)
    assert [Path(one.file).name for one in read_ledger(tmp_path, skip=True).left] == ["stray.csv"]


def test_the_fitted_sheet_beside_its_own_is_no_second_test(tmp_path: Path) -> None:
    write_test(tmp_path, "sack1.csv")
    for name in ("pile.yaml", "pile.fitted.yaml"):
        write_sheet(tmp_path, name, weighed="weighed: {file: sack1.csv}")
    assert [t.name for t in read_ledger(tmp_path).tests] == ["sack1"]
    (tmp_path / "pile.yaml").unlink()
    assert [t.name for t in read_ledger(tmp_path).tests] == ["sack1"]


def test_a_broken_file_stops_it_unless_it_is_to_be_skipped(tmp_path: Path) -> None:
    write_sheet(tmp_path)
    for k in (1, 2, 3):
        write_test(tmp_path, f"sack{k}.csv")
    (tmp_path / "sack2.csv").write_text(HEAD + "ore,mass,10.0,kg,0.02\ncon,gold,180,mug,2\ntials,gold,20,mg,2\n")
    with pytest.raises(SheetError) as error:
        read_ledger(tmp_path)
    said = said_by(error)
    assert f"{tmp_path / 'sack2.csv'}:3:" in said
    assert '"mug"' in said
    assert f"{tmp_path / 'sack2.csv'}:4:" in said
    assert 'Did you mean "tails"?' in said
    assert "of 3 tests and sheets, 1 cannot be used. Mend them, or leave them out with skip=True." in said
    ledger = read_ledger(tmp_path, skip=True)
    assert [t.name for t in ledger.tests] == ["sack1", "sack3"]
    told = list(lots.notes(lot(ledger)))
    assert any(line.startswith("Left out: ") and "sack2.csv, line 3" in line for line in told)


def test_a_named_file_that_is_not_there_is_told_where_it_is_named(tmp_path: Path) -> None:
    write_test(tmp_path, "sack1.csv")
    sheet = write_sheet(tmp_path, weighed="weighed:\n  file: [sack1.csv, sack7.csv, sack1.csv]")
    with pytest.raises(SheetError) as error:
        read_ledger(sheet)
    line = sheet.read_text(encoding="utf-8").splitlines().index("  file: [sack1.csv, sack7.csv, sack1.csv]") + 1
    assert f'{sheet}:{line}:21: weighed.file.1: read "sack7.csv": there is no such file' in said_by(error)
    assert f"{sheet}:{line}:32: weighed.file.2:" in said_by(error)
    assert "named twice" in said_by(error)
    assert len(read_ledger(sheet, skip=True).tests) == 1


def test_what_its_own_sheet_would_refuse_is_refused(tmp_path: Path) -> None:
    write_sheet(tmp_path)
    (tmp_path / "sack1.csv").write_text(HEAD + "ore,mass,10,kg,0.02\ntails,mass,12,kg,0.02\ncon,gold,180,mg,2\n")
    with pytest.raises(SheetError, match=r"sack1\.csv:3:.*tails"):
        read_ledger(tmp_path)


def test_an_empty_folder_and_one_without_tests(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="no sheet"):
        read_ledger(tmp_path)
    write_sheet(tmp_path)
    with pytest.raises(SheetError, match="no test is left to read"):
        read_ledger(tmp_path)


def test_a_test_that_does_not_tell_its_gold_is_left_out_and_said(tmp_path: Path) -> None:
    write_sheet(tmp_path)
    for k in (1, 2):
        write_test(tmp_path, f"sack{k}.csv")
    (tmp_path / "sack3.csv").write_text(HEAD + "ore,mass,10,kg,0.02\ncon,gold,150,mg,2\n")
    found = lot(read_ledger(tmp_path))
    assert [row.name for row in found.told] == ["sack1", "sack2"]
    told = " ".join(lots.notes(found))
    assert "sack3 held 0.150 g at least (15.0 g/t)" in told
    assert "left out of the estimate" in told
    assert "of tails" in told
    for k in (1, 2):
        (tmp_path / f"sack{k}.csv").unlink()
    with pytest.raises(SheetError, match="the weights of no test determine"):
        lot(read_ledger(tmp_path))


def test_weights_that_disagree_are_named(tmp_path: Path) -> None:
    write_sheet(tmp_path)
    write_test(tmp_path, "sack1.csv")
    body = "ore,mass,10,kg,0.02\ncon,mass,1,kg,0.01\ntails,mass,8,kg,0.02\ncon,gold,180,mg,2\ntails,gold,20,mg,2\n"
    (tmp_path / "sack2.csv").write_text(HEAD + body)
    told = " ".join(lots.notes(lot(read_ledger(tmp_path))))
    assert "The weights of sack2 disagree" in told
    assert "sack1 disagree" not in told


def test_more_tests_than_sacks_are_refused(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, pile="pile: {sacks: 2}")
    for k in (1, 2, 3):
        write_test(tmp_path, f"sack{k}.csv")
    with pytest.raises(SheetError, match="3 tests, but the pile has only 2 sacks") as error:
        lot(read_ledger(tmp_path))
    assert said_by(error).startswith(f'{sheet}:3:15: pile.sacks: read "2": ')
    with pytest.raises(SheetError, match="Write 3 or more, as sacks=3"):
        lot(read_ledger(tmp_path), sacks=2)
    assert lot(read_ledger(tmp_path), sacks=3).more is None


def test_without_a_pile_it_tells_the_grade_alone(tmp_path: Path) -> None:
    write_sheet(tmp_path, pile="")
    for k in (1, 2, 3):
        write_test(tmp_path, f"sack{k}.csv", 150 + 30 * k)
    found = lot(read_ledger(tmp_path))
    assert found.gold is None
    assert "add pile:" in lots.holds(found)
    assert found.as_dict()["gold_g"] is None


def test_a_part_of_a_sack_leaves_the_rest_of_it_untested(tmp_path: Path) -> None:
    write_sheet(tmp_path, pile="pile: {sacks: 3, sack_mass: 40 kg}")
    for k in (1, 2, 3):
        write_test(tmp_path, f"sack{k}.csv", 200)
    found = lot(read_ledger(tmp_path))
    assert found.mass == pytest.approx(120)
    assert any(note.code == "part_of_a_sack" for note in found.notes)


# ── what is told ────────────────────────────────────────────────────────────────────────────────────────────


def test_the_command_tells_and_writes(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("lot", str(PILE), "--json", "--out", str(tmp_path / "out"))
    assert done.code == 0, done.err
    found = done.json
    assert {"grade_g_per_t", "gold_g", "plain_t", "one_more_sack", "outlying", "tests", "left_out"} <= set(found)
    assert found["gold_g"]["p5"] < found["gold_g"]["mean"] < found["gold_g"]["p95"]
    assert found["grade_g_per_t"]["mean"] == pytest.approx(1e3 * found["gold_g"]["mean"] / found["pile_kg"])
    assert len(found["tests"]) == 6
    written = {path.name for path in (tmp_path / "out").iterdir() if path.name != LIST}
    assert written == {"tests.csv", "pile.csv", "lot.xlsx", "lot.png"}
    with (tmp_path / "out" / "tests.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    from openpyxl import load_workbook

    book = load_workbook(tmp_path / "out" / "lot.xlsx")
    assert book.sheetnames == ["pile", "tests", "remarks"]
    cells = list(book["tests"].values)
    assert [cell[0] for cell in cells[1:]] == [row["Test"] for row in rows] == [f"sack{k}" for k in range(1, 7)]
    for row, told, cell in zip(rows, found["tests"], cells[1:], strict=True):
        assert float(row["Gold, g"]) == pytest.approx(told["gold_g"], rel=1e-8)
        assert cell[2] == pytest.approx(told["gold_g"], rel=1e-12)
    assert any("not a resource statement" in str(line[0]) for line in book["remarks"].values)


def test_the_screen_is_narrow_and_careful(flowsheet: Command, tmp_path: Path) -> None:
    done = flowsheet("lot", str(PILE))
    assert done.code == 0
    assert max(map(len, done.out.splitlines())) <= WIDTH
    for text in ("What does the pile hold?", "plain t interval", "one more sack", "not a resource statement"):
        assert text in " ".join(done.out.split())


def test_the_luck_of_a_sack_counts_large_grains_too() -> None:
    ledger = read_ledger(PILE)
    found = lot(ledger)
    assert found.gold is not None
    # Σ share · m over the gold of a sack, of the grains that the pile may hold.
    luck = luck_of(ledger.sheet, sum(t.gold for t in found.told) * found.mass / 83.4, [])
    sack = np.mean([row.gold for row in found.told])
    assert found.luck == pytest.approx(math.sqrt(float(luck.share @ luck.mass) / sack), rel=0.01)
    assert found.usual_luck < 0.6 * found.luck
    said = lots.sure(found)
    assert f"± {100 * found.luck:.1f} % for one of them" in said
    assert f"± {100 * found.usual_luck:.1f} % but for the large grains that few sacks hold" in said


def test_the_example_says_what_its_first_sack_tells(tmp_path: Path) -> None:
    for path in PILE.parent.iterdir():
        (tmp_path / path.name).write_text(path.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "pile.yaml").write_text(
        PILE.read_text(encoding="utf-8").replace(
            "[sack1.csv, sack2.csv, sack3.csv, sack4.csv, sack5.csv, sack6.csv]", "sack1.csv"
        ),
        encoding="utf-8",
    )
    first = lot(read_ledger(tmp_path / "pile.yaml"))
    low, mean, high = (1e6 * end for end in (first.grade.p5, first.grade.mean, first.grade.p95))
    told = f"{mean:.1f} g/t, or anything\nfrom {low:.2f} to {high:.1f}"
    assert told in (PILE.parent / "README.md").read_text(encoding="utf-8")
    assert first.more is not None
    assert first.more.then / first.more.now == pytest.approx(2 / 3, abs=0.05)  # "a third off that"


def test_refusals_exit_with_2(flowsheet: Command, tmp_path: Path) -> None:
    write_sheet(tmp_path)
    write_test(tmp_path, "sack1.csv")
    done = flowsheet("lot", str(tmp_path), "--out", str(tmp_path))
    assert done.code == 2
    assert "Name another folder" in done.err
    (tmp_path / "sack2.csv").write_text("nothing\n")
    done = flowsheet("lot", str(tmp_path), "--json")
    assert done.code == 2
    assert not done.json["ok"]
    done = flowsheet("lot", str(tmp_path), "--skip")
    assert done.code == 0, done.err
    assert "One test tells nothing of how sacks differ" in " ".join(done.out.split())


def test_text_in_a_workbook_is_no_formula() -> None:
    from openpyxl import load_workbook

    rows = [("=1+1", 1.5), ("plain\x07", math.nan)]
    raw = workbook.workbook([Grid("tests", "", (Column("Test"), Column("Gold, g", str)), rows)], [])
    sheet = load_workbook(io.BytesIO(raw))["tests"]
    assert [(c.value, c.data_type) for c in sheet["A"]] == [("Test", "s"), ("=1+1", "s"), ("plain ", "s")]
    assert [c.value for c in sheet["B"]] == ["Gold, g", 1.5, None]


def test_pictures_of_few_and_of_many_sacks() -> None:
    rng = np.random.default_rng(4)
    sheet = sheet_of(sheet_text(0.1, 0.3, 20, 300))
    for n in (1, 60):
        found = lot(Ledger(sheet, tuple(sacks_of(3e-4 * np.exp(rng.normal(0, 0.3, n)), 3e-6)), (), ()))
        assert len(png(lot_plots.lot_figure(found))) > 5000
        assert len(lots.shown_rows(found)) == min(n, lots.MOST_ROWS)


# ── thousands ───────────────────────────────────────────────────────────────────────────────────────────────

IN_ONE_PASS = """
import json, resource, sys
from pathlib import Path
from flowsheet.study.lot.ledger import read_ledger
from flowsheet.study.lot.combine_tests import lot
seen = []
def progress(items):
    for item in items:
        seen.append(item)
        yield item
found = lot(read_ledger(Path(sys.argv[1]), sys.argv[2:] == ["skip"], progress))
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"peak": peak, "seen": len(seen), "found": found.as_dict()}))
"""


def make_folder(folder: Path, count: int) -> float:
    """Write ``count`` weigh sheets, grain by grain, and return the gold of all of them (g)."""
    folder.mkdir()
    write_sheet(folder, pile=f"pile: {{sacks: {2 * count}, sack_mass: 10 kg}}")
    rng, gold = np.random.default_rng(count), Grains(0.3e-3, 1e-3)
    held = gold.sacks(2e-4 * np.exp(rng.normal(-0.045, 0.3, count)), rng)
    for k, amount in enumerate(held, 1):
        con, tails = rng.normal(9e5 * amount, 2), rng.normal(1e5 * amount, 2)
        body = BODY.format(mass=rng.normal(10, 0.2), con=con, tails=max(tails, 0.0))
        (folder / f"sack{k}.csv").write_text(HEAD + body, encoding="utf-8")
    return 1e3 * float(held.sum())


@pytest.mark.slow
def test_five_thousand_weigh_sheets_in_one_pass(tmp_path: Path) -> None:
    peaks = []
    for count in (500, 5000):
        folder = tmp_path / str(count)
        make_folder(folder, count)
        done = subprocess.run([sys.executable, "-c", IN_ONE_PASS, str(folder)], capture_output=True, text=True,
                              check=True)  # fmt: skip
        told = json.loads(done.stdout)
        assert told["seen"] == count
        found = told["found"]
        assert found["used"] == count
        peaks.append(told["peak"])
        # The truth: 20 g/t (the spread's mean is one), known to 0.3 / √n and the luck of grains.
        assert found["grade_g_per_t"]["p95"] - found["grade_g_per_t"]["p5"] < 40 / math.sqrt(count)
        assert found["grade_g_per_t"]["mean"] == pytest.approx(20, abs=25 / math.sqrt(count))
        assert found["spread"]["mean"] == pytest.approx(0.307, abs=1 / math.sqrt(count))
    assert peaks[1] < 1.3 * peaks[0]
    (tmp_path / "500" / "sack77.csv").write_text(HEAD + "ore,mass,ten,kg,0.02\n", encoding="utf-8")
    with pytest.raises(SheetError, match=r"sack77\.csv:2:") as error:
        read_ledger(tmp_path / "500")
    assert "of 500 tests and sheets, 1 cannot be used" in said_by(error)
    ledger = read_ledger(tmp_path / "500", skip=True)
    assert len(ledger.tests) == 499
    assert [Path(one.file).name for one in ledger.left] == ["sack77.csv"]
