"""What a sheet must mean: small named checks, each giving the mistakes of one kind.

They work on a draft whose blocks may be missing (where their shape was wrong), so that a sheet's wrong
unit and its misspelt stream are told together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from flowsheet.spec.document import Document, Path_
from flowsheet.spec.factors import Band, Factors
from flowsheet.spec.mistakes import Mistake, did_you_mean, nearest
from flowsheet.spec.schema import GrainRow, Ore, SieveRow, SizeLaw, StepBlock, Weighed

TOLERANCE = 1e-9


@dataclass
class Draft:
    """A sheet being read: blocks whose shape was wrong are None, wiring is taken from the raw text."""

    document: Document
    ores: dict[str, Ore | None] = field(default_factory=dict)
    steps: dict[str, StepBlock | None] = field(default_factory=dict)
    weighed: dict[str, Weighed] = field(default_factory=dict)
    keep: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def takes(self) -> Iterator[tuple[str, str, Path_]]:
        """Go through (step, stream, path) of everything taken."""
        for name, given in self._raw_steps():
            taken = given.get("takes")
            if isinstance(taken, str):
                yield name, taken, ("steps", name, "takes")
            elif isinstance(taken, list):
                for i, stream in enumerate(taken):
                    if isinstance(stream, str):
                        yield name, stream, ("steps", name, "takes", i)

    def gives(self) -> Iterator[tuple[str, str, str, Path_]]:
        """Go through (step, outlet, stream, path) of everything given; a lone stream has outlet ""."""
        for name, given in self._raw_steps():
            out = given.get("gives")
            if isinstance(out, str):
                yield name, "", out, ("steps", name, "gives")
            elif isinstance(out, dict):
                for port, stream in out.items():
                    if isinstance(stream, str):
                        yield name, port, stream, ("steps", name, "gives", port)

    def streams(self) -> list[str]:
        """Return every stream that the sheet makes or feeds."""
        return list(dict.fromkeys([*self.ores, *(stream for _, _, stream, _ in self.gives())]))

    def ore_path(self, name: str) -> Path_:
        """Return where an ore stands in the sheet."""
        return ("ore",) if name == "ore" and "ore" in self.document.data else ("ores", name)

    def knows(self, what: str) -> bool:
        """Whether every ore has ``sizes``, or ``grains`` (which need sizes)."""
        ores = [ore for ore in self.ores.values() if ore is not None]
        if not all(ore.sizes is not None for ore in ores):
            return False
        return what == "sizes" or all(has_grains(ore) for ore in ores)

    def _raw_steps(self) -> Iterator[tuple[str, dict[str, Any]]]:
        steps = self.document.data.get("steps")
        for name, given in (steps if isinstance(steps, dict) else {}).items():
            if isinstance(given, dict):
                yield name, given


def has_grains(ore: Ore) -> bool:
    """Whether the sizes of an ore's gold grains are known."""
    gold = ore.gold
    return gold is not None and (gold.sizes is not None or (gold.d50 is not None and gold.d95 is not None))


def streams_exist(draft: Draft) -> Iterator[Mistake]:
    """Every stream that is taken comes from somewhere."""
    known = draft.streams()
    for step, stream, path in draft.takes():
        if stream not in known:
            own = {s for n, _, s, _ in draft.gives() if n == step}
            like = did_you_mean(stream, [s for s in known if s not in own] or known, "streams")
            yield draft.document.mistake(path, "no step gives this stream", like, stream)


def streams_given_once(draft: Draft) -> Iterator[Mistake]:
    """A stream comes from one step only."""
    first: dict[str, str] = {}
    for step, _, stream, path in draft.gives():
        if stream in draft.ores:
            yield draft.document.mistake(
                path, "this is the name of an ore", "Give the stream a name of its own", stream
            )
        elif stream in first:
            yield draft.document.mistake(
                path,
                f'the stream is given twice, first by "{first[stream]}"',
                f'Give it another name, as "{stream} 2", and let the next step take both: takes: [{stream}, {stream} 2]',
                stream,
            )
        else:
            first[stream] = step


