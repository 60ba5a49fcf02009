"""A report as one HTML file that asks for nothing outside itself."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from flowsheet.show.graphics import svg
from flowsheet.show.report.parts import CAPTIONS, SHEET, Report
from flowsheet.show.report.placing import FLOW, narrowest, placed, wide
from flowsheet.show.text import markup
from flowsheet.show.text.content import Picture
from flowsheet.show.text.tables import Grid

if TYPE_CHECKING:
    from jinja2 import Template

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
BESIDE = 32
"""CSS pixels of a narrow page beside its column."""


def html(report: Report) -> str:
    """Return the page; every name from the sheet is text, whatever it holds."""
    from markupsafe import Markup

    style = f"{markup.theme()}\n{_own('report.css')}{_pushed(report)}"
    return _template().render(
        report=report, style=Markup(style), policy=Markup(POLICY), captions=CAPTIONS, sheet=SHEET, flow=FLOW
    )


def _pushed(report: Report) -> str:
    """Return the rule that shows, on screens too narrow for the drawing, that it can be pushed."""
    drawn = (one for section in report.sections for one in section.pictures if one.name == FLOW)
    wide = max((round(narrowest(one)) for one in drawn), default=0)
    return f"@media screen and (max-width: {wide + BESIDE}px) {{ .push {{ display: block; }} }}\n"


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    def plain(value: object) -> Markup:
        return Markup(markup.text(value))

    def as_written(value: object) -> Markup:
        return Markup(markup.as_written(value))

    def table(grid: Grid, caption: bool) -> Markup:
        return Markup(markup.table(grid, caption))

    def right(one: Picture) -> bool:
        return one.name == FLOW and svg.begins_right(svg.bare(one.svg))

    def drawn(one: Picture, prefix: str) -> Markup:
        return Markup(picture(one, prefix))

    rooms = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    rooms.filters.update(plain=plain, as_written=as_written, table=table, picture=drawn, right=right)
    # The narrower of the papers leaves the drawing less height.
    rooms.filters.update(wide=lambda one: round(wide(one)), on_paper=lambda one: round(placed(one, "us-letter")[0]))
    return rooms.from_string(_own("report.html.j2"))


def picture(one: Picture, prefix: str) -> str:
    """Return a picture as an inline SVG with its words, themed by the page; its ids begin with ``prefix``."""
    made = svg.own_ids(svg.bare(one.svg), prefix)
    return svg.told(made, one.alt, FLOW if one.name == FLOW else "plot")


def _own(name: str) -> str:
    return files("flowsheet.show.report").joinpath(name).read_text(encoding="utf-8")
