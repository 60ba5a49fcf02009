"""The command fit: the sheet's doubtful numbers, fitted to all that was weighed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from flowsheet.commands.common import Json, Out, Seed, Sheet, print_result, progress
from flowsheet.commands.writing import Replace, Writer, in_folder, say_written

if TYPE_CHECKING:
    from flowsheet.spec.blocks.schema import Sheet as SheetOf
    from flowsheet.spec.yaml.document import Document


def fit(
    file: Sheet,
    output: Annotated[
        Optional[Path], typer.Option("-o", "--output", metavar="FILE", help="Fitted sheet (default: NAME.fitted.yaml).")  # noqa: UP045
    ] = None,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="Work out each interval by fitting all other numbers again.")
    ] = False,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = None,
    replace: Replace = False,
) -> None:
    """Fit the numbers given with doubt to what was weighed; write the fitted sheet beside the old one."""
    from flowsheet.solve.model import load
    from flowsheet.study.estimate import fit as study
    from flowsheet.study.estimate.fitted_sheet import checked_text, refuse_twice, target
    from flowsheet.study.estimate.profile_likelihood import profiles

    sheet, document = load(file)
    source = document.text
    refuse_twice(document, source)
    writer = Writer("fit", file, sheet.sources, replace)
    path = writer.check_page(target(document, output))
    found = study.fit(sheet, sheet.weighed, seed)
    text = checked_text(document, source, sheet, {one.name: (one.value, one.sd) for one in found.own if not one.jumps})
    around = profiles(found, lambda ends: progress(ends, "intervals")) if thorough else None
    files = {path: text.encode("utf-8")}
    if out is not None:
        from flowsheet.show.estimate.fit_plots import fitted_files

        files |= in_folder(out, fitted_files(found, around))
    say_written(writer.put(files, out))
    from flowsheet.show.estimate.fitted import as_dict, show_fitted

    if as_json:
        print_result({**as_dict(found, around), "written": str(path)}, sheet.sources, seed)
    else:
        show_fitted(sheet.title, found, around, path)


def forecast(
    sheet: SheetOf,
    document: Document,
    moved: dict[str, list[str]],
    seed: int,
    as_json: bool,
    out: Path | None,
    writer: Writer,
) -> None:
    """Try settings on the fitted sheet (``try --fitted``)."""
    from flowsheet.study.estimate.fitted_sheet import refuse_twice
    from flowsheet.study.trials.forecast import run_forecasts

    refuse_twice(document, document.text)
    found = run_forecasts(document, moved, seed, progress)
    if out is not None:
        from flowsheet.show.trials.trial_files import forecast_files

        writer.put_folder(out, forecast_files(found))
    from flowsheet.show.trials.forecasts import as_dict, show_forecasts

    if as_json:
        print_result(as_dict(found), sheet.sources, seed)
    else:
        show_forecasts(found)
