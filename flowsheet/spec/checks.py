"""What a sheet must mean: small named checks, each giving the mistakes of one kind.

They work on a draft whose blocks may be missing (where their shape was wrong), so that a sheet's wrong
unit and its misspelt stream are told together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

from flowsheet.spec.document import Document, Path_
from flowsheet.spec.factors import Band, Factors
from flowsheet.spec.mistakes import Mistake, did_you_mean, nearest
from flowsheet.spec.schema import GrainRow, Ore, SieveRow, SizeLaw, StepBlock, Weighed

TOLERANCE = 1e-9


@dataclass
class Draft:
    """A sheet being read. Wiring is taken from the raw text.

    A block lacks the fields that could not be read (which ``hurt`` names); where it cannot do without, it
    is None.
    """

    document: Document
    ores: dict[str, Ore | None] = field(default_factory=dict)
    steps: dict[str, StepBlock | None] = field(default_factory=dict)
    weighed: dict[str, Weighed] = field(default_factory=dict)
    keep: list[str] = field(default_factory=list)
    hurt: set[Path_] = field(default_factory=set)

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

    @cached_property
    def streams(self) -> list[str]:
        """Every stream that the sheet makes or feeds."""
        return list(dict.fromkeys([*self.ores, *(stream for _, _, stream, _ in self.gives())]))

    def ore_path(self, name: str) -> Path_:
        """Return where an ore stands in the sheet."""
        return ("ore",) if name == "ore" and "ore" in self.document.data else ("ores", name)

    def whole(self, path: Path_) -> bool:
        """Whether everything written at ``path`` could be read."""
        return not any(hurt[: len(path)] == path for hurt in self.hurt)

    def knows(self, what: str) -> bool:
        """Whether every ore has ``sizes``, or ``grains`` (which need sizes). An ore at fault is taken to."""
        ores = [ore for name, ore in self.ores.items() if ore is not None and self.whole(self.ore_path(name))]
        if not all(ore.sizes is not None for ore in ores):
            return False
        return what == "sizes" or all(has_grains(ore) for ore in ores)

    @cached_property
    def strays(self) -> list[str]:
        """Streams that are named, but that no step gives and no ore is: in the order of the sheet."""
        known = set(self.streams)
        named = [*(stream for _, stream, _ in self.takes()), *self.keep, *_keys(self.document.data.get("weighed"))]
        return [stream for stream in dict.fromkeys(named) if stream not in known]

    @cached_property
    def forgiven(self) -> set[str]:
        """Strays that another mistake explains: the outlet, the step or the ore that gives them is amiss itself."""
        lost = [stream for stream in self.strays if nearest(stream, self.streams) is None]
        if not self.ores or not self.steps or any(not self.gives_readable(name) for name in self.steps):
            return set(lost)
        return set(lost[: sum(len(missing_ports(step)) for step in self.steps.values() if step is not None)])

    def gives_readable(self, name: str) -> bool:
        """Whether a step says where its outlets lead."""
        return isinstance(self._raw(name).get("gives"), (str, dict)) and self.whole(("steps", name, "gives"))

    def takes_readable(self, name: str) -> bool:
        """Whether a step says what it takes."""
        return bool(self._raw(name).get("takes")) and self.whole(("steps", name, "takes"))

    def _raw(self, name: str) -> dict[str, Any]:
        given = self.document.data["steps"][name]
        return given if isinstance(given, dict) else {}

    def _raw_steps(self) -> Iterator[tuple[str, dict[str, Any]]]:
        steps = self.document.data.get("steps")
        for name, given in (steps if isinstance(steps, dict) else {}).items():
            if isinstance(given, dict):
                yield name, given


def has_grains(ore: Ore) -> bool:
    """Whether the sizes of an ore's gold grains are known."""
    gold = ore.gold
    return gold is not None and (gold.sizes is not None or (gold.d50 is not None and gold.d95 is not None))


