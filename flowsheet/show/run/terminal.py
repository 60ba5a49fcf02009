"""A run on the terminal."""

from __future__ import annotations

from flowsheet.show.run import run_tables, sentences
from flowsheet.show.text.figures import closes
from flowsheet.show.text.terminal import RULES, console, list_lines, print_table
from flowsheet.spec.text.notes import texts
from flowsheet.study.run.run import Run


def show_run(run: Run) -> None:
    """Print the answers, the balance, what was assumed, and the cautions."""
    out = console()
    out.print(run.solution.model.sheet.title, style="bold")
    for question, answer in sentences.answers(run):
        out.print(question, style="bold")
        out.print(answer)
        out.print()
    print_table(out, run_tables.balance(run))
    closure = run.solution.closure
    out.print(f"Balance closes {closes(closure.solids)} (solids) and {closes(closure.gold)} (gold).")
    for line in sentences.loops(run):
        out.print(line)
    if run.solution.model.sheet.weighed:
        out.print()
        print_table(out, run_tables.weighed(run))
    for table in (run_tables.coarse, run_tables.sieved, run_tables.finer, run_tables.losses):
        grid = table(run)
        if grid.rows:
            out.print()
            print_table(out, grid)
    list_lines(out, "Look at this", texts([*run.warnings, *run.notes]))
    list_lines(out, "Take care", [*run.cautions, RULES])
