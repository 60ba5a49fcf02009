"""Results in a notebook: title, answers, pictures and tables, in colours that stay inside."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from flowsheet.show.balance import reconciled
from flowsheet.show.estimate import chance_plots, chances, fit_plots, fit_words, fitted
from flowsheet.show.graphics.style import svg as drawn
from flowsheet.show.label import label
from flowsheet.show.lot import lot_plots, lots
from flowsheet.show.money import worth_plots, worths
from flowsheet.show.rocks import specimen_plots, specimen_sums, specimens
from flowsheet.show.run import drawing, pictures, run_tables, sentences
from flowsheet.show.run.files import default_streams
from flowsheet.show.sampling import plan_plots, plans
from flowsheet.show.text.content import Picture
from flowsheet.show.text.markup import table, text, theme
from flowsheet.show.text.tables import Grid
from flowsheet.show.text.terminal import RULES
from flowsheet.show.trials import forecasts, trial_plots, trial_sentences, trial_tables
from flowsheet.spec.text.notes import texts
from flowsheet.study.balance.result import Reconciled
from flowsheet.study.estimate.chance import Chance
from flowsheet.study.estimate.fit import Fitted
from flowsheet.study.label.contents import LotSheet
from flowsheet.study.lot.combine_tests import Lot
from flowsheet.study.money.result import Worths
from flowsheet.study.rocks.result import SpecimenGold, Specimens
from flowsheet.study.run.run import Run
from flowsheet.study.sampling.sampling_plan import Planned
from flowsheet.study.trials.forecast import Forecasts
from flowsheet.study.trials.trials import Trials

SCOPE = ".flowsheet"
OWN = ".flowsheet{padding:.75rem}.flowsheet pre{white-space:pre-wrap;font-size:.8rem}.flowsheet .plot{max-width:44rem}"
"""What a page brings along, and a notebook does not."""
IN_TABLE = "The numbers stand in the tables."


@dataclass(frozen=True)
class Page:
    """What is shown of a result."""

    title: str
    answers: Iterable[tuple[str, str]] = ()
    lines: Iterable[str] = ()
    pictures: Iterable[Picture | None] = ()
    grids: Iterable[Grid | None] = ()
    notes: Iterable[str] = ()
    #: Text whose lines stand as they are.
    plain: str = ""


def html(result: object) -> str | None:
    """Return a result as HTML that styles nothing but itself; None where it is none of those that are told."""
    make = PAGES.get(type(result))
    return None if make is None else _html(make(result))


def svg(result: object) -> str | None:
    """Return the picture that says a result best; None where words do."""
    return drawing.svg(result, titled=True) if isinstance(result, Run) else None


def _html(page: Page) -> str:
    parts = [f"<h2>{text(page.title)}</h2>"]
    parts += [f"<h3>{text(question)}</h3><p>{text(answer)}</p>" for question, answer in page.answers]
    parts += [f"<p>{text(line)}</p>" for line in page.lines]
    parts += [_figure(one) for one in page.pictures if one is not None]
    parts += [table(grid) for grid in page.grids if grid is not None and grid.rows]
    parts += [f"<pre>{text_lines(page.plain)}</pre>"] if page.plain else []
    notes = "".join(f"<li>{text(note)}</li>" for note in page.notes)
    parts += [f"<ul>{notes}</ul>"] if notes else []
    return f'<div class="{SCOPE[1:]}"><style>{scoped(theme())}{OWN}</style>{"".join(parts)}</div>'


def text_lines(lines: str) -> str:
    """Return lines as HTML text, one below the other."""
    return "\n".join(text(line) for line in lines.splitlines())


def _figure(one: Picture) -> str:
    return f'<figure role="img" aria-label="{text(one.alt)}">{one.svg}</figure>'


def _plot(name: str, figure: Any, alt: str) -> Picture:
    return Picture(name, drawn(figure), f"{alt}. {IN_TABLE}")


def _run(found: Run) -> Page:
    # Streams of two drawings in one notebook would share their names.
    flow = re.sub(r'(<g) id="[^"]*"', r"\1", drawing.svg(found)).replace("<svg", '<svg class="flow"', 1)
    return Page(
        found.solution.model.sheet.title,
        sentences.answers(found),
        pictures=(
            Picture("flow", flow, f"The flowsheet drawn. {IN_TABLE}"),
            pictures.gold_bar(found).picture,
            pictures.by_size(found, default_streams(found)),
            pictures.coarse_band(found),
            pictures.losses(found),
        ),
        grids=(
            run_tables.balance(found),
            run_tables.weighed(found),
            run_tables.coarse(found),
            run_tables.losses(found),
        ),
        notes=(*texts([*found.warnings, *found.notes]), RULES),
    )


def _trials(found: Trials) -> Page:
    shown = trial_plots.why_no_plot(found) is None
    plot = (
        _plot("trials", trial_plots.trials_figure(found, narrow=True), "What is kept as settings move")
        if shown
        else None
    )
    told = (trial_sentences.best_trial(found), *([trial_sentences.best_value(found)] if found.currency else []))
    return Page("Trials", lines=told, pictures=(plot,), grids=(trial_tables.trials(found),), notes=texts(found.notes))


def _chance(found: Chance) -> Page:
    rock_kg = 1e6 * found.next_mean / found.sack_grade.mean
    ranked = chances.doubts(found)
    doubts = _plot("doubts", chance_plots.ranked_figure(found), "What the doubt comes from") if ranked.rows else None
    return Page(
        "How sure it is",
        chances.answers(found, rock_kg),
        pictures=(pictures.next_sack(found), doubts),
        grids=(chances.streams(found), chances.coarse(found), ranked),
        notes=(*texts(found.notes), RULES),
    )


def _reconciled(found: Reconciled) -> Page:
    return Page(
        "What the weights say",
        reconciled.answers(found),
        pictures=(pictures.weights_moved(found),),
        grids=(
            reconciled.streams(found),
            reconciled.weights(found),
            reconciled.streams_without(found),
            reconciled.unknown(found) if found.to_know else None,
        ),
        notes=(*texts(found.notes), RULES),
    )


def _fitted(found: Fitted) -> Page:
    plot = _plot("fitted", fit_plots.before_and_after_figure(found), "Doubt before and after the weights")
    answers = fit_words.answers(found)
    return Page(found.sheet.title, answers, (), (plot,), fitted.grids(found, None), (*texts(found.sheet.notes), RULES))


def _forecasts(found: Forecasts) -> Page:
    return Page("Trials on the fitted sheet", lines=forecasts.best_forecast(found), grids=(forecasts.table(found),))


def _planned(found: Planned) -> Page:
    return Page(
        "A sampling plan",
        plans.answers(found),
        pictures=(
            _plot("doubt_by_mass", plan_plots.doubt_by_mass_figure(found), "The doubt against the work"),
            _plot("plan_errors", plan_plots.stages_figure(found), "What each stage adds to the variance"),
        ),
        grids=(plans.errors(found), plans.least(found), plans.curve(found)),
        notes=(*texts(found.notes), RULES),
    )


def _lot(found: Lot) -> Page:
    return Page(
        found.title,
        lots.answers(found),
        pictures=(_plot("lot", lot_plots.lot_figure(found), "What each sack tells, and the pile's interval"),),
        grids=(lots.pile(found), lots.each_test(found, lots.shown_rows(found))),
        notes=(*lots.notes(found), *lots.cautions(found)),
    )


def _lot_sheet(found: LotSheet) -> Page:
    return Page("Lot sheet", plain=label.text(found))


def _specimen(found: SpecimenGold) -> Page:
    shown = found.gold.value > 0
    plot = _plot("specimen", specimen_plots.by_host_figure(found), "The gold against the host's density")
    return Page(
        "A specimen" if found.specimen.name == "specimen" else found.specimen.name,
        specimens.answers(found),
        pictures=(plot,),
        grids=(specimens.doubts(found), specimens.without_gold(found) if shown else None),
        notes=(*specimens.warnings(found), *specimens.cautions([found])),
    )


def _specimens(found: Specimens) -> Page:
    if len(found.specimens) == 1:
        return _specimen(found.specimens[0])
    return Page(
        "Specimens",
        specimen_sums.sum_answers(found),
        pictures=(_plot("specimens", specimen_plots.bars_figure(found), "The gold of each rock, with its interval"),),
        grids=(specimens.specimens(found),),
        notes=specimens.cautions(found.counted),
    )


def _worths(found: Worths) -> Page:
    split = len(found.splits) > 1
    return Page(
        "What it is worth",
        worths.answers(found),
        pictures=(
            _plot("ways", worth_plots.by_way_figure(found), "What each way leaves"),
            _plot("partings", worth_plots.by_opening_figure(found), "What is left at each opening") if split else None,
        ),
        grids=worths.tables(found),
        notes=(*texts(found.notes), RULES),
    )


PAGES: dict[type, Callable[[Any], Page]] = {
    Run: _run,
    Trials: _trials,
    Chance: _chance,
    Reconciled: _reconciled,
    Fitted: _fitted,
    Forecasts: _forecasts,
    Planned: _planned,
    Lot: _lot,
    LotSheet: _lot_sheet,
    SpecimenGold: _specimen,
    Specimens: _specimens,
    Worths: _worths,
}


# ── a stylesheet that reaches nothing else ──────────────────────────────────────────────────────────────────

_OWN = re.compile(r"^(:root|html|body)\b")
_COMMA = re.compile(r",(?![^(]*\))")


@cache
def scoped(css: str) -> str:
    """Return a stylesheet whose rules hold inside the class ``flowsheet`` only; rules of a whole page are left out."""
    return "".join(_scoped(re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)))


def _scoped(css: str) -> Iterator[str]:
    for head, body in _blocks(css):
        if head.startswith(("@media", "@supports")):
            yield f"{head}{{{''.join(_scoped(body))}}}"
        elif not head.startswith("@"):
            yield f"{','.join(_selector(one.strip()) for one in _COMMA.split(head))}{{{' '.join(body.split())}}}"


def _selector(one: str) -> str:
    return _OWN.sub(SCOPE, one) if _OWN.match(one) else f"{SCOPE} {one}"


def _blocks(css: str) -> Iterator[tuple[str, str]]:
    """Go through the rules of a stylesheet: what stands before the braces, and what between them."""
    depth, begin, head = 0, 0, ""
    for at, char in enumerate(css):
        if char == "{":
            if depth == 0:
                head, begin = " ".join(css[begin:at].split()), at + 1
            depth += 1
        elif char == "}":
            depth -= 1
            if depth == 0:
                yield head.rpartition(";")[2].strip(), css[begin:at]
                begin = at + 1
