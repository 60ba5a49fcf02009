"""What an argument is called by whoever asks: an option where a command line asks, an argument where Python does."""

from __future__ import annotations

import ast
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import Command

import flowsheet as fs
from flowsheet.spec.text.wording import argument, asking, by_asker, on_command_line, setting

ROOT = Path(fs.__file__).parent
EXAMPLES = ROOT.parent / "examples"
OPTION = re.compile(r"(?<![\w-])--[a-z]+")


@pytest.fixture
def bench(flowsheet: Command, tmp_path: Path) -> Path:
    """Return the folder that commands and Python stand in, with a sack's sheet and a pile's."""
    del flowsheet
    for file in ("sack3.yaml", "sack3.csv"):
        shutil.copy(EXAMPLES / "sack_test" / file, tmp_path)
    shutil.copytree(EXAMPLES / "pile", tmp_path / "pile")
    (tmp_path / "mine.svg").write_text("mine", encoding="utf-8")
    broken = tmp_path / "broken"
    broken.mkdir()
    shutil.copy(EXAMPLES / "sack_test" / "sack3.yaml", broken)
    (broken / "sack3.csv").write_text("stream,what\nnone,none\n", encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("told", "python", "command_line"),
    [
        (lambda: argument("want"), "want", "--want"),
        (lambda: argument("want", "20 %"), 'want="20 %"', '--want "20 %"'),
        (lambda: argument("mass", "50kg"), 'mass="50kg"', "--mass 50kg"),
        (lambda: argument("sacks", 40), "sacks=40", "--sacks 40"),
        (lambda: argument("temperature", 18.5), "temperature=18.5", "--temperature 18.5"),
        (lambda: argument("skip", True), "skip=True", "--skip"),
        (lambda: argument("sizes", ["ore", "tails"]), 'sizes=["ore", "tails"]', "--sizes ore,tails"),
        (lambda: argument("settings"), "settings", "--set"),
        (lambda: argument("name"), "name", "--like"),
        (lambda: setting("scalp.opening", "12mm"), '"scalp.opening": "12mm"', "scalp.opening=12mm"),
        (lambda: asking("explain", "pan", "gold"), 'fs.explain("pan", "gold")', "flowsheet explain pan gold"),
        (lambda: asking("try"), "fs.trial()", "flowsheet try"),
        (lambda: by_asker("-o", "save"), "save", "-o"),
    ],
)
def test_each_is_called_as_whoever_asks_calls_it(told: Callable[[], str], python: str, command_line: str) -> None:
    assert told() == python
    with on_command_line():
        assert told() == command_line
        with on_command_line():
            pass
        assert told() == command_line
    assert told() == python


def test_python_asks_again_after_a_command_that_failed() -> None:
    with pytest.raises(RuntimeError), on_command_line():
        raise RuntimeError
    assert argument("want") == "want"


