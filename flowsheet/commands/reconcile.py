"""The command reconcile: what really happened, where the weights disagree."""

from __future__ import annotations

from flowsheet.commands.common import Json, Out, Sheet, print_result
from flowsheet.commands.writing import Replace, Writer


def reconcile(file: Sheet, as_json: Json = False, out: Out = None, replace: Replace = False) -> None:
    """Make the weights agree, name the suspect one, and tell the head grade."""
    import flowsheet as fs

    sheet = fs.read(file)
    found = fs.reconcile(sheet)
    if out is not None:
        from flowsheet.show.balance.weight_plots import reconciled_files

        Writer("reconcile", file, sheet.sources, replace).put_folder(out, reconciled_files(found.tests))
    if as_json:
        print_result(found.as_dict(), sheet.sources)
    else:
        from flowsheet.show.balance.terminal import show_reconciled

        show_reconciled(sheet.title, found.tests)
