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
from flowsheet.spec.blocks.measurement import MASS, PASSING, Measurement
from flowsheet.study.balance.believed_weights import balanced, believed
from flowsheet.study.balance.reconcile import reconcile
from flowsheet.study.balance.result import Reconciled

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
