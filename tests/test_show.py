"""What people see: figures, tables, CSV, the drawn flowsheet and plots."""

from __future__ import annotations

import csv
import io
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from rich.console import Console
from sheets import plain_run_of, run_of

from flowsheet import starters
from flowsheet.show.graphics import style
from flowsheet.show.run import drawing, files, run_tables, sentences, size_plots, told_tables
from flowsheet.show.run.terminal import show_run
from flowsheet.show.text import figures, tables, terminal
from flowsheet.show.text.figures import closes
from flowsheet.show.text.line_width import filled
from flowsheet.show.trials import trial_files, trial_plots, trial_sentences, trial_tables
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.spec.yaml import marked_document
from flowsheet.study.run.run import Run
from flowsheet.study.run.screen_options import Finer
from flowsheet.study.trials.trials import Trials, parse_settings, run_trials

PNG = b"\x89PNG\r\n\x1a\n"
ODD_NAMES = [
    'say "gold"',
    "back\\slash",
    "<b>bold</b>",
    "jaw & pan",
    "Größe µ",
    "a:b",
    "line\\nbreak",
    "[red]",
    "$x$ \\N",
]

ORE = "ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 40 mm, p80: 25 mm}, heavies: 3 %, gold: {d50: 0.3 mm, d95: 1 mm}}"


def trials_of(text: str, *settings: str) -> Trials:
    return run_trials(marked_document.parse(text, "sheet.yaml"), parse_settings(settings))


PANNED = f"""
{ORE}
steps:
  scalp: {{do: screen, takes: ore, gives: {{oversize: lumps, undersize: fines}}, opening: 10 mm}}
  look: {{do: sort, takes: lumps, gives: {{picked: specimens, left: plain}}}}
  grind: {{do: pulverize, takes: [plain, fines], gives: powder, gap: 0.2 mm}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: [con, specimens]
weighed: {{tails: {{mass: 9.1 kg ± 10 g, grade: 4 g/t}}}}
"""
UNWEIGHED = PANNED.partition("weighed:")[0]
"""The same without weights, of which no estimate need be made: for pictures that show none."""

LOOP = f"""
{ORE}
steps:
  plates: {{do: pulverize, takes: [ore, coarse], gives: ground, gap: 0.4 mm}}
  sieve: {{do: screen, takes: ground, gives: {{oversize: coarse, undersize: powder}}, opening: 0.5 mm}}
  wash: {{do: pan, takes: powder, gives: {{concentrate: con, tailings: tails}}}}
keep: con
"""

