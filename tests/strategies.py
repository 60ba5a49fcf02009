"""Random legal sheets, as the text a miner would write."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import yaml
from hypothesis import strategies as st

from flowsheet.steps import kinds

KINDS = tuple(kinds())
PORTS = {kind: tuple(port.name for port in step.ports if not port.optional) for kind, step in kinds().items()}
OPENINGS = ("30 mm", "20 mm", "1/2 in", "4 mm", "#10", "0.85 mm", "0.3 mm", "#100")
CUTS = ("12 mm", "2 mm", "0.2 mm")
MOST_STEPS = 7


@dataclass
class Draft:
    """A sheet under way: what it knows of its ores, its steps, and the streams that no step takes yet."""

    draw: Callable[[st.SearchStrategy[Any]], Any]
    sizes: bool
    grains: bool
    linear: bool
    ores: dict[str, Any] = field(default_factory=dict)
    steps: dict[str, Any] = field(default_factory=dict)
    open: list[str] = field(default_factory=list)

    def one_of(self, *choices: Any) -> Any:
        return self.draw(st.sampled_from(choices))

    def chance(self) -> bool:
        return self.draw(st.booleans())

    def between(self, low: float, high: float) -> float:
        return self.draw(st.integers(round(1000 * low), round(1000 * high))) / 1000


@st.composite
def sheets(draw: Callable[[st.SearchStrategy[Any]], Any], *, linear: bool = False, loops: bool = True) -> str:
    """Return the text of a legal sheet: ``linear`` without steps that depend on their feed, or with ``loops``."""
    knows = draw(st.sampled_from(["nothing", "sizes", "grains", "grains"]))
    draft = Draft(draw, knows != "nothing", knows == "grains", linear)
    for name in ("ore", "wall", "old heap")[: draw(st.integers(1, 3))]:
        draft.ores[name] = _ore(draft)
    draft.open = list(draft.ores)
    for number in range(1, draw(st.integers(1, MOST_STEPS)) + 1):
        _add_step(draft, f"step {number}")
    fresh = [name for name in draft.ores if name in draft.open]
    if fresh:
        draft.open = [stream for stream in draft.open if stream not in fresh]
        draft.steps["last"] = {"do": "split", "takes": fresh, "gives": {"a": "last a", "b": "last b"}}
        draft.open += ["last a", "last b"]
    if loops:
        for _ in range(draw(st.integers(0, 3))):
            _lead_back(draft)
    keep = draw(st.lists(st.sampled_from(draft.open), min_size=1, unique=True))
    return as_text({"ores": draft.ores, "steps": draft.steps, "keep": keep})


def as_text(sheet: dict[str, Any]) -> str:
    return yaml.safe_dump(sheet, sort_keys=False, allow_unicode=True)


def _ore(draft: Draft) -> dict[str, Any]:
    ore: dict[str, Any] = {"mass": f"{draft.between(0.5, 50)} kg", "grade": f"{draft.between(20, 60)} g/t"}
    if draft.sizes:
        ore["sizes"] = _sizes(draft)
        ore["heavies"] = f"{draft.between(0, 20)} %"
    if draft.grains:
        ore["gold"] = {"d50": f"{draft.between(0.02, 0.5)} mm", "d95": f"{draft.between(0.6, 4)} mm", "detach": 0.9}
        if draft.chance():
            ore["gold"]["nuggets"] = {"share": f"{draft.between(0, 60)} %", "d50": f"{draft.between(1, 8)} mm"}
    if draft.chance():
        ore["tilt"] = draft.one_of("0", "0.4 ± 0.2", "-0.3")
    return ore


def _sizes(draft: Draft) -> Any:
    top = draft.between(15, 60)
    kind = draft.one_of("gates", "rosin", "table", "graded")
    if kind == "gates":
        return {"p80": f"{0.6 * top:.3f} mm", "slope": draft.between(0.4, 1.2)}
    if kind == "rosin":
        return {
            "law": "rosin_rammler",
            "x63": f"{0.4 * top:.3f} mm",
            "slope": draft.between(0.5, 1.2),
            "top": f"{top} mm",
        }
    passing = sorted((draft.between(5, 95) for _ in range(3)), reverse=True)
    rows: list[dict[str, Any]] = [{"sieve": f"{top} mm", "passing": "100 %"}]
    for size, share in zip(("12 mm", "3 mm", "0.5 mm"), passing, strict=True):
        rows.append({"sieve": size, "passing": f"{share} %"})
    if kind == "graded":
        # Lower than the ore's own grade, so that the rest is never less than nothing.
        rows[draft.one_of(1, 2, 3)]["grade"] = f"{draft.between(1, 20)} g/t"
    return rows


def _add_step(draft: Draft, name: str) -> None:
    take = draft.draw(st.lists(st.sampled_from(draft.open), min_size=1, max_size=min(3, len(draft.open)), unique=True))
    kind = draft.one_of(*KINDS)
    outlets = list(PORTS[kind] or ("a", "b", "c")[: draft.one_of(2, 2, 3)])
    step: dict[str, Any] = {"do": kind, "takes": take, **_knobs(draft, kind)}
    if "held_up" in kinds()[kind].model_fields and draft.chance():
        step["held_up"] = f"{draft.between(0.1, 5)} %"
        if draft.chance():
            outlets.append("held_up")
    gives = {outlet: f"{outlet} of {name}" for outlet in outlets}
    step["gives"] = gives
    _add_factors(draft, step, kind, outlets)
    if draft.chance():
        step["slack"] = draft.one_of(0.3, "0", {"rock": 0}, {"rock": "0", "gold": 0.0})
    draft.steps[name] = step
    draft.open = [stream for stream in draft.open if stream not in take] + list(gives.values())


def _knobs(draft: Draft, kind: str) -> dict[str, Any]:
    if kind == "screen" and draft.sizes:
        found = {"opening": draft.one_of(*OPENINGS)}
        if draft.chance():
            found |= {"presentations": draft.one_of("3", "40", "1000")}
        elif not draft.linear and draft.chance():
            found |= {"efficiency": f"{draft.between(20, 99)} %"}
        return found
    if kind == "sort":
        return draft.one_of({}, {"sees": "1 mm", "care": 0.5}, {"cluster": 3})
    if kind == "jaw_crush" and draft.sizes:
        return {"setting": draft.one_of("20 mm", "6 mm", "2 mm")}
    if kind == "pulverize" and draft.sizes:
        if not draft.linear and draft.chance():
            return {"to": {"p80": draft.one_of("3 mm", "0.5 mm")}}
        return {"gap": draft.one_of("2 mm", "0.4 mm"), "passes": draft.one_of(1, 3)}
    if "pull" in kinds()[kind].model_fields:
        if not draft.linear and draft.chance():
            return {"pull": f"{draft.between(10, 3000)} g"}
        return draft.one_of({}, {"passes": 2}, {"light": "10 %", "heavies": "80 %"})
    if kind == "saw":
        return {"kerf": "2 mm", "slab": "10 mm"}
    return {}


def _add_factors(draft: Draft, step: dict[str, Any], kind: str, outlets: list[str]) -> None:
    """Give the step the factors that it cannot do without, and now and then some that it could."""
    unknown = {need for need, known in (("sizes", draft.sizes), ("grains", draft.grains)) if not known}
    blind = bool(unknown & {*kinds()[kind].solids_need})
    needs_split = "split" in kinds()[kind].solids_need or blind
    needs_gold = blind or bool(unknown & {*kinds()[kind].gold_need})
    # What is looked over depends on how rich it is, unless both shares are given.
    both = kind == "sort" and draft.linear
    if needs_split or both or (draft.chance() and draft.chance()):
        step["split"] = _shares(draft, outlets, forms=False)
    if needs_gold or both or (draft.chance() and draft.chance()):
        step["recovery"] = _shares(draft, outlets, forms=draft.grains)


def _shares(draft: Draft, outlets: list[str], *, forms: bool) -> dict[str, Any]:
    """Give all outlets but one a share; what they make together stays under one."""
    named = outlets[:-1] or outlets
    if named == outlets:
        return {outlets[0]: "100 %"}
    most = 96 / len(named)

    def share() -> str:
        return f"{draft.between(2, most)} %"

    def by_size() -> Any:
        if not draft.sizes or draft.chance():
            return share()
        cut = draft.one_of(*CUTS)
        if draft.chance():
            return {f"+{cut}": share(), f"-{cut}": share()}
        return {"+15 mm": share(), f"15 mm to {cut}": share(), f"-{cut}": share()}

    if forms and draft.chance():
        return {outlet: {"free": by_size(), "locked": by_size()} for outlet in named}
    return {outlet: by_size() for outlet in named}


def _lead_back(draft: Draft) -> None:
    """Let a step take a stream that left the sheet, where rock can still leave from everywhere."""
    if len(draft.open) < 2:
        return
    stream, name = draft.one_of(*draft.open), draft.one_of(*draft.steps)
    draft.steps[name]["takes"].append(stream)
    draft.open.remove(stream)
    if not _all_can_leave(draft):
        draft.steps[name]["takes"].remove(stream)
        draft.open.append(stream)


def _all_can_leave(draft: Draft) -> bool:
    takers = {stream: name for name, step in draft.steps.items() for stream in step["takes"]}
    leaves: set[str] = set()
    while True:
        more = {
            name
            for name, step in draft.steps.items()
            if any(takers.get(stream) is None or takers[stream] in leaves for stream in step["gives"].values())
        }
        if more == leaves:
            return len(leaves) == len(draft.steps)
        leaves = more


# ── sheets that differ from one another in what must make no difference ─────────────────────────────────────


def shuffled(text: str, seed: int) -> str:
    """Return the sheet with its steps, its ores and what each step takes in another order."""
    sheet, rng = yaml.safe_load(text), random.Random(seed)
    for block in ("ores", "steps"):
        names = list(sheet[block])
        rng.shuffle(names)
        sheet[block] = {name: sheet[block][name] for name in names}
    for step in sheet["steps"].values():
        rng.shuffle(step["takes"])
    return as_text(sheet)


def heavier(text: str, times: int) -> str:
    """Return the sheet with all its ores ``times`` as heavy."""
    sheet = yaml.safe_load(text)
    for ore in sheet["ores"].values():
        ore["mass"] = f"{times * float(ore['mass'].split()[0])!r} kg"
    return as_text(sheet)


def parted_and_joined(text: str, pick: int) -> tuple[str, str]:
    """Return the sheet with one stream split and joined again on its way, and the name of that stream."""
    sheet = yaml.safe_load(text)
    taken = [(name, stream) for name, step in sheet["steps"].items() for stream in step["takes"]]
    name, stream = taken[pick % len(taken)]
    takes = sheet["steps"][name]["takes"]
    takes.remove(stream)
    takes += ["one part", "other part"]
    sheet["steps"]["riffle"] = {
        "do": "split", "takes": [stream], "gives": {"a": "one part", "b": "other part"}, "split": {"a": "37 %"},
    }  # fmt: skip
    return as_text(sheet), stream


def doubtful(text: str) -> str:
    """Return the sheet with doubt about the mass and the grade of each ore."""
    sheet = yaml.safe_load(text)
    for ore in sheet["ores"].values():
        for what in ("mass", "grade"):
            value, unit = ore[what].split()
            ore[what] = f"{value} {unit} ± {float(value) / 20:.6f} {unit}"
    return as_text(sheet)
