"""Flux: fed to a smelt besides the ore, it goes into the slag, counts in closure, and tells what a slag weighs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from checker import check
from sheets import plain_run_of, run_of, sheet_of

from flowsheet.show.run import drawing, sentences
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.solve.totals import Tail, totals
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.reconcile import reconcile_sheet

ORE = """
ore:
  mass: 14 kg ± 20 g
  grade: 20 g/t ± 8 g/t
  heavies: 4 %
  sizes: {top: 20 mm, p80: 10 mm}
  gold: {d50: 0.1 mm, d95: 0.4 mm, fineness: 870 ± 10}
steps:
"""
BENCH = f"""{ORE}
  powder: {{do: pulverize, takes: ore, gives: powder, gap: 0.2 mm}}
  wash:   {{do: pan,   takes: powder, gives: {{concentrate: con, tailings: tails}}}}
  melt:   {{do: smelt, takes: con, gives: {{button: button, slag: slag}}, FLUX}}
  fire:   {{do: cupel, takes: button, gives: {{bead: bead, absorbed: cupel loss}}}}
keep: [bead]
"""
#: The slag goes back to the mill, with its flux, and is washed again.
LOOP = f"""{ORE}
  powder: {{do: pulverize, takes: [ore, slag], gives: powder, gap: 0.2 mm}}
  wash:   {{do: pan,   takes: powder, gives: {{concentrate: con, tailings: tails}}}}
  melt:   {{do: smelt, takes: con, gives: {{button: button, slag: slag}}, FLUX, gold: 90 %}}
keep: [button]
"""
WEIGHED = """
weighed:
  con:   {mass: 181 g ± 1 g}
  slag:  {mass: 300 g ± 1 g, grade: 27 g/t ± 3 g/t}
  tails: {mass: 13.82 kg ± 20 g, grade: 3 g/t}
  bead:  {mass: 0.2 g ± 2 mg}
"""
Solve = Callable[..., Solution]


def with_flux(text: str, flux: str) -> str:
    return text.replace("FLUX", f"flux: {flux}") if flux else text.replace(", FLUX", "")


def test_the_slag_holds_the_gangue_and_the_flux(solved: Solve) -> None:
    without, found = (solved(with_flux(BENCH, flux)) for flux in ("", "120 g"))
    assert float(found.streams["slag"].solids) == pytest.approx(float(found.streams["con"].solids) + 0.12, abs=1e-15)
    assert float(found.streams["slag"].gold) == float(without.streams["slag"].gold)
    assert float(found.fed_solids) == float(without.fed_solids)
    for name, material in without.streams.items():
        if name != "slag":
            assert np.array_equal(found.streams[name].light, material.light)
            assert np.array_equal(found.streams[name].locked, material.locked)


def test_its_doubt_is_in_the_slag_and_nowhere_else(solved: Solve) -> None:
    for told, sd in (("120 g ± 6 g", 0.006), ("120 g", 0.018), ("120 g ± 0 g", 0.0)):
        slag = solved(with_flux(BENCH, told), 4000).streams
        flux = np.broadcast_to(slag["slag"].solids - slag["con"].solids, (4000,))
        assert flux.std() == pytest.approx(sd, rel=0.05, abs=1e-12)
        assert flux.mean() == pytest.approx(0.12, rel=0.01)


def test_a_grade_of_the_slag_follows() -> None:
    streams = plain_run_of(with_flux(BENCH, "120 g")).streams
    slag = streams["slag"]
    assert slag.grade == pytest.approx(slag.gold / slag.mass)
    assert slag.mass == pytest.approx(streams["con"].mass + 0.12, rel=1e-4)
    # Shares of the mass are of all that was fed, ore and flux, so the ends make all of it.
    assert sum(streams[name].mass_share for name in ("tails", "slag")) == pytest.approx(1, abs=1e-4)


def test_a_loop_takes_the_flux_along(solved: Solve) -> None:
    found = solved(with_flux(LOOP, "120 g"))
    assert float(found.streams["tails"].solids) == pytest.approx(14.12, abs=1e-9)
    assert float(found.streams["slag"].solids - found.streams["con"].solids) == pytest.approx(0.12, abs=1e-12)
    solved(with_flux(LOOP, "120 g ± 20 g"), 30)


@pytest.mark.parametrize("sheet", [BENCH, LOOP])
@pytest.mark.parametrize("flux", ["120 g ± 0 g", "120 g ± 6 g"])
def test_draws_by_units_are_those_that_are_solved(sheet: str, flux: str) -> None:
    """The steps behind the last doubt treat all draws alike: they are worked out by units, the flux's too."""
    text = with_flux(sheet, flux).replace("gap: 0.2 mm", "gap: 0.2 mm ± 0.02 mm")
    model = Model.of(sheet_of(text))
    inputs = model.drawn(20)
    plain, quick = solve(model, inputs), totals(model, inputs, Tail.of(model, inputs))
    check(plain)
    assert set(quick.streams) == set(plain.streams)
    for name, material in plain.streams.items():
        assert np.allclose(quick.streams[name].solids, material.solids, rtol=1e-11)
        assert np.allclose(quick.streams[name].by_grain, material.gold_by_grain, rtol=1e-9, atol=1e-18)
    assert quick.closure <= 1e-12


