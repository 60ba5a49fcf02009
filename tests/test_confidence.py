"""What a run says of its own certainty: where the weights tell, where they contradict the sheet, one another, or tell
nothing. All numbers are invented."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from sheets import sheet_of

from flowsheet import forecast, starters
from flowsheet.show.balance import reconciled
from flowsheet.show.run import by_weights, sentences
from flowsheet.show.text import spans
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.common.interval import Interval
from flowsheet.study.estimate.bench_draws import ForecastRange
from flowsheet.study.estimate.chance import chance
from flowsheet.study.estimate.confidence import sure
from flowsheet.study.estimate.most_telling import most_telling
from flowsheet.study.run.run import Run, run

SACK = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"

SHEET = """
title: Two halves, weighed apart
ore:
  mass: 14.2 kg ± 20 g
  grade: 22 g/t ± 8 g/t
  sizes: {top: 100 mm, p80: 60 mm, slope: 0.7}
  gold: {d50: 0.15 mm, d95: 0.5 mm, fineness: 870 ± 20}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}
  mill:  {do: pulverize, takes: lumps, gives: ground, gap: 0.2 mm}
  wash:  {do: pan, takes: ground, gives: {concentrate: con, tailings: tails}}
keep: [con, fines]
weighed: {file: WEIGHED}
"""
GOOD = """stream,what,value,unit,sd
lumps,mass,9.1,kg,0.01
lumps,grade,2,g/t,0.1
lumps,assay mass,9,kg,
fines,mass,5.1,kg,0.01
fines,grade,10,g/t,0.5
fines,assay mass,5,kg,
"""
#: Lumps and fines hold 18.2 and 51 mg of gold.
HELD, ROCK = 69.2e-6, 14.2


def weighed(folder: Path, **tables: str) -> Sheet:
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    path = folder / "sheet.yaml"
    files = ", ".join(f"{name}.csv" for name in tables)
    path.write_text(SHEET.replace("WEIGHED", f"[{files}]" if len(tables) > 1 else files), encoding="utf-8")
    return sheet_of(path)


@pytest.mark.parametrize("gold", ["  gold: {d50: 0.15 mm, d95: 0.5 mm}\n", ""])
@pytest.mark.parametrize("weighed", ["{ore: {grade: 0 g/t}}", "{con: {gold: 0 mg}, fines: {grade: 0 g/t}}"])
def test_draws_without_gold_tell_no_share(gold: str, weighed: str) -> None:
    found = run(
        sheet_of(f"""
ore:
  mass: 14.2 kg ± 14 kg
  grade: 22 g/t
  sizes: {{top: 100 mm, p80: 60 mm}}
{gold}steps:
  scalp: {{do: split, takes: ore, gives: {{a: con, b: fines}}, recovery: {{a: 0}}}}
