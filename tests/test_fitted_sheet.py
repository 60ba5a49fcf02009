"""The sheet that fit writes: the estimate given back without the weights, and what may be wrong with its block."""

from __future__ import annotations

import copy
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from sheets import sheet_of

import flowsheet as fs
from flowsheet import starters
from flowsheet.solve.model import Model
from flowsheet.spec.blocks.fitted_estimate import digest, packed, unpacked
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.study.common.interval import Interval
from flowsheet.study.estimate.chance import Chance, chance
from flowsheet.study.estimate.corrected_draws import estimate_of
from flowsheet.study.estimate.fit import Fitted, fit
from flowsheet.study.trials.forecast import run_forecasts

EXAMPLES = Path(__file__).parent.parent / "examples"
SACK, PILE = EXAMPLES / "sack_test" / "sack3.yaml", EXAMPLES / "pile" / "pile.yaml"

QUICK = (starters.folder() / "quick.yaml").read_text(encoding="utf-8")
BEAD = "weighed: {bead: {mass: 0.18 g ± 2 mg}, tails: {mass: 13.5 kg, grade: 4 g/t ± 0.5 g/t}}\n"
LOOP = (starters.folder() / "closed_circuit.yaml").read_text(encoding="utf-8")
BLEND = (starters.folder() / "blend.yaml").read_text(encoding="utf-8")
BARE = """\
ore: {mass: 10 kg ± 50 g, grade: 20 g/t}
steps:
  wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 60 % to 95 %}}
keep: con
weighed: {con: {gold: 0.15 g ± 1 mg}}
"""
ROCK = QUICK + "weighed: {lumps: {mass: 9.1 kg ± 10 g}}\n"

SHEETS = {
    "a sack, all weighed": SACK,
    "bead and tails": QUICK + BEAD,
    "a loop that holds gold": LOOP + "weighed: {con: {gold: 60 mg ± 2 mg}}\n",
    "two ores": BLEND + "weighed: {con: {gold: 0.2 g ± 5 mg}}\n",
    "no sizes": BARE,
    "rock alone": ROCK,
}


def sheet_at(folder: Path, source: Path | str) -> Sheet:
    """Return a sheet that lies in a folder of its own."""
    if isinstance(source, Path):
        for path in [*source.parent.glob("*.csv"), source]:
            shutil.copy(path, folder)
        return sheet_of(folder / source.name)
    (folder / "sheet.yaml").write_text(source, encoding="utf-8")
    return sheet_of(folder / "sheet.yaml")


def written(found: Fitted) -> Sheet:
    """Return the sheet as a miner gets it: from its file, beside the old one."""
    path = Path(found.sheet.file)
    path = path.with_name(f"{path.stem}.fitted.yaml")
    path.write_bytes(found.text.encode())
    return sheet_of(path)


def told(found: Chance) -> dict[str, Interval]:
    """Return all intervals of a chance by what they are of."""
    answers = {"ore": found.head_grade, "next sack": found.kept, "next share": found.kept_share}
    answers |= {f"coarse {size}": one for size, one in found.coarse.items()}
    answers |= {f"next {name}": one for name, one in found.streams.items()}
    if found.this_test is not None:
        answers |= {"held": found.this_test.held, "kept": found.this_test.kept, "share": found.this_test.kept_share}
        answers |= {f"gold of {name}": one.gold for name, one in found.this_test.streams.items()}
        answers |= {f"rock of {name}": one.rock for name, one in found.this_test.streams.items()}
    return answers


def check_given_back(before: Mapping[str, Interval], after: Mapping[str, Interval]) -> None:
    assert set(before) == set(after)
    for name, one in before.items():
        again, wide = after[name], one.p95 - one.p5
        if name.startswith(("coarse", "next share")):
            # Of some of the draws, in the order of their shares: the last digit may turn two of them, or a grain.
            assert again.mean == pytest.approx(one.mean, abs=2e-3 * wide), name
            assert (again.p5, again.p50, again.p95) == pytest.approx((one.p5, one.p50, one.p95), abs=2e-2 * wide), name
            continue
        assert again.mean == pytest.approx(one.mean, rel=1e-6, abs=1e-12), name
        # A twentieth of the width is asked for; these are the same draws, but for the digits that are written.
        for end in ("p5", "p50", "p95"):
            assert getattr(again, end) == pytest.approx(getattr(one, end), abs=1e-4 * wide + 1e-9 * abs(one.mean)), name


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[pytest.mark.slow] if name != "no sizes" else []) for name in SHEETS],
)
def test_the_estimate_comes_back(tmp_path: Path, name: str) -> None:
    sheet = sheet_at(tmp_path, SHEETS[name])
    found = fit(sheet)
    again = written(found)
    assert again.fitted is not None
    if name == "no sizes":  # chance tells nothing of it
        one, other = (fs.run(each).sure for each in (sheet, again))
        assert one is not None
        assert other is not None
        check_given_back({"ore": one.head_grade, "kept": one.kept}, {"ore": other.head_grade, "kept": other.kept})
    else:
        one, other = chance(sheet, 1000), chance(again, 1000)
        check_given_back(told(one), told(other))
        assert other.less_than_half == pytest.approx(one.less_than_half, abs=1e-6)
        assert (one.this_test is None) == (other.this_test is None)
    assert "written_by_fit" in [note.code for note in other.notes]
    # The same codes besides: what the weights' balance has to say is said.
    assert [n.code for n in other.notes if n.code != "written_by_fit"] == [n.code for n in one.notes]


