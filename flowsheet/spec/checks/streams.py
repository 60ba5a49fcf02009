"""Streams: each is given once, taken once at most, and where it is named it is there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.checks.draft import Draft, missing_ports
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, did_you_mean, meant_by, nearest
from flowsheet.spec.yaml.marked_document import Path_


def streams_exist(draft: Draft) -> Iterator[Mistake]:
    """Every stream that is taken comes from somewhere."""
    stray = set(draft.strays) - draft.forgiven
    for step, stream, path in draft.takes():
        if stream in stray:
            own = draft.given_by.get(step, set())
            known = [s for s in draft.streams if s not in own] or draft.streams
            yield draft.document.mistake(
                path, *_unknown(stream, "takes", known, "streams", draft), stream, code="stream_unknown"
            )


def _unknown(stream: str, field: str, known: list[str], noun: str, draft: Draft) -> tuple[str, str]:
    """Return what is wrong with a stream that no step gives, and the remedy: a slip, or several without brackets."""
    parts = [part.strip() for part in stream.split(",")]
    there = [part for part in parts if part in draft.streams]
    if len(parts) > 1 and 2 * len(there) >= len(parts):
        return "several names stand here without brackets", f"Write {field}: [{', '.join(parts)}]"
    return "no step gives this stream", did_you_mean(stream, known, noun)


def streams_given_once(draft: Draft) -> Iterator[Mistake]:
    """A stream comes from one step only."""
    first: dict[str, str] = {}
    for step, _, stream, path in draft.gives():
        if stream in draft.ores:
            yield draft.document.mistake(
                path,
                "this is the name of an ore",
                "Give the stream a name of its own",
                stream,
                code="stream_named_as_ore",
            )
        elif stream in first:
            both = f"{stream}, {stream} 2"
            yield draft.document.mistake(
                path,
                f'the stream is given twice, first by "{first[stream]}"',
                f'Give it another name, as "{stream} 2"; the next step may take both: takes: [{both}]',
                stream,
                code="stream_given_twice",
            )
        else:
            first[stream] = step


def unnamed_outlets_are_new(draft: Draft) -> Iterator[Mistake]:
    """An outlet that a step opens by itself takes no name that the sheet has given away."""
    known = set(draft.streams)
    for name, step in draft.steps.items():
        given = draft.given_by.get(name, set())
        for outlet, stream in step.outlets.items() if step is not None else ():
            if stream in known and stream not in given:
                yield draft.document.mistake(
                    ("steps", name, outlet),
                    f'what it holds back would be the stream "{stream}", and there is one already',
                    f"Name the outlet: gives: {{product: …, {outlet}: …}}",
                    code="outlet_unnamed",
                )


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
                code="stream_taken_twice",
            )
        else:
            first[stream] = step


def names_are_there(draft: Draft) -> Iterator[Mistake]:
    """A stream has a name to be called by, and a step takes something."""
    for _, _, stream, path in draft.gives():
        if not stream.strip():
            yield draft.document.mistake(path, "this stream has no name", "Name it", code="name_empty")
    for name, step in draft.steps.items():
        if step is not None and not step.takes:
            yield draft.document.mistake(
                ("steps", name, "takes"),
                "the step takes nothing",
                "Name the stream that goes in",
                code="step_takes_nothing",
            )


def ores_are_used(draft: Draft) -> Iterator[Mistake]:
    """An ore goes into a step."""
    both = "ore" in draft.document.data and "ores" in draft.document.data
    if both or not all(draft.takes_readable(name) for name in draft.steps):
        return
    taken = {stream for _, stream, _ in draft.takes()}
    # A stray may well be meant to be the ore; then one mistake is enough.
    stray = [stream for stream in draft.strays if stream in taken and stream not in draft.forgiven]
    unused = [name for name in draft.ores if name not in taken and nearest(name, stray) is None]
    others = [stream for stream in stray if nearest(stream, draft.streams) is None]
    for name in unused[len(others) :] if draft.steps else ():
        where = draft.ore_path(name)
        yield draft.document.block_mistake(
            where, "no step takes this ore", f"Let a step say takes: {name}", code="ore_not_used"
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
                    path,
                    f"{step.kind} has {len(needed)} outlets",
                    "Write gives: " + _outlets(needed),
                    code="outlets_wanted",
                )
            continue
        if not step.gives:
            remedy = f"Write gives: {_outlets(needed or ['outlet'])}"
            yield draft.document.mistake(path, "the step gives nothing", remedy, code="step_gives_nothing")
            continue
        known = [p.name for p in step.ports]
        for port in step.gives:
            if known and port not in known:
                like = outlet_meant(port, known, step)
                yield draft.document.name_mistake(
                    (*path, port), f"{step.kind} has no such outlet", like, code="outlet_unknown"
                )
        for port in missing_ports(step):
            lost = [stream for stream in draft.strays if stream in draft.forgiven]
            stream = f"{port}: {lost[0]}" if len(lost) == 1 else f"{port}: and a name for that stream"
            yield draft.document.mistake(
                path, f'the outlet "{port}" goes nowhere', f"Add {stream}", code="outlet_missing"
            )


def outlet_meant(name: str, known: list[str], step: StepBlock) -> str:
    """Return the remedy for an outlet that is none of the ``known`` of a step: misspelt, or called otherwise."""
    if nearest(name, known, VERY_ALIKE) is None:
        meant = meant_by(name, {port: step.port(port).also for port in known})
        if meant:
            return "Did you mean " + " or ".join(f'"{port}"' for port in meant) + "?"
    return did_you_mean(name, known, "outlets of this step")


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
                path, *_unknown(stream, "keep", ends, "last streams", draft), stream, code="stream_unknown"
            )
        elif stream in takers and stream not in draft.strays:
            yield draft.document.mistake(
                path,
                f'"{takers[stream]}" takes this stream on',
                "Keep a stream that no step takes: " + ", ".join(ends[:12]),
                stream,
                code="kept_stream_taken",
            )
        if count > 1:
            yield draft.document.mistake(path, "kept twice", "Name it once", stream, code="kept_twice")
