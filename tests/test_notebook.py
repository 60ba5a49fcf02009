"""Results show themselves in a notebook: whole, as text, and without reaching the rest of it."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from sheets import run_of, sheet_of
from test_worth import SIZED

import flowsheet as fs
from flowsheet.show import notebook
from flowsheet.show.text import markup
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.rocks import specimen_table
from flowsheet.spec.text import renderers
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.balance.result import Reconciled, Reconciliation
from flowsheet.study.common import notebook_result
from flowsheet.study.estimate.chance import Chance, chance
from flowsheet.study.estimate.fit import Fitted, fit
from flowsheet.study.label.contents import LotSheet, lot_sheet
from flowsheet.study.lot.combine_tests import Lot, lot
from flowsheet.study.lot.ledger import read_ledger
from flowsheet.study.money.result import Worths
from flowsheet.study.money.valuation import worth
from flowsheet.study.rocks.hydrostatic import weigh
from flowsheet.study.rocks.result import SpecimenGold, Specimens
from flowsheet.study.rocks.slabs import Cutting
from flowsheet.study.run.overview import Overview
from flowsheet.study.run.run import Run, run
from flowsheet.study.sampling.sampling_plan import SamplingPlan, Wish, planned
from flowsheet.study.trials.forecast import Forecasts, run_forecasts
from flowsheet.study.trials.trials import Trials, parse_settings, run_trials

EXAMPLES = Path(__file__).parent.parent / "examples"
SACK, PILE = EXAMPLES / "sack_test" / "sack3.yaml", EXAMPLES / "pile" / "pile.yaml"
HOSTILE = "<script>\"&'$x$_a"
NASTY = """
title: '<img src=x onerror=alert(1)>'
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  part: {do: split, takes: ore, gives: {a: con, b: 'NAME'}, split: {a: 40 %}}
keep: con
""".replace("NAME", HOSTILE.replace("'", "''"))
SHOW = Path(notebook.__file__).parent
VOID = {"br", "hr", "img", "meta", "link", "input"}


def subclasses(kind: type) -> Iterator[type]:
    """Go through all classes of the program below one that have none below themselves."""
    for one in kind.__subclasses__():
        if one.__module__.startswith("flowsheet.") and not one.__subclasses__():
            yield one
        yield from subclasses(one)


class Reader(HTMLParser):
    """Reads HTML, checks that what is opened is closed, and keeps the words and the attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: dict[str, list[str]] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        data = data.replace("\xa0", " ")
        self.words.setdefault(self.open[-1] if self.open else "", []).append(data)

    def told(self, tag: str) -> str:
        return " ".join(self.words.get(tag, []))


def one_specimen() -> Specimens:
    options = {"air": "96g", "water": "74.5g", "host": None, "fineness": None, "metal": None, "scale": None}
    _, rock = specimen_table.from_options(options, None)
    assert rock is not None
    return weigh([rock], 200, 1, iter)


def trials_of(*wanted: str) -> Trials:
    return run_trials(marked_document.read(SACK), parse_settings(wanted))


def ledger_of_pile() -> Any:
    return read_ledger(PILE, False, iter)


#: Kind of result → how one is made, words of its title, and how many pictures and tables it has.
MAKERS: dict[type, tuple[Callable[[], Any], str, int, int]] = {
    Run: (lambda: run_of(SACK), "Quillfeather dump, sack 3", 5, 5),
    Trials: (lambda: trials_of("scalp.opening=20mm,12mm"), "Trials", 1, 1),
    Chance: (lambda: chance(sheet_of(SACK), 100), "How sure it is", 2, 3),
    Reconciled: (lambda: next(iter(reconcile_sheet(sheet_of(SACK)).values())), "What the weights say", 1, 3),
    Fitted: (lambda: fit(sheet_of(SACK)), "Quillfeather dump, sack 3", 1, 3),
    Forecasts: (
        lambda: run_forecasts(marked_document.read(SACK), {"scalp.opening": ["20mm", "6mm"]}, 1, iter),
        "What this sack would have kept", 1, 1,
    ),
    SamplingPlan: (lambda: planned(sheet_of(SACK), Wish(0.3, None, 0.9, 12), 1, iter), "A sampling plan", 2, 3),
    Lot: (lambda: lot(ledger_of_pile(), None, iter), "Quillfeather pile", 1, 2),
    LotSheet: (lambda: lot_sheet(sheet_of(SACK), 1), "Lot sheet", 0, 0),
    SpecimenGold: (lambda: one_specimen().specimens[0], "A specimen", 1, 2),
    Specimens: (one_specimen, "A specimen", 1, 2),
    Cutting: (lambda: fs.cut("120 mm", "6 mm", "5 mm", "1 mm"), "Ways to cut", 1, 1),
    Overview: (lambda: fs.check(SACK), "Quillfeather dump, sack 3", 0, 0),
    Reconciliation: (lambda: fs.reconcile(SACK), "What the weights say", 1, 3),
    Worths: (lambda: worth(sheet_of(SIZED), 20, 1, iter), "What it is worth", 2, 5),
}  # fmt: skip


