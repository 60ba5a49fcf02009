"""The door for Python: what it offers, that it costs nothing to open, and that its examples are so."""

from __future__ import annotations

import ast
import doctest
import inspect
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from commands import Command

import flowsheet as fs
from flowsheet import cli
from flowsheet.study.common.frames import Tabled

EXAMPLES = Path(__file__).parent.parent / "examples"
FUNCTIONS = {"read", "parse", "starter", "check", "run", "trial", "reconcile", "fit", "forecast", "chance", "plan",
             "lot", "worth", "specimen", "cut", "draw", "label", "report", "explain"}  # fmt: skip
RESULTS = {"Run", "Trials", "Reconciled", "Reconciliation", "Fitted", "Forecasts", "Chance", "SamplingPlan", "Lot",
           "Worths", "Specimens", "SpecimenGold", "Cutting", "LotSheet", "Overview", "Drawing", "LabelPage",
           "ReportPage", "Explained"}  # fmt: skip
SLOW = {"chance", "Chance", "plan", "SamplingPlan", "lot", "Lot", "worth", "Worths", "label", "LabelPage", "LotSheet",
        "report", "ReportPage", "forecast", "Forecasts", "fit", "Fitted", "run"}  # fmt: skip
"""Names whose examples take more than a few seconds on a busy machine."""
COMMAND_OF = {"try": "trial"}
NO_QUESTION = {"serve", "new", "schema"}
"""Commands that ask nothing of a sheet."""


@pytest.fixture
def at_the_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a folder with the sheets of the examples: a sack's, and in a folder of its own the pile's."""
    for file in ("sack3.yaml", "sack3.csv"):
        shutil.copy(EXAMPLES / "sack_test" / file, tmp_path)
    shutil.copytree(EXAMPLES / "pile", tmp_path / "pile")
    monkeypatch.chdir(tmp_path)
    return tmp_path


# ── what is offered ─────────────────────────────────────────────────────────────────────────────────────────


def test_the_public_names_are_these() -> None:
    assert set(fs.__all__) == FUNCTIONS | RESULTS | {"Sheet", "SheetError", "Mistake", "__version__"}
    assert fs.__all__ == sorted(fs.__all__)
    for name in fs.__all__:
        assert getattr(fs, name) is not None
        assert name in dir(fs)


def test_readers_of_types_see_what_is_looked_up() -> None:
    tree = ast.parse(inspect.getsource(fs))
    (block,) = (node for node in tree.body if isinstance(node, ast.If))
    told = {
        (node.module, alias.name) for node in block.body if isinstance(node, ast.ImportFrom) for alias in node.names
    }
    assert told == {(module, name) for module, names in fs._HOMES.items() for name in names}
    assert {name for _, name in told} == set(fs.__all__) - {"__version__"}
    assert (Path(fs.__file__).parent / "py.typed").is_file()


def test_every_command_that_asks_something_has_its_function() -> None:
    commands = {one.name for one in cli.app.registered_commands if one.name} - NO_QUESTION
    assert {COMMAND_OF.get(name, name) for name in commands} <= FUNCTIONS


def test_commands_ask_through_the_door() -> None:
    """So that a command and its function can only say the same; how it is rendered is the command's own."""
    asked = set()
    for path in (Path(fs.__file__).parent / "commands").glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        assert [name for name in names if name.split(".")[1:2] in (["study"], ["solve"])] == [], path.name
        asked |= {
            node.func.attr
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
            and isinstance(node.func.value, ast.Name) and node.func.value.id == "fs"
        }  # fmt: skip
    assert asked == FUNCTIONS - {"parse", "starter"}


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'rum'"):
        fs.rum  # noqa: B018


def test_opening_the_door_loads_nothing() -> None:
    script = "import json, sys, flowsheet; dir(flowsheet); print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    loaded = set(json.loads(done.stdout))
    assert {name for name in loaded if name.partition(".")[0] == "flowsheet"} == {"flowsheet"}
    assert not loaded & {"numpy", "pydantic", "yaml", "typer"}


