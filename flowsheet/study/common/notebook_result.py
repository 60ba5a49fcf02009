"""Results that show themselves in a notebook, by renderers that the program's own packaging names."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

from flowsheet.spec.text.brief import one_line

GROUP = "flowsheet.shown"
"""Entry points that show a result: ``html`` and ``svg``. This room must not know the one that draws."""


class Shown:
    """A result that a notebook shows as a page, or as a picture; on one line where no renderer is installed."""

    def __repr__(self) -> str:
        return one_line(*self._headline())

    def _headline(self) -> tuple[str, str]:
        """Return what the result is, and two or three of its numbers in the miner's units."""
        return type(self).__name__, ""

    def _repr_html_(self) -> str | None:
        return _rendered("html", self)

    def _repr_svg_(self) -> str | None:
        return _rendered("svg", self)


def _rendered(kind: str, result: object) -> str | None:
    render = _renderer(kind)
    return None if render is None else render(result)


@cache
def _renderer(kind: str) -> Callable[[Any], str | None] | None:
    from importlib.metadata import entry_points

    for point in entry_points(group=GROUP, name=kind):
        loaded: Callable[[Any], str | None] = point.load()
        return loaded
    return None