keep: [con]
weighed: {weighed}
""")
    )
    json.dumps(found.as_dict(), allow_nan=False)
    assert found.sure is not None
    assert found.sure.kept_share.mean == 0
    assert "nan" not in " ".join(answer for _, answer in sentences.answers(found))


def sure_of(found: Run) -> tuple[float, float, float]:
    assert found.sure is not None
    head = found.sure.head_grade
    return head.p5, head.mean, head.p95


def test_the_weights_tell_the_grade_and_refute_the_guess(tmp_path: Path) -> None:
    found = run(weighed(tmp_path, one=GOOD))
    low, mean, high = sure_of(found)
    assert low < HELD / ROCK < high
    assert mean == pytest.approx(HELD / ROCK, rel=0.06)
    assert [note.numbers["guess"] for note in found.warnings if note.code == "guess_refuted"] == [pytest.approx(22)]
    assert found.sure is not None
    assert found.sure.coarse_weighed == (0.02,)
    share = found.sure.coarse[0.02]
    assert share.p5 < 18.2 / 69.2 < share.p95
    assert found.this_test is not None
    mine, source = found.this_test.coarse[0.02]
    assert source == "weights"
    assert f"{spans.percent(mine)} of the gold by your weights" in sentences.coarse(found)


def test_a_guess_that_the_weights_bear_out_is_not_told(tmp_path: Path) -> None:
    sheet = weighed(tmp_path, one=GOOD)
    text = Path(sheet.file).read_text(encoding="utf-8").replace("22 g/t ± 8 g/t", "4.9 g/t ± 1 g/t")
    Path(sheet.file).write_text(text, encoding="utf-8")
    assert not any(note.code == "guess_refuted" for note in run(sheet_of(Path(sheet.file))).warnings)


def test_a_test_that_tells_too_little_is_left_out_and_named(tmp_path: Path) -> None:
    alone = sure_of(run(weighed(tmp_path, one=GOOD)))
    found = run(weighed(tmp_path, one=GOOD, part="stream,what,value,unit,sd\nground,passing 150 um,80,%,2\n"))
    assert sure_of(found) == pytest.approx(alone, rel=0.02)
    assert [note.subject.test for note in found.notes if note.code == "test_does_not_tell"] == ["part"]


@pytest.mark.slow
def test_two_tests_of_which_each_is_sure_of_another_grade_make_none_sure(tmp_path: Path) -> None:
    rich = GOOD.replace("grade,2,g/t,0.1", "grade,30,g/t,1").replace("grade,10,g/t", "grade,25,g/t")
    found = run(weighed(tmp_path, one=GOOD, two=rich))
    low, _, high = sure_of(found)
    assert low < 12e-6
    assert high > 16e-6
    assert any(note.code == "tests_differ" for note in found.notes)
    alike = run(weighed(tmp_path, one=GOOD, two=GOOD.replace("grade,2,g/t", "grade,2.1,g/t")))
    assert not any(note.code == "tests_differ" for note in alike.notes)
    low, _, high = sure_of(alike)
    assert low > 0.5 * HELD / ROCK
    assert high < 2 * HELD / ROCK


@pytest.mark.slow
def test_weights_that_contradict_each_other_count_for_less_and_do_not_spoil_the_ore(tmp_path: Path) -> None:
    """14.2 kg do not make 9.1 and 6.1: any of the three may be wrong, and none of the grades is."""
    plain = sure_of(run(weighed(tmp_path, one=GOOD)))
    found = run(weighed(tmp_path, one=GOOD.replace("fines,mass,5.1", "fines,mass,6.1")))
    low, _, high = sure_of(found)
    assert plain[2] - plain[0] < high - low < 1.5 * (plain[2] - plain[0])
    assert low < HELD / ROCK < high
    assert any(note.code == "weights_contradict" for note in found.notes)
    assert found.sure is not None
    written = found.sure.with_suspects
    assert written is not None
    assert [(one.left_out, set(one.names)) for one in written.doubted] == [
        (False, {"ore, mass", "lumps, mass", "fines, mass"})]  # fmt: skip
    assert written.head_grade != found.sure.head_grade
    told = dict(sentences.answers(found))[sentences.BY_WEIGHTS]
    assert "nobody can tell which, so each is taken as doubtful: the mass of ore, the mass of lumps" in told
    assert "With every weight as it is written" in told
    data = found.as_dict()["with_suspects"]
    assert data["head_grade_g_per_t"]["p5"] == pytest.approx(1e6 * written.head_grade.p5)
    assert data["suspects"][0]["test"] == "one"
    # The same from chance, whose draws are those of the run.
    assert chance(found.solution.model.sheet).with_suspects == written


@pytest.mark.slow
def test_a_slip_of_the_point_is_left_out_though_others_explain_it_as_well(tmp_path: Path) -> None:
    table = GOOD.replace("fines,assay mass,5,kg,\n", "")
    plain = sure_of(run(weighed(tmp_path, one=table)))
    found = run(weighed(tmp_path, one=table.replace("fines,mass,5.1", "fines,mass,0.51")))
    assert sure_of(found) == pytest.approx(plain, rel=0.1)
    assert found.sure is not None
    assert found.sure.with_suspects is not None
    assert [(one.left_out, one.names) for one in found.sure.with_suspects.doubted] == [(True, ("fines, mass",))]


def test_weights_that_agree_are_told_once(tmp_path: Path) -> None:
    found = run(weighed(tmp_path, one=GOOD))
    assert found.sure is not None
    assert found.sure.with_suspects is None
    assert found.as_dict()["with_suspects"] is None
    assert "as it is written" not in dict(sentences.answers(found))[sentences.BY_WEIGHTS]


@pytest.mark.slow
def test_one_wrong_mass_of_the_sack_does_not_widen_the_ore() -> None:
    """Masses of the sack are checked once or not at all: a tie is told, or that nothing checks it; 5 sd either way."""
    sheet = sheet_of(SACK)
    right = sure(solve(Model.of(sheet)))
    assert right is not None
    masses = [k for k, m in enumerate(sheet.weighed) if m.what == "mass"]
    tied = {"ore, mass", "specimens, mass", "con, mass", "tails, mass"}
    for k in masses:
        for off in (-5, 5):
            m = sheet.weighed[k]
            wrong = replace(m, value=m.value + off * m.sd)
            spoiled = replace(sheet, weighed=(*sheet.weighed[:k], wrong, *sheet.weighed[k + 1 :]))
            found = sure(solve(Model.of(spoiled)))
            assert found is not None
            checked = reconcile_sheet(spoiled)[m.test]
            named = {checked.suspect.name, *checked.as_likely} if checked.suspect else set()
            text = reconciled.answers(checked)[0][1]
            wide = (found.head_grade.p95 - found.head_grade.p5) / (right.head_grade.p95 - right.head_grade.p5)
            print(f"{m.name} {off:+d} sd: ore's interval {wide:.2f} times as wide, named {sorted(named) or 'none'}")
            assert wide < 1.5
            if m.name in tied and named:
                assert named == tied
                assert "A tie" in text
            elif m.name not in tied:
                assert math.isnan(next(w.standardised for w in checked.weights if w.name == m.name))
                assert "Nothing checks" in text
            assert (found.with_suspects is not None) == bool(named)


def test_weights_that_tell_no_grade_and_correct_no_number_are_said_to_do_neither(tmp_path: Path) -> None:
    sheet = weighed(tmp_path, one="stream,what,value,unit,sd\ncon,mass,3,kg,0.1\n")
    text = Path(sheet.file).read_text(encoding="utf-8")
    for doubt in (" ± 20 g", " ± 8 g/t", " ± 20"):
        text = text.replace(doubt, "")
    Path(sheet.file).write_text(text, encoding="utf-8")
    found = run(sheet_of(Path(sheet.file)))
    assert any(note.code == "weights_tell_nothing" for note in found.notes)


def test_without_grains_the_weights_tell_all_the_same() -> None:
    found = run(
        sheet_of("""
