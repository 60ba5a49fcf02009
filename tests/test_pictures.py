"""Pictures of a page: what they say in words, that names stay text, that colours tell apart and turn with the page."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from sheets import run_of, sheet_of
from strategies import sheets
from tiers import examples

from flowsheet.ore.arrays import Array
from flowsheet.show.balance import weight_pictures, weight_plots
from flowsheet.show.estimate import chance_plots, sack_pictures
from flowsheet.show.graphics import style, svg
from flowsheet.show.run import gold_bar, pictures, run_plots
from flowsheet.show.run.files import default_streams
from flowsheet.show.text import markup, spans
from flowsheet.show.text.content import Picture
from flowsheet.show.text.figures import percent
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.study.balance.reconcile import reconcile_sheet
from flowsheet.study.balance.result import Reconciled
from flowsheet.study.estimate.chance import Chance, chance
from flowsheet.study.run.run import Run

SACK = Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml"
HOSTILE = "<script>\"&'$x$_a"
TURNED = "\u202eright to left\u200f"
LONG = "a name of eighty letters that nobody would care to write beside any bar anywhere"

NASTY = f"""
ore:
  mass: 10 kg ± 0.1 kg
  grade: 20 g/t ± 5 g/t
  sizes: {{top: 40 mm, p80: 25 mm}}
  heavies: 3 %
  gold: {{d50: 0.3 mm, d95: 1 mm}}
