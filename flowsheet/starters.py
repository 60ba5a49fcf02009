"""The shipped sheets, to start from."""

from __future__ import annotations

from pathlib import Path

from flowsheet.spec.text.mistakes import Mistake, SheetError, did_you_mean
from flowsheet.spec.text.wording import argument


def folder() -> Path:
    """Return where the shipped sheets lie: in the package, or beside it in a working copy."""
    inside = Path(__file__).parent / "configs"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "configs"


def starters() -> list[str]:
    """Return the names of the shipped sheets."""
    return sorted(path.stem for path in folder().glob("*.yaml"))


def starter(name: str) -> str:
    """Return the text of a shipped sheet. Raises SheetError with the nearest name."""
    if name not in starters():
        raise SheetError([Mistake("no shipped sheet has this name", did_you_mean(name, starters(), "shipped sheets"),
                                  read=name, file=argument("name"), line=0, code="starter_unknown")])  # fmt: skip
    return (folder() / f"{name}.yaml").read_text(encoding="utf-8")
