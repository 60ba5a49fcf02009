"""Where is gold lost, and why? Every stream that is not kept, ranked, and what loops have caught."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.ore.material import Material
from flowsheet.solve.propagate import Solution
from flowsheet.steps.base import Port
from flowsheet.study.common.units_out import Names, grams, in_units

REASONS = ("too_fine", "locked", "not_seen", "soaked_up", "caught", "other")

MOST_ROUNDS = 100
"""How often the search for reasons goes round a loop that only parts and washes."""
NO_MORE = 1e-15
"""Of a stream's gold, less than rounding leaves: so little still going round is not followed."""


LOSS: Names = {"gold": ("gold_g", grams)}
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Loss:
    """Gold (kg) that leaves for good by one stream; ``share`` is of all gold fed, ``why`` are shares of this loss."""

    stream: str
    gold: float
    share: float
    why: dict[str, float]
    #: The part of ``why["other"]`` that is lost only because no step takes the stream.
    unused: float

    @property
    def reasons(self) -> dict[str, float]:
        """``why`` with what no step takes told apart from other reasons."""
        return {**self.why, "unused": self.unused, "other": self.why["other"] - self.unused}

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, LOSS)


def losses(solution: Solution) -> list[Loss]:
    """Return the losses of a plain solve, largest first."""
    sheet = solution.model.sheet
    found = [_caught(solution, c.stream, float(c.material.gold)) for c in solution.caught if float(c.material.gold) > 0]
    for stream in sheet.ends:
        if stream not in sheet.keep and stream not in sheet.ores:
            found.append(_end(solution, stream))
    return sorted(found, key=lambda loss: -loss.gold)


def _caught(solution: Solution, stream: str, gold: float) -> Loss:
    return _loss(solution, stream, gold, {"caught": gold})


def _end(solution: Solution, stream: str) -> Loss:
    return _loss(solution, stream, float(solution.streams[stream].gold), _why(solution, stream))


def _why(solution: Solution, stream: str) -> dict[str, float]:
    """Return the gold (kg) of a stream that nothing takes, by why it is lost.

    Where an outlet tells no reason and its step only parts what it takes, the gold is lost for the reasons of what
    went in. Where nothing before tells one either, it is lost because no step takes it; or, where given shares sent it
    there, for other reasons, since they do not say why.
    """
    model = solution.model
    found: dict[str, float] = {}
    # Parts of streams that are not put down to a reason yet, and whether given shares sent them on.
    waiting = {(stream, False): solution.streams[stream]}
    backward = [name for stage in reversed(model.stages) for name in reversed(stage.steps)]
    for _ in range(MOST_ROUNDS):
        for name in backward:
            for by_shares in (False, True):
                for outlet, given in model.outlets[name].items():
                    if (part := waiting.pop((given, by_shares), None)) is not None:
                        _put_down(solution, name, outlet, part, by_shares, found, waiting)
        going = sum(float(part.gold) for (given, _), part in waiting.items() if given not in model.sheet.ores)
        if going <= NO_MORE * float(solution.streams[stream].gold):  # nothing (more) comes round a loop
            break
    # What is left came straight from an ore.
    for (_, by_shares), part in waiting.items():
        _add(found, {"other" if by_shares else "unused": float(part.gold)})
    return found


def _put_down(
    solution: Solution,
    name: str,
    outlet: str,
    part: Material,
    by_shares: bool,
    found: dict[str, float],
    waiting: dict[tuple[str, bool], Material],
) -> None:
    """Put a part of what an outlet gives down to its reasons, or let it wait for those of what the step takes."""
    step = solution.model.step(name)
    if _tells(step.port(outlet)):
        _add(found, step.lost(outlet, part, solution.inputs.values[name], solution.inputs.site))
    elif not step.parts_alike:
        _add(found, {"other" if by_shares else "unused": float(part.gold)})
    else:
        for source in step.takes:
            came = _from(part, solution.streams[source], solution.feeds[name])
            key = (source, by_shares or step.shares_given)
            waiting[key] = waiting[key] + came if key in waiting else came


def _tells(port: Port) -> bool:
    """Whether gold that leaves by an outlet for good has a reason there."""
    return port.optional or not port.free_lost == port.locked_lost == "other"


def _add(total: dict[str, float], more: dict[str, float]) -> None:
    for reason, gold in more.items():
        total[reason] = total.get(reason, 0.0) + gold


def _from(material: Material, source: Material, feed: Material) -> Material:
    """Return what of ``material``, a part of ``feed`` that was parted class by class, came with ``source``."""

    def part(mine: Array, given: Array, whole: Array) -> Array:
        return np.asarray(mine * np.divide(given, whole, out=np.zeros_like(whole), where=whole > 0))

    return Material(
        part(material.light, source.light, feed.light),
        part(material.heavy, source.heavy, feed.heavy),
        part(material.free, source.free, feed.free),
        part(material.locked, source.locked, feed.locked),
    )


def _loss(solution: Solution, stream: str, gold: float, why: dict[str, float]) -> Loss:
    fed = float(solution.fed_gold)
    unused = why.get("unused", 0.0)
    told = {**why, "other": why.get("other", 0.0) + unused}
    shares = {reason: (told.get(reason, 0.0) / gold if gold > 0 else 0.0) for reason in REASONS}
    return Loss(stream, gold, gold / fed if fed > 0 else 0.0, shares, unused / gold if gold > 0 else 0.0)
