"""A kind that shares out wrongly is a bug that is told by name; nothing that it would give is ever shown."""

from __future__ import annotations

import asyncio
import json
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from new_kinds import TUB, kind_added, printed
from sheets import sheet_of

from flowsheet.ore.factored_material import FactoredMaterial, Remainder
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.show.page.app import Page, application
from flowsheet.show.page.bench import Bench
from flowsheet.show.page.guard import BROKEN
from flowsheet.solve import balance, propagate
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.solve.totals import Tail, totals
from flowsheet.spec.text.mistakes import SheetError
from flowsheet.steps._contract import check_silver
from flowsheet.steps.base import Breakage, ContractError, Operator, Shares, even
from flowsheet.steps.pan import Pan

SHEET = """
ore: {mass: 10 kg ± 100 g, grade: 20 g/t ± 4 g/t, sizes: {top: 20 mm, p80: 10 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps: {swirl: {do: tub, takes: ore, gives: {washed: gravel, mud: slime}, mud: 25 % ± 2 %}}
keep: gravel
"""

GOOD = 'Operator({"mud": even(at.mud), "washed": even(1 - at.mud)})'
#: What a kind gives → what is told of it: the array, and what is wrong with it.
BAD = {
    'Operator({"mud": Material(at.mud, at.mud, at.mud, at.mud), "washed": even(1 - at.mud)})':
        "shares of mud, light has the shape (), not (…, ",
    'Operator({"mud": Material(*[at.mud[..., None]] * 4), "washed": even(1 - at.mud)})':
        "shares of mud, locked has the shape (1,), not (…, ",
    'Operator({"mud": even(at.mud), "washed": even(1.1 - at.mud)})':
        "shares, light sum over the outlets to 1.1, not to one",
    'Operator({"mud": even(-at.mud), "washed": even(1 + at.mud)})':
        "shares of mud, light goes from -0.25 to -0.25, not within 0 to 1",
    'Operator({"mud": even(at.mud.mean() + 0 * site.grid.size[:3]), "washed": even(1 - at.mud.mean())})':
        "shares of mud, light has the shape (3, 1), but its first axis is none of draws: the step is fed ",
}  # fmt: skip
#: The same, but only once more than half is washed off: for what is turned or tried.
LATER = {f"{GOOD} if (at.mud <= 0.5).all() else {bad}": told.replace("0.25", "0.75") for bad, told in BAD.items()}


def tub(gives: str) -> str:
    assert GOOD in TUB
    return TUB.replace(GOOD, gives)


def tub_sheet(folder: Path) -> str:
    (folder / "tub.yaml").write_text(SHEET, encoding="utf-8")
    return str(folder / "tub.yaml")


# ── from every door ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("arguments", [("run",), ("chance",), ("try", "--set", "swirl.mud=30%")], ids=lambda a: a[0])
@pytest.mark.parametrize(
    ("gives", "told"), BAD.items(), ids=["no axis", "one axis of two", "sum 1.1", "negative", "axis of no draws"]
)
def test_a_wrong_kind_is_a_bug_told_by_name(
    gives: str, told: str, arguments: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    name, *more = arguments
    with kind_added("tub", tub(gives), tmp_path / "more"), pytest.raises(ContractError) as wrong:
        printed(monkeypatch, capsys, name, tub_sheet(tmp_path), *more)
    assert str(wrong.value).startswith(f"a bug in the kind tub (step swirl): {told}")
    assert wrong.value.kind == "tub"
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("gives", "told"), LATER.items(), ids=["no axis", "one axis of two", "sum 1.1", "negative", "axis of no draws"]
)
def test_a_page_says_that_something_is_wrong_and_shows_no_number(
    gives: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with kind_added("tub", tub(gives), tmp_path / "more"):
        page = Page(Bench(Path(tub_sheet(tmp_path))))
        try:
            assert turned(page, "40 %")[0] == 200
            status, text = turned(page, "75 %")
        finally:
            page.close()
    assert (status, text) == (500, BROKEN)
    assert f"a bug in the kind tub (step swirl): {told}" in capsys.readouterr().err


def turned(page: Page, mud: str) -> tuple[int, str]:
    """Turn the tub's knob on a page; return the status and the text of the answer."""
    body = json.dumps({"settings": {"swirl.mud": mud}, "stream": "", "pins": []}).encode()
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "http.request", "body": body, "more_body": False}

    headers = [(b"host", b"127.0.0.1:8137"), (b"content-type", b"application/json")]
    scope = {"type": "http", "method": "POST", "path": "/turn", "query_string": b"", "headers": headers}
    asyncio.run(application(page, 8137)(scope, receive, send))
    return sent[0]["status"], b"".join(message.get("body", b"") for message in sent[1:]).decode()