FACTORS = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {wash: {do: factors, takes: ore, gives: {con: con, tails: tails}, split: {con: 2 %}, recovery: {con: 80 %}}}
keep: con
"""


@pytest.fixture(scope="module")
def panned() -> Run:
    return run_of(PANNED)


@pytest.fixture(scope="module")
def looped() -> Run:
    return run_of(LOOP)


# ── figures ─────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0, 3, "0"), (1, 3, "1.00"), (-1, 3, "-1.00"), (9.996, 3, "10.0"), (0.09996, 3, "0.100"), (99.96, 3, "100"),
        (999.6, 3, "1,000"), (99960, 3, "100,000"), (1234, 3, "1,230"), (1234, 4, "1,234"), (1234567, 3, "1,230,000"),
        (0.00001234, 3, "0.0000123"), (6.25, 2, "6.2"), (1000, 3, "1,000"), (0.001, 3, "0.00100"),
        (math.nan, 3, "–"), (math.inf, 3, "–"),
    ],
)  # fmt: skip
def test_sig(value: float, digits: int, text: str) -> None:
    assert figures.sig(value, digits) == text


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0, "0 %"), (1, "100 %"), (0.5, "50.0 %"), (0.0123, "1.2 %"), (0.00012, "0.012 %"), (0.00009, "under 0.01 %"),
        (0.9999, "99.99 %"), (0.9999999, "100 %"), (0.99, "99.0 %"), (0.9934, "99.34 %"),
        (1.052, "105 %"), (0.0997, "10 %"),
    ],
)  # fmt: skip
def test_percent(share: float, text: str) -> None:
    assert figures.percent(share) == text


@pytest.mark.parametrize(
    ("function", "value", "text"),
    [
        (figures.mass, 0, "0 kg"), (figures.mass, 14.2, "14.2 kg"), (figures.mass, 2500, "2.50 t"),
        (figures.mass, 0.192, "192 g"), (figures.mass, 0.000192, "0.192 g"), (figures.mass, 1.92e-5, "19.2 mg"),
        (figures.gold, 0, "0 g"), (figures.gold, 0.3124e-3, "0.312 g"), (figures.gold, 0.02067e-3, "20.7 mg"),
        (figures.gold, 1.234, "1.23 kg"), (figures.gold, 0.00005e-3, "under 0.1 mg"),
        (figures.grade, 22e-6, "22.0 g/t"), (figures.grade, 1234e-6, "1,230 g/t"),
        (figures.grade, 0.874_123, "874 fine"),
        (figures.length, 0.02, "20 mm"), (figures.length, 5.6e-3, "5.6 mm"), (figures.length, 32e-6, "32 µm"),
        (figures.length, 1e-3, "1 mm"), (figures.length, 31.5e-3, "31.5 mm"), (figures.length, 0.5e-6, "0.5 µm"),
        (figures.short, 1000, "1,000"), (figures.short, 0.5, "0.5"), (figures.short, 200, "200"),
        (figures.count, 3.4, "3"), (figures.count, 3247, "3,200"), (figures.count, 0.2, "0"),
    ],
)  # fmt: skip
def test_units_that_suit(function: object, value: float, text: str) -> None:
    assert callable(function)
    assert function(value) == text


SHOWABLE = st.floats(min_value=1e-12, max_value=1e12)


@given(SHOWABLE, st.integers(1, 4), st.booleans())
def test_sig_never_shows_an_exponent_nor_too_many_digits_and_reads_back(value: float, digits: int, below: bool) -> None:
    value = -value if below else value
    text = figures.sig(value, digits)
    assert re.fullmatch(r"-?\d{1,3}(,\d{3})*(\.\d+)?", text)
    significant = text.replace(",", "").replace(".", "").lstrip("-0")
    assert len(significant.rstrip("0") or "0") <= digits
    # Half a unit of the last digit shown, and a hair for the rounding of the float itself.
    unit = 10.0 ** (math.floor(math.log10(abs(value))) - digits + 1)
    assert abs(float(text.replace(",", "")) - value) <= 0.5 * unit * (1 + 1e-9)
    if "." in text:
        assert len(significant) == digits


@given(st.floats(min_value=1e-12, max_value=1e6))
def test_no_figure_shows_an_exponent_or_more_than_four_digits(value: float) -> None:
    told = [form(value) for form in (figures.mass, figures.gold, figures.length, figures.count, figures.percent)]
    for text in (*told, figures.grade(1e-6 * value)):  # no grade is more than one
        number = re.fullmatch(r"(?:under )?([\d,.]+)(?: [a-zµ%/]+)?", text)
        assert number is not None
        assert len(number[1].replace(",", "").replace(".", "").strip("0")) <= 4


@given(st.floats(min_value=1e-7, max_value=1e5), st.floats(min_value=1e-7, max_value=1e5))
def test_a_larger_share_is_never_shown_as_a_smaller_one(a: float, b: float) -> None:
    def read(share: float) -> float:
        text = figures.percent(share)
        return 0.0 if text.startswith("under") else float(text.removesuffix(" %").replace(",", ""))

    assume(a < b)
    assert read(a) <= read(b)


@pytest.mark.parametrize(("value", "text"), [(0, "0"), (0.5, "+0.500"), (-0.5, "−0.500"), (1e-12, "0")])
def test_signed(value: float, text: str) -> None:
    assert tables.signed(value) == text


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────────


def test_csv_reads_back(panned: Run, tmp_path: Path) -> None:
    for grid in (run_tables.balance(panned), run_tables.coarse(panned), run_tables.finer(panned),
                 run_tables.losses(panned), run_tables.sizes(panned.streams)):  # fmt: skip
        path = tmp_path / f"{grid.name}.csv"
        path.write_bytes(grid.csv())
        head, *rows = csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline=""))
        assert head == [column.head for column in grid.columns]
        assert len(rows) == len(grid.rows) > 0
        for read, row in zip(rows, grid.rows, strict=True):
            for title, text, cell in zip(head, read, row, strict=True):
                if isinstance(cell, float):
                    # Under a head of percent a cell of the table is a share, and that of the file in percent.
                    assert float(text) == pytest.approx(cell * (100 if title.endswith("%") else 1), rel=1e-8)
                else:
                    assert text == ("" if cell is None else str(cell))


def test_a_csv_holds_what_its_heads_say(tmp_path: Path) -> None:
    def read(grid: tables.Grid) -> list[dict[str, str]]:
        (tmp_path / "table.csv").write_bytes(grid.csv())
        return list(csv.DictReader(io.StringIO((tmp_path / "table.csv").read_text(encoding="utf-8"), newline="")))

    sheet = f"{FACTORS}weighed: {{tails: {{mass: 9.31 kg}}}}"
    found = run_of(sheet)
    # By hand: 2 % of 10 kg and 80 % of 0.2 g go to con; 9.31 kg are 5 % less than 9.8 kg.
    con = next(row for row in read(run_tables.balance(found)) if row["Stream"] == "con")
    assert [float(con[head]) for head in ("Mass, kg", "Mass, %", "Gold, %")] == pytest.approx([0.2, 2, 80])
    (tails,) = read(run_tables.losses(found))
    assert [float(tails[head]) for head in ("Gold, g", "Of all, %", "Other, %")] == pytest.approx([0.04, 20, 100])
    (weighed,) = read(run_tables.weighed(found))
    assert float(weighed["Weighed is more by, %"]) == pytest.approx(-5)
    trial = read(trial_tables.trials(trials_of(sheet, "wash.recovery.con=90 %")))[1]
    assert [float(trial[head]) for head in ("Kept, %", "and, %")] == pytest.approx([90, 10])


def test_a_csv_of_the_coarse_fraction_is_in_percent(panned: Run, tmp_path: Path) -> None:
    (tmp_path / "coarse.csv").write_bytes(run_tables.coarse(panned).csv())
    row = next(csv.DictReader(io.StringIO((tmp_path / "coarse.csv").read_text(encoding="utf-8"), newline="")))
    first = panned.coarse[0]
    told = [float(row[head]) for head in ("Mass, %", "Gold, %", "Gold in sight, %")]
    shares = [first.mass_share, first.gold_share, first.in_sight_share]
    assert told == pytest.approx([100 * share for share in shares], rel=1e-8)


def test_csv_of_odd_names_reads_back(tmp_path: Path) -> None:
    name = 'mud, "wet"; ünd'
    found = run_of(FACTORS.replace("tails: tails", f"tails: '{name}'"))
    (tmp_path / "balance.csv").write_bytes(run_tables.balance(found).csv())
    rows = list(csv.reader(io.StringIO((tmp_path / "balance.csv").read_text(encoding="utf-8"), newline="")))
    assert name in [row[0] for row in rows]


def test_text_of_a_csv_is_no_formula(tmp_path: Path) -> None:
    names = ["=1+1", "+rock", "-rock", "@rock", "rock = 1", "-3.5", "−3", "'rock"]
    columns = (tables.Column("=Name"), tables.Column("Number"))
    grid = tables.Grid("odd", "Odd", columns, [(name, -2.5) for name in names])
    (tmp_path / "odd.csv").write_bytes(grid.csv())
    head, *rows = csv.reader(io.StringIO((tmp_path / "odd.csv").read_text(encoding="utf-8"), newline=""))
    assert head == ["'=Name", "Number"]
    assert [row[0] for row in rows] == ["'=1+1", "'+rock", "'-rock", "'@rock", "rock = 1", "-3.5", "−3", "'rock"]
    assert {row[1] for row in rows} == {"-2.5"}


def test_what_was_weighed_stands_beside_what_the_sheet_makes_of_it(panned: Run) -> None:
    tails = panned.streams["tails"]
    rows = {row[1]: row for row in run_tables.weighed(panned).rows}
    assert list(rows) == ["mass, kg", "grade, g/t"]
    assert rows["mass, kg"][:4] == ("tails", "mass, kg", 9.1, tails.mass)
    assert rows["mass, kg"][4] == pytest.approx(9.1 / tails.mass - 1, rel=1e-12)
    assert rows["grade, g/t"][2:4] == (pytest.approx(4, rel=1e-12), 1e6 * tails.grade)


def test_each_column_of_the_balance_holds_what_its_head_says(panned: Run) -> None:
    grid = run_tables.balance(panned)
    heads = [column.head for column in grid.columns]
    con = panned.streams["con"]
    row = next(row for row in grid.rows if row[0] == "con")
    assert dict(zip(heads, row, strict=True)) == {
        "Stream": "con", "Mass, kg": con.mass, "Gold, g": 1e3 * con.gold, "Grade, g/t": 1e6 * con.grade,
        "Mass, %": con.mass_share, "Gold, %": con.gold_share, "Free, %": con.free_share, "Fate": "KEPT",
    }  # fmt: skip


def test_the_balance_says_what_becomes_of_each_stream(panned: Run) -> None:
    fates = {row[0]: row[-1] for row in run_tables.balance(panned).rows}
    assert fates == {"ore": "fed", "lumps": "goes on", "fines": "goes on", "specimens": "KEPT", "plain": "goes on",
                     "powder": "goes on", "con": "KEPT", "tails": "lost"}  # fmt: skip


def shown(found: Run, capsys: pytest.CaptureFixture[str]) -> str:
    show_run(found)
    return capsys.readouterr().out


@pytest.mark.parametrize("grade", ["20 g/t", "0 g/t", "1e-9 g/t", "999999 g/t"])
@pytest.mark.parametrize("mass", ["10 kg", "1e-6 kg", "123456789 kg"])
def test_numbers_of_any_size_fit_the_page_whole(grade: str, mass: str, capsys: pytest.CaptureFixture[str]) -> None:
    long_name = "what the second screen lets through after the first wash in the morning"
    sheet = PANNED.replace("20 g/t", grade).replace("10 kg", mass).replace("tails", long_name)
    if mass == "1e-6 kg":
        sheet = sheet.replace("9.1 kg ± 10 g", "9e-7 kg ± 1e-8 kg")
    found = run_of(sheet)
    text = shown(found, capsys)
    assert max(map(len, text.splitlines())) <= 100
    test = found.this_test
    assert (test is None) == (grade == "0 g/t")
    planned = (run_tables.balance, run_tables.coarse, run_tables.losses)
    told = (told_tables.gold, told_tables.rock, told_tables.losses, told_tables.coarse)
    for grid in [table(found) for table in planned] if test is None else [table(found, test) for table in told]:
        for column, cells in zip(grid.columns, zip(*grid.rows, strict=True), strict=True):
            for cell in cells:
                if column.form is not None:
                    assert column.form(cell) in text  # no number is cut or broken


@pytest.mark.parametrize("path", sorted(starters.folder().glob("*.yaml")), ids=lambda path: path.stem)
def test_tables_fit_eighty_columns_with_names_and_numbers_whole(path: Path) -> None:
    found = run_of(path)
    for grid in (
        run_tables.balance(found),
        run_tables.coarse(found),
        run_tables.finer(found),
        run_tables.losses(found),
    ):
        page = io.StringIO()
        Console(file=page, width=80, markup=False).print(grid.rich())
        lines = page.getvalue().splitlines()
        assert max(map(len, lines)) <= 80
        for row in grid.rows:
            cells = [str(cell) if c.form is None else c.form(cell) for c, cell in zip(grid.columns, row, strict=True)]
            assert any(re.split(r" {2,}", line.strip()) == cells for line in lines), cells


def test_an_amount_that_no_scale_sees_is_told_as_less_than_it(panned: Run) -> None:
    form = next(column.form for column in run_tables.balance(panned).columns if column.head == "Mass, kg")
    assert form is not None
    assert [form(x) for x in (0.0, 1e-12, 9.9e-8, 1.5e-7)] == ["0 kg", "<0.1 mg", "<0.1 mg", "0.1500 mg"]


def test_each_mass_of_the_balance_has_a_unit_that_reads_well(panned: Run, capsys: pytest.CaptureFixture[str]) -> None:
    form = next(column.form for column in run_tables.balance(panned).columns if column.head == "Mass, kg")
    assert form is not None
    assert [form(x) for x in (14.2, 0.5903, 0.0002896, 1.652e-6, 2500)] == [
        "14.20 kg", "590.3 g", "0.2896 g", "1.652 mg", "2.500 t"
    ]  # fmt: skip
    text = shown(panned, capsys)
    _, row = (line for line in text.splitlines() if line.startswith(" ore "))
    assert row.split()[1:3] == ["10.00", "kg"]
    assert "Mass, kg" not in text


@pytest.mark.parametrize(("terminal_is", "width"), [(40, 80), (90, 90), (200, 100), (None, 100)])
def test_the_page_is_as_wide_as_the_terminal_within_reason(
    terminal_is: int | None, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: terminal_is is not None, raising=False)
    monkeypatch.setenv("COLUMNS", str(terminal_is or 40))
    assert terminal.console().width == width


def test_names_are_shown_as_they_are_written(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("[red]", "[/]", ":gold:", "a\\[b", ":warning:"):
        text = shown(run_of(FACTORS.replace("tails: tails", f"tails: '{name}'")), capsys)
        assert f" {name} " in text


def test_no_gold_no_crash(capsys: pytest.CaptureFixture[str]) -> None:
    for sheet in (PANNED, LOOP, FACTORS):
        text = shown(run_of(sheet.replace("20 g/t", "0 g/t")), capsys)
        assert "no gold in the ore" in text
        assert "nan" not in text


def test_a_fine_ore_is_not_told_that_it_has_no_sizes(capsys: pytest.CaptureFixture[str]) -> None:
    sheet = (
        f"{ORE.replace('40 mm', '1 mm').replace('25 mm', '0.5 mm')}\n"
        + """
