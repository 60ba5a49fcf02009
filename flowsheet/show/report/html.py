"""A report as one HTML file that asks for nothing outside itself."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from flowsheet.show import markup
from flowsheet.show.content import Picture
from flowsheet.show.report import svg
from flowsheet.show.report.parts import CAPTIONS, SHEET, Report
from flowsheet.show.tables import Grid

if TYPE_CHECKING:
    from jinja2 import Template

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
FLOW = "flow"
"""Name of the drawn flowsheet among the pictures."""
DRAWN = 0.65
"""The drawing's own size is for paper at 110 dots an inch: this part of it has text as large as the page's."""
PLOTTED = 1.2
"""Plots are made for narrow pages: so many times their own size they are seen on wide ones."""


def html(report: Report) -> str:
    """Return the page; every name from the sheet is text, whatever it holds."""
    from markupsafe import Markup

    style = f"{markup.theme()}\n{_own('report.css')}"
    return _template().render(
        report=report, style=Markup(style), policy=Markup(POLICY), captions=CAPTIONS, sheet=SHEET, flow=FLOW
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    def plain(value: object) -> Markup:
        return Markup(markup.text(value))

    def table(grid: Grid, caption: bool) -> Markup:
        return Markup(markup.table(grid, caption))

    def right(one: Picture) -> bool:
        return one.name == FLOW and svg.begins_right(svg.bare(one.svg))

    def drawn(one: Picture, prefix: str) -> Markup:
        return Markup(picture(one, prefix))

    rooms = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    rooms.filters.update(plain=plain, table=table, picture=drawn, wide=lambda one: round(wide(one)), right=right)
    return rooms.from_string(_own("report.html.j2"))


def picture(one: Picture, prefix: str) -> str:
    """Return a picture as an inline SVG with its words, themed by the page; its ids begin with ``prefix``."""
    made = svg.own_ids(svg.bare(one.svg), prefix)
    return svg.told(made, one.alt, FLOW if one.name == FLOW else "plot")


def wide(one: Picture) -> float:
    """Return how wide (CSS pixels) a picture is to be seen where there is room."""
    shown = svg.box(svg.bare(one.svg))[0]
    return shown * (DRAWN if one.name == FLOW else PLOTTED)


def _own(name: str) -> str:
    return files("flowsheet.show.report").joinpath(name).read_text(encoding="utf-8")