def test_the_program_ends_as_with_any_bug(tmp_path: Path) -> None:
    """Exit code 1 and a traceback: 2 is for what is wrong with the sheet."""
    script = (
        "import sys; sys.path.insert(0, sys.argv.pop(1))\nfrom pathlib import Path\nfrom new_kinds import kind_added\n"
        "from flowsheet import cli\nwith kind_added('tub', sys.argv.pop(1), Path(sys.argv.pop(1))): cli.main()"
    )
    wrong = tub('Operator({"mud": even(at.mud), "washed": even(1.1 - at.mud)})')
    arguments = [str(Path(__file__).parent), wrong, str(tmp_path / "more"), "run", tub_sheet(tmp_path)]
    done = subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False,
                          timeout=60)  # fmt: skip
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.splitlines()[-1].endswith(
        "ContractError: a bug in the kind tub (step swirl): shares, light sum over the outlets to 1.1, not to one"
    )


def test_a_bug_that_only_some_draws_meet_is_told_too(tmp_path: Path) -> None:
    """The sheet's own numbers share out well; one draw in many does not."""
    wrong = 'Operator({"mud": even(at.mud), "washed": even(np.minimum(1 - at.mud, 0.79))})'
    gives = f"{GOOD} if at.mud.ndim == 0 else {wrong}"
    source = tub(gives).replace("from typing import Literal", "from typing import Literal\n\nimport numpy as np")
    with kind_added("tub", source, tmp_path / "more"):
        model = Model.of(sheet_of(SHEET))
        solve(model)
        drawn = model.drawn(1000)
        for work in (lambda: solve(model, drawn), lambda: totals(model, drawn, Tail.of(model, drawn))):
            with pytest.raises(ContractError, match=r"kind tub \(step swirl\): shares, light sum"):
                work()


LOOPED = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {swirl: {do: tub, takes: [ore, back], gives: {washed: back, mud: slime}, mud: 25 %}}
keep: slime
"""


def test_a_wrong_kind_is_told_before_the_fault_that_it_leads_to(tmp_path: Path) -> None:
    """A loop that lets nothing out is the sheet's own mistake, but not where a kind has lost what leaves."""
    gives = 'Operator({"mud": even(0 * at.mud), "washed": even(np.asarray(GOES_ON))})'
    source = tub(gives).replace("from typing import Literal", "from typing import Literal\n\nimport numpy as np")
    with kind_added("tub", source.replace("GOES_ON", "1.0"), tmp_path / "more"), pytest.raises(SheetError):
        solve(Model.of(sheet_of(LOOPED)))
    with (
        kind_added("tub", source.replace("GOES_ON", "0.75 + 1e-6 + 0.25"), tmp_path / "other"),
        pytest.raises(ContractError, match=r"kind tub \(step swirl\): shares(, light| of washed, light)"),
    ):
        solve(Model.of(sheet_of(LOOPED)))


# ── what an operator may be ─────────────────────────────────────────────────────────────────────────────────

S = 4
ROWS = {"light": 1, "heavy": 1, "free": 1, "locked": 2}


def shares(value: float = 0.5, draws: int = 0) -> Shares:
    lead = (draws,) if draws else ()
    row = np.full((*lead, S), value)
    return Shares(row, row.copy(), row.copy(), np.full((*lead, S, S), value))


def pair(**changed: Any) -> Operator:
    return Operator({"a": replace(shares(), **changed), "b": shares()})


def checked(operator: Operator, outlets: str = "ab") -> Operator:
    return operator.checked("tub", set(outlets), S)


@pytest.mark.parametrize("draws", [0, 1, S, 37])
def test_right_shares_pass(draws: int) -> None:
    lone = FactoredMaterial(*[np.full((draws or 1, S), 0.3)] * 3, np.full((S, S), 0.5), np.full((draws or 1, S), 0.6))
    for operator in (
        Operator({"a": shares(0.25, draws), "b": shares(0.75)}),
        Operator({"a": even(np.asarray(0.25)), "b": shares(0.75, draws)}),
        Operator({"a": Remainder(shares(0.2, draws)), "b": shares(0.2)}),
        Operator({"a": Remainder(lone), "b": lone}),
    ):
        assert checked(operator) is operator
    third = Operator({name: even(np.full(draws, 1 / 3) if draws else np.asarray(1 / 3)) for name in "abc"})
    assert checked(third, "abc") is third