steps: {wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}}}
keep: con
"""
    )
    found = run_of(sheet)
    assert found.coarse == []
    assert "gives no sizes" not in sentences.coarse(found)
    assert "finer than" in sentences.coarse(found)


# ── the drawing ─────────────────────────────────────────────────────────────────────────────────────────────


def nodes(found: Run) -> dict[str, str]:
    """Return node → its line in the graph's source."""
    lines = drawing.graph(found).source.splitlines()
    return {m[1]: line for line in lines if (m := re.match(r"\s*(\w+) \[label=", line)) and "->" not in line}


def test_what_is_kept_and_lost_differs_in_text_and_shape(panned: Run) -> None:
    ends = {name: line for name, line in nodes(panned).items() if name.startswith("end")}
    kept = [line for line in ends.values() if "KEPT: " in line]
    lost = [line for line in ends.values() if "LOST: " in line]
    assert len(kept) == 2
    assert len(lost) == 1
    assert all("ellipse" in line and "peripheries=2" in line for line in kept)
    assert all("shape=note" in line for line in lost)
    assert "LOST: tails" in lost[0]
    assert sum("ORE" in line for line in nodes(panned).values()) == 1


def test_what_is_caught_has_a_node_of_its_own(looped: Run, panned: Run) -> None:
    caught = [line for line in nodes(looped).values() if "CAUGHT in coarse" in line]
    assert len(caught) == 1
    assert "octagon" in caught[0]
    assert figures.gold(looped.caught[0].gold) in caught[0]
    assert not any("CAUGHT" in line for line in nodes(panned).values())
    back = [line for line in drawing.graph(looped).source.splitlines() if "->" in line and "coarse" in line]
    assert "dashed" in back[0]