# ── examples ────────────────────────────────────────────────────────────────────────────────────────────────


def examples_of(name: str) -> list[doctest.DocTest]:
    """Return the examples in the docstring of a public name, and in those of its own public methods."""
    thing = getattr(fs, name)
    found = doctest.DocTestFinder(recurse=False).find(thing, name, globs={})
    if inspect.isclass(thing):
        for key, method in vars(thing).items():
            if inspect.isfunction(method) and not key.startswith("_") and method.__module__ == thing.__module__:
                found += doctest.DocTestFinder(recurse=False).find(method, f"{name}.{key}", globs={})
    return [one for one in found if one.examples]


NAMES = [pytest.param(name, marks=[pytest.mark.slow] if name in SLOW else [])
         for name in sorted(set(fs.__all__) - {"__version__"})]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.usefixtures("at_the_bench")
def test_the_examples_of_a_public_name_are_so(name: str) -> None:
    found = examples_of(name)
    assert found, f"{name} has no example"
    told: list[str] = []
    for one in found:
        doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(one, out=told.append)
    assert "".join(told) == ""


@pytest.mark.parametrize("method", ["to_rows", "to_frame"])
@pytest.mark.usefixtures("at_the_bench")
def test_the_examples_of_tables_are_so(method: str) -> None:
    (found,) = doctest.DocTestFinder(recurse=False).find(getattr(Tabled, method), method, globs={})
    assert doctest.DocTestRunner().run(found).failed == 0


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_each_function_says_what_it_returns_and_raises(name: str) -> None:
    function = getattr(fs, name)
    told = inspect.getdoc(function) or ""
    assert told.startswith("Return "), name
    assert "SheetError" in told, name
    assert inspect.signature(function).return_annotation not in (inspect.Signature.empty, "Any"), name
    for parameter in inspect.signature(function).parameters:
        if parameter not in ("sheet", "seed", "draws", "progress", "path", "text", "name"):
            assert f"``{parameter}" in told, (name, parameter)


@pytest.mark.usefixtures("at_the_bench")
def test_the_first_example_is_so() -> None:
    found = doctest.DocTestFinder(recurse=False).find(fs, "flowsheet", globs={})
    assert doctest.DocTestRunner().run(found[0]).failed == 0


# ── one line ────────────────────────────────────────────────────────────────────────────────────────────────

LONG = "a dump that somebody gave a name " * 8


@pytest.mark.usefixtures("at_the_bench")
def test_what_is_returned_says_itself_on_one_line() -> None:
    text = Path("sack3.yaml").read_text(encoding="utf-8").replace("Quillfeather dump, sack 3", f"'{LONG}'")
    sheet = fs.parse(text, "sack3.yaml")
    run = fs.run(sheet, certain=False)
    material = run.solution.streams["tails"]
    specimens = fs.specimen("96 g", "74.5 g")
    tests = fs.reconcile(sheet)
    found = [
        sheet, run, run.solution, run.solution.model, run.solution.model.grid, material, fs.check(sheet), tests,
        fs.draw(sheet), fs.trial(sheet, {"scalp.opening": "5 mm to 20 mm in 3", "wash.passes": "1,2"}), tests.first,
        specimens, specimens.specimens[0], fs.cut("120 mm", "6 mm", "5 mm", "1 mm"),
    ]  # fmt: skip
    for one in found:
        line = repr(one)
        assert len(line) < 120, line
        assert line.isprintable(), line
        assert line.startswith(f"<{type(one).__name__}") or type(one).__name__ in (
            "Grid",
            "FactoredMaterial",
            "Material",
            "SpecimenGold",
        )


def test_every_result_class_has_a_line_of_its_own() -> None:
    for name in RESULTS | {"Sheet"}:
        kind = getattr(fs, name)
        assert "_headline" in vars(kind) or "__repr__" in vars(kind), name
        assert kind.__repr__.__qualname__ in ("Shown.__repr__", f"{kind.__name__}.__repr__")
        assert "__create_fn__" not in kind.__repr__.__qualname__


