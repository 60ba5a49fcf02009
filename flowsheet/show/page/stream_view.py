"""One stream by size: a table with a bar in each cell, drawn as an SVG rectangle, so that no style is needed."""

from __future__ import annotations

from dataclasses import dataclass

from flowsheet.show.text.figures import gold, grade, length, mass, percent, sig
from flowsheet.show.text.tables import FATES
from flowsheet.spec.checks.upstream import metals
from flowsheet.study.common.units_out import milligrams
from flowsheet.study.run.run import Run

FAINT = 1e-3
"""The first and last classes that hold less than this share of everything are left out: nobody looks at such tails."""


@dataclass(frozen=True)
class BarCell:
    """A number, and how full its bar is (0 to 100)."""

    text: str
    full: float


@dataclass(frozen=True)
class StreamView:
    """A stream in a sentence, and by size."""

    name: str
    said: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, tuple[BarCell, ...]], ...]


def stream_view(run: Run, name: str) -> StreamView | None:
    """Return a stream of a run, None where there is no such stream."""
    stream = run.streams.get(name)
    if stream is None:
        return None
    said = (
        f"{mass(stream.mass)} ({percent(stream.mass_share)} of what is fed), {gold(stream.gold)} of gold "
        f"({percent(stream.gold_share)} of it all), {grade(stream.grade)}; {FATES[stream.fate].lower()}."
    )
    model = run.solution.model
    if name in metals(model.sheet.steps):
        return StreamView(name, f"{said} {_metal(run, name)}", (), ())
    if not model.grid.sized:
        return StreamView(name, f"{said} The sheet gives the ore no sizes, so there is no table by size.", (), ())
    known = model.grains_known
    columns = [[row.rock for row in stream.sizes]]
    if known:
        columns += [[row.free for row in stream.sizes], [row.locked for row in stream.sizes]]
    else:
        columns += [[row.gold for row in stream.sizes]]
    heads = ("Rock, kg", "Free gold, mg", "Locked gold, mg") if known else ("Rock, kg", "Gold, mg")
    scales = [1.0, *[milligrams(1.0)] * (len(columns) - 1)]
    wholes = [sum(column) or 1.0 for column in columns]
    tops = [max(column) or 1.0 for column in columns]
    told = [i for i in range(len(stream.sizes)) if any(c[i] > FAINT * w for c, w in zip(columns, wholes, strict=True))]
    rows = []
    for i in range(told[0], told[-1] + 1) if told else ():
        cells = tuple(BarCell(_amount(s * c[i]), round(100 * c[i] / t, 1)) for c, s, t in zip(columns, scales, tops,
                                                                                           strict=True))  # fmt: skip
        rows.append((_class(stream.sizes[i].upper, stream.sizes[i].lower), cells))
    if known:
        said += f" Of its gold {percent(stream.free_share)} is free; locked gold is told by the size of its rock."
    return StreamView(name, said, heads, tuple(rows))


def _metal(run: Run, name: str) -> str:
    """Say why metal has no table by size."""
    sheet = run.solution.model.sheet
    maker = sheet.steps[sheet.makers[name]]
    port = next((maker.port(outlet) for outlet, stream in maker.outlets.items() if stream == name), None)
    if port is not None and port.metal and not port.optional:
        return "It is metal in one piece, so there is no table by size."
    # What a machine holds back, or a cupel drinks up.
    return f"It is metal{f' ({port.what})' if port is not None and port.what else ''}, which has no sizes of rock."


def _class(upper: float | None, lower: float) -> str:
    if lower <= 0:
        return f"under {length(upper)}" if upper else "all"
    return f"{length(lower)} to {length(upper)}" if upper else f"over {length(lower)}"


def _amount(value: float) -> str:
    return "0" if value == 0 else "<0.001" if value < 1e-3 else sig(value)