ore: {mass: 14.2 kg, grade: 22 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, rest: tails}, split: {con: 5 %}, recovery: {con: 80 %}}
keep: [con]
weighed:
  con: {mass: 0.7 kg ± 10 g, gold: 20 mg ± 1 mg}
  tails: {mass: 13.5 kg ± 10 g, grade: 3 g/t ± 0.2 g/t, assay_mass: 13 kg}
""")
    )
    assert found.sure is not None
    test = found.sure.this_test
    assert test is not None
    sd = 1e-6 * math.hypot(1.0, 13.5 * 0.2)
    assert test.held.mean == pytest.approx(60.5e-6, rel=0.03)
    # That of the weights, and some luck of what the assay's sample left out.
    assert 1.4 * sd < (test.held.p95 - test.held.p5) / 2 < 3 * sd
    # Grains of which nothing is told may be coarse: another sack need not say the same.
    low, _, high = sure_of(found)
    assert low < test.held.mean / 14.2 < high
    assert high / low > 1.5


@pytest.mark.slow
def test_a_fitted_sheet_is_not_fitted_again(tmp_path: Path) -> None:
    for path in SACK.parent.glob("sack3.*"):  # weights that its numbers can be fitted to
        shutil.copy(path, tmp_path)
    sheet = sheet_of(tmp_path / SACK.name)
    before = chance(sheet, 500)
    assert before.fitted
    text = Path(sheet.file).read_text(encoding="utf-8")
    Path(sheet.file).write_text(f'# Written by "flowsheet fit" from another.\n{text}', encoding="utf-8")
    again = chance(sheet_of(Path(sheet.file)), 500)
    assert not again.fitted
    assert not any(note.code == "weights_tell_nothing" for note in again.notes)


@pytest.mark.slow
def test_weights_of_rock_alone_leave_the_grade_to_the_sheet(tmp_path: Path) -> None:
    """Rock alone was weighed, and far off the sheet: pressed into the grade it would make a rich mine of it."""
    text = (starters.folder() / "quick.yaml").read_text(encoding="utf-8")
    rock = "{lumps: {mass: 9.1 kg ± 10 g}, specimens: {mass: 620 g ± 10 g}, con: {mass: 180 g ± 1 g}}"
    (tmp_path / "rock.yaml").write_text(f"{text}\nweighed: {rock}\n", encoding="utf-8")
    sheet = sheet_of(tmp_path / "rock.yaml")
    found, plain = chance(sheet, 1000), chance(replace(sheet, weighed=()), 1000)
    assert found.weighed is None
    assert found.head_grade.mean == pytest.approx(plain.head_grade.mean, rel=0.1)
    assert any(note.code == "weights_tell_nothing" for note in found.notes)


def test_ends_that_are_one_are_told_once() -> None:
    assert spans.percent(Interval(0.8, 0.0, 0.8, 0.8, 0.8)) == "80.0 %"
    assert spans.percent(Interval(0.41, 0.05, 0.33, 0.41, 0.5)) == "41 % (33 to 50)"
    assert spans.gold(Interval(0.31e-3, 0.1e-3, 0.14e-3, 0.3e-3, 0.51e-3)) == "0.310 g (0.140 to 0.510)"
    assert spans.gold(Interval(31e-6, 10e-6, 14e-6, 30e-6, 51e-6)) == "31.0 mg (14.0 to 51.0)"


def test_few_grains_that_matter_are_told_first(tmp_path: Path) -> None:
    """Of gold of 3 mm a sack holds a grain or two that matter; of 0.3 mm, hundreds."""
    coarse = """