# ── sheets ──────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.usefixtures("at_the_bench")
def test_a_sheet_and_its_path_give_the_same() -> None:
    by_path, by_sheet = fs.run("sack3.yaml", certain=False), fs.run(fs.read(Path("sack3.yaml")), certain=False)
    assert by_path.as_dict() == by_sheet.as_dict()


@pytest.mark.usefixtures("at_the_bench")
def test_fields_set_anew_are_as_if_the_sheet_had_them() -> None:
    sheet = fs.read("sack3.yaml")
    finer = sheet.with_({"scalp.opening": "12 mm"})
    written = fs.parse(
        Path("sack3.yaml").read_text(encoding="utf-8").replace("opening: 20 mm", "opening: 12 mm"), "sack3.yaml"
    )
    assert fs.run(finer, certain=False).as_dict() == fs.run(written, certain=False).as_dict()
    assert str(sheet.steps["scalp"].opening) == "20 mm"
    assert finer.weighed == sheet.weighed
    again = finer.with_({"wash.passes": "2"})
    assert (str(again.steps["scalp"].opening), str(again.steps["wash"].passes)) == ("12 mm", "2")


@pytest.mark.usefixtures("at_the_bench")
@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"scalp.openng": "12 mm"}, 'Did you mean "opening"?'),
        ({"scalpe.opening": "12 mm"}, 'Did you mean "scalp"?'),
        ({"scalp.opening": "12 kg"}, "a mass, where a length is wanted"),
        ({"scalp.opening": "12"}, "scalp.opening"),
    ],
)
def test_a_field_that_is_not_there_names_the_nearest(settings: dict[str, str], told: str) -> None:
    sheet = fs.read("sack3.yaml")
    with pytest.raises(fs.SheetError) as caught:
        sheet.with_(settings)
    assert told in str(caught.value)
    with pytest.raises(fs.SheetError) as caught:
        fs.trial(sheet, settings)
    assert told in str(caught.value)


@pytest.mark.slow
@pytest.mark.usefixtures("at_the_bench")
def test_the_fitted_text_of_a_sheet_set_anew_is_refused_with_what_to_write() -> None:
    found = fs.fit(fs.read("sack3.yaml").with_({"scalp.opening": "12 mm"}))
    with pytest.raises(fs.SheetError, match=r"scalp.opening: 12 mm"):
        found.text  # noqa: B018
    again = fs.fit("sack3.yaml")
    Path("again.yaml").write_text(again.text, encoding="utf-8")
    with pytest.raises(fs.SheetError, match="they would count twice"):
        fs.fit("again.yaml")
    with pytest.raises(fs.SheetError, match="they would count twice"):
        fs.fit(again.fitted_sheet)


@pytest.mark.usefixtures("at_the_bench")
def test_a_sheet_put_together_by_hand_says_that_it_cannot_be_set_anew() -> None:
    from flowsheet.spec.blocks.schema import Sheet

    read = fs.read("sack3.yaml")
    made = Sheet(read.file, read.title, read.ores, read.steps, read.keep)
    assert fs.run(made, certain=False).kept_share == fs.run(read, certain=False).kept_share
    with pytest.raises(TypeError, match=r"flowsheet\.read"):
        made.with_({"scalp.opening": "12 mm"})
    with pytest.raises(TypeError, match=r"flowsheet\.read"):
        fs.trial(made, {"scalp.opening": "12 mm"})


@pytest.mark.slow
@pytest.mark.usefixtures("at_the_bench")
def test_a_pile_is_the_same_by_sheet_and_by_folder() -> None:
    by_sheet, by_folder = fs.lot(fs.read("pile/pile.yaml")), fs.lot("pile")
    assert by_sheet.as_dict() == by_folder.as_dict()