def streams_taken_once(draft: Draft) -> Iterator[Mistake]:
    """A stream goes to one step only."""
    first: dict[str, str] = {}
    for step, stream, path in draft.takes():
        if stream in first:
            where = "twice by this step" if first[stream] == step else f'also by "{first[stream]}"'
            yield draft.document.mistake(
                path, f"the stream is taken {where}", "Part it first with a step that does split", stream
            )
        else:
            first[stream] = step


def names_are_there(draft: Draft) -> Iterator[Mistake]:
    """A stream has a name to be called by, and a step takes something."""
    for _, port, stream, path in draft.gives():
        if not stream.strip():
            yield draft.document.mistake(path, f'the outlet "{port}" gives a stream without a name', "Name it")
    for name, step in draft.steps.items():
        if step is not None and not step.takes:
            yield draft.document.mistake(("steps", name, "takes"), "the step takes nothing", "Name a stream")


def ores_are_used(draft: Draft) -> Iterator[Mistake]:
    """An ore goes into a step."""
    taken = {stream for _, stream, _ in draft.takes()}
    unknown = [s for _, s, _ in draft.takes() if s not in draft.streams()]
    for name in draft.ores:
        if draft.steps and name not in taken and nearest(name, unknown) is None:
            yield draft.document.mistake(
                draft.ore_path(name), f'no step takes "{name}"', f"Let a step say takes: {name}"
            )


def ports_exist(draft: Draft) -> Iterator[Mistake]:
    """Outlets are those of the kind, and all of them lead somewhere."""
    for name, step in draft.steps.items():
        if step is None:
            continue
        path: Path_ = ("steps", name, "gives")
        needed = [p.name for p in step.ports if not p.optional]
        if isinstance(step.gives, str):
            if len(needed) > 1:
                yield draft.document.mistake(
                    path, f"{step.kind} has {len(needed)} outlets", "Write gives: " + _outlets(needed)
                )
            continue
        if not step.gives:
            yield draft.document.mistake(path, "the step gives nothing", "Name an outlet and its stream")
        if not step.ports:
            continue
        known = [p.name for p in step.ports]
        for port, stream in step.gives.items():
            if port not in known:
                yield draft.document.mistake(
                    (*path, port),
                    f"{step.kind} has no outlet of this name",
                    did_you_mean(port, known, "outlets"),
                    port,
                )
            del stream
        for port in needed:
            if port not in step.gives:
                like = nearest(port, [p for p in step.gives if p not in known])
                if like is None:
                    yield draft.document.mistake(
                        path, f'the outlet "{port}" goes nowhere', f"Add {port}: and a name for that stream"
                    )


def _outlets(names: list[str]) -> str:
    return "{" + ", ".join(f"{n}: …" for n in names) + "}"


def kept_streams_end(draft: Draft) -> Iterator[Mistake]:
    """What is kept exists, and nothing takes it."""
    known, takers = draft.streams(), {stream: step for step, stream, _ in draft.takes()}
    for stream, count in Counter(draft.keep).items():
        path: Path_ = ("keep", draft.keep.index(stream))
        if path not in draft.document.marks:
            path = ("keep",)
        if stream not in known:
            ends = [s for s in known if s not in takers]
            yield draft.document.mistake(
                path, "no step gives this stream", did_you_mean(stream, ends, "last streams"), stream
            )
        elif stream in takers:
            yield draft.document.mistake(
                path, f'"{takers[stream]}" takes this stream on', "Keep a stream that no step takes", stream
            )
        if count > 1:
            yield draft.document.mistake(path, "kept twice", "Name it once", stream)


def weighed_streams_exist(draft: Draft) -> Iterator[Mistake]:
    """What was weighed is a stream of the sheet, and something was measured of it."""
    for name in _keys(draft.document.data.get("weighed")):
        if name not in draft.streams():
            like = did_you_mean(name, draft.streams(), "streams")
            yield draft.document.mistake(("weighed", name), "no stream has this name", like, name)
    for name, weighed in draft.weighed.items():
        if weighed.mass is weighed.grade is weighed.gold is None:
            yield draft.document.mistake(("weighed", name), "nothing was measured", "Add mass:, grade: or gold:")