steps:
  "{LONG}": {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: 20 mm}}
  grind: {{do: pulverize, takes: fines, gives: powder, gap: 0.2 mm}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: '{HOSTILE.replace("'", "''")}'}}}}
  look: {{do: sort, takes: lumps, gives: {{picked: "{LONG} 2", left: "\\u202eright to left\\u200f"}}}}
keep: [con, "{LONG} 2"]
weighed:
  ore: {{mass: 10.02 kg ± 10 g}}
  lumps: {{mass: 3.1 kg ± 10 g}}
  fines: {{mass: 6.7 kg ± 10 g}}
  '{HOSTILE.replace("'", "''")}': {{mass: 6.5 kg ± 10 g}}
  con: {{mass: 150 g ± 1 g}}
"""

PARTED = """
ore: {mass: 10 kg, grade: GRADE}
steps:
  part: {do: split, takes: ore, gives: {GIVES}, split: {SHARES}}
keep: KEEP
"""


def parted(shares: dict[str, float], keep: str, grade: str = "20 g/t") -> Run:
    """Return the run of a sheet that only parts its ore, by shares in percent."""
    gives = ", ".join(f"p{i}: {name}" for i, name in enumerate(shares))
    told = ", ".join(f"p{i}: {share} %" for i, share in enumerate(list(shares.values())[:-1]))
    text = PARTED.replace("GIVES", gives).replace("SHARES", told).replace("KEEP", keep).replace("GRADE", grade)
    return run_of(text, certain=False)


class Facts:
    """One sheet and all that is drawn of it."""

    def __init__(self, sheet_text: str | Path) -> None:
        sheet = sheet_of(sheet_text)
        self.run: Run = run_of(sheet_text)
        self.chance: Chance = chance(sheet, 100)
        self.reconciled: Reconciled = next(iter(reconcile_sheet(sheet).values()))
        drawn = (
            gold_bar.gold_bar(self.run).picture,
            pictures.by_size(self.run, default_streams(self.run)),
            pictures.coarse_band(self.run, self.chance),
            pictures.losses(self.run),
            weight_pictures.weights_moved(self.reconciled),
            sack_pictures.next_sack(self.chance),
        )
        self.pictures: list[Picture] = [one for one in drawn if one is not None]


@pytest.fixture(scope="module")
def sack() -> Facts:
    return Facts(SACK)


@pytest.fixture(scope="module")
def nasty() -> Facts:
    return Facts(NASTY)


def words_in(svg: str) -> str:
    """Return the words of a picture, with plain blanks in place of those that hold a number to its unit."""
    words = (" ".join(e.itertext()) for e in ElementTree.fromstring(svg).iter() if e.tag.endswith("}text"))
    return " ".join(words).replace("\u00a0", " ")


def check_fit_for_a_page(svg: str) -> None:
    """Check that an SVG is one element whose every colour is known, without styles, scripts, events or links out."""
    assert svg.startswith("<svg ")
    root = ElementTree.fromstring(svg)
    assert root.get("class", "").split()[0] == "plot"
    assert root.get("viewBox")
    assert not {"width", "height", "id"} & set(root.attrib)
    variables = set(re.findall(r"(--[\w-]+):", markup.theme()))
    used = set()
    for element in root.iter():
        tag = element.tag.removeprefix("{http://www.w3.org/2000/svg}")
        assert tag in {"svg", "g", "defs", "path", "rect", "text", "tspan", "use", "clipPath", "pattern", "title"}
        for name, value in element.attrib.items():
            assert name != "style"
            assert not name.lower().startswith("on")
            if name == "href":
                assert value.startswith("#")
            if name in ("fill", "stroke") and value != "none":
                found = re.fullmatch(r"var\((--[\w-]+), (#[0-9a-f]{6})\)|url\(#[\w-]+\)|(#[0-9a-f]{6})", value)
                assert found is not None, value
                assert found[1] is None or found[1] in variables
                assert found[3] is None or found[3] in style.COLOURS, value
                used.add(value)
    assert any("--ink" in value for value in used)


# ── every picture ───────────────────────────────────────────────────────────────────────────────────────────


def test_there_are_six_pictures_and_each_fits_a_page(sack: Facts, nasty: Facts) -> None:
    assert [one.name for one in sack.pictures] == ["gold_bar", "sizes", "coarse", "losses", "weights", "next_sack"]
    assert [one.name for one in nasty.pictures] == [one.name for one in sack.pictures]
    for one in (*sack.pictures, *nasty.pictures):
        check_fit_for_a_page(one.svg)
        assert words_in(one.svg)
        assert one.alt.endswith(".")
        assert one.alt.isprintable()


def test_the_checker_of_pictures_can_fail() -> None:
    good = gold_bar.gold_bar(parted({"a": 50.0, "b": 50.0}, "a")).picture.svg
    check_fit_for_a_page(good)
    for was, becomes in (
        ("<svg ", '<svg width="10" '),
        ("<rect ", '<rect style="fill:red" '),
        ("<rect ", '<rect onclick="x()" '),
        ('fill="none"', 'fill="#123456"'),
        ("--ink", "--inc"),
        ("<title>", "<script/><title>"),
    ):
        assert was in good
        with pytest.raises(AssertionError):
            check_fit_for_a_page(good.replace(was, becomes, 1) if was != "--ink" else good.replace(was, becomes))


def test_pictures_share_no_id_and_every_reference_is_met(sack: Facts, nasty: Facts) -> None:
    ids: list[str] = []
    for one in (*sack.pictures, *nasty.pictures):
        mine = re.findall(r' id="([^"]+)"', one.svg)
        assert len(mine) == len(set(mine))
        assert set(re.findall(r'href="#([^"]+)"', one.svg)) | set(re.findall(r"url\(#([^)]+)\)", one.svg)) == set(mine)
        ids += mine
    assert len(ids) > 10
    assert len(ids) == len(set(ids))


@pytest.mark.slow
def test_the_same_answer_makes_the_same_bytes_in_threads_too(sack: Facts) -> None:
    def drawn(_: int) -> list[str]:
        again = pictures.losses(sack.run), pictures.coarse_band(sack.run, sack.chance)
        return [one.svg for one in again if one is not None]

    before = dict(matplotlib.rcParams)
    with ThreadPoolExecutor(4) as pool:
        one, *others = pool.map(drawn, range(8))
    assert len(one) == 2
    assert all(other == one for other in others)
    assert dict(matplotlib.rcParams) == before


def test_plain_pictures_have_light_colours_and_no_variables(sack: Facts) -> None:
    for one in sack.pictures:
        told = svg.on_paper(one.svg)
        assert "var(" in one.svg
        assert "var(" not in told
        assert "#26231e" in told
        ElementTree.fromstring(told)


def test_light_colours_are_those_of_the_theme() -> None:
    light = dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6});", markup.theme().split("@media")[0]))
    for colour, name in svg.THEMED.items():
        if colour not in ("#000000", "#ffffff"):
            assert light[f"--{name}"] == colour
    bar = gold_bar.gold_bar(parted({"a": 50.0, "b": 50.0}, "a")).picture.svg
    for variable, fallback in re.findall(r"var\((--[\w-]+), (#[0-9a-f]{6})\)", bar):
        assert light[variable] == fallback


# ── names ───────────────────────────────────────────────────────────────────────────────────────────────────


def test_hostile_names_are_text(nasty: Facts) -> None:
    by_name = {one.name: words_in(one.svg) for one in nasty.pictures}
    for name in ("sizes", "losses", "weights"):
        assert HOSTILE in by_name[name], name
    assert "\ufffdright to left\ufffd" in by_name["losses"]
    assert all(c.isprintable() or c.isspace() for words in by_name.values() for c in words)
    assert LONG[:20] in by_name["coarse"]
    assert f"{LONG} 20 mm" in next(one.alt for one in nasty.pictures if one.name == "coarse")


@pytest.mark.parametrize("name", [HOSTILE, TURNED, LONG, "_x", "$", "a\\b{c}^", "金のスラグ"])
def test_a_drawn_name_stands_in_the_svg_as_written(name: str) -> None:
    figure, (axes,) = style.new_figure()
    axes.set_title(style.wrapped(name, 200))
    told = words_in(style.svg(figure))
    assert "".join(c if c.isprintable() else "\ufffd" for c in name) in told


# ── the bar of gold ─────────────────────────────────────────────────────────────────────────────────────────


@given(st.lists(st.floats(1e-9, 1e9), min_size=1, max_size=60))
def test_rounded_shares_make_the_whole(amounts: list[float]) -> None:
    shares = [amount / sum(amounts) for amount in amounts]
    found = gold_bar.apportioned(shares, 1000)
    assert sum(found) == 1000
    assert all(abs(tenths - 1000 * share) < 1 + 1e-9 for tenths, share in zip(found, shares, strict=True))


def test_what_is_left_over_goes_to_the_largest_remainders() -> None:
    assert gold_bar.apportioned([1 / 3, 1 / 3, 1 / 3], 1000) == [334, 333, 333]
    assert gold_bar.apportioned([0.4006, 0.3003, 0.2991], 1000) == [401, 300, 299]
    assert gold_bar.apportioned([], 1000) == []


def check_bar(found: Run) -> gold_bar.GoldBar:
    bar = gold_bar.gold_bar(found)
    check_fit_for_a_page(bar.picture.svg)
    assert not re.search(r' id="', bar.picture.svg)
    fates = [part.fate == gold_bar.KEPT for part in bar.parts]
    assert fates == sorted(fates, reverse=True)
    if bar.parts:
        assert sum(part.hundredths for part in bar.parts) == 10_000
        assert sum(part.share for part in bar.parts) == pytest.approx(1, abs=1e-12)
        assert sum(float(row.share.removesuffix(" %")) for row in bar.rows) == pytest.approx(100, abs=1e-9)
        for part in bar.parts:
            assert float(part.listed.removesuffix(" %")) == pytest.approx(100 * part.share, abs=0.01 + 1e-9)
            assert float(part.told.removesuffix(" %")) == pytest.approx(100 * part.share, abs=0.05 + 1e-9)
        kept = sum(part.share for part in bar.parts if part.fate == gold_bar.KEPT)
        assert kept == pytest.approx(found.kept_share, abs=1e-9)
        fed = sum(found.streams[name].gold for name in found.solution.model.sheet.ores)
        assert sum(row.gold for row in bar.rows) == pytest.approx(fed, rel=1e-9)
    svg = ElementTree.fromstring(bar.picture.svg)
    segments = [next(e for e in g if e.tag.endswith("rect")) for g in svg if g.get("class", "").startswith("part")]
    assert len(segments) == len(bar.parts)
    at = gold_bar.EDGE
    for segment, part in zip(segments, bar.parts, strict=True):
        assert float(segment.attrib["x"]) == pytest.approx(at, abs=0.006)
        assert float(segment.attrib["width"]) == pytest.approx(part.share * (gold_bar.WIDE - 2), abs=0.006)
        at += part.share * (gold_bar.WIDE - 2)
    return bar


@settings(max_examples=examples(25))
@given(sheets())
def test_the_bar_of_any_sheet_adds_to_all_of_the_gold(text: str) -> None:
    try:
        found = run_of(text, certain=False)
    except SheetError as wrong:
        assume("nothing ever leaves the loop" not in str(wrong))
        raise
    check_bar(found)


def test_kept_comes_first_and_small_losses_are_one() -> None:
    shares = {"mud": 20.0, "metal": 60.0, "dust": 0.3, "slag": 0.2, "lumps": 19.5}
    bar = check_bar(parted(shares, "[lumps, metal]"))
    assert [(row.name, row.share) for row in bar.rows] == [
        ("metal", "60.00 %"), ("lumps", "19.50 %"), ("mud", "20.00 %"), ("2 more", "0.50 %")]  # fmt: skip
    told = words_in(bar.picture.svg)
    assert "kept 79.5 %" in told
    assert "not kept 20.5 %" in told
    assert all(f"{name} {share}" in told for name, share in (("metal", "60.0 %"), ("mud", "20.0 %")))
    assert bar.picture.alt == (
        "One bar from 0 to 100 % of 0.200 g of gold: kept 79.5 %, not kept 20.5 %. metal 60.0 % (0.120 g, kept); "
        "lumps 19.5 % (39.0 mg, kept); mud 20.0 % (40.0 mg, not kept); 2 more 0.5 % (1.00 mg, not kept)."
    )
    assert [tuple(row) for row in bar.table().rows] == [tuple(row[:4]) for row in bar.rows]


def test_the_list_adds_up_and_the_bar_rounds_plainly() -> None:
    # Thirds cannot all be rounded alike in the list; in the bar each stands as it is told elsewhere.
    bar = check_bar(parted({"a": 100 / 3, "b": 100 / 3, "c": 100 / 3}, "a"))
    assert sorted(row.share for row in bar.rows) == ["33.33 %", "33.33 %", "33.34 %"]
    assert {part.told for part in bar.parts} == {"33.3 %"}
    told = check_bar(parted({"metal": 6.7449, "mud": 93.2551}, "metal"))
    assert [(part.listed, part.told) for part in told.parts] == [("6.74 %", "6.7 %"), ("93.26 %", "93.3 %")]


def test_one_small_loss_keeps_its_name() -> None:
    bar = check_bar(parted({"metal": 99.7, "dust": 0.3}, "metal"))
    assert [row.name for row in bar.rows] == ["metal", "dust"]


def test_fates_are_told_by_more_than_colour(sack: Facts) -> None:
    svg = ElementTree.fromstring(gold_bar.gold_bar(sack.run).picture.svg)
    feet: dict[str, set[str]] = {}
    for group in svg:
        if group.get("class", "").startswith("part"):
            drawn = [e.tag.rpartition("}")[2] for e in group if e.tag.rpartition("}")[2] in ("rect", "path")]
            feet.setdefault(group.attrib["class"], set()).add(" ".join(drawn))
    assert feet == {"part kept": {"rect rect"}, "part lost": {"rect path"}}


def test_gold_caught_in_a_loop_is_in_the_bar() -> None:
    found = run_of(SACK.parent.parent.parent / "configs" / "closed_circuit.yaml", certain=False)
    caught = [row for row in found.caught if row.gold > 0]
    assert caught
    bar = check_bar(found)
    assert {f"caught in {row.stream}" for row in caught} == {p.name for p in bar.parts if p.fate == gold_bar.CAUGHT}


def test_no_gold_is_an_empty_bar() -> None:
    bar = check_bar(parted({"a": 40.0, "b": 60.0}, "a", "0 g/t"))
    assert bar.rows == ()
    assert "no gold in the ore" in words_in(bar.picture.svg)
    assert "no gold in the ore" in bar.picture.alt


def test_sixty_ends_have_room() -> None:
    shares = {f"end {i}": 100 / 60 for i in range(60)}
    bar = check_bar(parted(shares, "[end 1, end 2]"))
    assert len(bar.parts) == 60
    assert {row.share for row in bar.rows} == {"1.67 %", "1.66 %"}
    assert {part.told for part in bar.parts} == {"1.7 %"}


def test_names_in_the_bar_are_text(nasty: Facts) -> None:
    bar = check_bar(nasty.run)
    titles = " ".join(e.text or "" for e in ElementTree.fromstring(bar.picture.svg).iter() if e.tag.endswith("title"))
    assert HOSTILE in titles
    assert f"{LONG} 2" in titles
    assert "\ufffdright to left\ufffd" in titles
    assert LONG not in words_in(bar.picture.svg)  # too long for any segment here


def test_the_bar_loads_no_library_that_draws() -> None:
    script = "import sys; import flowsheet.show.run.gold_bar; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False, timeout=60).returncode == 0


# ── the others say what is so ───────────────────────────────────────────────────────────────────────────────


def test_losses_are_as_long_as_the_gold_lost(sack: Facts) -> None:
    rows = run_plots.lost(sack.run)
    figure = run_plots.losses_figure(rows)
    (axes,) = figure.axes
    drawn: dict[float, float] = {}
    for bar in axes.patches:
        assert isinstance(bar, Rectangle)
        drawn[round(bar.get_y(), 6)] = drawn.get(round(bar.get_y(), 6), 0.0) + bar.get_width()
    told = sack.run.told_losses
    assert sorted(drawn.values(), reverse=True) == pytest.approx([1e3 * loss.gold.mean for loss in told])
    # The ends of each lie beside its bar.
    ends = [line.get_xdata() for line in axes.lines if len(line.get_xdata()) == 2]
    assert [tuple(pair) for pair in ends] == [(1e3 * loss.gold.p5, 1e3 * loss.gold.p95) for loss in told]
    alt = next(one.alt for one in sack.pictures if one.name == "losses")
    assert f"tails {spans.gold(told[0].gold)}, {percent(told[0].share.mean)} of the gold (" in alt
    assert "too fine to be held" in alt


def test_many_losses_are_gathered_and_none_is_no_picture() -> None:
    shares = {f"end {i:02}": 1.0 + 0.01 * i for i in range(30)}
    found = parted({**shares, "metal": 100 - sum(shares.values())}, "metal")
    rows = run_plots.lost(found)
    assert len(rows) == run_plots.MOST_LOSSES
    assert rows[-1].name == "19 more"
    assert sum(row.gold for row in rows) == pytest.approx(sum(loss.gold for loss in found.losses))
    assert pictures.losses(parted({"a": 40.0, "b": 60.0}, "[a, b]")) is None


def test_the_band_is_that_of_the_chances(sack: Facts) -> None:
    known = run_plots.known(sack.run, sack.chance)
    figure = run_plots.coarse_figure(sack.run, known)
    (axes,) = figure.axes
    (band,) = [c for c in axes.collections if isinstance(c, PolyCollection)]
    corners = {(round(float(x), 9), round(float(y), 6)) for x, y in band.get_paths()[0].vertices}
    assert set(known.shares) == set(sack.chance.coarse)
    for size, one in known.shares.items():
        assert (round(1e3 * size, 9), round(100 * one.p5, 6)) in corners
        assert (round(1e3 * size, 9), round(100 * one.p95, 6)) in corners
    lines = {line.get_label(): line for line in axes.lines}
    rows = sorted(sack.run.coarse, key=lambda row: row.opening)
    # The estimate's middle, not the plan's.
    assert list(lines["gold"].get_ydata()) == [100 * known.shares[row.opening].mean for row in rows]
    assert list(lines["rock"].get_ydata()) == [100 * row.mass_share for row in rows]
    alt = next(one.alt for one in sack.pictures if one.name == "coarse")
    own = known.shares[0.02]
    told = f"{percent(own.mean)} of the gold (nine chances in ten {100 * own.p5:.0f} to "
    assert f"20 mm: 63.0 % of the rock, {told}" in alt
    assert "Marked: scalp 20 mm." in alt


def test_without_doubt_there_is_no_band() -> None:
    sized = "sizes: {top: 40 mm, p80: 25 mm}, gold: {d50: 0.3 mm, d95: 1 mm}"
    found = run_of(PARTED.replace("GRADE", f"20 g/t, {sized}").replace("GIVES", "a: a, b: b").replace(
        "SHARES", "a: 30 %").replace("KEEP", "a"), certain=False)  # fmt: skip
    figure = run_plots.coarse_figure(found, run_plots.known(found, None))
    assert not [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]
    assert pictures.coarse_band(found) is not None


def test_a_sheet_without_sizes_has_no_pictures_by_size() -> None:
    found = parted({"a": 40.0, "b": 60.0}, "a")
    assert pictures.coarse_band(found) is None
    assert pictures.by_size(found, ["ore"]) is None


def test_by_size_says_the_fullest_class(sack: Facts) -> None:
    alt = next(one.alt for one in sack.pictures if one.name == "sizes")
    tails = sack.run.flows["tails"]
    full = max(tails.sizes, key=lambda row: row.light + row.heavy)
    share = (full.light + full.heavy) / sum(row.light + row.heavy for row in tails.sizes)
    assert f"tails: 13.4 kg and {1e6 * sum(row.gold for row in tails.sizes):.1f} mg of gold" in alt
    assert f"with {100 * share:.1f} %" in alt


@pytest.mark.parametrize("of", ["sack", "nasty"])
def test_moved_weights_say_how_far_and_how_many_nothing_checks(of: str, sack: Facts, nasty: Facts) -> None:
    facts = {"sack": sack, "nasty": nasty}[of]
    alt = next(one.alt for one in facts.pictures if one.name == "weights")
    drawn, _, rest = alt.partition("Nothing checks ")
    free = [weight for weight in facts.reconciled.weights if np.isnan(weight.standardised)]
    assert bool(free) == (of == "sack") == rest.startswith(f"{len(free)} more: ")
    for weight in facts.reconciled.weights:
        name = style.printable(weight.name)
        if np.isnan(weight.standardised):
            assert name in rest
            assert f"{name}: weighed" not in drawn
        else:
            part = next(p for p in drawn.split(";") if f"{name}: weighed" in p)
            assert f"moved {-weight.standardised:+.1f}".replace("-", "−") in part
    (axes,) = weight_plots.moved_figure(facts.reconciled).axes
    bars = [
        p.get_width() for p in axes.patches if isinstance(p, Rectangle) and p.get_height() == pytest.approx(style.BAR)
    ]
    told = [-w.standardised for w in facts.reconciled.weights if not np.isnan(w.standardised)]
    assert bars == pytest.approx(told)
    assert len(axes.texts) == len(told) >= 3
    assert axes.get_xlabel().endswith(f"(nothing checks {len(free)} more)") == bool(free)


def test_no_name_lies_over_a_bar(sack: Facts, nasty: Facts) -> None:
    for facts in (sack, nasty):
        figure = weight_plots.moved_figure(facts.reconciled)
        boxes, _ = drawn_boxes(figure)
        bars = [
            p.get_window_extent()
            for p in figure.axes[0].patches
            if isinstance(p, Rectangle) and p.get_height() == pytest.approx(style.BAR)
        ]
        assert bars
        for text, box in boxes:
            assert not any(box.overlaps(bar) for bar in bars), text  # type: ignore[attr-defined]


def test_where_nothing_checks_any_weight_there_is_no_picture(sack: Facts) -> None:
    free = [replace(weight, standardised=float("nan")) for weight in sack.reconciled.weights]
    assert weight_pictures.weights_moved(replace(sack.reconciled, weights=free)) is None


def test_names_of_screens_stand_beside_each_other_or_on_rows_of_their_own(sack: Facts) -> None:
    figure, (axes,) = style.new_figure(1, style.NARROW, 4.0)
    axes.set_xscale("log")
    axes.set_xlim(1, 100)
    run_plots._lines_of_screens(axes, {"first long name": 20.0, "a second long name": 22.4, "fine": 1.2, "more": 20.0})
    boxes, paper = drawn_boxes(figure)
    assert sorted(text for text, _ in boxes) == ["a second long name", "fine", "first long name, more"]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        assert not a.overlaps(b), (one, other)  # type: ignore[attr-defined]
    assert all(box.x0 >= paper.x0 and box.x1 <= paper.x1 for _, box in boxes)  # type: ignore[attr-defined]


def test_the_next_sack_is_drawn_whole(sack: Facts) -> None:
    (axes,) = chance_plots.next_sack_figure(sack.chance, narrow=True).axes
    heights = sum(bar.get_height() for bar in axes.patches if isinstance(bar, Rectangle))
    # What is many times the mean lies beyond its edge: a nugget in a sack of a hundred.
    assert 98.5 <= heights <= 100.2
    alt = next(one.alt for one in sack.pictures if one.name == "next_sack")
    assert f"{1e3 * sack.chance.next_mean:.3f} g on average" in alt


def drawn_boxes(figure: Figure) -> tuple[list[tuple[str, object]], object]:
    figure.draw_without_rendering()
    boxes = [(t.get_text(), t.get_window_extent()) for a in figure.axes for t in a.texts if t.get_text()]
    return boxes, figure.bbox


@pytest.mark.parametrize("which", ["losses", "weights", "next_sack", "coarse"])
def test_nothing_written_is_cut_off(which: str, sack: Facts, nasty: Facts) -> None:
    for facts in (sack, nasty):
        figure = {
            "losses": lambda f: run_plots.losses_figure(run_plots.lost(f.run)),
            "weights": lambda f: weight_plots.moved_figure(f.reconciled),
            "next_sack": lambda f: chance_plots.next_sack_figure(f.chance, narrow=True),
            "coarse": lambda f: run_plots.coarse_figure(f.run, run_plots.known(f.run, f.chance)),
        }[which](facts)
        boxes, paper = drawn_boxes(figure)
        assert boxes
        for text, box in boxes:
            assert box.x0 >= paper.x0, text  # type: ignore[attr-defined]
            assert box.x1 <= paper.x1, text  # type: ignore[attr-defined]
            assert box.y1 <= paper.y1 + 1, text  # type: ignore[attr-defined]
        if which != "coarse":
            for (one, a), (other, b) in itertools.combinations(boxes, 2):
                assert not a.overlaps(b), (one, other)  # type: ignore[attr-defined]


# ── colours ─────────────────────────────────────────────────────────────────────────────────────────────────

#: What eyes without one kind of cone see of linear RGB (severity 1): G. M. Machado, M. M. Oliveira & L. A. F.
#: Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE Trans. Vis. Comput. Graph.
#: 15 (2009) 1291, the authors' table of matrices.
SEEN = {
    "all cones": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
}
TELLS_APART = 10.0
"""CIE 1976 colour difference; one of 2.3 is just noticed (M. Mahy et al., Color Res. Appl. 19 (1994) 105; from
memory)."""


def linear(colour: str) -> Array:
    """Return a colour's linear RGB (IEC 61966-2-1)."""
    part = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(rgb: Array) -> Array:
    """Return CIE L*a*b* (D65) of linear sRGB."""
    to_xyz = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
                       [0.0193339, 0.1191920, 0.9503041]])  # fmt: skip
    x, y, z = np.cbrt(to_xyz @ np.clip(rgb, 0, 1) / np.array([0.95047, 1.0, 1.08883]))
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2)."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    low, high = sorted(float(linear(colour) @ weights) + 0.05 for colour in (one, other))
    return high / low


