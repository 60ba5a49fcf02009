"""The flowsheet drawn: steps and streams, edge width by gold, kept and lost told apart by shape and text too."""

from __future__ import annotations

import shutil
import subprocess
import sysconfig
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from flowsheet.show.run.told_tables import GUESSED
from flowsheet.show.text.figures import gold, grade, mass, percent
from flowsheet.spec.blocks.measurement import picked_from
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.study.common.streams import Stream
from flowsheet.study.estimate.this_test import SHEET, Held, ThisTest
from flowsheet.study.run.run import Run

if TYPE_CHECKING:
    import graphviz

FONT = "Arimo,Arial,Helvetica,sans-serif"
INK, STONE, EARTH, GILT, ASH, RUST = "#2b2b2b", "#ece7dd", "#8a6d3b", "#f3dd94", "#e4e4e8", "#b4532a"
SMALL_SHEET = 14
"""Sheets with more steps than this are drawn closer together."""

TITLE_WIDTH = 44
"""Characters of a line of the title: the drawing of one step is hardly wider."""

FORMATS = ("svg", "png", "pdf", "dot")


def drawn(run: Run, path: Path) -> bytes:
    """Return the drawing in the format that the ending of ``path`` names. Raises SheetError with the remedy."""
    kind = path.suffix.lstrip(".").lower()
    if kind not in FORMATS:
        raise _cannot(
            path,
            f'"{path.suffix}" is no format known here',
            "End the name in .svg, .png, .pdf or .dot",
            code="picture_format_unknown",
        )
    source = graph(run).source
    if kind == "dot":
        return str(source).encode()
    program = dot_program(kind)
    if program is None:
        message = "a PDF needs the Graphviz program dot on this system, and there is none"
        remedy = "Draw an .svg or .png instead, which need nothing, or install Graphviz"
        raise _cannot(path, message, remedy, code="graphviz_missing")
    return _drawn(program, kind, source)


def svg(run: Run, titled: bool = False) -> str:
    """Return the drawing as an SVG element for a page; streams are elements ``stream0``, ``stream1``…

    The box that ``stream0`` comes in by or ends in is ``box0``…, of the class ``terminal``.
    """
    program = dot_program("svg")
    if program is None:
        raise RuntimeError("the package graphviz-pure is not installed")
    text = _drawn(program, "svg", graph(run, titled).source).decode("utf-8")
    return text[text.index("<svg") :]


def _drawn(program: str, kind: str, source: str) -> bytes:
    done = subprocess.run([program, f"-T{kind}"], input=source.encode(), capture_output=True, check=False, timeout=120)
    if done.returncode or not done.stdout:
        raise RuntimeError(f"{program} failed: {done.stderr.decode(errors='replace')[:300]}")
    return done.stdout


def dot_program(kind: str) -> str | None:
    """Return the program that draws: a dot on PATH first, else the one from the package index (no PDF)."""
    if found := shutil.which("dot"):
        return found
    if kind == "pdf":
        return None
    beside = Path(sysconfig.get_path("scripts"))
    return shutil.which("graphviz-pure", path=str(beside)) or shutil.which("graphviz-pure")


def _cannot(path: Path, message: str, remedy: str, code: str) -> SheetError:
    return SheetError([Mistake(message, remedy, file=str(path), line=0, code=code)])