def steps_are_fed(draft: Draft) -> Iterator[Mistake]:
    """Every step can be reached from an ore."""
    onward = _onward(draft)
    fed = _reach(onward, {step for step, stream, _ in draft.takes() if stream in draft.ores})
    known = draft.streams()
    for name in onward:
        broken = any(step == name and stream not in known for step, stream, _ in draft.takes())
        if name not in fed and not broken and draft.ores and not _behind_broken(draft, name, onward):
            yield draft.document.mistake(
                ("steps", name),
                f'no ore ever reaches "{name}"',
                "Let it take a stream that comes from an ore",
            )


def _behind_broken(draft: Draft, name: str, onward: dict[str, set[str]]) -> bool:
    """Whether a step is cut off only by a stream that another mistake already names."""
    known = draft.streams()
    broken = {step for step, stream, _ in draft.takes() if stream not in known}
    broken |= {step for step, block in draft.steps.items() if block is None}
    return name in _reach(onward, broken)


def loops_have_a_way_out(draft: Draft) -> Iterator[Mistake]:
    """From every step, rock can leave the sheet."""
    onward = _onward(draft)
    taken = {stream for _, stream, _ in draft.takes()}
    out = {step for step, _, stream, _ in draft.gives() if stream not in taken}
    backward: dict[str, set[str]] = {name: set() for name in onward}
    for name, nexts in onward.items():
        for following in nexts:
            backward[following].add(name)
    leaves = _reach(backward, out)
    stuck = [name for name in onward if name not in leaves and onward[name]]
    while stuck:
        loop = [s for s in stuck if s in _reach(onward, {stuck[0]}) and stuck[0] in _reach(onward, {s})]
        loop = loop or [stuck[0]]
        if len(loop) > 1 or stuck[0] in onward[stuck[0]]:
            yield draft.document.mistake(
                ("steps", loop[0]),
                f"nothing ever leaves the loop {' → '.join([*loop, loop[0]])}",
                "Give one of its steps an outlet that leads out of the loop",
            )
        stuck = [s for s in stuck if s not in loop]


def _onward(draft: Draft) -> dict[str, set[str]]:
    takers: dict[str, set[str]] = {}
    for step, stream, _ in draft.takes():
        takers.setdefault(stream, set()).add(step)
    onward: dict[str, set[str]] = {name: set() for name in _keys(draft.document.data.get("steps"))}
    for step, _, stream, _ in draft.gives():
        onward[step] |= takers.get(stream, set())
    return onward


def _reach(onward: dict[str, set[str]], start: set[str]) -> set[str]:
    seen, queue = set(start), list(start)
    while queue:
        for following in onward.get(queue.pop(), ()):
            if following not in seen:
                seen.add(following)
                queue.append(following)
    return seen