def test_a_sheet_of_factors_alone_takes_it(solved: Solve) -> None:
    text = "ore: {mass: 1 kg, grade: 20 g/t}\nsteps: {melt: {do: smelt, takes: ore, gives: {button: b, slag: s}, "
    found = solved(f"{text} flux: 2 lb}}}}\nkeep: [b]\n")
    assert float(found.streams["s"].solids) == pytest.approx(1 + 2 * 0.45359237)


def test_reconciling_leaves_the_concentrate_alone() -> None:
    """300 g of slag at 27 g/t hold 8.1 mg, with its flux told or not."""
    for flux in ("120 g", "120 g ± 10 g", ""):
        found = reconcile_sheet(sheet_of(with_flux(BENCH, flux) + WEIGHED))[""]
        assert found.suspect is None
        assert found.streams["slag"].gold == pytest.approx(8.1e-6, rel=1e-3)
        assert found.streams["con"].mass == pytest.approx(0.181, abs=1e-4)


def test_the_slag_then_checks_the_concentrate_and_no_flux_is_suspect() -> None:
    wrong = WEIGHED.replace("300 g", "500 g")
    found = reconcile_sheet(sheet_of(with_flux(BENCH, "120 g ± 2 g") + wrong))[""]
    assert found.suspect is not None
    assert {found.suspect.stream, *(one.weight.stream for one in found.explained)} == {"slag"}
    assert reconcile_sheet(sheet_of(with_flux(BENCH, "") + wrong))[""].suspect is None


def test_a_grade_does_without_a_mass_where_the_flux_is_told() -> None:
    told = WEIGHED.replace("mass: 300 g ± 1 g, ", "")
    with pytest.raises(SheetError):
        sheet_of(with_flux(BENCH, "") + told)
    found = reconcile_sheet(sheet_of(with_flux(BENCH, "120 g") + told))[""]
    assert found.streams["slag"].mass == pytest.approx(0.301, rel=1e-3)
    assert found.streams["slag"].gold == pytest.approx(0.301 * 27e-6, rel=1e-3)


def test_the_estimate_foretells_what_the_slag_weighs() -> None:
    weighed = WEIGHED.replace("con:   {mass: 181 g ± 1 g}\n  ", "")
    wide, narrow = (run_of(with_flux(BENCH, flux) + weighed).sure for flux in ("", "120 g ± 2 g"))
    assert wide is not None
    assert wide.this_test is not None
    assert narrow is not None
    assert narrow.this_test is not None
    con = narrow.this_test.streams["con"].rock
    assert con.p5 < 0.18 < con.p95
    assert con.sd < 0.3 * wide.this_test.streams["con"].rock.sd
    assert narrow.this_test.streams["slag"].rock.mean == pytest.approx(0.3, rel=0.01)


def test_it_is_told() -> None:
    run = plain_run_of(with_flux(BENCH, "120 g"))
    assert list(sentences.added(run)) == ["Counted as fed besides the ore: 120 g of flux in melt."]
    assert "+ 120 g flux" in drawing.graph(run).source
    assert not list(sentences.added(plain_run_of(with_flux(BENCH, ""))))