@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda array: array[0], "has the shape"),
        (lambda array: array[..., :3], "has the shape"),
        (lambda array: np.stack([array] * 2)[None], "has the shape"),
        (lambda array: array + 0.1, "sum over the outlets to 1.1"),
        (lambda array: array * np.array([1, 1, 1, -1]), "goes from -0.5 to 0.5"),
        (lambda array: array * np.array([1, 1, 1, np.nan]), "goes from nan to nan"),
        (lambda array: array + 2e-9, "sum over the outlets to 1.000000002"),
    ],
    ids=["axis", "class", "axes", "sum", "negative", "nan", "hardly"],
)
def test_each_array_is_looked_at(name: str, spoil: Callable[[Any], Any], told: str) -> None:
    with pytest.raises(ContractError, match=told) as wrong:
        checked(pair(**{name: spoil(getattr(shares(), name))}))
    assert name in wrong.value.array
    # What rounding leaves is none.
    checked(pair(**{name: getattr(shares(), name) + 1e-12}))


@pytest.mark.parametrize("draws", [0, 37])
@pytest.mark.parametrize("name", [*ROWS, "product", "locked_share"])
def test_an_axis_before_the_sizes_is_that_of_the_draws(name: str, draws: int) -> None:
    given = {draws} - {0}
    breakage = {"product": np.eye(S), "locked_share": np.ones((S, S))}

    def made(lead: int) -> Operator:
        if name in ROWS:
            return pair(**{name: getattr(shares(0.5, lead), name)})
        stack = np.stack([breakage[name]] * lead)
        return Operator(pair().shares, Breakage(**{**breakage, name: stack}))

    told = "37 draws" if draws else "one value, without draws"
    for lead in (1, 3, S):
        with pytest.raises(ContractError, match=f"has the shape .*none of draws: the step is fed {told}") as wrong:
            made(lead).checked("tub", {"a", "b"}, S, lambda: given)
        assert name in wrong.value.array
    if draws:
        made(draws).checked("tub", {"a", "b"}, S, lambda: given)


@pytest.mark.parametrize("draw", [0, 9, 10, 36])
@pytest.mark.parametrize("name", ROWS)
def test_each_draw_is_looked_at(name: str, draw: int) -> None:
    spoiled = {part: getattr(shares(0.5, 37), part).copy() for part in ROWS}
    spoiled[name][draw, -1] = 0.6
    with pytest.raises(ContractError, match=f"shares, {name} sum over the outlets to 1.1"):
        checked(Operator({"a": Shares(**spoiled), "b": shares(0.5, 37)}))


@pytest.mark.parametrize(
    "lone", [shares(1.1), shares(-0.1), FactoredMaterial(*shares().__dict__.values(), np.ones(S)[:3])]
)
def test_shares_of_which_others_get_the_rest_are_looked_at_too(lone: Shares) -> None:
    for operator in (Operator({"a": lone, "b": Remainder(lone)}), Operator({"a": Remainder(lone), "b": lone})):
        with pytest.raises(ContractError):
            checked(operator)


def test_outlets_must_be_those_of_the_step() -> None:
    with pytest.raises(ContractError, match="shares of c are not given, though a stream of the sheet comes from there"):
        checked(pair(), "abc")
    with pytest.raises(ContractError, match="shares of b are given, though the step has no such outlet"):
        checked(pair(), "a")


@pytest.mark.parametrize(
    ("product", "locked", "told"),
    [
        (np.eye(S) * 0.9, np.ones((S, S)), "product sums over a column to 0.9"),
        (np.eye(S)[:, :3], np.ones((S, S)), r"product has the shape \(4, 3\)"),
        (2 * np.eye(S) - np.eye(S)[::-1], np.ones((S, S)), "product goes from -1 to 2"),
        (np.eye(S), np.ones(S), r"locked_share has the shape \(4,\)"),
    ],
)  # fmt: skip
def test_breaking_moves_rock_and_makes_none(product: Any, locked: Any, told: str) -> None:
    breakage = Breakage(product, locked)
    for operator, name in (
        (Operator(pair().shares, breakage), "breakage, "),
        (Operator(pair().shares, then={"b": breakage}), "breakage of b, "),
    ):
        with pytest.raises(ContractError, match=name + told):
            checked(operator)


