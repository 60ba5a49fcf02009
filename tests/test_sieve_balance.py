"""Sieves and weights together: least squares over all sieves, the flow that they contradict, the table by sieve."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import optimize
from sheets import sheet_of

from flowsheet.show.balance import reconciled as shown
from flowsheet.show.page.asks import Weigh
from flowsheet.show.page.bench import Bench
from flowsheet.show.page.log_view import do
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.measurement import MASS, PASSING, Measurement
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.balance.reconcile import reconcile, reconcile_sheet
from flowsheet.study.balance.result import Reconciled
from flowsheet.study.estimate.confidence import sure

# All numbers here are invented.
SCALP = """
ore: {mass: 10 kg ± 20 g, grade: 1 g/t, sizes: {top: 40 mm, p80: 20 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps:
  scalp: {do: screen, takes: ore, gives: {oversize: over, undersize: under}, opening: 3 mm}
keep: [over]
"""
YIELD, DOUBT = 0.42, 0.01


def sieving(count: int, over: float, noise: float = 0.0, seed: int = 0) -> list[Measurement]:
    """Return what 10 kg parted by ``YIELD`` give on ``count`` sieves, and a mass of the oversize."""
    rng, sizes = np.random.default_rng(seed), np.geomspace(10e-3, 0.5e-3, count)
    passing = {"over": 0.8 * (sizes / 12e-3) ** 1.2, "under": 0.97 * (sizes / 10e-3) ** 0.3}
    passing["ore"] = YIELD * passing["over"] + (1 - YIELD) * passing["under"]
    told = [Measurement("ore", MASS, 10.0, 0.02, False), Measurement("over", MASS, over, 0.01, False)]
    for name in ("ore", "over", "under"):
        for size, share in zip(sizes, passing[name], strict=True):
            told.append(
                Measurement(name, PASSING, float(share + noise * rng.standard_normal()), DOUBT, False, float(size))
            )
    return told


def reconciled(told: list[Measurement], sheet: str = SCALP) -> Reconciled:
    return reconcile(sheet_of(sheet), told)


def test_exact_sieves_agree_and_come_back_as_a_table() -> None:
    found = reconciled(sieving(5, 4.2))
    assert found.chi2 == pytest.approx(0, abs=1e-9)
    assert found.suspect is None
    # Two masses tell both flows, and five sieves check them.
    assert found.dof == 5
    (table,) = found.sieved
    assert table.streams == ("ore", "over", "under")
    assert table.checked
    for name, mass in (("ore", 10.0), ("over", 4.2), ("under", 5.8)):
        mine = [c for c in table.classes if c.stream == name]
        assert [c.upper for c in mine][1:] == [c.lower for c in mine][:-1]
        assert sum(c.mass for c in mine) == pytest.approx(mass, rel=1e-9)
        assert sum(c.share for c in mine) == pytest.approx(1, rel=1e-9)
        assert [c.written for c in mine] == pytest.approx([c.share for c in mine], abs=1e-9)
    for k in range(6):
        ore, over, under = (table.classes[6 * i + k] for i in range(3))
        assert over.mass + under.mass == pytest.approx(ore.mass, rel=1e-9)
        assert ore.distribution == pytest.approx(1)
        assert over.distribution + under.distribution == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_it_is_the_minimum_of_a_general_optimiser(seed: int) -> None:
    """Written anew: the yield and the two products' passings are free, the feed's are their mixture."""
    told = sieving(4, 4.2, noise=DOUBT, seed=seed)
    shares = np.array([m.value for m in told[2:]]).reshape(3, 4)

    def misfits(z: np.ndarray) -> np.ndarray:
        feed, part, over, under = z[0], z[1], z[2:6], z[6:]
        mixed = part * over + (1 - part) * under
        return np.concatenate(
            [[(10 - feed) / 0.02, (4.2 - part * feed) / 0.01], ((shares - [mixed, over, under]) / DOUBT).ravel()]
        )

    start = np.concatenate([[10, 0.42], shares[1], shares[2]])
    best = optimize.least_squares(misfits, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    found = reconciled(told)
    assert found.chi2 == pytest.approx(2 * best.cost, rel=1e-7)
    assert found.streams["over"].mass == pytest.approx(best.x[0] * best.x[1], rel=1e-7)
    cost = np.linalg.inv(best.jac.T @ best.jac)
    slope = np.zeros(len(best.x))
    slope[:2] = best.x[1], best.x[0]
    assert found.streams["over"].mass_sd == pytest.approx(np.sqrt(slope @ cost @ slope), rel=1e-4)


def test_sieves_move_the_flows_as_their_doubt_allows() -> None:
    """Weighed to 1 g, a flow stays; weighed to 1 kg, a dozen sieves tell it."""
    sheet = sheet_of(SCALP)
    for sd, near in ((0.001, 4.5), (1.0, 4.2)):
        told = [replace(m, value=4.5, sd=sd) if (m.stream, m.what) == ("over", MASS) else m for m in sieving(12, 4.2)]
        found = reconcile(sheet, told, look_further=False)
        assert found.streams["over"].mass == pytest.approx(near, abs=0.02)
        # Without sieves the scale alone tells it.
        alone = reconcile(sheet, [m for m in told if m.what == MASS], look_further=False)
        assert alone.streams["over"].mass == pytest.approx(4.5)
        assert found.streams["over"].mass_sd < alone.streams["over"].mass_sd
    # A flow that nobody weighed is known by sieves of all three streams.
    told = [m for m in sieving(12, 4.2) if (m.stream, m.what) != ("over", MASS)]
    found = reconcile(sheet, told)
    assert found.streams["over"].mass == pytest.approx(4.2, rel=1e-6)
    assert found.streams["over"].mass_sd < 0.2


@pytest.mark.slow
def test_a_flow_that_all_sieves_contradict_is_named_and_no_sieve() -> None:
    """A dozen sieves agree with each other on 4.2 kg; 5.2 kg were written down."""
    for seed in range(10):
        found = reconciled(sieving(12, 5.2, noise=0.5 * DOUBT, seed=seed))
        assert found.p < 1e-4
        assert found.suspect is not None
        assert {found.suspect.name, *found.as_likely} == {"ore, mass", "over, mass"}
        wanted = {one.weight.name: one.should_be for one in found.explained}
        assert found.without is not None
        wanted[found.suspect.name] = found.without.should_be
        assert wanted["over, mass"].value == pytest.approx(4.2, abs=4 * wanted["over, mass"].sd)
        assert found.without.p > 1e-3


def test_two_dozen_sieves_that_agree_are_no_suspects_of_one_flow() -> None:
    """The two-product formula on each of 24 sieves gives the same yield; the weighed flow is another."""
    found = reconciled(sieving(24, 8.4))
    assert found.suspect is not None
    assert found.suspect.what == MASS
    assert not any("passing" in name for name in found.as_likely)
    assert found.dof == 24
    assert found.chi2 > 188


def test_one_wrong_sieve_among_many_is_named_itself() -> None:
    told = sieving(6, 4.2)
    k = next(k for k, m in enumerate(told) if m.stream == "under" and m.size == told[4].size)
    wrong = [*told]
    wrong[k] = replace(told[k], value=told[k].value - 0.12)
    found = reconciled(wrong)
    assert found.suspect is not None
    # One sieve of one step is one equation, so it is told that it may be any of the three; but none of the flows.
    names = {found.suspect.name, *found.as_likely}
    assert names <= {f"{name}, {told[k].label}" for name in ("ore", "over", "under")}
    assert told[k].name in names
    assert "one sieving stands out" in shown.answers(found)[-1][1]


def test_nothing_is_balanced_over_a_step_that_breaks() -> None:
    crushed = SCALP.replace("keep: [over]", "  jaw: {do: jaw_crush, takes: over, gives: broken, setting: 3 mm}\n"
                            "keep: [broken]")  # fmt: skip
    told = [m for m in sieving(4, 4.2) if m.stream == "over" or m.what == MASS]
    told += [replace(m, stream="broken", value=0.9) for m in told if m.what == PASSING]
    found = reconciled(told, crushed)
    assert found.dof == 0
    assert [one.streams for one in found.sieved] == [("ore", "over", "under"), ("broken",)]
    assert not any(one.checked for one in found.sieved)


def test_sieves_of_one_stream_alone_check_nothing_and_that_is_said() -> None:
    told = [m for m in sieving(4, 4.2) if m.what == MASS or m.stream == "over"]
    found = reconciled(told)
    assert found.dof == 0
    assert not found.sieved[0].checked
    over = [c for c in found.sieved[0].classes if c.stream == "over"]
    assert sum(c.mass for c in over) == pytest.approx(4.2)
    assert "Nothing checks the sieves of over: sieve both" in shown.answers(found)[-1][1]
    # Sieves that nothing checks move no flow.
    alone = reconciled([m for m in told if m.what == MASS])
    for name, row in found.streams.items():
        assert (row.mass, row.mass_sd) == pytest.approx((alone.streams[name].mass, alone.streams[name].mass_sd))


def test_the_estimate_leaves_the_flow_doubtful_and_keeps_the_sieves() -> None:
    sheet = replace(sheet_of(SCALP), weighed=tuple(sieving(12, 5.2)))
    trusted, (doubted,), _ = believed(sheet, balanced(sheet))
    assert set(doubted.names) == {"ore, mass", "over, mass"}
    kept = {m.name: m.sd for m in trusted.weighed}
    assert kept["over, mass"] > 0.9
    assert all(kept[m.name] == m.sd for m in sheet.weighed if m.what == PASSING)


@pytest.mark.slow
def test_it_is_said_in_words_and_in_json(flowsheet: Callable[..., Any], tmp_path: Path) -> None:
    question, answer = shown.answers(reconciled(sieving(12, 5.2)))[-1]
    assert question == "Do my sieves agree with my weights?"
    assert "It is a flow that is wrong and not a sieve: the 12 sieves agree with each other" in answer
    lines = [f"{m.stream},mass,{m.value:g},kg" if m.what == MASS else
             f"{m.stream},passing {1e3 * (m.size or 0):.4g} mm,{100 * m.value:.3f},%"
             for m in sieving(4, 4.2)]  # fmt: skip
    (tmp_path / "s.csv").write_text("\n".join(["stream,what,value,unit", *lines]) + "\n", encoding="utf-8")
    (tmp_path / "s.yaml").write_text(f"{SCALP}weighed: {{file: s.csv}}\n", encoding="utf-8")
    told = flowsheet("reconcile", tmp_path / "s.yaml")
    assert "Rock by your own sieves" in told.out
    assert "Yes: ore, over and under agree on all sieves together" in " ".join(told.out.split())
    data = json.loads(flowsheet("reconcile", tmp_path / "s.yaml", "--json").out)
    assert data["sieved"][0]["checked"] is True
    assert data["sieved"][0]["classes"][0]["lower_mm"] == pytest.approx(10.0, rel=1e-3)
    assert "passing 10 mm" in {one["what"] for one in data["weights"]}
    report = tmp_path / "s.html"
    flowsheet("report", tmp_path / "s.yaml", "-o", report)
    assert "Rock by your own sieves" in report.read_text(encoding="utf-8")


# ── grades by sieve ─────────────────────────────────────────────────────────────────────────────────────────

GRADED = """stream,what,value,unit,sd
over,mass,4.2,kg,0.01
over,mass on 5 mm,300,g,
over,grade on 5 mm,2,g/t,0.2
over,mass on 1 mm,80,g,
over,grade on 1 mm,5,g/t,0.5
over,mass on pan,20,g,
over,grade on pan,20,g/t,2
under,mass,5.8,kg,0.01
under,mass on 5 mm,20,g,
under,grade on 5 mm,3,g/t,0.3
under,mass on 1 mm,280,g,
under,grade on 1 mm,4,g/t,0.4
under,mass on pan,700,g,
under,grade on pan,10,g/t,1
"""
FEED = """ore,mass on 5 mm,332,g,
ore,grade on 5 mm,2.3,g/t,0.2
ore,mass on 1 mm,250,g,
ore,grade on 1 mm,4.0,g/t,0.4
ore,mass on pan,418,g,
ore,grade on pan,10.9,g/t,1
"""


def graded(folder: Path, table: str) -> Reconciled:
    (folder / "s.csv").write_text(table, encoding="utf-8")
    (folder / "s.yaml").write_text(f"{SCALP}weighed: {{file: s.csv}}\n", encoding="utf-8")
    return reconcile_sheet(sheet_of(folder / "s.yaml"))["s"]


def test_grades_by_sieve_come_back_by_the_same_sieves(tmp_path: Path) -> None:
    found = graded(tmp_path, GRADED)
    (table,) = found.sieved
    over = [c for c in table.classes if c.stream == "over"]
    assert [c.lower for c in over] == pytest.approx([5e-3, 1e-3, None])
    assert [c.share for c in over] == pytest.approx([0.75, 0.2, 0.05])
    assert [1e6 * c.grade for c in over] == pytest.approx([2, 5, 20])
    assert [1e6 * c.grade_written for c in over] == pytest.approx([2, 5, 20])
    # On paper: 3.15 kg at 2, 0.84 kg at 5 and 0.21 kg at 20 g/t; the ore's classes are sums of both products'.
    assert [1e6 * c.gold for c in over] == pytest.approx([6.3, 4.2, 4.2])
    assert found.streams["over"].gold == pytest.approx(14.7e-6)
    under = [c.gold for c in table.classes if c.stream == "under"]
    assert under == pytest.approx([5.8e-6 * s * g for s, g in ((0.02, 3), (0.28, 4), (0.7, 10))])
    ore = [c.gold for c in table.classes if c.stream == "ore"]
    assert ore == pytest.approx([a.gold + b for a, b in zip(over, under, strict=True)])
    assert over[0].gold_distribution == pytest.approx(6.3 / (6.3 + 0.348))
    row = next(row for row in found.to_rows("sieved") if row["stream"] == "over")
    assert (row["lower_mm"], row["mass_kg"], row["gold_g"]) == pytest.approx((5.0, 3.15, 6.3e-3))
    assert found.dof == 1


def test_grades_by_sieve_are_the_minimum_of_a_general_optimiser(tmp_path: Path) -> None:
    """Written anew: rock and gold of each class of both products are free, all else follows."""
    found = graded(tmp_path, GRADED + FEED)
    shares = {"over": [300, 80, 20], "under": [20, 280, 700], "ore": [332, 250, 418]}
    grades = {"over": [2, 5, 20], "under": [3, 4, 10], "ore": [2.3, 4.0, 10.9]}
    doubts = {"over": [0.2, 0.5, 2], "under": [0.3, 0.4, 1], "ore": [0.2, 0.4, 1]}

    def misfits(z: np.ndarray) -> np.ndarray:
        rock = {"over": z[:3], "under": z[3:6], "ore": z[:3] + z[3:6]}
        gold = {"over": z[6:9], "under": z[9:], "ore": z[6:9] + z[9:]}
        off = [(sum(rock["over"]) - 4.2) / 0.01, (sum(rock["under"]) - 5.8) / 0.01, (sum(rock["ore"]) - 10) / 0.02]
        for name, fractions in shares.items():
            passing = 1 - np.cumsum(fractions)[:2] / sum(fractions)
            off += list((1 - np.cumsum(rock[name])[:2] / sum(rock[name]) - passing) / 0.01)
            off += list((gold[name] / rock[name] - grades[name]) / doubts[name])
        return np.array(off)

    parts = [np.array(shares[n]) * kg / sum(shares[n]) for n, kg in (("over", 4.2), ("under", 5.8))]
    start = np.concatenate([*parts, parts[0] * grades["over"], parts[1] * grades["under"]])
    best = optimize.least_squares(misfits, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.chi2 == pytest.approx(2 * best.cost, rel=1e-6)
    assert found.dof == len(best.fun) - len(start)
    assert found.streams["over"].mass == pytest.approx(sum(best.x[:3]), rel=1e-7)
    assert found.streams["over"].gold == pytest.approx(1e-6 * sum(best.x[6:9]), rel=1e-6)
    spread = np.linalg.inv(best.jac.T @ best.jac)
    assert found.streams["over"].gold_sd == pytest.approx(1e-6 * np.sqrt(spread[6:9, 6:9].sum()), rel=1e-3)


@pytest.mark.slow
def test_one_wrong_fraction_is_named_and_loosened_alone(tmp_path: Path) -> None:
    """The pan of the undersize was assayed at 100 g/t in place of 10: the gold of the other classes agrees."""
    found = graded(tmp_path, (GRADED + FEED).replace("under,grade on pan,10,", "under,grade on pan,100,"))
    assert found.suspect is not None
    assert "under, grade on pan" in {found.suspect.name, *found.as_likely}
    assert all("on pan" in name for name in (found.suspect.name, *found.as_likely))
    sheet = sheet_of(tmp_path / "s.yaml")
    trusted, doubted, _ = believed(sheet, balanced(sheet))
    assert doubted
    (grade,) = (m for m in trusted.weighed if (m.stream, m.what) == ("under", "grade"))
    assert grade.by_size[-1].sd > 50e-6
    assert grade.by_size[0].sd == pytest.approx(0.3e-6)
    assert grade.sd > 30e-6


def test_the_sheet_and_the_table_tell_the_same(tmp_path: Path) -> None:
    rows = """weighed:
  over: {mass: 4.2 kg ± 10 g, sizes: [{sieve: 5 mm, mass: 300 g, grade: 2 g/t ± 0.2 g/t},
    {sieve: 1 mm, mass: 80 g, grade: 5 g/t ± 0.5 g/t}, {sieve: pan, mass: 20 g, grade: 20 g/t ± 2 g/t}]}
"""
    (tmp_path / "own.yaml").write_text(SCALP + rows, encoding="utf-8")
    own = sheet_of(tmp_path / "own.yaml")
    graded(tmp_path, "".join(GRADED.splitlines(keepends=True)[:8]))
    table = sheet_of(tmp_path / "s.yaml")
    for one, other in zip(own.weighed, table.weighed, strict=True):
        assert (one.name, one.value, one.sd) == pytest.approx((other.name, other.value, other.sd))
        assert one.by_size == other.by_size
    grade = next(m for m in own.weighed if m.what == "grade")
    assert grade.value == pytest.approx(0.75 * 2e-6 + 0.2 * 5e-6 + 0.05 * 20e-6)
    assert grade.assay_mass == pytest.approx(0.09)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("over,mass on pan,20,g,\nover,grade on pan,20,g/t,2\n", "", "the pan is missing"),
        ("over,grade on 1 mm,5,g/t,0.5\n", "", "the grade of this fraction is missing"),
        ("over,mass on 1 mm,80,g,\n", "", "the mass of what stayed on this sieve is missing"),
        ("over,mass,", "over,grade,3,g/t,\nover,mass,", "two grades of one stream"),
        ("over,mass,", "over,passing 2 mm,30,%,\nover,mass,", "two sievings of one stream"),
        ("over,mass on 5 mm", "over,mass on 5 kg", "a mass, where a length is wanted"),
        ("over,mass on 5 mm,300", "over,mass on 5 mm,-300", "a minus sign makes no sense here"),
    ],
)
def test_fractions_that_are_not_whole_are_refused_with_a_cure(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in GRADED
    with pytest.raises(SheetError) as wrong:
        graded(tmp_path, GRADED.replace(old, new, 1))
    assert any(told in one.message for one in wrong.value.mistakes)
    assert all(one.remedy and one.line for one in wrong.value.mistakes)


def adding(what: str, value: str, unit: str) -> Weigh:
    return Weigh("add", {"stream": "over", "what": what, "value": value, "unit": unit}, 0, "", "")


def test_fractions_may_be_entered_one_after_the_other(tmp_path: Path) -> None:
    """On the page a line counts once the lines that belong to it are there, and keeps none from being written."""
    (tmp_path / "s.yaml").write_text(f"{SCALP}weighed: {{over: {{mass: 4.2 kg}}}}\n", encoding="utf-8")
    bench = Bench(tmp_path / "s.yaml")
    for what, value, unit in (("mass on 5 mm", "300", "g"), ("mass on pan", "100", "g"), ("grade on pan", "9", "g/t")):
        assert do(bench, adding(what, value, unit))["ok"]
    desk = bench.desk()
    assert not any(m.by_size for m in desk.sheet.weighed)
    assert any("its sieving still wants the grade of each fraction" in line for line in desk.still_open)
    assert do(bench, adding("grade on 5 mm", "2", "g/t"))["ok"]
    desk = bench.desk()
    assert [len(m.by_size) for m in desk.sheet.weighed if m.what == "grade"] == [2]
    assert desk.still_open == ()


def test_the_one_estimate_reads_what_passes_and_the_grade_that_fractions_make(tmp_path: Path) -> None:
    """The same as if both had been written: 3 parts of 4 stay on 10 mm, at 2 g/t, the rest has 5 g/t."""
    by_sieve = (
        "  over: {mass: 4.2 kg ± 10 g, assay_mass: 200 g, sizes: [{sieve: 10 mm, mass: 300 g, grade: 2 g/t ± 0.2 g/t}, "
        "{sieve: pan, mass: 100 g, grade: 5 g/t ± 0.5 g/t}]}"
    )
    (tmp_path / "s.yaml").write_text(f"{SCALP}weighed:\n{by_sieve}\n", encoding="utf-8")
    sheet = sheet_of(tmp_path / "s.yaml")
    grade = next(m for m in sheet.weighed if m.what == "grade")
    assert (grade.assay_mass, grade.assay_mass_assumed) == (pytest.approx(0.4), False)
    written = (
        f"  over: {{mass: 4.2 kg ± 10 g, assay_mass: 400 g, passing: {{10 mm: 25 % ± 1 %}}, "
        f"grade: {1e6 * grade.value!r} g/t ± {1e6 * grade.sd!r} g/t}}"
    )
    (tmp_path / "w.yaml").write_text(f"{SCALP}weighed:\n{written}\n", encoding="utf-8")
    one, other = (sure(solve(Model.of(sheet_of(tmp_path / f"{name}.yaml")))) for name in "sw")
    assert one is not None
    assert other is not None
    assert one.this_test is not None
    assert other.this_test is not None
    assert one.this_test.streams["over"].gold_from == "weights"
    told, wanted = one.this_test.streams["over"].gold, other.this_test.streams["over"].gold
    assert (told.p5, told.mean, told.p95) == pytest.approx((wanted.p5, wanted.mean, wanted.p95), rel=1e-6)