ore: {mass: 14 kg ± 20 g, grade: 20 g/t ± 8 g/t, sizes: {top: 100 mm, p80: 60 mm}, gold: {d50: D50, d95: D95}}
steps:
  powder: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm}
  wash: {do: pan, takes: powder, gives: {concentrate: con, tailings: tails}}
keep: [con]
weighed:
  con: {mass: 180 g ± 1 g, gold: 250 mg ± 3 mg}
  tails: {mass: 13.8 kg ± 20 g, grade: 2 g/t ± 0.3 g/t}
"""
    few, many = (run(sheet_of(coarse.replace("D50", a).replace("D95", b))) for a, b in (("3 mm ± 0 mm", "6 mm ± 0 mm"),
                                                                                     ("0.2 mm", "0.6 mm")))  # fmt: skip
    grains = [found.sure.this_test.effective_grains for found in (few, many) if found.sure and found.sure.this_test]
    assert grains[0] < 5 < 100 < grains[1]
    assert dict(sentences.answers(few))[sentences.BY_WEIGHTS].startswith("Few grains: ")
    assert "Few grains" not in dict(sentences.answers(many))[sentences.BY_WEIGHTS]


def test_streams_and_losses_are_told_by_the_weights_with_what_they_are_from(tmp_path: Path) -> None:
    found = run(weighed(tmp_path, one=GOOD))
    test, told = found.this_test, found.told_streams
    assert test is not None
    assert list(told) == list(found.streams)
    # Everything that was held was kept or lost, and each loss is told once.
    assert {one.stream for one in found.told_losses} == {name for name, one in told.items() if one.fate == "lost"}
    lost = sum(one.gold.mean for one in found.told_losses)
    assert test.kept.mean + lost == pytest.approx(test.held.mean, rel=1e-9)
    assert [one.gold.mean for one in found.told_losses] == sorted(
        (o.gold.mean for o in found.told_losses), reverse=True
    )
    for name, one in told.items():
        assert (one.mass_from, one.gold_from) == (test.streams[name].rock_from, test.streams[name].gold_from)
        assert one.gold == test.streams[name].gold
        assert one.mass.p5 <= one.mass.mean <= one.mass.p95
        assert one.planned_gold == pytest.approx(found.streams[name].gold)
    assert {one.gold_from for one in told.values()} == {"weights", "sheet"}
    rows = {row["stream"]: row for row in found.to_rows()}
    assert rows["con"]["gold_g"] == pytest.approx(1e3 * told["con"].gold.mean)
    assert found.to_rows("planned_streams")[0]["stream"] == next(iter(told))


def test_what_a_change_would_have_won_is_told_by_the_estimate_and_weighed_against_luck() -> None:
    found = run(sheet_of(SACK))
    won, test = found.gains, found.this_test
    assert won is not None
    assert test is not None
    assert won.advice is not None
    best = found.advice[0]
    every = forecast(SACK, {best.setting: best.then})
    (full,) = every.rows
    # A tenth of the draws tell what all of them tell, but for the chance of which they are.
    assert won.draws == 100
    assert won.advice.gain.value == pytest.approx(full.gain.value, rel=0.15)
    assert won.advice.gain.p5 == pytest.approx(full.gain.p5, rel=0.2)
    assert won.advice.luck == every.luck
    assert won.advice.share == pytest.approx(won.advice.gain.value / test.held.mean, rel=0.05)
    told = " ".join(sentences.losses(found))
    assert f"It would have kept {spans.gold(as_interval(won.advice.gain))} more of this sack" in told
    ((screen, (opening, finer)),) = won.finer.items()
    assert (screen, opening) == ("scalp", min(row.opening for row in found.finer))
    assert "Hardly worth it." in sentences.finer(found)
    assert finer.share < 0.01
    assert [note.code for note in found.notes].count("gains_by_draws") == 1


def as_interval(found: ForecastRange) -> Interval:
    return Interval(found.value, 0.0, found.p5, found.value, found.p95)


@pytest.mark.parametrize(
    ("gain", "share", "said"),
    [
        ((3e-6, -1e-6, 7e-6), 0.1, "Hardly worth it: it may as well gain nothing."),
        ((-3e-6, -5e-6, -1e-6), -0.1, "Leave it as it is."),
        ((3e-6, 1e-6, 7e-6), 0.001, "Hardly worth it."),
        ((3e-6, 1e-6, 7e-6), 0.1, "For one sack that is hardly worth it, since the luck of which grains it holds is "
         "larger (± 5.00 mg); over many sacks it adds up."),
        ((30e-6, 10e-6, 70e-6), 0.1, "That is worth trying."),
    ],
)  # fmt: skip
def test_a_gain_within_luck_or_that_may_be_nothing_is_hardly_worth_it(
    gain: tuple[float, float, float], share: float, said: str
) -> None:
    assert by_weights.worth_it(ForecastRange(*gain), share, 5e-6) == said


def test_without_weights_no_gain_is_told_by_draws() -> None:
    found = run(sheet_of(starters.starter("quick")))
    assert found.gains is None
    assert "would win most" in " ".join(sentences.losses(found))


def test_what_a_loop_has_caught_is_a_loss_by_the_weights_too() -> None:
    weights = "weighed: {con: {gold: 240 mg ± 10 mg}, tails: {gold: 60 mg ± 6 mg}}\n"
    found = run(sheet_of(f"{starters.starter('closed_circuit')}{weights}"))
    test = found.this_test
    assert test is not None
    (name,) = test.caught
    (loss,) = (one for one in found.told_losses if one.reasons.get("caught"))
    assert loss.stream == name
    lost = sum(one.gold.mean for one in found.told_losses)
    assert test.kept.mean + lost == pytest.approx(test.held.mean, rel=1e-9)


def test_the_weighing_that_would_narrow_an_answer_most_does_narrow_it() -> None:
    quick = starters.starter("quick")
    bead = "bead: {mass: 240 mg ± 2 mg}"
    alone = run(sheet_of(f"{quick}\nweighed: {{{bead}}}\n"))
    assert alone.sure is not None
    assert alone.sure.weighed is not None
    found = {one.answer: one for one in most_telling(alone.solution, alone.sure.weighed)}
    kept = found["the share that you kept"]
    assert (kept.stream, kept.what) == ("tails", "grade")
    (coarse,) = (one for answer, one in found.items() if answer.startswith("the gold in rock coarser than"))
    assert (coarse.stream, coarse.what) == ("fines", "grade")
    (told,) = (one.text for one in alone.notes if one.code == "most_telling_weighing")
    assert "assay tails, for the gold that this test held (to" in told
    # Weighed so, in the middle of what was foretold, it narrows it about as much, and is not advised again.
    assert alone.this_test is not None
    tails = alone.this_test.streams["tails"]
    grade = 1e6 * tails.gold.mean / tails.rock.mean
    more = run(sheet_of(f"{quick}\nweighed: {{{bead}, tails: {{grade: {grade:.3g} g/t}}}}\n"))
    assert more.this_test is not None
    assert more.sure is not None
    assert more.sure.weighed is not None
    then, before = more.this_test.kept_share, alone.this_test.kept_share
    assert then is not None
    assert before is not None
    assert then.sd / before.sd == pytest.approx(kept.left, abs=0.3)
    assert not [one for one in most_telling(more.solution, more.sure.weighed) if one.stream == "tails"]