def unread(draft: Draft, mistake: Mistake) -> bool:
    """Whether a mistake is about a field that could not be read in the first place."""
    names = (".".join(map(str, hurt)) for hurt in draft.hurt)
    return any(mistake.field == name or mistake.field.startswith(f"{name}.") for name in names)


def streams_exist(draft: Draft) -> Iterator[Mistake]:
    """Every stream that is taken comes from somewhere."""
    stray = set(draft.strays) - draft.forgiven
    for step, stream, path in draft.takes():
        if stream in stray:
            own = {s for n, _, s, _ in draft.gives() if n == step}
            known = [s for s in draft.streams if s not in own] or draft.streams
            yield draft.document.mistake(
                path, "no step gives this stream", did_you_mean(stream, known, "streams"), stream
            )


def streams_given_once(draft: Draft) -> Iterator[Mistake]:
    """A stream comes from one step only."""
    first: dict[str, str] = {}
    for step, _, stream, path in draft.gives():
        if stream in draft.ores:
            yield draft.document.mistake(
                path, "this is the name of an ore", "Give the stream a name of its own", stream
            )
        elif stream in first:
            both = f"{stream}, {stream} 2"
            yield draft.document.mistake(
                path,
                f'the stream is given twice, first by "{first[stream]}"',
                f'Give it another name, as "{stream} 2"; the next step may take both: takes: [{both}]',
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
                path,
                f"the stream is taken {where}",
                "Name it once" if first[stream] == step else "Part it first, with a step that says do: split",
                stream,
            )
        else:
            first[stream] = step


def names_are_there(draft: Draft) -> Iterator[Mistake]:
    """A stream has a name to be called by, and a step takes something."""
    for _, _, stream, path in draft.gives():
        if not stream.strip():
            yield draft.document.mistake(path, "this stream has no name", "Name it")
    for name, step in draft.steps.items():
        if step is not None and not step.takes:
            yield draft.document.mistake(
                ("steps", name, "takes"), "the step takes nothing", "Name the stream that goes in"
            )


def ores_are_used(draft: Draft) -> Iterator[Mistake]:
    """An ore goes into a step."""
    if not all(draft.takes_readable(name) for name in draft.steps):
        return
    taken = {stream for _, stream, _ in draft.takes()}
    # A stray may well be meant to be the ore; then one mistake is enough.
    stray = [stream for stream in draft.strays if stream in taken and stream not in draft.forgiven]
    unused = [name for name in draft.ores if name not in taken and nearest(name, stray) is None]
    others = [stream for stream in stray if nearest(stream, draft.streams) is None]
    for name in unused[len(others) :] if draft.steps else ():
        where = draft.ore_path(name)
        yield draft.document.name_mistake(where, "no step takes this ore", f"Let a step say takes: {name}")


def missing_ports(step: StepBlock) -> list[str]:
    """Return the outlets of a step that lead nowhere, and that no misspelt one explains."""
    if isinstance(step.gives, str):
        return []
    known = [p.name for p in step.ports]
    strangers = [port for port in step.gives if port not in known]
    lacking = [p.name for p in step.ports if not p.optional and p.name not in step.gives]
    unlike = [port for port in lacking if nearest(port, strangers) is None]
    return unlike[len([s for s in strangers if nearest(s, lacking) is None]) :]


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
            remedy = f"Write gives: {_outlets(needed or ['outlet'])}"
            yield draft.document.mistake(path, "the step gives nothing", remedy)
            continue
        known = [p.name for p in step.ports]
        for port in step.gives:
            if known and port not in known:
                like = did_you_mean(port, known, "outlets")
                yield draft.document.name_mistake((*path, port), f"{step.kind} has no such outlet", like)
        for port in missing_ports(step):
            lost = [stream for stream in draft.strays if stream in draft.forgiven]
            stream = f"{port}: {lost[0]}" if len(lost) == 1 else f"{port}: and a name for that stream"
            yield draft.document.mistake(path, f'the outlet "{port}" goes nowhere', f"Add {stream}")


def _outlets(names: list[str]) -> str:
    return "{" + ", ".join(f"{n}: …" for n in names) + "}"