@pytest.mark.slow
def test_the_estimate_of_six_tests_comes_back(tmp_path: Path) -> None:
    sheet = sheet_at(tmp_path, PILE)
    again = written(fit(sheet))
    check_given_back(told(chance(sheet, 1000)), told(chance(again, 1000)))


def test_every_draw_comes_back_and_closes(tmp_path: Path) -> None:
    sheet = sheet_at(tmp_path, QUICK + BEAD)
    found = fit(sheet)
    again = written(found)
    back = estimate_of(Model.of(again), 1)
    for name, draws in found.posterior.values.items():
        if ".slack." not in name:
            assert back.values[name] == pytest.approx(draws, rel=1e-5, abs=1e-6 * float(np.std(draws))), name
    assert np.array_equal(back.cluster, found.posterior.cluster)
    (one,), (other,) = found.posterior.tests, back.tests
    for name, gold in one.gold.items():
        assert other.gold[name] == pytest.approx(gold, rel=1e-4, abs=1e-5 * float(one.fed.mean())), name
    # Whatever digits are written: what goes into a step comes out of it, in each draw.
    for step in again.steps.values():
        fed = sum(other.gold[name] for name in step.takes)
        given = sum(other.gold[name] for name in step.outlets.values())
        assert given == pytest.approx(fed, rel=1e-12, abs=1e-18)


@pytest.mark.slow
def test_weights_are_not_read_again(tmp_path: Path) -> None:
    """Three times as heavy a bead changes nothing but a note: the estimate stands in the sheet."""
    again = written(fit(sheet_at(tmp_path, QUICK + BEAD)))
    path = Path(again.file)
    path.write_text(path.read_text(encoding="utf-8").replace("0.18 g ± 2 mg", "0.19 g ± 2 mg"), encoding="utf-8")
    other = sheet_of(path)
    assert [note.code for note in again.notes] == []
    assert [note.code for note in other.notes] == ["weights_changed_since_fit"]
    check_given_back(told(chance(again, 200)), told(chance(other, 200)))


def test_weights_told_in_other_words_are_the_same_weights(tmp_path: Path) -> None:
    again = written(fit(sheet_at(tmp_path, QUICK + BEAD)))
    path = Path(again.file)
    path.write_text(path.read_text(encoding="utf-8").replace("0.18 g ± 2 mg", "180 mg ± 2 mg"), encoding="utf-8")
    assert sheet_of(path).notes == ()


@pytest.mark.slow
def test_a_number_that_is_changed_afterwards_is_as_it_stands(tmp_path: Path) -> None:
    again = written(fit(sheet_at(tmp_path, QUICK + BEAD)))
    grade = again.ores["ore"].grade
    assert grade is not None
    one, other = chance(again, 300), chance(again.with_({"ore.grade": "60 g/t ± 1 g/t"}), 300)
    assert "changed_since_fit" not in [note.code for note in one.notes]
    (note,) = [note for note in other.notes if note.code == "changed_since_fit"]
    assert note.numbers["names"] == "ore.grade"
    # The next sacks are of the other ore; what the test held lies on the bench.
    assert other.head_grade.mean == pytest.approx(60e-6, rel=0.01)
    assert other.this_test == one.this_test


@pytest.mark.slow
def test_a_finer_screen_may_be_tried_on_a_fitted_sheet(tmp_path: Path) -> None:
    again = written(fit(sheet_at(tmp_path, QUICK + BEAD)))
    one, other = chance(again, 200), chance(again.with_({"scalp.opening": "8 mm"}), 200)
    assert one.this_test is not None
    assert other.this_test is not None
    assert other.this_test.held == one.this_test.held
    assert other.kept_share.mean != one.kept_share.mean