# ── tables ──────────────────────────────────────────────────────────────────────────────────────────────────

COLUMNS = {
    "Run": {
        "streams": "stream mass_kg gold_g grade_g_per_t mass_share gold_share free_share silver_g fate",
        "sizes": "stream upper_mm lower_mm light_kg heavy_kg free_g locked_g",
        "losses": "stream gold_g share unused too_fine locked not_seen soaked_up caught other",
        "coarse": "opening_mm mass_share gold_share grade_g_per_t in_sight_share",
        "finer": "screen sort opening_mm looked_over_kg rocks picked_g kept_g gain_g",
        "advice": "setting what now then gain_g gain_share",
        "sieved": "ore upper_mm lower_mm mass_kg mass_share grade_g_per_t gold_g gold_share assayed",
    },
    "Trials": {
        "trials": "wash.passes kept_g kept_share gain_g worst_stream worst_g worst_share value value_gain currency",
    },
    "Forecasts": {
        "forecasts": (
            "wash.passes kept_value_g kept_p5_g kept_p95_g kept_share_value kept_share_p5 kept_share_p95 "
            "gain_value_g gain_p5_g gain_p95_g better"
        ),
    },
    "Reconciled": {
        "streams": "stream mass_kg mass_sd_kg gold_g gold_sd_g metal",
        "weights": "stream what measured sd assumed adjusted standardised unit",
        "parts": "stream grade_g_per_t sd_g_per_t counted_g_per_t",
        "sieved": (
            "stream upper_mm lower_mm mass_kg mass_sd_kg written share distribution grade_written_g_per_t "
            "grade_g_per_t grade_sd_g_per_t gold_g gold_distribution"
        ),
    },
    "Reconciliation": {
        "streams": "test stream mass_kg mass_sd_kg gold_g gold_sd_g metal",
        "weights": "test stream what measured sd assumed adjusted standardised unit",
        "parts": "test stream grade_g_per_t sd_g_per_t counted_g_per_t",
        "sieved": (
            "test stream upper_mm lower_mm mass_kg mass_sd_kg written share distribution grade_written_g_per_t "
            "grade_g_per_t grade_sd_g_per_t gold_g gold_distribution"
        ),
    },
    "Fitted": {
        "numbers": "name unit what before before_sd value sd low high told moved weighed below",
        "slack": "step side outlet before_log_odds before_sd_log_odds log_odds sd_log_odds told moved",
        "weights": (
            "stream what unit value sd assumed size_mm file line note when test assay_mass_kg assay_mass_assumed "
            "fitted fitted_sd off"
        ),
    },
    "Chance": {
        "streams": "stream gold_mean_g gold_sd_g gold_p5_g gold_p50_g gold_p95_g",
        "coarse": "opening_mm gold_share_mean gold_share_sd gold_share_p5 gold_share_p50 gold_share_p95",
        "doubts": "name text share",
    },
    "SamplingPlan": {
        "curve": "sacks mass_kg whole whole_by_gy best best_sacks best_panned_kg",
        "errors": "stage kind relative_sd gy_broken gy_ground",
        "least": "size_mm by_counting_kg by_gy_ground_kg by_gy_broken_kg by_rule_kg",
        "splits": "size_mm before_kg after_kg halvings",
    },
    "Lot": {
        "tests": "name file mass_kg gold_g gold_sd_g grade_g_per_t low_g_per_t high_g_per_t above outlying suspect",
    },
    "Worths": {
        "ways": "way raw of currency income costs net_mean net_sd net_p5 net_p50 net_p95 pays best sack_cost",
        "sales": "way raw of currency name kind mass_kg gold_g gross kept_back refused",
        "steps": "way raw of currency step takes_kg labour consumables power",
        "doubts": "name text share",
    },
    "Specimens": {
        "specimens": (
            "name gold_value_g gold_sd_g gold_low_g gold_high_g density_g_per_cm3 metal_g_per_cm3 fine "
            "volume_share trade_rule_g per_wet_g_per_g per_air_g_per_cm3 by_warm_water_g cannot_be"
        ),
    },
    "Cutting": {
        "cuts": (
            "angle_deg slab_mm kerf_mm slabs_mean slabs_sd slabs_least slabs_most faces_mean faces_sd faces_least "
            "faces_most showing_mean showing_sd showing_least showing_most shown_mean_cm2 shown_sd_cm2 "
            "shown_least_cm2 shown_most_cm2 largest_cm2 band_lost_mean band_lost_sd band_lost_least "
            "band_lost_most rock_lost_mean rock_lost_sd rock_lost_least rock_lost_most hidden all_swarf"
        ),
    },
}
"""Result → table → its columns. What has a unit says it at its end, or a column ``unit`` or ``currency`` does."""