REFUSED: dict[str, tuple[Callable[[], object], str, str, str]] = {
    "a drawing of no streams": (
        lambda: fs.draw("sack3.yaml", sizes=[" "]), 'as sizes=["ore", "tails"]',
        "draw sack3.yaml --sizes , -o x.png", "as --sizes ore,tails",
    ),
    "a table and weights": (
        lambda: fs.specimen("96 g", "74 g", file="rocks.csv"), "Give file, or air and water",
        "specimen --air 96g --water 74g --file rocks.csv", "Give --file, or --air and --water",
    ),
    "one weight": (
        lambda: fs.specimen("96 g"), 'water: this weight is missing. Give both, as air="96g", water="74.5g", or a '
        'table: file="rocks.csv".',
        "specimen --air 96g", "--water: this weight is missing. Give both, as --air 96g --water 74.5g, or a table: "
        "--file rocks.csv.",
    ),
    "boiling water": (
        lambda: fs.specimen("96 g", "74 g", temperature=180), "temperature: water is not at 180 °C. Write degrees "
        "Celsius from 0 to 60, as temperature=18.",
        "specimen --air 96g --water 74g --temperature 180", "as --temperature 18.",
    ),
    "light metal": (
        lambda: fs.specimen("96 g", "74 g", metal="2.5"), 'or leave metal out and give fineness="870"',
        "specimen --air 96g --water 74g --metal 2.5", "or leave --metal out and give --fineness 870",
    ),
    "a host of metal": (
        lambda: fs.specimen("96 g", "74 g", host="18", metal="17"), "host: ",
        "specimen --air 96g --water 74g --host 18 --metal 17", "--host: ",
    ),
    "a band without rock": (
        lambda: fs.cut("20 mm", "30 mm", "3 mm", "1 mm"), 'band: read "30 mm": the band is as thick as the rock (20 mm '
        'across the band). Write less, as band="5mm".',
        "cut --rock 20mm --band 30mm --slab 3mm --kerf 1mm", "Write less, as --band 5mm.",
    ),
    "a doubt and a mass": (
        lambda: fs.plan("pile/pile.yaml", want="20 %", mass="50 kg"), "Give want for the least work, or mass for",
        "plan pile/pile.yaml --want 20% --mass 50kg", "Give --want for the least work, or --mass for",
    ),
    "a chance": (
        lambda: fs.plan("pile/pile.yaml", confidence="20 %"), 'Write confidence="90%".',
        "plan pile/pile.yaml --confidence 20%", "Write --confidence 90%.",
    ),
    "a little mass": (
        lambda: fs.plan("pile/pile.yaml", mass="1 g"), 'kg" or more.',
        "plan pile/pile.yaml --mass 1g", "Write --mass ",
    ),
    "a pile of unknown sacks": (
        lambda: fs.plan("sack3.yaml"), "or add sacks=40.", "plan sack3.yaml", "or add --sacks 40.",
    ),
    "fewer sacks than tests": (
        lambda: fs.lot("pile/pile.yaml", sacks=2), "sacks: 6 tests, but the pile has only 2 sacks. Write 6 or more, as "
        "sacks=6.",
        "lot pile/pile.yaml --sacks 2", "as --sacks 6.",
    ),
    "a broken test": (
        lambda: fs.lot("broken"), "leave them out with skip=True.", "lot broken", "leave them out with --skip.",
    ),
    "no setting": (
        lambda: fs.trial("sack3.yaml", ["scalp"]), 'settings: read "scalp": this is no setting. Write "step.field": '
        '"value", as "scalp.opening": "20mm,12mm".',
        "try sack3.yaml --set scalp", "Write step.field=value, as scalp.opening=20mm,12mm.",
    ),
    "a setting twice": (
        lambda: fs.trial("sack3.yaml", ["a.b=1", "a.b=2"]), "Put all of its values into one list.",
        "try sack3.yaml --set a.b=1 --set a.b=2", "Put all values behind one =, with commas.",
    ),
    "a setting of no field": (
        lambda: fs.read("sack3.yaml").with_({"scalp": "1"}), 'as "scalp.opening": "12mm".',
        "try sack3.yaml --set scalp=1", "as scalp.opening=12mm.",
    ),
    "too many trials": (
        lambda: fs.trial("sack3.yaml", {"wash.d50": "1 mm to 2 mm in 200", "wash.m": "1 to 2 in 200"}),
        "settings: 40000 combinations. ",
        "try sack3.yaml --set wash.d50=1mm_to_2mm_in_200 --set wash.m=1_to_2_in_200", "--set: 40000 combinations. ",
    ),
    "no such sheet": (lambda: fs.starter("quik"), "name: ", "new x.yaml --like quik", "--like: "),
    "no such topic": (
        lambda: fs.explain("xyzzy"), "fs.explain() lists them all.",
        "explain xyzzy", "flowsheet explain lists them all.",
    ),
    "topics for a word": (
        lambda: fs.explain("tailings"), 'write fs.explain("pan", "sluice"', "explain tailings",
        "write flowsheet explain pan sluice",
    ),
    "a file of the user's": (
        lambda: fs.draw("sack3.yaml").save("mine.svg"), 'Give another name, as "other.svg"; replace=True writes',
        "draw sack3.yaml -o mine.svg", "Give another name with -o, or another folder with --out; --replace writes",
    ),
}  # fmt: skip


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    "case", [pytest.param(name, marks=pytest.mark.slow) if name == "a little mass" else name for name in REFUSED]
)
def test_a_cure_names_what_whoever_asks_can_type(case: str, flowsheet: Command) -> None:
    ask, python, typed, command_line = REFUSED[case]
    with pytest.raises(fs.SheetError) as caught:
        ask()
    told = str(caught.value)
    assert python in told
    assert not OPTION.search(told)
    assert " -o" not in told
    done = flowsheet(*(word.replace("_", " ") for word in typed.split(" ")))
    assert done.code == 2
    assert command_line in done.err


@pytest.mark.usefixtures("bench")
def test_a_specimen_s_advice_names_arguments() -> None:
    page = fs.specimen("96 g", "74.5 g")._repr_html_()
    assert page is not None
    words = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", page, flags=re.DOTALL)
    assert "temperature" in words
    assert not OPTION.search(words)


# ── one place words it ──────────────────────────────────────────────────────────────────────────────────────

ONLY_SERVED = {"spec/bench/log_file.py", "show/page/log_view.py"}
"""Only ``flowsheet serve`` gets there."""
ITS_OWN = {"spec/text/wording.py"}
HELP = "--help"


def options_in(path: Path) -> list[str]:
    """Return the options that a module's own words name, docstrings and what ``by_asker`` is given left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {
        id(part)
        for node in ast.walk(tree)
        if (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "by_asker")
        or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
        for part in ast.walk(node)
    }
    words = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told
    ]
    return [found for word in words for found in OPTION.findall(re.sub(r"var\(--[^)]*\)", "", word)) if found != HELP]


@pytest.mark.smoke
def test_no_room_before_the_commands_names_an_option_itself() -> None:
    modules = [path for path in ROOT.rglob("*.py") if "commands" not in path.parts and path.name != "cli.py"]
    found = {path.relative_to(ROOT).as_posix(): options_in(path) for path in modules}
    assert {name: told for name, told in found.items() if told and name not in ONLY_SERVED | ITS_OWN} == {}
    assert all(found[name] for name in ONLY_SERVED)


def test_an_option_is_seen(tmp_path: Path) -> None:
    module = tmp_path / "module.py"
    module.write_text('"""As --docs."""\nX = f"or {1} --skip"\nY = by_asker("--out", "out")\nZ = "var(--ink)"\n')
    assert options_in(module) == ["--skip"]
