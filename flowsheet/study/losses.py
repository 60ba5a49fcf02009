"""Where is gold lost, and why? Every stream that is not kept, ranked, and what loops have caught."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.solve.propagate import Solution

REASONS = ("too_fine", "locked", "not_seen", "soaked_up", "caught", "other")


@dataclass(frozen=True)
class Loss:
    """Gold that leaves for good by one stream; ``share`` is of all gold fed, ``why`` are shares of this loss."""

    stream: str
    gold_g: float
    share: float
    why: dict[str, float]


def losses(solution: Solution) -> list[Loss]:
    """Return the losses of a plain solve, largest first."""
    sheet = solution.model.sheet
    found = [_caught(solution, c.stream, float(c.material.gold)) for c in solution.caught if float(c.material.gold) > 0]
    for stream in sheet.ends:
        if stream not in sheet.keep and stream not in sheet.ores:
            found.append(_end(solution, stream))
    return sorted(found, key=lambda loss: -loss.gold_g)


def _caught(solution: Solution, stream: str, gold: float) -> Loss:
    return _loss(solution, stream, gold, {"caught": gold})


def _end(solution: Solution, stream: str) -> Loss:
    sheet = solution.model.sheet
    maker = sheet.makers[stream]
    step = solution.model.step(maker)
    outlet = next(o for o, s in step.outlets.items() if s == stream)
    material = solution.streams[stream]
    why = step.lost(outlet, material, solution.inputs.values[maker], solution.inputs.site)
    return _loss(solution, stream, float(material.gold), why)


def _loss(solution: Solution, stream: str, gold: float, why: dict[str, float]) -> Loss:
    fed = float(solution.fed_gold)
    shares = {reason: (why.get(reason, 0.0) / gold if gold > 0 else 0.0) for reason in REASONS}
    return Loss(stream, 1e3 * gold, gold / fed if fed > 0 else 0.0, shares)
