"""Measure how often the intervals hold the truth: ``python -m tests.coverage --tests 60 --cells 'fine/*/right'``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))


def main() -> None:
    """Work out what is lacking, then print the table."""
    from cells import WRONG, cells
    from repeats import repeat, table

    untold = "; ".join(f"{case}: {what}" for case, what in WRONG.items()).replace("%", "%%")
    parser = argparse.ArgumentParser(prog="python -m tests.coverage", description=__doc__, epilog=f"Cases: {untold}.")
    parser.add_argument("--tests", type=int, default=60, help="invented tests a cell (60)")
    parser.add_argument("--cells", nargs="*", metavar="ORE/WEIGHING/CASE", help="patterns such as '*/bead/right'")
    parser.add_argument("--processes", type=int, default=2, choices=(1, 2), help="how many at once (2)")
    parser.add_argument("--list", action="store_true", help="name the cells and stop")
    asked = parser.parse_args()
    chosen = cells(asked.cells)
    if not chosen:
        parser.error("no cell is called so; --list names them all")
    print(
        "\n".join(cell.name for cell in chosen) if asked.list else table(repeat(chosen, asked.tests, asked.processes))
    )


if __name__ == "__main__":
    main()
