"""A sheet looked over, in lines."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.study.run.overview import Overview


def lines(found: Overview) -> Iterator[str]:
    """Say how much there is of everything, each loop, and where the rock ends."""
    sizes = f"{found.classes} size classes" if found.classes else "one size class (the ore gives no sizes)"
    yield f"{found.file}: right. {found.steps} steps, {found.streams} streams, {sizes}."
    yield from (f"Loop: {' → '.join([*loop, loop[0]])}." for loop in found.loops)
    ends = ((found.kept, "kept"), (found.not_kept, "not kept"))
    yield "Ends: " + "; ".join(f"{', '.join(names)} ({what})" for names, what in ends if names) + "."