@pytest.mark.slow
def test_forecasts_are_those_of_the_weights(tmp_path: Path) -> None:
    sheet = sheet_at(tmp_path, QUICK + BEAD)
    again = written(fit(sheet))
    one, other = (run_forecasts(_document(each), {"wash.passes": ["1", "2"]}) for each in (sheet, again))
    for a, b in zip((one.base, *one.rows), (other.base, *other.rows), strict=True):
        for what in ("kept", "kept_share", "gain"):
            for end in ("value", "p5", "p95"):
                assert getattr(getattr(b, what), end) == pytest.approx(
                    getattr(getattr(a, what), end), rel=1e-5, abs=1e-12
                )
    # What was kept is what every command tells of it.
    tested = chance(sheet, 1000).this_test
    assert tested is not None
    assert one.base.kept.value == pytest.approx(tested.kept.mean, rel=1e-12)
    assert one.base.kept_share.value == pytest.approx(tested.kept_share.mean, rel=1e-12)


def _document(sheet: Sheet) -> Any:
    assert sheet.document is not None
    return sheet.document


# ── the text ────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
def test_only_numbers_that_moved_change_in_the_text(end: str) -> None:
    source = (QUICK + BEAD).replace("\n", end)
    found = fit(sheet_of(source))
    assert "\n" not in found.text.replace(end, "")
    first, *lines = found.text.split(end)
    assert first.startswith('# Written by "flowsheet fit"')
    old = source.rstrip(end).split(end)
    changed = [(a, b) for a, b in zip(old, lines, strict=False) if a != b]
    number = r"[\d.]+( [^\s,}\"]+)?( (±|to) [\d.]+( [^\s,}\"]+)?)?"
    for a, b in changed:
        assert re.sub(number, "N", a) == re.sub(number, "N", b)
    moved = [p for p in found.parameters if p.moved and p.name != "ore.tilt"]  # which the sheet does not write
    again = sheet_of(found.text)
    for p in moved:
        assert p.number.rewritten(p.value, p.sd).text in found.text
    for p in found.parameters:
        if not p.moved:
            assert p.number.text in source or p.name == "ore.tilt"
    assert digest(again.weighed) == digest(found.sheet.weighed)


def test_of_is_the_digest_that_json_tells(tmp_path: Path) -> None:
    sheet = sheet_at(tmp_path, QUICK + BEAD)
    again = written(fit(sheet))
    assert again.fitted is not None
    assert again.fitted.of == sheet.sources.sha256
    names = again.fitted.names
    assert {"ore.grade", "wash.slack.gold.concentrate", "cluster", "gold of band 1 in tails"} <= set(names)
    assert np.array(again.fitted.covariance).shape == (len(names), len(names))


def test_a_sheet_without_a_block_that_an_older_fit_wrote_runs_with_a_note(tmp_path: Path) -> None:
    source = (
        '# Written by "flowsheet fit" from another: numbers with ± are fitted to what was weighed.\n' + QUICK + BEAD
    )
    found = chance(sheet_at(tmp_path, source), 100)
    assert [note.code for note in found.notes] == ["fitted_by_older"]
    assert not found.fitted
    with pytest.raises(SheetError, match="they would count twice"):
        fs.fit(tmp_path / "sheet.yaml")


def test_scores_come_back_to_the_digits_that_are_kept() -> None:
    rng = np.random.default_rng(1)
    table = np.stack([rng.standard_normal(500), rng.standard_exponential(500) - 1, np.zeros(500)])
    table[:2] = (table[:2] - table[:2].mean(axis=1, keepdims=True)) / table[:2].std(axis=1, keepdims=True)
    back = unpacked(packed(list(table)), 3)
    assert back == pytest.approx(table, abs=1e-6)
    assert abs(back.mean(axis=1)).max() < 1e-14
    for text, names in (("no text", 3), ("AAAA", 3), (packed(list(table)), 7)):
        with pytest.raises(ValueError, match=r".+"):
            unpacked(text, names)


# ── what is wrong ───────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def fitted_data() -> dict[str, Any]:
    """A fitted sheet as plain data."""
    return dict(yaml.safe_load(fit(sheet_of(BARE)).text))


def _cut_row(block: dict[str, Any]) -> None:
    del block["covariance"][1]


def _cut_number(block: dict[str, Any]) -> None:
    del block["covariance"][1][-1]


def _not_positive(block: dict[str, Any]) -> None:
    table = block["covariance"]
    table[0][1] = table[1][0] = 3 * (table[0][0] * table[1][1]) ** 0.5


