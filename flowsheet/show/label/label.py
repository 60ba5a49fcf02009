"""A lot sheet: one page for a buyer or for the miner's own shelf, as HTML that needs nothing else, or as plain text."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from html import escape

from flowsheet.show.text import spans
from flowsheet.show.text.figures import gold, grade, mass, percent, sig, small_unit
from flowsheet.show.text.line_width import filled, tied
from flowsheet.spec.text.notes import texts
from flowsheet.study.common.interval import LessThan
from flowsheet.study.common.units_out import grams
from flowsheet.study.estimate.another_sack import SPREAD_ASSUMED
from flowsheet.study.label.contents import Kept, LotSheet

WIDTH = 78
"""Columns of the plain text: it is printed, too."""
MOST_STEPS, MOST_DAYS, MOST_KEPT, MOST_NOTES = 16, 6, 12, 6
LONGEST, LONGEST_NOTE = 120, 300
"""Characters of a name or a title, and of a note, that a label shows."""

NOT_THIS = (
    "This is an estimate from {tests}. It is not a resource statement and not an assay certificate, it does not "
    "promise what another sack holds, and no laboratory stands behind it.",
    "Before buying or selling by grade, have an accredited laboratory assay samples that both sides agree on.",
)
CARE = (
    "Dust of broken ore holds respirable silica, which ruins lungs: handle it wet, or with suction and a fitted "
    "respirator.",
    "Ore may hold sulphides, arsenic or lead: keep it off food and skin, and wash hands.",
)


@dataclass(frozen=True)
class LabelSection:
    """A part of the page: its head, its rows (name, text) and its lines."""

    head: str
    rows: tuple[tuple[str, str], ...] = ()
    lines: tuple[str, ...] = ()
    loud: bool = False
    #: Whether it is what the page is for.
    main: bool = False


def parts(found: LotSheet) -> list[LabelSection]:
    """Return what the page says, in its order."""
    return [
        LabelSection("What was tested", tuple(_tested(found))),
        LabelSection("How", (), _steps(found)),
        LabelSection("Head grade", (), _grade(found), main=True),
        LabelSection("What was kept of it", tuple(_all_kept(found)), _more(len(found.kept), MOST_KEPT)),
        *([LabelSection("What another sack holds", (), (_next(found),))] if found.next_low is not None else []),
        *([LabelSection("Look at this", (), _notes(found))] if found.notes else []),
        LabelSection("What this is not", (), tuple(line.format(tests=_tests(found)) for line in NOT_THIS), loud=True),
        LabelSection("Take care", (), CARE),
    ]  # fmt: skip


def _tests(found: LotSheet) -> str:
    return "one test" if found.tests == 1 else f"{found.tests} tests"


def _tested(found: LotSheet) -> list[tuple[str, str]]:
    rows = [("Mass, dry", mass(found.mass) if found.tests == 1 else f"{found.tests} sacks of {mass(found.mass)}")]
    if len(found.ores) > 1:
        rows.append(("Ores", _cut(", ".join(found.ores))))
    days = ", ".join(_cut(day, 40) for day in found.days[:MOST_DAYS]) + (", …" if len(found.days) > MOST_DAYS else "")
    rows.append(("Date", days or "____________________"))
    rows.append(("Weighings", f"{found.weighings} weights, assays and counts" if found.weighings else "none"))
    return rows


def _steps(found: LotSheet) -> tuple[str, ...]:
    shown = "; ".join(_cut(step) for step in found.steps[:MOST_STEPS])
    return (f"{shown}{'; …' if len(found.steps) > MOST_STEPS else ''}.",)


def _grade(found: LotSheet) -> tuple[str, ...]:
    if found.grade is not None:
        text = f"{spans.grade(found.grade)}{_whose(found)}: nine chances in ten lie between the two."
        if isinstance(found.grade, LessThan):
            text = f"{spans.about(found.grade, spans.grade)}{_whose(found)}, with nineteen chances in twenty."
    else:
        text = f"{grade(found.head)}, without an interval: the sheet says of no number how sure it is."
    if found.rests_on == "weights" and found.tested is not None and found.found is not None:
        held = f"{sig(grams(found.found))} ± {sig(grams(found.found_sd or 0.0), 2)} g"
        told = f"It rests on what was weighed: {mass(found.tested)} held {held} of gold by the balance of the weights."
        if isinstance(found.grade, LessThan):
            none = "so little gold that the scale cannot tell it from none"
            told = f"It rests on what was weighed: {mass(found.tested)} held {none}, so there is no lower end."
        told = f"{told} The rest of the doubt is {found.rest}."
        if found.joined:
            return (text, told)
        alone = "sack" if found.tests == 1 else f"{found.tests} sacks"
        return (text, f"{told} The figure is of the {alone} tested alone: what lies beside may be richer or poorer.")
    return (text, "It rests on the sheet's own numbers, which may be a guess: no balance of weights tells it.")


def _whose(found: LotSheet) -> str:
    if not found.joined:
        return ""
    pile = f"the pile of {found.sacks:,} sacks" if found.sacks is not None else "the pile"
    return f" for {pile}, by {found.joined} tests"


def _all_kept(found: LotSheet) -> list[tuple[str, str]]:
    return [(_cut(one.stream), _kept(one, found.tests)) for one in found.kept[:MOST_KEPT]]


def _kept(one: Kept, tests: int) -> str:
    source = "by the sheet" if not one.weighed else "as weighed" if tests == 1 else "a sack, as weighed"
    told = f"{mass(one.mass)} {source}"
    if one.interval is not None and one.interval.sd > 0:
        return f"{told}; of a sack like this, {spans.about(one.interval, spans.gold).lower()} of gold"
    return f"{told}, with about {gold(one.gold)} of gold"


def _next(found: LotSheet) -> str:
    low, high = found.next_low or 0.0, found.next_high or 0.0
    unit, of = small_unit(high)
    told, times = f"{sig(of(low))} to {sig(of(high))}", "nine times in ten"
    if isinstance(found.grade, LessThan):
        told, times = f"less than {sig(of(high))}", "nineteen times in twenty"
    return (
        f"Another {mass(found.mass)} of it hold {told} {unit} of gold {times}. Chance of less than half of the mean: "
        f"{percent(found.less_than_half or 0.0)}; of more than double: {percent(found.more_than_double or 0.0)}. "
        f"{_differ(found)}"
    )


def _differ(found: LotSheet) -> str:
    if found.spread is None:
        return (
            "That is the luck of grains and the doubt of the grade: the sheet tells of no pile (pile: {spread: 30 %}), "
            "and no weights of another one."
        )
    if _spread_assumed(found) and not isinstance(found.spread, float):
        one = found.spread
        told = (
            f"{100 * one.p50:.0f} % ({100 * one.p5:.0f} to {100 * one.p95:.0f}; typical, the sheet says nothing of it)"
        )
    else:
        told = percent(found.spread) if isinstance(found.spread, float) else spans.percent(found.spread)
    return f"Sacks are taken to differ by {told}, and the luck of grains comes on top."


def _spread_assumed(found: LotSheet) -> bool:
    return any(one.code == SPREAD_ASSUMED for one in found.notes)


def _notes(found: LotSheet) -> tuple[str, ...]:
    notes = [one for one in found.notes if one.code != SPREAD_ASSUMED]  # is told beside the next sack
    shown = (_cut(note, LONGEST_NOTE) for note in texts(notes[:MOST_NOTES]))
    return (*(f"{note[:1].upper()}{note[1:]}" for note in shown), *_more(len(notes), MOST_NOTES))


def _more(count: int, most: int) -> tuple[str, ...]:
    return (f"… and {count - most} more.",) if count > most else ()


def _cut(name: str, longest: int = LONGEST) -> str:
    line = " ".join(name.split())
    return line if len(line) <= longest else f"{line[: longest - 1]}…"


def text(found: LotSheet) -> str:
    """Return the page as plain text."""
    out = [
        *textwrap.wrap(_cut(found.title), WIDTH),
        f"Lot sheet: an estimate from {_tests(found)} at the bench",
        "=" * WIDTH,
    ]
    for part in parts(found):
        out += ["", part.head.upper() if part.loud else part.head, "-" * len(part.head)]
        for name, told in part.rows:
            out += filled(f"{name}: {told}", WIDTH, rest="  ")
        for line in part.lines:
            out += filled(line, WIDTH)
    out += ["", "Signed, day:  ______________________________________"]
    return "\n".join(_printable(line) for line in out) + "\n"


def _printable(line: str) -> str:
    return "".join(c if c.isprintable() else "\ufffd" for c in line)


def _told(line: str) -> str:
    return tied(escape(_printable(line)))


STYLE = """
@page { size: auto; margin: 15mm; }
html { background: #fff; color: #1c1c1c; font: 10.5pt/1.38 Georgia, "Times New Roman", serif; }
body { max-width: 178mm; margin: 0 auto; padding: 6mm 0; overflow-wrap: anywhere; }
h1 { font-size: 17pt; margin: 0; }
.what { margin: 0 0 3mm; color: #555; border-bottom: 1.5pt solid #3b4a6b; padding-bottom: 2mm; }
h2 { font-size: 11.5pt; margin: 3.2mm 0 .8mm; color: #3b4a6b; }
p { margin: 0 0 1mm; }
dl { display: grid; grid-template-columns: minmax(28mm, max-content) 1fr; gap: .4mm 5mm; margin: 0; }
dt { color: #555; max-width: 60mm; } dd { margin: 0; }
.loud { border: 1pt solid #a4452c; padding: 1mm 3mm 2mm; margin-top: 4mm; }
.loud h2 { color: #a4452c; margin-top: 1mm; }
.grade p:first-of-type { font-size: 13pt; font-weight: bold; }
.signed { margin-top: 8mm; color: #555; }
section { break-inside: avoid; }
@media print { body { padding: 0; } }
""".strip()


def html(found: LotSheet) -> str:
    """Return the page as HTML that asks for nothing outside itself; every name is text, whatever it holds."""
    title = escape(_printable(_cut(found.title)))
    body = [f"<h1>{title}</h1>", f'<p class="what">Lot sheet: an estimate from {_tests(found)} at the bench</p>']
    for part in parts(found):
        kind = ' class="loud"' if part.loud else ' class="grade"' if part.main else ""
        body.append(f"<section{kind}><h2>{escape(part.head)}</h2>")
        if part.rows:
            rows = "".join(f"<dt>{escape(_printable(name))}</dt><dd>{_told(told)}</dd>" for name, told in part.rows)
            body.append(f"<dl>{rows}</dl>")
        body += [f"<p>{_told(line)}</p>" for line in part.lines]
        body.append("</section>")
    body.append('<p class="signed">Signed, day: ______________________________</p>')
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return "\n".join([
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title>",
        f"<style>\n{STYLE}\n</style></head>",
        "<body>",
        *body,
        "</body></html>",
        "",
    ])  # fmt: skip