def test_a_line_is_the_wider_the_more_gold_it_carries() -> None:
    found = run_of(FACTORS)  # con is 2 % of the mass, with 80 % of the gold
    end = {"con" if "KEPT: con" in line else "tails": name for name, line in nodes(found).items() if "end" in name}
    source = drawing.graph(found).source
    width = {stream: float(re.search(rf"-> {name} .*penwidth=([\d.]+)", source)[1]) for stream, name in end.items()}
    assert width["con"] > 2 * width["tails"]


def odd_sheet() -> str:
    quoted = ["'" + name.replace("'", "''") + "'" for name in ODD_NAMES]
    steps = [
        f"  {name}: {{do: split, takes: {'ore' if i == 0 else f'rest {i - 1}'}, "
        f"gives: {{a: {name}, b: rest {i}}}}}"
        for i, name in enumerate(quoted)
    ]  # fmt: skip
    return "\n".join(["title: '<i>odd</i> & \"so\"'", "ore: {mass: 10 kg, grade: 20 g/t}", "steps:", *steps,
                      f"keep: [{', '.join(quoted)}]"])  # fmt: skip


def draw(found: Run, path: Path) -> None:
    path.write_bytes(drawing.drawn(found, path))


def save(figure: Figure, path: Path) -> None:
    path.write_bytes(style.picture(figure, path))