def _uneven(block: dict[str, Any]) -> None:
    block["covariance"][0][1] += (block["covariance"][0][0] * block["covariance"][1][1]) ** 0.5 / 10


def _otherwise_tied(block: dict[str, Any]) -> None:
    table = block["covariance"]
    table[0][1] += 0.1 * (table[0][0] * table[1][1]) ** 0.5
    table[1][0] = table[0][1]


def _set(*path: Any) -> Callable[[dict[str, Any]], None]:
    *way, last, value = path

    def change(block: dict[str, Any]) -> None:
        node: Any = block
        for part in way:
            node = node[part]
        node[last] = value

    return change


WRONG: dict[str, tuple[Callable[[dict[str, Any]], None], str, str]] = {
    "a field of no step": (_set("names", 0, "wash.recovry.con"), "fitted_name_unknown", "fitted.names.0"),
    "a step that is not there": (_set("names", 3, "pan.slack.rock.con"), "fitted_name_unknown", "fitted.names.3"),
    "a stream that is not there": (_set("names", -1, "gold of band 0 in tials"), "fitted_name_unknown", "fitted.names"),
    "a name twice": (_set("names", 1, "cluster"), "fitted_name_twice", "fitted.names"),
    "a row too few": (_cut_row, "covariance_not_square", "fitted.covariance.0"),
    "a number too few": (_cut_number, "covariance_not_square", "fitted.covariance.1"),
    "a mean too few": (lambda block: block["mean"].pop(), "fitted_rows_differ", "fitted.mean"),
    "not positive": (_not_positive, "covariance_not_positive", "fitted.covariance"),
    "uneven": (_uneven, "covariance_uneven", "fitted.covariance.0"),
    "tied otherwise": (_otherwise_tied, "fitted_draws_differ", "fitted.covariance"),
    "no number": (_set("mean", 2, "many"), "number_wanted", "fitted.mean.2"),
    "no finite number": (_set("covariance", 1, 1, ".inf"), "number_wanted", "fitted.covariance.1.1"),
    "no list": (_set("names", "ore.grade"), "list_wanted", "fitted.names"),
    "no draws": (_set("draws", "eJw="), "fitted_draws_unreadable", "fitted.draws"),
    "a field of none": (_set("seed", "1"), "field_unknown", "fitted.seed"),
    "no tests": (lambda block: block.pop("tests"), "field_missing", "fitted.tests"),
}


def mistakes_in(data: dict[str, Any]) -> tuple[Mistake, ...]:
    with pytest.raises(SheetError) as caught:
        sheet_of(yaml.safe_dump(data, sort_keys=False, allow_unicode=True))
    return caught.value.mistakes


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_with_a_block_is_told_with_its_place(fitted_data: dict[str, Any], name: str) -> None:
    change, code, at = WRONG[name]
    data = copy.deepcopy(fitted_data)
    change(data["fitted"])
    mistakes = [one for one in mistakes_in(data) if one.code == code]
    assert mistakes, [one.code for one in mistakes_in(data)]
    one = mistakes[0]
    assert one.field.startswith(at)
    assert one.line > 0
    assert one.remedy
    if not name.startswith(("a field of none", "no tests")):
        assert "fs.fit()" in one.remedy
    assert one.topic == "fitted"


def test_a_misspelt_name_offers_the_right_one(fitted_data: dict[str, Any]) -> None:
    data = copy.deepcopy(fitted_data)
    data["fitted"]["names"][data["fitted"]["names"].index("ore.grade")] = "ore.graed"
    (one,) = mistakes_in(data)
    assert one.remedy.startswith('Did you mean "ore.grade"?')


def test_a_sheet_whose_estimate_is_too_long_is_not_written(monkeypatch: pytest.MonkeyPatch) -> None:
    from flowsheet.study.estimate import fitted_sheet

    found = fit(sheet_of(BARE))
    monkeypatch.setattr(fitted_sheet, "MOST_BYTES", 10_000)
    with pytest.raises(SheetError, match=r"fs\.lot"):
        found.fitted_sheet  # noqa: B018


@pytest.mark.parametrize("source", ["{ore: {mass: 10 kg, grade: 20 g/t}, steps: {wash: {do: factors, takes: ore, "
                                    "gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 80 %}}}, "
                                    "keep: con, weighed: {con: {gold: 0.15 g}}}\n"])  # fmt: skip
def test_a_sheet_in_braces_has_no_end_to_write_behind(source: str) -> None:
    with pytest.raises(SheetError, match="braces"):
        fit(sheet_of(source)).text  # noqa: B018