UNITS = re.compile(r"_(kg|g|mm|cm2|deg|g_per_t|g_per_cm3|g_per_g|odds)$")
WITHOUT = {
    "share", "unused", "too_fine", "locked", "not_seen", "soaked_up", "caught", "other", "better", "told", "fine",
    "whole", "whole_by_gy", "best", "gy_broken", "gy_ground", "above", "pays", "refused", "hidden", "all_swarf",
    "written", "distribution", "gold_distribution",
    "standardised", "off", "rocks", "halvings", "line", "sacks", "best_sacks", "relative_sd",
}  # fmt: skip
"""Numbers without a unit: parts of one, standard deviations, counts."""
SHARES = re.compile(r"_share(_(value|mean|sd|p5|p50|p95))?$|^(band|rock)_lost_|^(slabs|faces|showing)_")
BY_ROW = {"measured", "sd", "adjusted", "value", "low", "high", "fitted", "fitted_sd", "before", "before_sd"}
"""Numbers in the unit that the column ``unit`` says."""
MONEY = re.compile(r"income|costs|net_|sack_cost|gross|kept_back|labour|consumables|power|value")


def says_its_unit(column: str, row: dict[str, object]) -> bool:
    """Whether somebody who sees the row alone knows what a number in it is in."""
    if UNITS.search(column) or column in WITHOUT or SHARES.search(column):
        return True
    if MONEY.match(column) and row.get("currency"):
        return True
    return "unit" in row and column in BY_ROW


def made(name: str) -> Tabled:
    """Return a result of that class."""
    if name in ("Lot", "SamplingPlan"):
        return (fs.lot if name == "Lot" else fs.plan)("pile/pile.yaml")
    sheet = fs.read("sack3.yaml")
    makers = {
        "Run": lambda: fs.run(sheet, certain=False),
        "Trials": lambda: fs.trial(sheet, {"wash.passes": "1,2"}),
        "Forecasts": lambda: fs.forecast(sheet, {"wash.passes": "1,2"}),
        "Reconciled": lambda: fs.reconcile(sheet).first,
        "Reconciliation": lambda: fs.reconcile(sheet),
        "Fitted": lambda: fs.fit(sheet),
        "Chance": lambda: fs.chance(sheet, draws=100),
        "Worths": lambda: fs.worth("pile/pile.yaml", draws=20),
        "Specimens": lambda: fs.specimen("96 g", "74.5 g"),
        "Cutting": lambda: fs.cut("120 mm", "6 mm", "5 mm, 8 mm", "1 mm"),
    }
    return makers[name]()


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[pytest.mark.slow] if name in SLOW else []) for name in COLUMNS],
)
@pytest.mark.usefixtures("at_the_bench")
def test_tables_are_rows_of_plain_data_and_frames(name: str) -> None:
    found = made(name)
    assert type(found) is getattr(fs, name)
    assert found.tables == tuple(COLUMNS[name])
    for table, columns in COLUMNS[name].items():
        rows = found.to_rows(table)
        if table == "sieved" and not rows:  # no sieve of this ore was assayed
            continue
        assert rows
        assert all(list(row) == columns.split() for row in rows)
        for row in rows:
            for column, value in row.items():
                if isinstance(value, float):
                    assert says_its_unit(column, row), (table, column)
        kinds = (str, int, float, bool, type(None))
        assert all(isinstance(value, kinds) for row in rows for value in row.values())
        frame = found.to_frame(table)
        assert frame.shape == (len(rows), len(rows[0]))
        assert frame.columns.tolist() == list(rows[0])
    assert list(found.to_rows()[0]) == list(found.to_rows(found.tables[0])[0])


