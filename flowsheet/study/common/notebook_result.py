"""Results that say themselves on a line, and show themselves in a notebook."""

from __future__ import annotations

from flowsheet.spec.text.brief import one_line
from flowsheet.spec.text.renderers import rendered


class Shown:
    """A result that a notebook shows as a page, or as a picture; on one line where no renderer is installed."""

    def __repr__(self) -> str:
        return one_line(*self._headline())

    def _headline(self) -> tuple[str, str]:
        """Return what the result is, and two or three of its numbers in the miner's units."""
        return type(self).__name__, ""

    def _repr_html_(self) -> str | None:
        return rendered("html", self)

    def _repr_svg_(self) -> str | None:
        return rendered("svg", self)