def svg_text(path: Path) -> str:
    root = ET.parse(path).getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    return "\n".join("".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text"))


def test_odd_names_are_drawn_as_they_are_written(tmp_path: Path) -> None:
    found = run_of(odd_sheet())
    assert set(ODD_NAMES) < set(found.streams)
    draw(found, tmp_path / "odd.svg")
    text = svg_text(tmp_path / "odd.svg")
    for name in ODD_NAMES:
        assert f"KEPT: {name}\n" in text
        assert f"\n{name}\n" in text  # the step
    assert '<i>odd</i> & "so"' in text
    draw(found, tmp_path / "odd.png")
    assert (tmp_path / "odd.png").read_bytes().startswith(PNG)


def test_pictures_are_what_their_endings_say(panned: Run, tmp_path: Path) -> None:
    for kind in ("svg", "png", "dot", "SVG"):
        draw(panned, tmp_path / f"flow.{kind}")
    assert (tmp_path / "flow.png").read_bytes().startswith(PNG)
    assert_shows_something(tmp_path / "flow.png")
    assert (tmp_path / "flow.dot").read_text(encoding="utf-8") == drawing.graph(panned).source
    for path in (tmp_path / "flow.svg", tmp_path / "flow.SVG"):
        text = svg_text(path)
        for name in panned.streams:
            assert name in text.replace("ORE", "ore")
        for step in panned.solution.model.sheet.steps:
            assert step in text


@pytest.mark.parametrize("name", ["flow.jpg", "flow", "flow.svgz", "flow.exe"])
def test_an_unknown_ending_is_told_and_nothing_is_written(panned: Run, tmp_path: Path, name: str) -> None:
    with pytest.raises(SheetError) as wrong:
        draw(panned, tmp_path / name)
    assert ".svg" in wrong.value.mistakes[0].remedy
    assert list(tmp_path.iterdir()) == []


def test_without_dot_a_pdf_is_refused_with_a_way_out(
    panned: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SheetError) as wrong:
        draw(panned, tmp_path / "flow.pdf")
    assert ".svg" in wrong.value.mistakes[0].remedy
    assert list(tmp_path.iterdir()) == []


def test_a_dot_on_the_path_is_taken_first(panned: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fake = tmp_path / "bin" / "dot"
    fake.parent.mkdir()
    fake.write_text("#!/bin/sh\nprintf '%%PDF-fake '; echo $1\n", encoding="utf-8")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{fake.parent}:/usr/bin:/bin")
    draw(panned, tmp_path / "flow.pdf")
    assert (tmp_path / "flow.pdf").read_text(encoding="utf-8") == "%PDF-fake -Tpdf\n"


def test_a_failing_dot_is_a_bug_and_leaves_no_file(
    panned: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake = tmp_path / "bin" / "dot"
    fake.parent.mkdir()
    fake.write_text("#!/bin/sh\necho went wrong >&2\nexit 3\n", encoding="utf-8")
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{fake.parent}:/usr/bin:/bin")
    with pytest.raises(RuntimeError, match="went wrong"):
        draw(panned, tmp_path / "flow.svg")
    assert not (tmp_path / "flow.svg").exists()


def test_a_sheet_of_forty_steps_is_drawn(tmp_path: Path) -> None:
    steps = [f"  s{i}: {{do: split, takes: {'ore' if i == 0 else f'r{i - 1}'}, gives: {{a: p{i}, b: r{i}}}}}"
             for i in range(40)]  # fmt: skip
    found = run_of("\n".join(["ore: {mass: 10 kg, grade: 20 g/t}", "steps:", *steps, "keep: [p0]"]))
    draw(found, tmp_path / "long.svg")
    text = svg_text(tmp_path / "long.svg").splitlines()
    assert {f"s{i}" for i in range(40)} <= set(text)
    assert {f"LOST: p{i}" for i in range(1, 40)} <= set(text)


# ── plots ───────────────────────────────────────────────────────────────────────────────────────────────────


def assert_shows_something(path: Path) -> None:
    assert path.read_bytes().startswith(PNG)
    image = matplotlib.image.imread(path)
    ink = (np.abs(image[..., :3] - image[0, 0, :3]) > 0.05).any(axis=-1)
    assert 0.005 < ink.mean() < 0.9
    # Something in each quarter, so that no half of the picture is blank.
    half = [part for rows in np.array_split(ink, 2) for part in np.array_split(rows, 2, axis=1)]
    assert all(part.any() for part in half)


def test_plots_by_size_are_not_blank(panned: Run, tmp_path: Path) -> None:
    save(size_plots.by_size_figure(panned, ["ore", "tails"]), tmp_path / "sizes.png")
    assert_shows_something(tmp_path / "sizes.png")
    save(size_plots.by_size_figure(panned, ["ore"]), tmp_path / "other.png")
    assert (tmp_path / "other.png").read_bytes() != (tmp_path / "sizes.png").read_bytes()


@pytest.mark.parametrize("name", ["$x$", "$", "_tails", "a_b^c", "\\frac", "100 %", "尾矿", "$\\frac$"])
@pytest.mark.slow
def test_plots_take_odd_names(name: str, tmp_path: Path) -> None:
    sheet = UNWEIGHED.replace("tailings: tails", f"tailings: '{name}'")
    found = plain_run_of(sheet)
    save(size_plots.by_size_figure(found, ["ore", name]), tmp_path / "sizes.png")
    assert_shows_something(tmp_path / "sizes.png")
    moved = trials_of(sheet, "wash.light=1%,2%")
    save(trial_plots.moving_figure(moved), tmp_path / "trials.png")
    assert_shows_something(tmp_path / "trials.png")


@pytest.mark.parametrize(
    "setting",
    ["scalp.opening=10mm,5mm,2mm", "wash.d50=30 um to 90 um in 3", "wash.passes=1,2,3", "look.care=50%,90%",
     "ore.grade=10 g/t,30 g/t", "wash.light=1%,1%", "grind.gap=0.1mm,3mm"],
)  # fmt: skip
def test_plots_of_a_moving_setting(setting: str, tmp_path: Path) -> None:
    save(trial_plots.moving_figure(trials_of(UNWEIGHED, setting)), tmp_path / "trials.png")
    assert_shows_something(tmp_path / "trials.png")


def test_a_setting_of_words_is_plotted_in_its_order(tmp_path: Path) -> None:
    sheet = UNWEIGHED.replace("wash:", "part: {do: split, takes: powder, gives: {a: one, b: two}}\n  wash:").replace(
        "takes: powder, gives: {concentrate", "takes: one, gives: {concentrate"
    )
    save(trial_plots.moving_figure(trials_of(sheet, "part.by=riffle,rotary")), tmp_path / "trials.png")
    assert_shows_something(tmp_path / "trials.png")


def test_a_sheet_that_loses_nothing_is_plotted(tmp_path: Path) -> None:
    sheet = FACTORS.replace("keep: con", "keep: [con, tails]")
    save(trial_plots.moving_figure(trials_of(sheet, "ore.grade=10 g/t,30 g/t")), tmp_path / "trials.png")
    assert_shows_something(tmp_path / "trials.png")


def test_a_plot_s_unknown_ending_is_told(panned: Run, tmp_path: Path) -> None:
    with pytest.raises(SheetError) as wrong:
        save(size_plots.by_size_figure(panned, ["ore"]), tmp_path / "sizes.doc")
    assert ".png" in wrong.value.mistakes[0].remedy
    assert list(tmp_path.iterdir()) == []


# ── files ───────────────────────────────────────────────────────────────────────────────────────────────────


def test_a_run_is_written_out_whole(panned: Run) -> None:
    found = files.run_files(panned)
    planned = ("planned_balance", "planned_losses", "planned_sizes")
    tables = ("balance", "losses", "sizes", "coarse", "finer", "weighed", *planned)
    assert set(found) == {*(f"{name}.csv" for name in tables), "flow.svg", "flow.png", "sizes.png"}
    for name, stream in (("balance", "tails"), ("losses", "tails")):
        rows = list(csv.DictReader(io.StringIO(found[f"{name}.csv"].decode(), newline="")))
        (row,) = (row for row in rows if row["stream"] == stream)
        assert panned.this_test is not None
        known = panned.this_test.streams[stream]
        ends = [float(row[f"gold_{part}g"]) for part in ("p5_", "", "p95_")]
        assert ends == pytest.approx([1e3 * x for x in (known.gold.p5, known.gold.mean, known.gold.p95)], rel=1e-8)
        assert row["gold_from" if name == "balance" else "from"] == known.gold_from
    assert all(found.values())


def test_a_run_without_sizes_writes_what_it_knows() -> None:
    assert set(files.run_files(run_of(FACTORS))) == {"balance.csv", "losses.csv", "sizes.csv", "flow.svg", "flow.png"}


def test_trials_are_plotted_where_one_setting_moves_or_two() -> None:
    one = trial_files.trial_files(trials_of(FACTORS, "ore.grade=10 g/t,30 g/t"))
    two = trial_files.trial_files(trials_of(FACTORS, "ore.grade=10 g/t,30 g/t", "ore.mass=1 kg,2 kg"))
    assert list(one) == list(two) == ["trials.csv", "trials.png"]
    rows = list(csv.reader(io.StringIO(two["trials.csv"].decode(), newline="")))
    assert len(rows) == 1 + 1 + 4
    assert rows[0][:2] == ["ore.grade", "ore.mass"]
    assert [row[:2] for row in rows[1:3]] == [["as it is", "as it is"], ["10 g/t", "1 kg"]]


# ── sentences ───────────────────────────────────────────────────────────────────────────────────────────────


def test_the_best_trial_is_named() -> None:
    found = trials_of(FACTORS, "ore.grade=10 g/t,30 g/t")
    text = trial_sentences.best_trial(found)
    assert "30 g/t" in text
    assert "0.240 g" in text  # 10 kg of 30 g/t, of which 80 %
    assert "80.0 g" not in text
    assert "80.0 mg more" in text


def test_a_trial_that_is_worse_is_told_as_such() -> None:
    text = trial_sentences.best_trial(trials_of(FACTORS, "ore.grade=10 g/t"))
    assert "80.0 mg less" in text


def test_no_advice_is_given_on_what_cannot_be_chosen() -> None:
    assert "Leave the sheet" not in trial_sentences.best_trial(trials_of(FACTORS, "ore.grade=10 g/t"))
    mixed = trials_of(FACTORS, "wash.recovery.con=70 %", "ore.grade=20 g/t")
    assert "Leave the sheet" not in trial_sentences.best_trial(mixed)
    two = FACTORS.replace("ore: {", "ores:\n  a: {").replace("takes: ore", "takes: a")
    assert "Leave the sheet" not in trial_sentences.best_trial(trials_of(two, "ores.a.grade=10 g/t"))
    assert "Leave the sheet as it is." in trial_sentences.best_trial(trials_of(FACTORS, "wash.recovery.con=70 %"))


@pytest.mark.slow
def test_no_sentence_begins_with_under() -> None:
    for grade in ("20 g/t", "0.0001 g/t"):
        found = run_of(PANNED.replace("20 g/t", grade))
        for _, answer in sentences.answers(found):
            assert not re.search(r"(^|[.] )under", answer), answer
    assert "under 0.1 mg" in " ".join(sentences.losses(plain_run_of(PANNED.replace("20 g/t", "0.0001 g/t"))))


def test_what_is_picked_alike_is_told_once() -> None:
    text = sentences.finer(plain_run_of(PANNED.replace("20 g/t", "0.0001 g/t")))
    assert "pick no more gold than now (under 0.1 mg)" in text
    assert "in place of under" not in text
    assert "of gold in place of" in sentences.finer(plain_run_of(PANNED))


def test_reasons_that_sum_to_one_are_told_in_order(panned: Run) -> None:
    text = " ".join(sentences.losses(panned))
    loss = panned.losses[0]
    assert loss.stream == "tails"
    ranked = sorted((share for share in loss.why.values() if share > 0.005), reverse=True)
    at = [text.index(figures.percent(share)) for share in ranked]
    assert at == sorted(at)


# ── an ore without gold, and a single rock ──────────────────────────────────────────────────────────────────


def test_without_gold_the_answers_do_not_speak_of_it() -> None:
    quick = (starters.folder() / "quick.yaml").read_text(encoding="utf-8")
    told = run_of(re.sub(r"grade: 22 g/t[^#\n]*", "grade: 0 g/t ", quick))
    assert told.kept == 0
    coarse = sentences.coarse(told)
    assert coarse == "Rock coarser than 20 mm is 62.9 % of the mass. There is no gold in the ore."
    assert sentences.finer(told) == "There is no gold in the ore, so scalp finds none at any opening."


def test_coarse_rock_without_gold_is_told_so() -> None:
    run = run_of("""
ore:
  mass: 10 kg
  grade: 20 g/t
  gold: {d50: 0.3 mm, d95: 1 mm}
  sizes: [{sieve: 40 mm, passing: 100 %}, {sieve: 20 mm, passing: 50 %, grade: 0 g/t}, {sieve: 5 mm, passing: 20 %}]
steps: {sieve: {do: screen, takes: ore, gives: {oversize: over, undersize: under}, opening: 20 mm}}
keep: under
""")
    assert sentences.coarse(run) == "Rock coarser than 20 mm is 50.0 % of the mass. There is no gold in it."


def test_one_rock_is_not_told_as_several() -> None:
    row = Finer("s", "l", 20.0, 1.0, 1.2, 0.0, 0.0, 0.0)
    assert [sentences._rocks(replace(row, rocks=n)) for n in (0.0, 1.2, 2.0, 1100.0)] == [
        "0 rocks", "1 rock", "2 rocks", "1,100 rocks",
    ]  # fmt: skip


def test_what_panning_a_loop_wins_is_told_and_what_is_only_bounded_is_told_as_such(looped: Run) -> None:
    best = looped.advice[0]
    assert best.setting == "coarse"
    assert best.then == "panned first"
    said = " ".join(sentences.losses(looped))
    assert f"Panning coarse each round is the one change that would win most: {figures.gold(best.gain)}" in said
    bounded = replace(looped, advice=[replace(best, then="cleaned out by hand, at most")])
    assert f"win most: at most {figures.gold(best.gain)}" in " ".join(sentences.losses(bounded))


@pytest.mark.parametrize(
    ("miss", "told"), [(0.0, "to the last digit"), (4e-16, "to within rounding"), (0.002, "to within 0.20 %")]
)
def test_how_a_balance_closes_is_told_in_words(miss: float, told: str) -> None:
    assert closes(miss) == told


@pytest.mark.parametrize("wide", range(12, 60))
def test_no_line_ends_between_a_number_and_its_unit(wide: int) -> None:
    text = "Of 0.312 g of gold in 14.2 kg ± 20 g of ore (22.0 g/t) you keep 87.3 % for 95 USD/kg, 40 µm and finer"
    lines = filled(text, wide, "- ", "  ")
    assert " ".join(line[2:] for line in lines) == text
    starts = [line[2:].split()[0].rstrip(",):") for line in lines]
    assert not {"g", "kg", "g/t", "%", "USD/kg", "µm", "(22.0 g/t)"} & set(starts)
    assert not any(line.endswith("±") for line in lines)


# ── the drawing of what was weighed ─────────────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def weighed_sack() -> Run:
    return run_of(Path(__file__).parent.parent / "examples" / "sack_test" / "sack3.yaml")


def test_the_drawing_shows_what_the_weights_tell_and_marks_what_only_the_sheet_does(weighed_sack: Run) -> None:
    assert weighed_sack.sure is not None
    test = weighed_sack.sure.this_test
    assert test is not None
    flows = drawing.flows(weighed_sack)
    kept = sum(flows[name].gold for name in weighed_sack.solution.model.sheet.keep)
    assert kept == pytest.approx(test.kept.mean, rel=1e-9)
    assert kept != pytest.approx(weighed_sack.kept, rel=0.02)
    source = drawing.graph(weighed_sack).source
    tails = flows["tails"]
    assert f"LOST: tails\\n{figures.mass(tails.mass)}, {figures.grade(tails.grade)}" in source  # both weighed
    lumps = flows["lumps"]  # weighed, and not assayed
    assert f"{figures.mass(lumps.mass)}, ≈ {figures.grade(lumps.grade)}" in source
    assert "by your weights (≈: by the sheet alone)" in source


def test_without_weights_the_drawing_marks_nothing(weighed_sack: Run) -> None:
    plan = drawing.graph(replace(weighed_sack, sure=None)).source
    assert "≈" not in plan
    assert figures.percent(weighed_sack.streams["tails"].gold_share) in plan
