"""The command reconcile: what really happened, where the weights disagree."""

from __future__ import annotations

from flowsheet.commands.common import Json, Out, Sheet, print_result
from flowsheet.commands.writing import Replace, Writer


def reconcile(file: Sheet, as_json: Json = False, out: Out = None, replace: Replace = False) -> None:
    """Make the weights agree, name the suspect one, and tell the head grade."""
    from flowsheet.solve.model import load
    from flowsheet.study.balance.reconcile import reconcile_sheet

    sheet = load(file)[0]
    found = reconcile_sheet(sheet)
    if out is not None:
        from flowsheet.show.balance.weight_plots import reconciled_files

        Writer("reconcile", file, sheet.sources, replace).put_folder(out, reconciled_files(found))
    if as_json:
        from flowsheet.study.balance.result import as_dict

        print_result(as_dict(found), sheet.sources)
    else:
        from flowsheet.show.balance.terminal import show_reconciled

        show_reconciled(sheet.title, found)