def test_every_result_with_tables_is_known_here() -> None:
    assert {name for name in RESULTS if issubclass(getattr(fs, name), Tabled)} == set(COLUMNS)


@pytest.mark.usefixtures("at_the_bench")
def test_rows_of_a_run_hold_what_its_plain_data_do() -> None:
    run = fs.run("sack3.yaml", certain=False)
    data = run.as_dict()
    frame = run.to_frame().set_index("stream")
    assert list(frame.index) == list(run.streams)
    for name, stream in data["streams"].items():
        assert frame.loc[name].to_dict() == {key: value for key, value in stream.items() if key != "sizes"}
        assert frame.loc[name].gold_g == pytest.approx(1e3 * float(run.solution.streams[name].gold), rel=1e-12)
        assert frame.loc[name].mass_kg == run.streams[name].mass
    sizes = run.to_frame("sizes")
    assert sizes[sizes.stream == "tails"].free_g.sum() == pytest.approx(
        1e3 * float(run.solution.streams["tails"].free.sum())
    )
    for table in ("coarse", "finer", "advice"):
        assert run.to_rows(table) == data[table]
    assert run.to_rows("coarse")[1]["opening_mm"] == 22.4


@pytest.mark.usefixtures("at_the_bench")
def test_rows_hold_the_units_that_their_columns_say() -> None:
    sheet = fs.read("sack3.yaml")
    trials = fs.trial(sheet, {"wash.passes": "2"})
    assert trials.to_rows()[0]["gain_g"] == pytest.approx(1e3 * trials.rows[0].gain, rel=1e-12)
    tests = fs.reconcile(sheet)
    weights = {(row["stream"], row["what"]): row for row in tests.to_rows("weights")}
    assert (weights["lumps", "mass"]["measured"], weights["lumps", "mass"]["unit"]) == (9.1, "kg")
    assert weights["tails", "grade"]["unit"] == "g/t"
    assert weights["tails", "grade"]["measured"] == pytest.approx(3.1)
    head = tests.first.head.value
    assert sum(row["grade_g_per_t"] for row in tests.to_rows("parts")) == pytest.approx(1e6 * head, rel=1e-9)
    (rock,) = fs.specimen("96 g", "74.5 g").to_rows()
    assert 40 < rock["gold_low_g"] < rock["gold_value_g"] < rock["gold_high_g"] < 50
    (along, _) = fs.cut("120 mm", "6 mm", "5 mm", "1 mm").to_rows()
    assert (along["slab_mm"], along["kerf_mm"], along["largest_cm2"]) == (5.0, 1.0, pytest.approx(144.0))


def test_rows_of_assayed_sieves_say_their_units() -> None:
    sheet = fs.parse(
        "ore: {mass: 10 kg, grade: 25 g/t, sizes: [{sieve: 20 mm, passing: 40 %, grade: 30 g/t},"
        " {sieve: 2 mm, passing: 5 %, grade: 10 g/t}]}\n"
        "steps: {scalp: {do: screen, takes: ore, gives: {oversize: lumps, undersize: fines}, opening: 20 mm}}\n"
        "keep: fines\n"
    )
    rows = fs.run(sheet, certain=False).to_rows("sieved")
    assert list(rows[0]) == COLUMNS["Run"]["sieved"].split()
    assert [(row["upper_mm"], row["lower_mm"]) for row in rows][1] == (20.0, 2.0)
    assert rows[0]["mass_kg"] == pytest.approx(6.0)
    assert rows[0]["grade_g_per_t"] == pytest.approx(30.0)


