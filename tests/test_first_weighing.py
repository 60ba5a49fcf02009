"""Which single weighing would narrow a forecast most: held against sheets on which the answer is plain."""

from __future__ import annotations

import pytest
from sheets import run_of, settled

from flowsheet import starters
from flowsheet.show.run import certainty
from flowsheet.study.balance.first_weighing import BEAD, COARSE, GOLD, HELD, KEPT
from flowsheet.study.run.run import Run

QUICK = starters.folder() / "quick.yaml"
#: Invented. Fine gold; all of it is kept in one metal, or parted by a share that nobody knows.
WHOLE = """
ore: {mass: 10 kg, grade: 20 g/t ± 8 g/t, sizes: {top: 2 mm, p80: 1 mm}, gold: {d50: 0.02 mm, d95: 0.05 mm}}
steps:
  wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}, recovery: {concentrate: 80 % ± SHARE}}
keep: con
"""


def told(run: Run) -> dict[str, tuple[str, str, float]]:
    return {one.answer: (one.stream, one.what, one.left) for one in run.first_weighings}


def test_where_the_grade_alone_is_in_doubt_what_is_kept_tells_all_but_its_own_error() -> None:
    found = told(run_of(settled(WHOLE.replace("SHARE", "0 %"))))
    assert set(found) == {HELD}  # the share kept is known
    stream, what, left = found[HELD]
    # The grade is off by 40 %, either reading by 10 % (analytic: 0.1 / √(0.4² + 0.1²) of the width, or thereabouts).
    assert (stream, what) in (("con", GOLD), ("tails", "grade"))
    assert left == pytest.approx(0.1 / 0.4, abs=0.08)


def test_a_share_is_told_by_what_is_lost() -> None:
    text = settled(WHOLE.replace("SHARE", "10 %").replace("20 g/t ± 8 g/t", "20 g/t ± 0.1 g/t"))
    stream, what, left = told(run_of(text))[KEPT]
    assert (stream, what) == ("tails", "grade")
    # Of tails that hold 20 ± 10 % an assay of ± 10 % leaves 2 of 10 points.
    assert left == pytest.approx(0.2, abs=0.1)


def test_a_run_names_the_best_weighing_of_each_answer_in_words_and_in_json() -> None:
    run = run_of(QUICK)
    found = told(run)
    assert found[HELD][:2] == ("bead", BEAD)
    assert found[COARSE][1] == GOLD
    assert all(0 < left < 1 for _, _, left in found.values())
    said = certainty.said(run)
    assert f"weighing bead would narrow the gold held to {100 * found[HELD][2]:.0f} %" in said
    assert said.count("What to weigh first") == 1
    assert run.as_dict()["next_weighing"][0] == {"answer": HELD, "stream": "bead", "what": BEAD, "left": found[HELD][2]}


def test_beside_weights_of_gold_it_is_not_told() -> None:
    run = run_of(QUICK.read_text(encoding="utf-8") + "\nweighed: {bead: {mass: 0.2 g}}\n")
    assert run.first_weighings == []
    assert run.as_dict()["next_weighing"] == []