@pytest.mark.parametrize("eyes", SEEN)
def test_colours_tell_apart_to_all_eyes(eyes: str) -> None:
    for one, other in itertools.combinations(style.COLOURS, 2):
        difference = np.linalg.norm(lab(SEEN[eyes] @ linear(one)) - lab(SEEN[eyes] @ linear(other)))
        assert difference > TELLS_APART, (one, other)


def test_the_simulation_of_eyes_can_fail() -> None:
    brown, green = linear("#b4865b"), linear("#23a45c")
    assert np.linalg.norm(lab(brown) - lab(green)) > 60
    assert all(np.linalg.norm(lab(SEEN[e] @ brown) - lab(SEEN[e] @ green)) < TELLS_APART for e in list(SEEN)[1:])


def papers(name: str) -> list[str]:
    """Return a colour of the theme by day and in the dark."""
    return re.findall(rf"--{name}: (#[0-9a-f]{{6}});", markup.theme())


def test_colours_show_on_both_papers_or_have_an_edge() -> None:
    both = [*papers("paper"), *papers("card")]
    assert len(both) == 4
    for colour in style.COLOURS:
        assert (min(contrast(colour, paper) for paper in both) >= 3) == (colour not in style.EDGED), colour
    for paper, ink in itertools.chain(
        zip(papers("paper"), papers("ink"), strict=True), zip(papers("card"), papers("soft"), strict=True)
    ):
        assert contrast(paper, ink) > 4.5


def test_letters_in_the_bar_are_readable() -> None:
    for fill in ("gilt", "ash", "card"):
        for paper, ink in zip(papers(fill), papers("ink"), strict=True):
            assert contrast(paper, ink) > 4.5, fill


def test_light_lines_and_all_bars_have_edges() -> None:
    for i, colour in enumerate(style.COLOURS):
        assert style.bar_look(i)["edgecolor"] == style.INK
        look = style.line_look(i)
        assert ("path_effects" in look) == (colour in style.EDGED)
        assert look["markeredgecolor"] == style.INK
    assert len({style.bar_look(i)["hatch"] for i in range(8)}) == 8
    assert len({style.line_look(i)["marker"] for i in range(8)}) == 8