def kept_streams_end(draft: Draft) -> Iterator[Mistake]:
    """What is kept exists, and nothing takes it."""
    takers = {stream: step for step, stream, _ in draft.takes()}
    stray = set(draft.strays) - draft.forgiven
    ends = [stream for stream in draft.streams if stream not in takers]
    for stream, count in Counter(draft.keep).items():
        path: Path_ = ("keep", draft.keep.index(stream))
        if path not in draft.document.marks:
            path = ("keep",)
        if stream in stray:
            yield draft.document.mistake(
                path, "no step gives this stream", did_you_mean(stream, ends, "last streams"), stream
            )
        elif stream in takers and stream not in draft.strays:
            yield draft.document.mistake(
                path,
                f'"{takers[stream]}" takes this stream on',
                "Keep a stream that no step takes: " + ", ".join(ends[:12]),
                stream,
            )
        if count > 1:
            yield draft.document.mistake(path, "kept twice", "Name it once", stream)


def weighed_streams_exist(draft: Draft) -> Iterator[Mistake]:
    """What was weighed is a stream of the sheet, and something was measured of it."""
    stray = set(draft.strays) - draft.forgiven
    for name in _keys(draft.document.data.get("weighed")):
        if name in stray:
            like = did_you_mean(name, draft.streams, "streams")
            yield draft.document.name_mistake(("weighed", name), "no stream has this name", like)
    for name, weighed in draft.weighed.items():
        if weighed.mass is weighed.grade is weighed.gold is None and draft.whole(("weighed", name)):
            yield draft.document.name_mistake(
                ("weighed", name), "nothing was measured of it", "Add mass:, grade: or gold:, or leave it out"
            )


def steps_are_fed(draft: Draft) -> Iterator[Mistake]:
    """Every step can be reached from an ore. Of steps that hang together, the first is named."""
    if not draft.ores:
        return
    onward = _onward(draft)
    strays = set(draft.strays)
    # What is cut off only by a stream or step that is at fault itself is no mistake of its own.
    start = {step for step, stream, _ in draft.takes() if stream in draft.ores or stream in strays}
    start |= {step for step in draft.steps if not draft.takes_readable(step)}
    unfed = [name for name in onward if name not in _reach(onward, start)]
    told: set[str] = set()
    for name in unfed:
        behind = _reach(onward, {name})
        before = {other for other in unfed if name in _reach(onward, {other})}
        if name not in told and before <= behind:
            told |= behind
            yield draft.document.name_mistake(
                ("steps", name), "no ore ever reaches this step", "Let it take a stream that comes from an ore"
            )


def loops_have_a_way_out(draft: Draft) -> Iterator[Mistake]:
    """From every step, rock can leave the sheet."""
    onward = _onward(draft)
    taken = {stream for _, stream, _ in draft.takes()}
    out = {step for step, _, stream, _ in draft.gives() if stream not in taken}
    # An outlet that is amiss itself may be the way out.
    out |= {name for name, step in draft.steps.items() if not draft.gives_readable(name) or (step and _amiss(step))}
    backward: dict[str, set[str]] = {name: set() for name in onward}
    for name, nexts in onward.items():
        for following in nexts:
            backward[following].add(name)
    leaves = _reach(backward, out)
    stuck = [name for name in onward if name not in leaves and onward[name]]
    while stuck:
        behind, before = _reach(onward, {stuck[0]}), _reach(backward, {stuck[0]})
        loop = [s for s in stuck if s in behind and s in before]
        if len(loop) > 1 or stuck[0] in onward[stuck[0]]:
            yield draft.document.name_mistake(
                ("steps", loop[0]),
                f"nothing ever leaves the loop {' → '.join([*loop, loop[0]])}",
                "Give one of its steps an outlet that leads out of the loop",
            )
        stuck = [s for s in stuck if s not in loop]


def _amiss(step: StepBlock) -> bool:
    """Whether a step's outlets are not those of its kind."""
    needed, known = [p.name for p in step.ports if not p.optional], [p.name for p in step.ports]
    if isinstance(step.gives, str):
        return len(needed) > 1
    return bool(missing_ports(step)) or (bool(known) and any(port not in known for port in step.gives))


