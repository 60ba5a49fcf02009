"""A run on the terminal."""

from __future__ import annotations

from flowsheet.show.run import run_tables, sentences, told_tables
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
    test = run.this_test
    if test is None:
        print_table(out, run_tables.balance(run))
    else:
        for told in (told_tables.gold, told_tables.rock):
            print_table(out, told(run, test))
        out.print(told_tables.WHAT_FROM)
        out.print()
        print_table(out, told_tables.losses(run, test))
    closure = run.solution.closure
    what = "Balance" if test is None else "As planned, the balance"
    out.print(f"{what} closes {closes(closure.solids)} (solids) and {closes(closure.gold)} (gold).")
    for line in (*sentences.added(run), *sentences.loops(run)):
        out.print(line)
    if run.solution.model.sheet.weighed:
        out.print()
        print_table(out, run_tables.weighed(run))
    coarse = run_tables.coarse(run) if test is None else told_tables.coarse(run, test)
    others = (run_tables.sieved(run), run_tables.finer(run))
    for grid in (coarse, *others, *([run_tables.losses(run)] if test is None else ())):
        if grid.rows:
            out.print()
            print_table(out, grid)
    list_lines(out, "Look at this", texts([*run.warnings, *run.notes]))
    list_lines(out, "Take care", [*run.cautions, RULES])
