"""Where a stream comes from, as far as its weight needs it: its loop, the one stream that it is made of, a furnace."""

from __future__ import annotations

from collections.abc import Mapping

from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.checks.flow import next_steps, reached


def looped(draft: Draft) -> set[str]:
    """Return the streams that go round: the step that takes one leads back to the step that gives it."""
    nexts = next_steps(draft)
    takers = {stream: step for step, stream, _ in draft.takes()}
    found = set()
    for step, _, stream, _ in draft.gives():
        if stream in takers and takers[stream] in nexts and step in reached(nexts, {takers[stream]}):
            found.add(stream)
    return found


def feed_of(draft: Draft, stream: str) -> tuple[str | None, bool]:
    """Return the one stream that a stream is made of (None: several), and whether other things are added to it.

    A furnace adds flux and lead, so what leaves it beside the metal may weigh more than what went in.
    """
    giver = next((step for step, _, given, _ in draft.gives() if given == stream), None)
    if giver is None:
        return None, False
    step = draft.steps.get(giver)
    taken = [source for taker, source, _ in draft.takes() if taker == giver]
    port = next((outlet for outlet, name in step.outlets.items() if name == stream), "") if step is not None else ""
    melts = step is not None and step.melts
    rock = melts and step is not None and not step.port(port).metal
    # A button may hold lead, so it is not measured against the concentrate that it is made of.
    return (taken[0] if len(taken) == 1 and not melts else None), rock


def fired(steps: Mapping[str, StepBlock]) -> set[str]:
    """Return the streams that leave fire as glass or ash: flux, lead and cupel weigh in them, gases are gone.

    Not those of a step that tells what it adds: of these it is known what they weigh.
    """
    return {
        stream
        for step in steps.values()
        if step.melts and step.added is None
        for outlet, stream in step.outlets.items()
        if not step.port(outlet).metal
    }


def metals(steps: Mapping[str, StepBlock]) -> set[str]:
    """Return the streams that are metal: a bead or button, and whatever is parted from metal alone."""
    found: set[str] = set()
    for _ in steps:
        before = len(found)
        for step in steps.values():
            for outlet, stream in step.outlets.items():
                if step.port(outlet).metal or all(s in found for s in step.takes):
                    found.add(stream)
        if len(found) == before:
            break
    return found
