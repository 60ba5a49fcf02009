"""Sheets from files or from text, solved with the balance checked, and run: for tests of any folder."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import yaml
from checker import check

from flowsheet.solve.model import Model, load, rebuild
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.money import price
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.number_with_doubt import NumberMistake
from flowsheet.spec.yaml.marked_document import Document, parse
from flowsheet.study.run.run import Run, run

ROOT = Path(__file__).parent.parent


def sheet_of(source: str | Path | Document, name: str = "sheet.yaml") -> Sheet:
    """Return the sheet of a file, of a document, or of a text that its mistakes call ``name``."""
    if isinstance(source, Path):
        return load(source)[0]
    return rebuild(source if isinstance(source, Document) else parse(source, name))


def settled(text: str) -> str:
    """Return the text of a sheet in which nothing is in doubt but what it writes with a doubt of its own.

    What a sheet says nothing of has a typical doubt: slack, tilt, grain sizes and clusters, a guessed grade.
    """
    sheet = yaml.safe_load(text)
    for ore in sheet["ores"].values() if "ores" in sheet else [sheet["ore"]]:
        _without_doubt(ore, "grade")
        ore.setdefault("tilt", "0 ± 0")
        if isinstance(ore.get("gold"), dict):
            ore["gold"].setdefault("cluster", 1)
            for name in ("d50", "d95"):
                _without_doubt(ore["gold"], name)
    for step in sheet["steps"].values():
        step.setdefault("slack", 0)
    return yaml.safe_dump(sheet, sort_keys=False, allow_unicode=True, width=10**6)


def _without_doubt(block: dict[str, Any], name: str) -> None:
    told = str(block.get(name, ""))
    if told and "±" not in told and " to " not in told:
        block[name] = f"{told} ± 0"


def run_of(source: str | Path, certain: bool = True) -> Run:
    """Return the run of a file or of the text of a sheet; that of a shipped file is made once a session."""
    if isinstance(source, Path) and source.resolve().is_relative_to(ROOT):
        return _shipped(source.resolve(), certain)
    return run(sheet_of(source), certain=certain)


def plain_run_of(source: str | Path) -> Run:
    """Return the run without how sure its answers are, which takes ten times as long as all the rest."""
    return run_of(source, certain=False)


@cache
def _shipped(path: Path, certain: bool) -> Run:
    return run(sheet_of(path), certain=certain)


def solved(source: str | Path, draws: int | None = None, seed: int = 1, **options: Any) -> Solution:
    """Solve a file or the text of a sheet (with draws, if asked), and check its balance."""
    model = Model.of(sheet_of(source), **options)
    solution = solve(model) if draws is None else solve(model, model.drawn(draws, seed))
    check(solution)
    assert solution.closure.solids <= 1e-12
    assert solution.closure.gold <= 1e-12
    return solution


def price_fault(name: str, text: str) -> tuple[str, str] | None:
    """Return (message, remedy) of a price that cannot be read, None if it can."""
    try:
        price(name, text)
    except NumberMistake as wrong:
        return wrong.message, wrong.remedy
    return None