def _onward(draft: Draft) -> dict[str, set[str]]:
    takers: dict[str, set[str]] = {}
    for step, stream, _ in draft.takes():
        takers.setdefault(stream, set()).add(step)
    onward: dict[str, set[str]] = {name: set() for name in _keys(draft.document.data.get("steps"))}
    for step, _, stream, _ in draft.gives():
        if stream not in draft.ores:
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
    ores = {n: ore for n, ore in draft.ores.items() if ore is not None and draft.whole(draft.ore_path(n))}
    for what, known in (
        ("sizes", {name: ore.sizes is not None for name, ore in ores.items()}),
        ("gold grains (d50 and d95)", {name: has_grains(ore) for name, ore in ores.items()}),
    ):
        for name, knows in known.items():
            if not knows and any(known.values()):
                other = next(n for n, k in known.items() if k)
                yield draft.document.name_mistake(
                    draft.ore_path(name),
                    f'this ore has no {what}, while "{other}" has',
                    "Give every ore its own, or none",
                )
    detach = {name: ore.gold.detach.value for name, ore in ores.items() if ore.gold is not None}
    if len(set(detach.values())) > 1:
        last = list(detach)[-1]
        yield draft.document.mistake(
            (*draft.ore_path(last), "gold", "detach"),
            "detach differs between the ores",
            "Use one value for all: they are broken together",
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
                yield draft.document.mistake(
                    (*path, "gold"), "both a table of sizes and d50 or d95", "Keep one of the two"
                )
        elif gold.d50 and gold.d95 and gold.d95.value < gold.d50.value:
            yield draft.document.mistake(
                (*path, "gold", "d95"),
                "d95 is smaller than d50",
                "95 % is finer than d95, half is finer than d50: swap the two",
            )
        elif (gold.d50 is None) != (gold.d95 is None):
            lacking = "d95" if gold.d95 is None else "d50"
            like = "1.6 mm" if lacking == "d95" else "0.35 mm"
            yield draft.document.mistake((*path, "gold"), f"{lacking} is missing", f"Add {lacking}: {like}")


def _law_faults(draft: Draft, path: Path_, law: SizeLaw) -> Iterator[Mistake]:
    rosin = law.law == "rosin_rammler"
    if law.x63 is not None and not rosin:
        yield draft.document.mistake((*path, "x63"), "x63 belongs to rosin_rammler", "Add law: rosin_rammler")
    elif law.p80 is None and law.x63 is None:
        yield draft.document.mistake(path, "p80 is missing", "Add p80: 60 mm, or write a sieve table")
    elif law.p80 is not None and law.x63 is not None:
        yield draft.document.mistake((*path, "x63"), "both p80 and x63 are given", "Keep one of the two")
    for name, size in (("p80", law.p80), ("x63", law.x63)):
        if law.top is not None and size is not None and size.value > law.top.value:
            yield draft.document.mistake(
                (*path, "top"), f"the top size is below {name}", "top is the largest piece: check both"
            )
    if law.top is None and rosin:
        yield draft.document.mistake(
            path, "rosin_rammler has no largest piece of its own", "Add top: 100 mm, the largest piece"
        )


def _table_faults(draft: Draft, path: Path_, rows: Sequence[SieveRow | GrainRow]) -> Iterator[Mistake]:
    if not rows:
        yield draft.document.mistake(path, "the table is empty", "Add {sieve: 20 mm, passing: 41 %}")
        return
    for i, (a, b) in enumerate(pairwise(rows), 1):
        if isinstance(a.sieve, str):
            yield draft.document.mistake((*path, i - 1, "sieve"), "the pan stands above a sieve", "Put the pan last")
        elif not isinstance(b.sieve, str) and b.sieve.value >= a.sieve.value:
            yield draft.document.mistake(
                (*path, i, "sieve"),
                f"this sieve is not finer than the one above ({a.sieve})",
                "List the sieves from the coarsest down, each once",
            )
        if b.passing.value > a.passing.value:
            yield draft.document.mistake(
                (*path, i, "passing"),
                f"more passes here than through the sieve above ({a.passing})",
                "Write what passes in all, not what stays on each sieve",
            )
    last = len(rows) - 1
    if isinstance(rows[last].sieve, str) and rows[last].passing.value > 0:
        yield draft.document.mistake((*path, last, "passing"), "nothing passes the pan", "Write passing: 0 %")
    if isinstance(rows[0].sieve, str) or rows[0].passing.value == 0:
        yield draft.document.mistake(
            (*path, 0, "passing"), "nothing passes the first sieve", "Start with the coarsest sieve"
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
                f"the table's grades alone make {told * 1e6:.3g} g/t of the ore, which is more",
                "Raise the ore's grade, or check those of the table",
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
            if not _amiss(step):
                yield from _outlet_faults(draft, path, factors, list(step.outlets))
            if factors.by_form and field_name == "split":
                yield draft.document.mistake(
                    path, "only gold is free or locked, split is for the rock", "Put free and locked under recovery:"
                )
            elif (factors.openings() or factors.by_form) and not draft.knows("sizes"):
                yield draft.document.mistake(
                    path,
                    "shares by size or form need the sizes of the ore",
                    "Give the ore sizes: {top: …, p80: …} and gold: {d50: …, d95: …}, or write one share",
                )
            elif factors.by_form and not draft.knows("grains"):
                yield draft.document.mistake(
                    path,
                    "shares by form need the sizes of the gold grains",
                    "Give the ore gold: {d50: …, d95: …}, or write one share for free and locked",
                )


def _outlet_faults(draft: Draft, path: Path_, factors: Factors, known: list[str]) -> Iterator[Mistake]:
    strangers = [outlet for outlet in factors.outlets if outlet not in known]
    for outlet in strangers:
        like = did_you_mean(outlet, known, "outlets of this step")
        yield draft.document.name_mistake((*path, outlet), "the step has no such outlet", like)
    left = [outlet for outlet in known if outlet not in factors.outlets]
    if strangers:
        return
    if len(left) > 1:
        yield draft.document.mistake(
            path, f"{len(left)} outlets are left out ({', '.join(left)})", "Leave out one at most: it gets the rest"
        )
    else:
        yield from _sum_faults(draft, path, factors, rest=bool(left))


def _sum_faults(draft: Draft, path: Path_, factors: Factors, rest: bool) -> Iterator[Mistake]:
    """The outlets' shares make one (or less, where an outlet gets the rest) at every size and form."""
    sizes = sorted({0.0, *factors.openings()})
    for form in ("free", "locked") if factors.by_form else (None,):
        for size in sizes:
            total = sum(b.share.value for b in factors.bands() if _covers(b, size, form))
            where = f" at {size * 1000:g} mm and up" if len(sizes) > 1 else ""
            where += f" for {form} gold" if form else ""
            if total > 1 + TOLERANCE:
                yield draft.document.mistake(
                    path, f"the shares make {100 * total:.6g} %{where}", "Bring them to 100 %, or below"
                    if rest else "Bring them to 100 %",
                )  # fmt: skip
                return
            if not rest and total < 1 - TOLERANCE:
                yield draft.document.mistake(
                    path,
                    f"the shares make {100 * total:.6g} %{where}",
                    "Bring them to 100 %, or leave an outlet out: it gets the rest",
                )
                return


def _covers(band: Band, size: float, form: str | None) -> bool:
    return band.lower <= size * (1 + TOLERANCE) < band.upper and band.form in (None, form)


def steps_have_what_they_need(draft: Draft) -> Iterator[Mistake]:
    """A step's model has the parameters, sizes and grains it works with, or factors in its place."""
    if not draft.ores or not all(ore and draft.whole(draft.ore_path(name)) for name, ore in draft.ores.items()):
        return
    sizes, grains = draft.knows("sizes"), draft.knows("grains")
    for name, step in draft.steps.items():
        if step is None or not draft.whole(("steps", name)):
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