def ores_agree(draft: Draft) -> Iterator[Mistake]:
    """Several ores know the same things of themselves."""
    ores = {name: ore for name, ore in draft.ores.items() if ore is not None}
    for what, known in (
        ("sizes", {name: ore.sizes is not None for name, ore in ores.items()}),
        ("gold grains (d50, d95)", {name: has_grains(ore) for name, ore in ores.items()}),
    ):
        for name, knows in known.items():
            if not knows and any(known.values()):
                other = next(n for n, k in known.items() if k)
                yield draft.document.mistake(
                    draft.ore_path(name),
                    f'"{name}" has no {what}, while "{other}" has',
                    "Give both, or neither",
                )
    detach = {name: ore.gold.detach.value for name, ore in ores.items() if ore.gold is not None}
    if len(set(detach.values())) > 1:
        last = list(detach)[-1]
        yield draft.document.mistake(
            (*draft.ore_path(last), "gold", "detach"),
            "detach differs between the ores",
            "Use one value for all",
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
        if gold.sizes is not None:
            yield from _table_faults(draft, (*path, "gold", "sizes"), gold.sizes)
            if gold.d50 or gold.d95:
                yield draft.document.mistake((*path, "gold"), "both a table and d50/d95", "Keep one of the two")
        elif gold.d50 and gold.d95 and gold.d95.value < gold.d50.value:
            yield draft.document.mistake(
                (*path, "gold", "d95"), "d95 is smaller than d50", "d95 is the coarser: swap the two"
            )
        elif (gold.d50 is None) != (gold.d95 is None):
            lacking = "d95" if gold.d95 is None else "d50"
            yield draft.document.mistake((*path, "gold"), f"{lacking} is missing", f"Add {lacking}: 1.6 mm")


def _law_faults(draft: Draft, path: Path_, law: SizeLaw) -> Iterator[Mistake]:
    rosin = law.law == "rosin_rammler"
    if law.x63 is not None and not rosin:
        yield draft.document.mistake((*path, "x63"), "x63 belongs to rosin_rammler", "Add law: rosin_rammler")
    elif law.p80 is None and law.x63 is None:
        yield draft.document.mistake(path, "p80 is missing", "Add p80: 60 mm, or write a sieve table")
    elif law.p80 is not None and law.x63 is not None:
        yield draft.document.mistake((*path, "x63"), "both p80 and x63 are given", "Keep one of the two")
    size = law.p80 or law.x63
    if law.top is not None and size is not None and size.value > law.top.value:
        yield draft.document.mistake((*path, "top"), "the top size is below p80", "The top is the largest piece")
    if law.top is None and rosin:
        yield draft.document.mistake(path, "rosin_rammler has no end of its own", "Add top: 100 mm")


def _table_faults(draft: Draft, path: Path_, rows: list[SieveRow] | list[GrainRow]) -> Iterator[Mistake]:
    if not rows:
        yield draft.document.mistake(path, "the table is empty", "Add {sieve: 20 mm, passing: 41 %}")
    for i, (a, b) in enumerate(pairwise(rows), 1):
        if a.sieve == "pan":
            yield draft.document.mistake((*path, i - 1, "sieve"), "the pan stands above a sieve", "Put pan last")
        elif b.sieve != "pan" and b.sieve.value >= a.sieve.value:
            yield draft.document.mistake(
                (*path, i, "sieve"),
                "the sieves are out of order",
                "List them from the coarsest down, each once",
            )
        if b.passing.value > a.passing.value:
            yield draft.document.mistake(
                (*path, i, "passing"),
                "more passes here than through the sieve above",
                "passing is cumulative: check it",
            )
    if rows and rows[-1].sieve == "pan" and rows[-1].passing.value > 0:
        yield draft.document.mistake((*path, len(rows) - 1, "passing"), "nothing passes the pan", "Write passing: 0 %")
    if rows and (rows[0].sieve == "pan" or rows[0].passing.value == 0):
        yield draft.document.mistake((*path, 0), "nothing passes the first sieve", "Start with the coarsest sieve")


def grades_make_sense(draft: Draft) -> Iterator[Mistake]:
    """The ore has a grade, and its table's grades fit into it."""
    for name, ore in draft.ores.items():
        if ore is None:
            continue
        rows = [r for r in ore.sizes if isinstance(r, SieveRow)] if isinstance(ore.sizes, list) else []
        graded = [r for r in rows if r.grade is not None]
        path = draft.ore_path(name)
        complete = bool(rows) and len(graded) == len(rows) and rows[-1].passing.value == 0
        if ore.grade is None and not complete:
            remedy = "Add grade: 22 g/t (a guess will do)"
            if graded:
                remedy += ", or give every row of the table a grade, the last row being {sieve: pan, passing: 0 %}"
            yield draft.document.mistake((*path, "grade"), "the ore has no grade", remedy)
            continue
        if ore.grade is None or not graded or complete:
            continue
        told = sum(g * m for g, m in _graded_masses(rows))
        if told > ore.grade.value * (1 + TOLERANCE):
            yield draft.document.mistake(
                (*path, "grade"),
                f"the graded rows of the table alone make {told * 1e6:.3g} g/t",
                "Raise the grade, or check the table's grades",
            )


def _graded_masses(rows: list[SieveRow]) -> Iterator[tuple[float, float]]:
    above = 1.0
    for row in rows:
        if row.grade is not None:
            yield row.grade.value, above - row.passing.value
        above = row.passing.value


def factors_make_sense(draft: Draft) -> Iterator[Mistake]:
    """Factors name the step's own outlets, leave one out at most, and add up to one."""
    for name, step in draft.steps.items():
        if step is None:
            continue
        for field_name, factors in (("split", step.split), ("recovery", step.recovery)):
            if factors is None:
                continue
            path: Path_ = ("steps", name, field_name)
            known = list(step.outlets)
            for outlet in factors.outlets:
                if outlet not in known:
                    like = did_you_mean(outlet, known, "outlets of this step")
                    yield draft.document.mistake((*path, outlet), "the step has no such outlet", like, outlet)
            left = [o for o in known if o not in factors.outlets]
            if len(left) > 1:
                yield draft.document.mistake(
                    path,
                    f"{len(left)} outlets are left out ({', '.join(left)})",
                    "Leave out one: it gets the rest",
                )
            elif all(o in known for o in factors.outlets):
                yield from _sum_faults(draft, path, factors, rest=bool(left))
            if (factors.openings() or factors.by_form) and not draft.knows("sizes"):
                yield draft.document.mistake(path, "shares by size or form need sizes", "Give the ore sizes: and gold:")
            elif factors.by_form and not draft.knows("grains"):
                yield draft.document.mistake(
                    path, "shares by form need gold grains", "Give the ore gold: {d50: …, d95: …}"
                )
            if factors.by_form and field_name == "split":
                yield draft.document.mistake(path, "the rock has no free or locked part", "Put forms under recovery:")


def _sum_faults(draft: Draft, path: Path_, factors: Factors, rest: bool) -> Iterator[Mistake]:
    """The outlets' shares make one (or less, where an outlet gets the rest) at every size and form."""
    sizes = sorted({0.0, *factors.openings()})
    for form in ("free", "locked") if factors.by_form else (None,):
        for size in sizes:
            total = sum(b.share.value for b in factors.bands() if _covers(b, size, form))
            where = f" at {size * 1000:g} mm and up" if len(sizes) > 1 else ""
            if total > 1 + TOLERANCE:
                yield draft.document.mistake(path, f"the shares make {100 * total:.6g} %{where}", "Bring them to 100 %")
                return
            if not rest and total < 1 - TOLERANCE:
                yield draft.document.mistake(
                    path,
                    f"the shares make {100 * total:.6g} %{where}",
                    "Bring them to 100 %, or leave an outlet out",
                )
                return


def _covers(band: Band, size: float, form: str | None) -> bool:
    return band.lower <= size * (1 + TOLERANCE) < band.upper and band.form in (None, form)


def steps_have_what_they_need(draft: Draft) -> Iterator[Mistake]:
    """A step's model has the parameters, sizes and grains it works with, or factors in its place."""
    if any(ore is None for ore in draft.ores.values()) or not draft.ores:
        return
    sizes, grains = draft.knows("sizes"), draft.knows("grains")
    for name, step in draft.steps.items():
        if step is None:
            continue
        for field_name, message, remedy in step.faults(sizes, grains):
            path: Path_ = ("steps", name, field_name) if field_name else ("steps", name)
            yield draft.document.mistake(path, message, remedy)


def _keys(given: object) -> list[str]:
    return list(given) if isinstance(given, dict) else []


CHECKS: tuple[Callable[[Draft], Iterator[Mistake]], ...] = (
    streams_exist,
    streams_given_once,
    streams_taken_once,
    names_are_there,
    ores_are_used,
    ports_exist,
    kept_streams_end,
    weighed_streams_exist,
    steps_are_fed,
    loops_have_a_way_out,
    ores_agree,
    sizes_make_sense,
    grades_make_sense,
    factors_make_sense,
    steps_have_what_they_need,
)
