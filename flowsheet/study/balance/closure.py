"""Does it close so far? What went into each step against what came out, as far as it is weighed.

Where a stream between two steps was not weighed, the two are taken together, so that each balance goes round the
fewest steps of which all crossing streams are known. No model and no adjustment enters: sums of what was weighed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from flowsheet.solve.balance import metal_streams
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS, PICKED, Measurement, measurement, picked_from
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.study.balance.problem import fineness

ALLOWED = 2.0
"""Standard deviations of the gap that chance may make: 95 in 100 stay within (JCGM 100:2008, G.6.6)."""


@dataclass(frozen=True)
class StreamAmount:
    """The mass or the gold of one stream, in kg, with its standard deviation."""

    stream: str
    amount: float
    #: Of gold that is told by the weight of metal, without the doubt of the fineness.
    sd: float
    #: What was measured to know it: "mass", "gold", "bead", "picked metal", or "mass and grade".
    told_by: str
    #: Whether a doubt is an assumption of the tool.
    assumed: bool = False
    #: Whether its mass is the sheet's, and the test did not weigh it (an ore's).
    from_sheet: bool = False
    #: Whether it was weighed as metal, gold and silver together.
    is_metal: bool = False


@dataclass(frozen=True)
class Closing:
    """One balance: of a step, of steps between which something is not weighed, or of the whole test."""

    #: MASS or GOLD.
    what: str
    #: In the order of the sheet.
    steps: tuple[str, ...]
    #: Whether it goes round the whole sheet (for mass: all that is not melted).
    whole: bool
    into: tuple[StreamAmount, ...]
    out: tuple[StreamAmount, ...]
    #: Streams that cross it and are not known: weigh these to close it. Empty: it closes, well or badly.
    missing: tuple[str, ...]
    #: Streams between its steps that are not known: weigh these to tell the steps apart.
    inside: tuple[str, ...]
    #: Standard deviation of the gap, kg.
    sd: float

    @property
    def closed(self) -> bool:
        """Whether all that crosses it is known."""
        return not self.missing

    @property
    def came_in(self) -> float:
        """What is known to have gone in."""
        return sum(known.amount for known in self.into)

    @property
    def came_out(self) -> float:
        """What is known to have come out."""
        return sum(known.amount for known in self.out)

    @property
    def gap(self) -> float:
        """What went in less what came out: above zero, something is missing. Means nothing unless ``closed``."""
        return self.came_in - self.came_out

    @property
    def share(self) -> float | None:
        """The gap over what went in, None where nothing did."""
        return self.gap / self.came_in if self.came_in > 0 else None

    @property
    def allowed(self) -> bool:
        """Whether chance alone makes such a gap."""
        return abs(self.gap) <= ALLOWED * self.sd


def closing(sheet: Sheet, test: str = "") -> list[Closing]:
    """Return the balances of one test of a sheet: of mass, then of gold; of each, the whole first, then step by step.

    A balance of which nothing is known is left out, and so is the whole where it is the same as that of a group of
    steps. An ore that the test did not weigh has the sheet's mass, as in ``reconcile``, for its gold too where the test
    tells its grade; the sheet's grade is a guess, and is not used. Fire adds flux and lead, so no mass is balanced over
    a furnace, and metal has no part in that of rock.
    """
    told = {(m.stream, m.what): m for m in sheet.weighed if m.test == test}
    metal, fine = metal_streams(sheet), fineness(sheet)
    rock = {name for name in (*sheet.ores, *sheet.makers) if name not in metal}
    cold = [name for name, step in sheet.steps.items() if not _melts(step) and not rock.isdisjoint(step.takes)]
    masses = {name: found for name in rock if (found := _mass(sheet, told, name)) is not None}
    golds = {
        name: found
        for name in (*sheet.ores, *sheet.makers)
        if (found := _gold(told, name, masses, metal, fine)) is not None
    }
    picked = {}
    for (stream, what), m in told.items():
        if what == PICKED:
            name, maker = picked_from(stream), sheet.makers.get(stream)
            golds[name] = StreamAmount(name, fine[0] * m.value, fine[0] * m.sd, m.label, m.assumed, is_metal=True)
            # Out of an ore it is taken before the step that takes the ore.
            picked[name] = maker if maker is not None else sheet.takers.get(stream)
    return [
        *_balances(MASS, sheet, cold, rock, masses, 0.0, {}),
        *_balances(GOLD, sheet, list(sheet.steps), rock | metal, golds, fine[1] / fine[0], picked),
    ]


def _melts(step: StepBlock) -> bool:
    """Whether a step melts what it takes: a mill may hold gold back, but fire always gives metal."""
    return any(port.metal and not port.optional for port in step.ports)


def _mass(sheet: Sheet, told: Mapping[tuple[str, str], Measurement], stream: str) -> StreamAmount | None:
    found = told.get((stream, MASS))
    if found is not None:
        return StreamAmount(stream, found.value, found.sd, MASS, found.assumed)
    if stream not in sheet.ores:
        return None
    found = measurement(stream, MASS, sheet.ores[stream].mass)
    return StreamAmount(stream, found.value, found.sd, MASS, found.assumed, from_sheet=True)


def _gold(
    told: Mapping[tuple[str, str], Measurement],
    stream: str,
    masses: Mapping[str, StreamAmount],
    metal: set[str],
    fine: tuple[float, float],
) -> StreamAmount | None:
    """Return the gold of a stream by the way that tells it best, None where none does."""
    ways = []
    mass, grade = masses.get(stream), told.get((stream, GRADE))
    if (found := told.get((stream, GOLD))) is not None:
        ways.append(StreamAmount(stream, found.value, found.sd, GOLD, found.assumed))
    weighed = [told.get((stream, BEAD)), told.get((stream, MASS)) if stream in metal else None]
    for found in weighed:
        if found is not None:
            ways.append(
                StreamAmount(
                    stream, fine[0] * found.value, fine[0] * found.sd, found.what, found.assumed, is_metal=True
                )
            )
    if mass is not None and grade is not None and stream not in metal:
        sd = math.hypot(mass.amount * grade.sd, grade.value * mass.sd)
        assumed = mass.assumed or grade.assumed
        ways.append(StreamAmount(stream, mass.amount * grade.value, sd, "mass and grade", assumed, mass.from_sheet))
    return min(ways, key=lambda way: math.hypot(way.sd, way.amount * way.is_metal * fine[1] / fine[0]), default=None)


def _balances(
    what: str,
    sheet: Sheet,
    steps: list[str],
    streams: set[str],
    known: Mapping[str, StreamAmount],
    shared: float,
    picked: Mapping[str, str | None],
) -> list[Closing]:
    """Return the balances of one kind; ``shared`` is the relative doubt that the gold of all metal has in common.

    ``picked``: what was picked by hand → the step that it came from.
    """
    makers, takers = sheet.makers, sheet.takers
    # A stream that is fed, ends, or comes from or goes to a furnace has but one of these steps, or none.
    ends = {name: (makers.get(name), takers.get(name)) for name in (*sheet.ores, *makers) if name in streams}
    ends |= {name: (step, None) for name, step in picked.items()}
    group = {name: name for name in steps}
    for name, (maker, taker) in ends.items():
        if name not in known and maker in group and taker in group:
            joined, other = group[maker], group[taker]
            group = {step: joined if of == other else of for step, of in group.items()}
    groups = [tuple(step for step in steps if group[step] == of) for of in dict.fromkeys(group.values())]
    if len(groups) > 1:
        groups.insert(0, tuple(steps))
    found = [_round(what, inner, ends, known, shared, inner == tuple(steps)) for inner in groups]
    return [balance for balance in found if balance.into or balance.out]


def _round(
    what: str,
    steps: tuple[str, ...],
    ends: Mapping[str, tuple[str | None, str | None]],
    known: Mapping[str, StreamAmount],
    shared: float,
    whole: bool,
) -> Closing:
    """Return the balance round some steps."""
    into = [name for name, (maker, taker) in ends.items() if taker in steps and maker not in steps]
    out = [name for name, (maker, taker) in ends.items() if maker in steps and taker not in steps]
    within = [name for name, (maker, taker) in ends.items() if maker in steps and taker in steps]
    came, went = [known[name] for name in into if name in known], [known[name] for name in out if name in known]
    # All metal is as fine as the other: what its fineness is off by cancels between what goes in and what comes out.
    metal = sum(k.amount for k in came if k.is_metal) - sum(k.amount for k in went if k.is_metal)
    return Closing(
        what=what,
        steps=steps,
        whole=whole,
        into=tuple(came),
        out=tuple(went),
        missing=tuple(name for name in (*into, *out) if name not in known),
        inside=tuple(name for name in within if name not in known),
        sd=math.sqrt(sum(k.sd**2 for k in (*came, *went)) + (shared * metal) ** 2),
    )
