"""What the commands share: their options, how they write, and how they refuse."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, Optional

import typer

if TYPE_CHECKING:
    from flowsheet.spec.blocks.schema import Sheet as SheetOf
    from flowsheet.spec.text.source_files import SourceFiles

WRONG_INPUT = 2

Sheet = Annotated[Path, typer.Argument(metavar="FILE", help="The sheet, a YAML file.", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Out = Annotated[Optional[Path], typer.Option("--out", metavar="DIR", help="Write tables (CSV) and pictures there.")]  # noqa: UP045

Seed = Annotated[int, typer.Option("--seed", min=0, help="Seed of the draws: the same seed, the same draws.")]


def fail(file: str, message: str, remedy: str, code: str = "option_refused") -> NoReturn:
    """Refuse what was asked for, with what to do instead."""
    from flowsheet.spec.text.mistakes import Mistake, SheetError

    raise SheetError([Mistake(message, remedy, file=file, line=0, code=code)])


def page_path(sheet: Path, output: Path | None, kind: str, endings: tuple[str, ...], told: str) -> Path:
    """Return where a page of a sheet goes, NAME.kind.html unless told; fail where its ending is no page's."""
    default = Path(f"{sheet.stem}.{kind}.html")
    path = output or default
    if path.suffix.lower() not in endings:
        like = path.with_suffix(".html") if path.name else default
        fail(str(path), f"a {kind} is written as {told}", f'Write -o "{like}"')
    return path


def print_json(data: Any) -> None:
    """Print plain data as JSON, in what the terminal can show."""
    escaped = not (sys.stdout.encoding or "").lower().startswith("utf")
    json.dump(data, sys.stdout, ensure_ascii=escaped, indent=1, allow_nan=False)
    print()


def print_result(data: Mapping[str, Any], sources: SourceFiles | None = None, seed: int | None = None) -> None:
    """Print a result as JSON, with what made it: the program's version, the files that were read, the draws' seed.

    ``sources``: the sheet and its weigh sheets, None where there is no sheet; ``seed``: None where nothing is drawn.
    """
    from flowsheet import __version__

    read = sources.sha256 if sources is not None else None
    print_json({"version": __version__, "sheet_sha256": read, "seed": seed, **data})


def tell_if_long(sheet: SheetOf) -> None:
    """Say on stderr, before it begins, what of a sheet makes its draws take long, and what to write instead."""
    from flowsheet.show.text.long_work import long_work

    if told := long_work(sheet):
        print(told, file=sys.stderr, flush=True)


def progress(items: Iterable[Any], what: str = "trials") -> Iterable[Any]:
    """Go through ``items``; show progress on stderr where that is a terminal."""
    if not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, description=what, console=Console(stderr=True), transient=True)
