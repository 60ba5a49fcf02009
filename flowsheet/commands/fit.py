"""The command fit: what the weights left of the sheet's numbers, written into a sheet of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, fail, print_result
from flowsheet.commands.writing import Replace, Writer, in_folder, say_written

if TYPE_CHECKING:
    from flowsheet.spec.blocks.schema import Sheet as SheetOf


def fit(
    file: Sheet,
    output: Annotated[
        Optional[Path], typer.Option("-o", "--output", metavar="FILE", help="Fitted sheet (default: NAME.fitted.yaml).")  # noqa: UP045
    ] = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Tell what the weights left of each number, and write the estimate into a sheet beside the old one."""
    import flowsheet as fs

    sheet = fs.read(file)
    writer = Writer("fit", file, sheet.sources, replace)
    path = writer.check_page(_target(sheet, output))
    found = fs.fit(sheet, seed)
    files = [(path, found.text.encode("utf-8"))]
    if out is not None:
        from flowsheet.show.estimate.fit_plots import fitted_files

        files += in_folder(out, fitted_files(found))
    say_written(writer.put(files, out))
    from flowsheet.show.estimate.fitted import as_dict, show_fitted

    if as_json:
        print_result({**as_dict(found), "written": str(path)}, sheet.sources, seed)
    else:
        show_fitted(found, path)


def _target(sheet: SheetOf, asked: Path | None) -> Path:
    """Return where the fitted sheet goes: beside the old one unless asked otherwise, for there its weigh sheets lie."""
    sheet_file = Path(sheet.file)
    path = asked or sheet_file.with_name(f"{sheet_file.stem}.fitted{sheet_file.suffix or '.yaml'}")
    if len(sheet.sources.paths) > 1 and path.parent.resolve() != sheet_file.parent.resolve():
        fail(
            str(path),
            "the sheet names weigh sheets, which are looked for beside it, so the fitted sheet must lie there too",
            f'Name a file in the sheet\'s own folder, as -o "{sheet_file.with_name(path.name)}"',
            "weigh_sheets_elsewhere",
        )
    return path