@pytest.mark.slow
@pytest.mark.usefixtures("at_the_bench")
def test_rows_of_a_fit_are_in_the_units_of_its_sheet() -> None:
    numbers = {row["name"]: row for row in fs.fit("sack3.yaml").to_rows()}
    mass, grade = numbers["ore.mass"], numbers["ore.grade"]
    assert mass["unit"] == "kg"
    assert 14 < mass["low"] < mass["value"] < mass["high"] < 15
    assert grade["unit"] == "g/t"
    assert 10 < grade["low"] < grade["value"] < grade["high"] < 40


@pytest.mark.usefixtures("at_the_bench")
def test_without_pandas_the_cure_is_named_and_rows_are_had(monkeypatch: pytest.MonkeyPatch) -> None:
    run = fs.run("sack3.yaml", certain=False)
    monkeypatch.setitem(sys.modules, "pandas", None)
    assert run.to_rows()[0]["stream"] == "ore"
    with pytest.raises(ImportError, match="pip install pandas") as caught:
        run.to_frame()
    assert caught.value.name == "pandas"


@pytest.mark.usefixtures("at_the_bench")
def test_a_table_that_is_not_there_names_the_nearest() -> None:
    with pytest.raises(ValueError, match=r'no table "size"\. Did you mean "sizes"\?'):
        fs.run("sack3.yaml", certain=False).to_rows("size")


# ── the guide ───────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("topics", [(), ("pan",), ("pan", "gold"), ("run",), ("weights",), ("sluice.d50",)])
def test_the_guide_says_what_its_command_prints(topics: tuple[str, ...], flowsheet: Command) -> None:
    found = fs.explain(*topics)
    assert f"{found}\n" == flowsheet("explain", *topics).out
    assert json.loads(json.dumps(found.as_dict()))["topics"] == flowsheet("explain", *topics, "--json").json["topics"]
    line = repr(found)
    assert line.startswith("<Explained")
    assert len(line) < 120
    html = found._repr_html_()
    assert html.startswith('<div class="flowsheet"><style>')
    assert "\033" not in html
    assert html.count("<b>") == html.count("</b>") > 0


def test_the_guide_names_the_nearest_topic() -> None:
    with pytest.raises(fs.SheetError, match='Did you mean "magnet"'):
        fs.explain("magnett")


def test_the_topic_of_a_mistake_can_be_asked_for() -> None:
    with pytest.raises(fs.SheetError) as caught:
        fs.parse("ore: {mass: 14.2}")
    topics = {mistake.topic for mistake in caught.value.mistakes if mistake.topic}
    assert topics
    assert [topic.name for topic in fs.explain(*sorted(topics)).topics] == sorted(topics)


# ── what is asked for in words or in numbers ────────────────────────────────────────────────────────────────


def test_a_wish_is_the_same_in_words_and_in_numbers() -> None:
    from flowsheet.study.sampling.wish import Wish, wish_of

    assert wish_of("30 %", None, "75 %") == wish_of(0.3, None, 0.75) == Wish(0.3, None, 0.75)
    assert wish_of(None, "50 kg") == wish_of(None, 50) == Wish(None, 50.0, 0.9)


@pytest.mark.parametrize(
    ("wish", "told"),
    [
        ({"want": "20 %", "mass": "50 kg"}, "want: both a doubt and a mass"),
        ({"want": "20 kg"}, "want: "),
        ({"want": 3.0}, "outside 0.1 to 200 %"),
        ({"confidence": "20 %"}, "outside 50 to 99.9 %"),
    ],
)
def test_a_wish_that_cannot_be_is_refused_before_anything_is_read(wish: dict[str, str | float], told: str) -> None:
    with pytest.raises(fs.SheetError) as caught:
        fs.plan("there is no such sheet.yaml", **wish)
    assert told in str(caught.value)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "air: this weight is missing"),
        ({"air": "96 g"}, "water: this weight is missing"),
        ({"air": "96 g", "water": "74.5 g", "file": "rocks.csv"}, "file: both a table"),
        ({"air": "96 g", "water": "96.5 g"}, "water: "),
        ({"air": "96 g", "water": "95.5 g"}, "cannot be"),
    ],
)
def test_weights_that_are_lacking_or_cannot_be_are_refused(given: dict[str, str], told: str) -> None:
    with pytest.raises(fs.SheetError) as caught:
        fs.specimen(**given)
    assert told in str(caught.value)


