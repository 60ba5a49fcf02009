"""Ores: sizes that make a distribution, grades that fit into each other, and ores that fit together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from flowsheet.spec.blocks.schema import Gold, GrainRow, Nuggets, SieveRow, SizeLaw
from flowsheet.spec.checks.draft import TOLERANCE, Draft, has_grains
from flowsheet.spec.text.mistakes import Mistake
from flowsheet.spec.yaml.marked_document import Path_


def ores_agree(draft: Draft) -> Iterator[Mistake]:
    """Several ores know the same things of themselves."""
    ores = {n: ore for n, ore in draft.ores.items() if ore is not None and draft.whole(draft.ore_path(n))}
    for what, known in (
        ("sizes", {name: ore.sizes is not None for name, ore in ores.items()}),
        ("gold grains (d50 and d95)", {name: has_grains(ore) for name, ore in ores.items()}),
    ):
        for name, knows in known.items():
            if not knows and any(known.values()):
                other = next(n for n, k in known.items() if k)
                yield draft.document.block_mistake(
                    draft.ore_path(name),
                    f'this ore has no {what}, while "{other}" has',
                    "Give every ore its own, or none",
                    code="ores_differ",
                )
    detach = {name: ore.gold.detach.value for name, ore in ores.items() if ore.gold is not None}
    if len(set(detach.values())) > 1:
        last = list(detach)[-1]
        yield draft.document.mistake(
            (*draft.ore_path(last), "gold", "detach"),
            "detach differs between the ores",
            "Use one value for all: they are broken together",
            code="ores_differ",
        )


def sizes_make_sense(draft: Draft) -> Iterator[Mistake]:
    """Size laws and tables describe a distribution."""
    for name, ore in draft.ores.items():
        if ore is None:
            continue
        path = draft.ore_path(name)
        if isinstance(ore.sizes, SizeLaw):
            yield from _law_faults(draft, (*path, "sizes"), ore.sizes)
        elif ore.sizes is not None:
            yield from _table_faults(draft, (*path, "sizes"), ore.sizes)
        gold = ore.gold
        if gold is None:
            continue
        if gold.nuggets is not None:
            yield from _nugget_faults(draft, (*path, "gold", "nuggets"), gold, gold.nuggets)
        if gold.sizes is not None:
            yield from _table_faults(draft, (*path, "gold", "sizes"), gold.sizes)
            if gold.d50 or gold.d95:
                yield draft.document.mistake(
                    (*path, "gold"),
                    "both a table of sizes and d50 or d95",
                    "Keep one of the two",
                    code="two_grain_laws",
                )
        elif gold.d50 and gold.d95 and gold.d95.value < gold.d50.value:
            yield draft.document.mistake(
                (*path, "gold", "d95"),
                "d95 is smaller than d50",
                "Swap the two, or check the units: half of the gold is in grains finer than d50, 95 % finer than d95",
                code="grains_out_of_order",
            )
        elif (gold.d50 is None) != (gold.d95 is None):
            lacking = "d95" if gold.d95 is None else "d50"
            like = "1.6 mm" if lacking == "d95" else "0.35 mm"
            yield draft.document.mistake(
                (*path, "gold"), f"{lacking} is missing", f"Add {lacking}: {like}", code="grain_law_incomplete"
            )


def _nugget_faults(draft: Draft, path: Path_, gold: Gold, nuggets: Nuggets) -> Iterator[Mistake]:
    if gold.sizes is not None:
        message = "a table of sizes holds the nuggets, too"
        yield draft.document.mistake(
            path, message, "Put them into the table as its coarsest rows, and delete nuggets", code="two_grain_laws"
        )
    elif gold.d50 is None and gold.d95 is None and draft.whole(path[:-1]):
        message = "the grains of the gold that is not in nuggets are missing"
        yield draft.document.mistake(path, message, "Add d50: 0.35 mm and d95: 1.6 mm", code="grain_law_incomplete")
    elif gold.d50 is not None and nuggets.d50.value < gold.d50.value:
        yield draft.document.mistake(
            (*path, "d50"),
            f"nuggets finer than the rest of the gold ({gold.d50})",
            "Swap the two, or check the units",
            code="grains_out_of_order",
        )


def _law_faults(draft: Draft, path: Path_, law: SizeLaw) -> Iterator[Mistake]:
    rosin = law.law == "rosin_rammler"
    if law.x63 is not None and not rosin:
        yield draft.document.mistake(
            (*path, "x63"), "x63 belongs to rosin_rammler", "Add law: rosin_rammler", code="size_law_mixed"
        )
    elif law.p80 is None and law.x63 is None:
        yield draft.document.mistake(
            path, "p80 is missing", "Add p80: 60 mm, or write a sieve table", code="size_law_incomplete"
        )
    elif law.p80 is not None and law.x63 is not None:
        yield draft.document.mistake(
            (*path, "x63"), "both p80 and x63 are given", "Keep one of the two", code="size_law_mixed"
        )
    for name, size in (("p80", law.p80), ("x63", law.x63)):
        if law.top is not None and size is not None and size.value > law.top.value:
            yield draft.document.mistake(
                (*path, "top"),
                f"the top size is below {name}",
                "Check both: top is the largest piece",
                code="top_below_its_law",
            )
    if law.top is None and rosin:
        yield draft.document.mistake(
            path,
            "rosin_rammler has no largest piece of its own",
            "Add top: 100 mm, the largest piece",
            code="size_law_incomplete",
        )


def _table_faults(draft: Draft, path: Path_, rows: Sequence[SieveRow | GrainRow]) -> Iterator[Mistake]:
    if not rows:
        yield draft.document.mistake(
            path, "the table is empty", "Add {sieve: 20 mm, passing: 41 %}", code="table_empty"
        )
        return
    for i, (a, b) in enumerate(pairwise(rows), 1):
        if isinstance(a.sieve, str):
            yield draft.document.mistake(
                (*path, i - 1, "sieve"), "the pan stands above a sieve", "Put the pan last", code="sieves_out_of_order"
            )
        elif not isinstance(b.sieve, str) and b.sieve.value >= a.sieve.value:
            yield draft.document.mistake(
                (*path, i, "sieve"),
                f"this sieve is not finer than the one above ({a.sieve})",
                "List the sieves from the coarsest down, each once",
                code="sieves_out_of_order",
            )
        if b.passing.value > a.passing.value:
            yield draft.document.mistake(
                (*path, i, "passing"),
                f"more passes here than through the sieve above ({a.passing})",
                "Write what passes in all, not what stays on each sieve",
                code="passing_rises",
            )
    last = len(rows) - 1
    if isinstance(rows[last].sieve, str) and rows[last].passing.value > 0:
        yield draft.document.mistake(
            (*path, last, "passing"), "nothing passes the pan", "Write passing: 0 %", code="passing_the_pan"
        )
    if isinstance(rows[0].sieve, str) or rows[0].passing.value == 0:
        yield draft.document.mistake(
            (*path, 0, "passing"),
            "nothing passes the first sieve",
            "Start with the coarsest sieve",
            code="passing_the_pan",
        )


def grades_make_sense(draft: Draft) -> Iterator[Mistake]:
    """The ore has a grade, and its table's grades fit into it."""
    for name, ore in draft.ores.items():
        if ore is None:
            continue
        rows = [r for r in ore.sizes if isinstance(r, SieveRow)] if isinstance(ore.sizes, list) else []
        graded = [r for r in rows if r.grade is not None]
        path = draft.ore_path(name)
        if not draft.whole((*path, "sizes")) or not draft.whole((*path, "grade")):
            continue
        complete = bool(graded) and _untold_mass(rows) <= TOLERANCE
        if ore.grade is None and not complete:
            remedy = "Add grade: 22 g/t (a guess will do)"
            if graded:
                remedy += ", or give every row of the table a grade, the last row being {sieve: pan, passing: 0 %}"
            yield draft.document.mistake((*path, "grade"), "the ore has no grade", remedy, code="grade_missing")
            continue
        if ore.grade is None or not graded or complete:
            continue
        told = sum(g * m for g, m in _graded_masses(rows))
        if told > ore.grade.value * (1 + TOLERANCE):
            yield draft.document.mistake(
                (*path, "grade"),
                f"the table's grades alone make {told * 1e6:.3g} g/t of the ore, which is more",
                "Raise the ore's grade, or check those of the table",
                code="grades_above_the_whole",
            )


def _untold_mass(rows: list[SieveRow]) -> float:
    """Return the share of the rock whose grade a table does not tell; a row that holds nothing needs none."""
    return 1 - sum(mass for _, mass in _graded_masses(rows))


def _graded_masses(rows: list[SieveRow]) -> Iterator[tuple[float, float]]:
    above = 1.0
    for row in rows:
        if row.grade is not None:
            yield row.grade.value, above - row.passing.value
        above = row.passing.value
