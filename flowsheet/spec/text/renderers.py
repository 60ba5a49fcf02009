"""What a thing shows of itself in a notebook: drawn by renderers that the program's own packaging names."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

GROUP = "flowsheet.shown"
"""Entry points that show a thing: ``html`` and ``svg``. The rooms of what is shown must not know the one that draws."""


def rendered(kind: str, thing: object) -> str | None:
    """Return a thing as ``html`` or ``svg``; None where no renderer is installed, or none knows it."""
    render = renderer(kind)
    return None if render is None else render(thing)


@cache
def renderer(kind: str) -> Callable[[Any], str | None] | None:
    """Return what renders as ``kind``; None where nothing does."""
    from importlib.metadata import entry_points

    for point in entry_points(group=GROUP, name=kind):
        loaded: Callable[[Any], str | None] = point.load()
        return loaded
    return None