# ── pages ───────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.usefixtures("at_the_bench")
def test_a_drawing_is_saved_as_its_ending_says_and_over_nothing_of_yours() -> None:
    drawn = fs.draw("sack3.yaml")
    assert drawn.save("flow.svg").read_bytes().startswith(b"<?xml")
    assert drawn.save("flow.dot").read_text(encoding="utf-8").startswith("digraph")
    drawn.save("flow.svg")  # what was written here before may be written anew
    Path("mine.svg").write_text("mine", encoding="utf-8")
    sheet = Path("sack3.yaml").read_bytes()
    for path, told in (("mine.svg", "mine.svg"), ("flow.txt", "no format"), ("sack3.csv", "sack3.csv")):
        with pytest.raises(fs.SheetError, match=told):
            drawn.save(path)
    assert Path("mine.svg").read_text(encoding="utf-8") == "mine"
    with pytest.raises(fs.SheetError):
        drawn.save("sack3.yaml", replace=True)
    assert Path("sack3.yaml").read_bytes() == sheet
    drawn.save("mine.svg", replace=True)
    assert Path("mine.svg").read_bytes() == Path("flow.svg").read_bytes()


@pytest.mark.slow
@pytest.mark.usefixtures("at_the_bench")
def test_sizes_are_drawn_of_streams_that_are_there() -> None:
    drawn = fs.draw("sack3.yaml", sizes=["ore", "tails", "ore"])
    assert drawn.sizes == ("ore", "tails")
    assert drawn.svg.startswith("<svg")
    assert drawn.as_file("sizes.png").startswith(b"\x89PNG")
    for sizes, told in ((["tailings"], 'Did you mean "tails"'), ([""], "0 streams"), (list("abcdefg"), "7 streams")):
        with pytest.raises(fs.SheetError, match=told):
            fs.draw("sack3.yaml", sizes=sizes)


@pytest.mark.slow
@pytest.mark.usefixtures("at_the_bench")
def test_a_label_and_a_report_are_saved_as_their_endings_say() -> None:
    label, report = fs.label("sack3.yaml"), fs.report("sack3.yaml", day="2031-05-20")
    assert label.save("label.txt").read_text(encoding="utf-8") == label.text
    assert label.save("label.html").read_text(encoding="utf-8") == label.html
    assert report.save("report.html").read_text(encoding="utf-8") == report.html
    assert report.save("report.pdf", paper="letter").read_bytes().startswith(b"%PDF")
    for page in (label, report):
        with pytest.raises(fs.SheetError, match=r"End the name in \.html"):
            page.save("page.docx")


def test_a_bare_number_is_refused_with_the_argument_s_name() -> None:
    with pytest.raises(TypeError, match=r'the path of a sheet is wanted, as read\("my.yaml"\), not 3'):
        fs.read(3)  # type: ignore[arg-type]
    with pytest.raises(TypeError, match='air is wanted as text, as air="96 g", not 96'):
        fs.specimen(96, 74.5)  # type: ignore[arg-type]


def test_streams_tell_themselves_and_the_nearest_name() -> None:
    run = fs.run(fs.starter(), certain=False)
    assert re.fullmatch(r"<Stream: [\d.]+ kg, [\d.]+ g gold, [\d.]+ g/t, lost>", repr(run.streams["tails"]))
    with pytest.raises(KeyError, match=r"Did you mean .*tails"):
        run.streams["tail"]