LONG = (Run, SamplingPlan)


@pytest.mark.parametrize(
    "kind",
    [pytest.param(kind, marks=pytest.mark.slow) if kind in LONG else kind for kind in MAKERS],
    ids=lambda kind: kind.__name__,
)
def test_each_result_shows_itself(kind: type) -> None:
    make, title, pictures, grids = MAKERS[kind]
    found = make()
    assert type(found) is kind
    assert dataclasses.is_dataclass(found)
    page = found._repr_html_()
    read = Reader(page)
    assert read.told("h2") == title
    assert read.told("p") or read.told("pre")
    figures = [attributes for tag, attributes in read.tags if tag == "figure"]
    assert len(figures) == pictures
    assert all(one["role"] == "img" and one["aria-label"] for one in figures)
    assert sum(tag == "svg" for tag, _ in read.tags) == pictures
    assert sum(tag == "table" for tag, _ in read.tags) == grids
    assert not [tag for tag, _ in read.tags if tag in ("script", "iframe", "link", "img", "object")]
    assert not [name for _, attributes in read.tags for name in attributes if name.startswith("on")]
    picture = found._repr_svg_()
    assert (picture is not None) == (kind is Run)
    assert picture is None or picture.startswith("<svg")


def test_all_results_that_commands_print_are_here() -> None:
    views = [import_module(f"flowsheet.show.{path.parent.name}.notebook") for path in SHOW.glob("*/notebook.py")]
    shown = {kind for room in views for kind in room.VIEWS}
    assert shown - {Sheet} == set(MAKERS) == set(subclasses(notebook_result.Shown))
    assert Sheet in shown
    for room in views:
        assert all(notebook.view_of(kind) is room for kind in room.VIEWS)


def test_a_sheet_shows_its_steps_and_streams() -> None:
    sheet = sheet_of(SACK)
    read = Reader(str(sheet._repr_html_()))
    assert read.told("h2") == "Quillfeather dump, sack 3"
    assert "8 steps, 16 streams" in read.told("p")
    assert "ore: 14.2 kg ± 20 g at 22 g/t ± 8 g/t." in read.told("p")
    assert read.words["th"][4:] == list(sheet.steps)
    assert read.words["td"][:3] == ["screen", "ore", "lumps, fines"]
    assert sum(tag == "svg" for tag, _ in read.tags) == 1
    assert len(repr(sheet)) < 120


def test_a_sheet_of_nasty_names_is_text() -> None:
    read = Reader(str(sheet_of(NASTY)._repr_html_()))
    assert not [tag for tag, _ in read.tags if tag in ("script", "img")]
    assert HOSTILE in read.told("td")


def test_a_sheet_whose_loop_lets_nothing_out_says_so_in_place_of_the_picture() -> None:
    sheet = sheet_of("""
ore: {mass: 10 kg, grade: 20 g/t}
steps:
  part: {do: split, takes: [ore, back], gives: {a: con, b: rest}, split: {a: 0}}
  again: {do: split, takes: rest, gives: {a: back, b: away}, split: {a: 1}}
keep: con
""")
    with pytest.raises(SheetError) as wrong:
        run(sheet)
    read = Reader(str(sheet._repr_html_()))
    assert wrong.value.mistakes[0].message in read.told("p")
    assert not [tag for tag, _ in read.tags if tag == "svg"]
    assert read.words["td"][:2] == ["split", "ore, back"]


def test_several_tests_stand_one_below_the_other() -> None:
    read = Reader(str(fs.reconcile(PILE)._repr_html_()))
    heads = [f"What the weights say: sack{i}" for i in range(1, 7)]
    assert read.words["h2"] == heads
    assert sum(tag == "style" for tag, _ in read.tags) == 1