def test_silver_is_shared_out_too() -> None:
    check_silver("tub", {"a": np.asarray(0.3), "b": np.full(5, 0.7)}, {"a", "b"})
    for given, told in (
        ({"a": 0.3, "b": 0.8}, "silver_shares sum over the outlets to 1.1"),
        ({"a": -0.3, "b": 1.3}, "goes from -0.3 to -0.3"),
        ({"a": 1.0}, "silver_shares of b are not given"),
    ):
        with pytest.raises(ContractError, match=told):
            check_silver("tub", {outlet: np.asarray(share) for outlet, share in given.items()}, {"a", "b"})


def test_the_error_comes_whole_from_another_process() -> None:
    """How sure the answers are is worked out in one of its own."""
    wrong = ContractError("tub", "shares, light", "are odd").in_step("swirl")
    assert str(pickle.loads(pickle.dumps(wrong))) == str(wrong)


# ── closure ─────────────────────────────────────────────────────────────────────────────────────────────────

WASH = """
ore: {mass: 10 kg, grade: 20 g/t ± 4 g/t, sizes: {top: 1 mm, p80: 0.4 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps: {wash: {do: pan, takes: ore, gives: {concentrate: con, tailings: tails}}}
keep: con
"""


@pytest.mark.parametrize("off", [3e-9, -1e-3, 300.0, np.nan])
def test_an_open_balance_is_never_shown(off: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever it comes from: here the check of what a step gives is taken away."""
    right = Pan.model

    def wrong(self: Pan, feed: Material, at: Any, site: Any) -> Operator:
        given = right(self, feed, at, site)
        return Operator({**given.shares, "tailings": given.shares["tailings"] + even(np.asarray(off))})

    model = Model.of(sheet_of(WASH))
    drawn = model.drawn(20)
    assert solve(model).closure.solids < balance.CLOSED
    monkeypatch.setattr(Pan, "model", wrong)
    monkeypatch.setattr(Operator, "checked", lambda self, *_: self)
    for work in (
        lambda: solve(model), lambda: solve(model, drawn), lambda: totals(model, drawn, Tail.of(model, drawn)),
    ):  # fmt: skip
        with pytest.raises(balance.BalanceError, match="a bug: the balance of solids is open by"):
            work()


def test_what_comes_from_nothing_is_open() -> None:
    assert balance.relative_gap(0.0, 1.0, 0.0, 0.0) == np.inf
    assert balance.relative_gap(0.0, 0.0, 0.0, 0.0) == 0.0
    assert balance.relative_gap(np.zeros(2), np.array([0.0, 1.0]), np.zeros(2), np.zeros(2)) == np.inf
    assert balance.relative_gap(np.zeros(2), np.zeros(2), np.zeros(2), np.zeros(2)) == 0.0
    assert not balance.relative_gap(np.ones(2), np.array([np.nan, 1.0]), np.ones(2), np.ones(2)) <= balance.CLOSED


def test_all_solutions_are_made_where_the_balance_is_looked_at() -> None:
    """Nobody makes a Solution or Totals of their own."""
    room = Path(propagate.__file__).parent.parent
    makers = {path.name for path in room.rglob("*.py") for line in path.read_text(encoding="utf-8").splitlines()
              if " Solution(" in line or " Totals(" in line}  # fmt: skip
    assert makers == {"propagate.py", "totals.py"}


# ── numbers at nothing that draws or trials move ────────────────────────────────────────────────────────────

MILL = """
ore: {mass: 10 kg, grade: 20 g/t, sizes: {top: 20 mm, p80: 10 mm}, gold: {d50: 0.3 mm, d95: 1 mm}}
steps: {mill: {do: pulverize, takes: ore, gives: powder, gap: 0.2 mm, held_up: 0 % ± 1 %}}
keep: powder
"""


def test_what_a_mill_may_hold_up_has_a_stream(solved: Callable[..., Any]) -> None:
    """It was nobody's: draws of it lost their gold."""
    found = solved(MILL, draws=50)
    assert found.streams["powder held up"].gold.max() > 0
    assert float(solved(MILL).streams["powder held up"].gold) == 0


def test_each_size_that_a_grid_has_is_wanted() -> None:
    grid = Grid.make(0.02, [])
    assert len(grid) > 1
    with pytest.raises(ContractError, match=rf"not \(…, {len(grid)}\)"):
        Operator({"a": Material.nothing(len(grid) - 1)}).checked("tub", {"a"}, len(grid))