def graph(run: Run, titled: bool = True) -> graphviz.Digraph:
    """Return the graph: boxes for steps, edges for streams, a shape of its own for each way to end."""
    import graphviz

    sheet = run.solution.model.sheet
    large = len(sheet.steps) > SMALL_SHEET
    drawn = graphviz.Digraph("flowsheet")
    drawn.attr(rankdir="TB", nodesep="0.25" if large else "0.45", ranksep="0.35" if large else "0.5",
               label=_text(f"{_wrapped(sheet.title)}\n{_legend(run)}") if titled else "",
               labelloc="t", fontname=FONT,
               fontsize="16", fontcolor=INK, bgcolor="white", dpi="110")  # fmt: skip
    drawn.attr("node", fontname=FONT, fontsize="11", fontcolor=INK, color=INK, margin="0.14,0.07")
    drawn.attr("edge", fontname=FONT, fontsize="9", fontcolor=INK, color=EARTH, arrowsize="0.7")
    steps = {name: f"step{i}" for i, name in enumerate(sheet.steps)}
    for name, step in sheet.steps.items():
        flux = f"\n+ {mass(step.added.value)} {step.adds}" if step.added is not None else ""
        drawn.node(steps[name], _text(f"{name}\n{step.do.replace('_', ' ')}{flux}"), shape="box", style="filled",
                   fillcolor=STONE)  # fmt: skip
    makers, takers = sheet.makers, sheet.takers
    cuts = {row.stream for row in run.caught}
    weighed = told_by_weights(run)
    for i, (name, stream) in enumerate((name, flows(run)[name]) for name in run.streams):
        written = numbers(stream, weighed.streams[name] if weighed is not None else None)
        tail = steps[makers[name]] if name in makers else _feed(drawn, i, name, written)
        head = steps[takers[name]] if name in takers else _end(drawn, i, name, stream, written)
        told = name in makers and name in takers
        drawn.edge(tail, head, label=_beside(f"{name}\n{written}") if told else "", penwidth=_width(stream),
                   style="dashed" if name in cuts else "solid", id=f"stream{i}", **{"class": "stream"})  # fmt: skip
    for i, (name, (metal, share)) in enumerate(weighed.picked.items() if weighed is not None else ()):
        text = f"KEPT: {picked_from(name)}\n{gold(metal.mean)} of gold\n{percent(share.mean)} of the gold"
        drawn.node(f"picked{i}", _text(text), shape="ellipse", peripheries="2", style="filled", fillcolor=GILT)
        # Beside the stream: out of what its step gives, or before the step that takes an ore.
        drawn.edge(steps[makers.get(name, takers.get(name, ""))], f"picked{i}", style="dotted")
    for i, row in enumerate(run.caught):
        if row.gold > 0 or row.solids > 0:
            held = f"CAUGHT in {row.stream}\n{gold(row.gold)} of gold"
            held += f"\n{mass(row.solids)} of rock" if row.solids else ""
            drawn.node(f"caught{i}", _text(held), shape="octagon", style="filled", fillcolor="white", color=RUST,
                       fontcolor=RUST, penwidth="2")  # fmt: skip
            drawn.edge(steps[makers[row.stream]], f"caught{i}", style="dotted", color=RUST, penwidth="2")
    return drawn


def _feed(drawn: graphviz.Digraph, at: int, name: str, written: str) -> str:
    text = f"{'ORE' if name == 'ore' else f'ORE: {name}'}\n{written}"
    return _box(drawn, f"ore{at}", at, text, shape="box", style="rounded,filled", fillcolor="white")


def _end(drawn: graphviz.Digraph, at: int, name: str, stream: Stream, written: str) -> str:
    kept = stream.fate == "kept"
    text = f"{'KEPT' if kept else 'LOST'}: {name}\n{written}"
    look = {"shape": "ellipse", "peripheries": "2", "fillcolor": GILT} if kept else {"shape": "note", "fillcolor": ASH}
    return _box(drawn, f"end{at}", at, text, style="filled", **look)


def _box(drawn: graphviz.Digraph, node: str, at: int, text: str, **look: str) -> str:
    """Draw the box in which a stream begins or ends, so that a page can tell of which stream it is."""
    drawn.node(node, _text(text), id=f"box{at}", **{"class": "terminal"}, **look)
    return node


def told_by_weights(run: Run) -> ThisTest | None:
    """Return what the weights tell of the streams; None where nobody weighed gold, or how sure it is was not asked."""
    return run.this_test


def flows(run: Run) -> Mapping[str, Stream]:
    """Return the streams as the weights tell them, or else as the sheet has them."""
    return run.flows


def of_tests(run: Run) -> str:
    """Say what the drawn numbers are of and from, where weights tell them."""
    test = told_by_weights(run)
    of = "this test" if test is None or test.tests == 1 else f"these {test.tests} tests together"
    return f"{of}, by your weights ({GUESSED.strip()}: by the sheet alone)"


def numbers(stream: Stream, weighed: Held | None = None) -> str:
    """Return what is written beside a stream's name; what only the sheet tells of it is marked, where some is weighed.

    ``weighed`` tells what the stream's numbers are from, where there are weights.
    """
    rock = GUESSED if weighed is not None and weighed.rock_from == SHEET else ""
    metal = GUESSED if weighed is not None and weighed.gold_from == SHEET else ""
    share = percent(stream.gold_share)
    return f"{rock}{mass(stream.mass)}, {metal}{grade(stream.grade)}\n{metal}{share} of the gold"


def _legend(run: Run) -> str:
    width = "(line width: share of the gold)"
    if told_by_weights(run) is None:
        return width
    of = of_tests(run)
    return f"{of[:1].upper()}{of[1:]}\n{width}"


def _width(stream: Stream) -> str:
    return f"{0.6 + 5 * min(stream.gold_share, 1.5):.2f}"


def _wrapped(title: str) -> str:
    return "\n".join(textwrap.wrap(title, TITLE_WIDTH)) or title


def _text(label: str) -> str:
    """Escape a label: a name from the sheet must not be read as layout."""
    return label.replace("\\", "\\\\").replace("\n", "\\n")


def _beside(label: str) -> str:
    """Set a label off from its line, which the layout takes to be thin: left-justified, behind blanks."""
    blanks = "\u00a0" * 4
    return "".join(f"{blanks}{_text(line)}{blanks}\\l" for line in label.split("\n"))
