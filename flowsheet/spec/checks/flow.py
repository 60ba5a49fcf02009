"""The way of the rock: from an ore to every step, and from every step out of the sheet."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.spec.checks.draft import Draft, amiss, keys
from flowsheet.spec.text.mistakes import Mistake


def steps_are_fed(draft: Draft) -> Iterator[Mistake]:
    """Every step can be reached from an ore. Of steps that hang together, the first is named."""
    taken = {stream for _, stream, _ in draft.takes()}
    if not any(name in taken for name in draft.ores):
        return  # told of the ores
    onward = next_steps(draft)
    strays = set(draft.strays)
    # What is cut off only by a stream or step that is at fault itself is no mistake of its own.
    start = {step for step, stream, _ in draft.takes() if stream in draft.ores or stream in strays}
    start |= {step for step in draft.steps if not draft.takes_readable(step)}
    fed = reached(onward, start)
    unfed = [name for name in onward if name not in fed]
    backward = _backward(onward)
    told: set[str] = set()
    for name in unfed:
        if name in told:
            continue
        behind, before = reached(onward, {name}), reached(backward, {name})
        if before <= behind:
            told |= behind
            yield draft.document.block_mistake(
                ("steps", name),
                "no ore ever reaches this step",
                "Let it take a stream that comes from an ore",
                code="step_not_fed",
            )


def loops_have_a_way_out(draft: Draft) -> Iterator[Mistake]:
    """From every step, rock can leave the sheet."""
    onward = next_steps(draft)
    taken = {stream for _, stream, _ in draft.takes()}
    out = {step for step, _, stream, _ in draft.gives() if stream not in taken}
    # An outlet that is amiss itself may be the way out.
    out |= {name for name, step in draft.steps.items() if not draft.gives_readable(name) or (step and amiss(step))}
    backward = _backward(onward)
    leaves = reached(backward, out)
    stuck = [name for name in onward if name not in leaves and onward[name]]
    while stuck:
        behind, before = reached(onward, {stuck[0]}), reached(backward, {stuck[0]})
        loop = [s for s in stuck if s in behind and s in before]
        if len(loop) > 1 or stuck[0] in onward[stuck[0]]:
            yield draft.document.block_mistake(
                ("steps", loop[0]),
                f"nothing ever leaves the loop {' → '.join([*loop, loop[0]])}",
                "Give one of its steps an outlet that leads out of the loop",
                code="loop_lets_nothing_out",
            )
        stuck = [s for s in stuck if s not in loop]


def next_steps(draft: Draft) -> dict[str, set[str]]:
    """Return step → the steps that take what it gives."""
    takers: dict[str, set[str]] = {}
    for step, stream, _ in draft.takes():
        takers.setdefault(stream, set()).add(step)
    onward: dict[str, set[str]] = {name: set() for name in keys(draft.document.data.get("steps"))}
    for step, _, stream, _ in draft.gives():
        if stream not in draft.ores:
            onward[step] |= takers.get(stream, set())
    return onward


def _backward(onward: dict[str, set[str]]) -> dict[str, set[str]]:
    backward: dict[str, set[str]] = {name: set() for name in onward}
    for name, nexts in onward.items():
        for following in nexts:
            backward[following].add(name)
    return backward


def reached(onward: dict[str, set[str]], start: set[str]) -> set[str]:
    """Return the steps that can be reached from those of ``start``, which are among them."""
    seen, queue = set(start), list(start)
    while queue:
        for following in onward.get(queue.pop(), ()):
            if following not in seen:
                seen.add(following)
                queue.append(following)
    return seen