def test_a_run_says_its_answers_and_its_balance() -> None:
    found = run_of(SACK, certain=False)
    read = Reader(str(found._repr_html_()))
    assert f"you keep {1000 * found.kept:.3f} g" in read.told("p")
    assert "What you keep" in read.told("h3")
    assert "specimens" in read.told("th")
    assert "KEPT: specimens" in read.told("text")
    assert "sack 3" in Reader(str(found._repr_svg_())).told("text")


def test_hostile_names_are_text() -> None:
    read = Reader(str(run(sheet_of(NASTY))._repr_html_()))
    assert read.told("h2") == "<img src=x onerror=alert(1)>"
    assert HOSTILE in " ".join(read.words["th"])
    assert HOSTILE in read.told("text")
    assert {tag for tag, _ in read.tags} <= {"div", "style", "h2", "h3", "p", "figure", "svg", "g", "defs", "path",
        "rect", "text", "title", "use", "pattern", "clippath", "polygon", "polyline", "ellipse", "tspan", "table",
        "caption", "thead", "tbody", "tr", "th", "td", "ul", "li"}  # fmt: skip


def test_two_runs_in_one_notebook_share_no_id() -> None:
    ids = []
    for grade in (20, 30):
        found = run(sheet_of(NASTY.replace("20 g/t", f"{grade} g/t")))
        mine = re.findall(r'\bid="([^"]+)"', str(found._repr_html_()))
        assert len(mine) == len(set(mine))
        ids += mine
    assert ids
    assert len(ids) == len(set(ids))


# ── the base class ──────────────────────────────────────────────────────────────────────────────────────────


@dataclasses.dataclass(frozen=True)
class Told(notebook_result.Shown):
    """A result that no renderer knows."""

    value: int


@pytest.fixture
def fresh() -> Iterator[None]:
    renderers.renderer.cache_clear()
    yield
    renderers.renderer.cache_clear()


def test_a_shown_result_is_as_frozen_as_any() -> None:
    one = Told(3)
    assert one == Told(3)
    assert hash(one) == hash(Told(3))
    with pytest.raises(dataclasses.FrozenInstanceError):
        one.value = 4  # type: ignore[misc]
    assert repr(one) == "Told(value=3)"


def test_a_result_that_no_renderer_knows_shows_itself_as_text() -> None:
    assert Told(3)._repr_html_() is None
    assert Told(3)._repr_svg_() is None


@pytest.mark.usefixtures("fresh")
def test_without_renderers_results_show_as_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.metadata.entry_points", lambda **_: ())
    found = run(sheet_of(NASTY))
    assert found._repr_html_() is None
    assert found._repr_svg_() is None


@pytest.mark.usefixtures("fresh")
def test_the_renderers_are_those_that_the_packaging_names() -> None:
    assert renderers.renderer("html") is notebook.html
    assert renderers.renderer("svg") is notebook.svg
    assert renderers.renderer("sound") is None


# ── the stylesheet ──────────────────────────────────────────────────────────────────────────────────────────


def selectors(css: str) -> list[str]:
    inner = re.sub(r"@(?:media|supports)[^{]*\{", "", css)
    return [one.strip() for head in re.findall(r"([^{}]+)\{[^{}]*\}", inner) for one in re.split(r",(?![^(]*\))", head)]


def test_the_theme_reaches_nothing_outside() -> None:
    found = selectors(notebook.scoped(markup.theme()))
    assert len(found) > 20
    assert [one for one in found if not re.match(r"\.flowsheet(?![\w-])", one)] == []


def test_a_scoped_stylesheet_keeps_its_rules() -> None:
    css = """
    /* a { b: c } */
    @import "x.css";
    :root { --ink: #000; }
    h1, h2 > em { color: var(--ink); }
    @page { margin: 1cm; }
    @media (prefers-color-scheme: dark) { :root { --ink: #fff; } td { border: 0; } }
    :is(a, b) c { top: 0; }
    """
    assert notebook.scoped(css) == (
        ".flowsheet{--ink: #000;}.flowsheet h1,.flowsheet h2 > em{color: var(--ink);}"
        "@media (prefers-color-scheme: dark){.flowsheet{--ink: #fff;}.flowsheet td{border: 0;}}"
        ".flowsheet :is(a, b) c{top: 0;}"
    )
