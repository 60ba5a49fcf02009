"""What a report says, in its order, before it is HTML or PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from flowsheet.show.estimate import chances, sack_pictures
from flowsheet.show.report import grids
from flowsheet.show.report.facts import Facts
from flowsheet.show.report.weights import weights
from flowsheet.show.run import certainty, drawing, pictures, run_tables, sentences, told_tables
from flowsheet.show.run.files import default_streams
from flowsheet.show.run.gold_bar import gold_bar
from flowsheet.show.text.content import Picture, Section
from flowsheet.show.text.figures import closes, percent
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.blocks.fields import TYPICAL
from flowsheet.spec.text.notes import texts
from flowsheet.study.run.run import Run

ANSWERS = ("kept", "sure", "coarse-answer", "finer-answer", "losses-answer")
"""Anchors of the answers: that of how sure they are, and the others in the order of ``sentences.answers``."""

SURE = "sure"
"""Key of the answer below which stands what speaks against it."""

MOST_CHANGES = 12
"""So many changes are told at once, the best; the others are folded away."""

ASSUMED = "assumed"
"""Key of the section whose list holds sources, by the marks of its table."""

SHEET = "sheet"
"""Key of the section that shows the sheet as it stands in its file, blanks and all."""

CAPTIONS = {
    "flow": "The wider a line, the more of the gold goes along it. Double ovals are kept, notes with a folded corner "
    "are lost.",
    "sizes": "Rock by the size of its pieces; gold by that of its free grains, or of the rock that it is locked in.",
    "coarse": "What is coarser than each opening; a band, where there is one, holds the truth nine times in ten.",
    "losses": "What is lost with each stream, by why.",
    "weights": "How far each weight had to move until the balance closed, in its own standard deviations.",
    "next_sack": "How likely each amount of gold is; hatched are the sacks that would mislead.",
}
"""What stands below a picture, by its name."""

WHAT = (
    "What a bench test says of one ore: where its rock and its gold went, how sure that is, and what to change. All "
    "numbers come from the sheet named here and from what was weighed."
)


@dataclass(frozen=True)
class Report:
    """A report: its title, the sheet's file, the day on which it was made, and its sections in their order."""

    title: str
    file: str
    day: str
    what: str
    sections: tuple[Section, ...]

    @property
    def answers(self) -> list[Section]:
        """What is read first."""
        return [section for section in self.sections if section.answer]

    @property
    def rest(self) -> list[Section]:
        """What stands behind the answers."""
        return [section for section in self.sections if not section.answer]


def report(facts: Facts, day: str) -> Report:
    """Lay out a report made on ``day``."""
    run = facts.run
    sections = [
        *_answers(run),
        _flow(run),
        _gold(run),
        *_sizes(run),
        _coarse(facts),
        _finer(run),
        *_losses(run),
        *weights(facts),
        _next_sack(facts),
        *_balance(run),
        *_look(facts),
        Section("care", "Take care", items=(*run.cautions, RULES)),
        *_doubts(facts),
        _assumed(facts),
        Section(SHEET, f"The sheet itself, {facts.file}", lines=tuple(facts.text), folded=True),
    ]
    return Report(facts.sheet.title, facts.file, day, WHAT, tuple(sections))


def on_paper(sections: Sequence[Section]) -> list[Section]:
    """Return the sections as paper has them: the bar has room below the answers, where the drawing has none."""
    first = [section for section in sections if section.answer or section.key == "gold"]
    return [*first, *(section for section in sections if section not in first)]


def _answers(run: Run) -> Iterator[Section]:
    keep, *others = sentences.answers_without_doubt(run)
    first, second, *rest = ANSWERS
    led = _weights_lead(run)
    sure = (sentences.BY_WEIGHTS if led else sentences.HOW_SURE, certainty.said(run))
    order = [(second, sure), (first, keep)] if led else [(first, keep), (second, sure)]
    for key, (question, answer) in [*order, *zip(rest, others, strict=True)]:
        doubts = [f"{text[:1].upper()}{text[1:]}" for text in texts(certainty.against(run))] if key == SURE else []
        yield Section(key, question, lines=(answer,), items=tuple(doubts), answer=True)


def _weights_lead(run: Run) -> bool:
    """Whether weights tell what a test held, so that the sheet's own numbers are but its plan."""
    return run.this_test is not None


def _planned(run: Run, title: str) -> str:
    return f"{title}, as planned" if _weights_lead(run) else title


def _shown(*found: Picture | None) -> tuple[Picture, ...]:
    """Return the pictures that there are."""
    return tuple(one for one in found if one is not None)


def _flow(run: Run) -> Section:
    picture = Picture("flow", drawing.svg(run), flow_in_words(run))
    title = f"The flowsheet of {drawing.of_tests(run)}" if _weights_lead(run) else "The flowsheet"
    return Section("flow", title, pictures=(picture,))


def flow_in_words(run: Run) -> str:
    """Say what the drawn flowsheet shows: the steps in their order, what is kept and lost, the richest loss."""
    sheet = run.solution.model.sheet
    steps = ", ".join(f"{name} ({step.do.replace('_', ' ')})" for name, step in sheet.steps.items())
    flows = drawing.flows(run)
    kept = ", ".join(f"{name} ({percent(flows[name].gold_share)} of the gold)" for name in sheet.keep)
    text = f"The flowsheet drawn: {len(sheet.steps)} steps, {steps}. Kept: {kept}."
    lost = sorted((loss.stream for loss in run.losses), key=lambda name: -flows[name].gold)
    if not lost:
        return f"{text} Nothing is lost."
    share = percent(flows[lost[0]].gold_share)
    return f"{text} Lost: {', '.join(lost)}; most gold with {lost[0]}, {share} of it."


def _gold(run: Run) -> Section:
    bar = gold_bar(run)
    told = (bar.table(),) if bar.parts else ()
    test = run.this_test
    title = "Where the gold went" if test is None else f"Where the gold of {told_tables.of_tests(test)} went"
    return Section("gold", title, pictures=(bar.picture,), grids=told)


def _sizes(run: Run) -> Iterator[Section]:
    test = run.this_test
    head = "Rock and gold by size" if test is None else f"Rock and gold of {told_tables.of_tests(test)} by size"
    if not run.solution.model.grid.sized:
        yield Section("sizes", head, lines=("The sheet gives no sizes. Add sizes: and gold: to the ore to see this.",))
        return
    names = default_streams(run)
    yield Section("sizes", head, pictures=_shown(pictures.by_size(run, names)))
    yield Section("sizes-table", f"{head}, in numbers", grids=(grids.by_size(run, names),), folded=True)


def _coarse(facts: Facts) -> Section:
    run = facts.run
    head = "The coarse fraction, by opening"
    if not run.coarse:
        return Section("coarse", head, lines=(sentences.coarse(run),))
    picture = pictures.coarse_band(run, facts.chance)
    own = (run_tables.sieved(run),) if run.sieved else ()
    return Section("coarse", head, pictures=_shown(picture), grids=(grids.coarse(run, facts.chance), *own))


def _finer(run: Run) -> Section:
    grid = run_tables.finer(run)
    if not grid.rows:
        return Section("finer", grid.title, lines=(sentences.finer(run),))
    return Section("finer", grid.title, grids=(grid,))


def _losses(run: Run) -> Iterator[Section]:
    head = "What is lost, and what to change"
    fed = sum(run.streams[name].gold for name in run.solution.model.sheet.ores)
    if fed <= 0 or not run.losses:
        yield Section("losses", head, lines=tuple(sentences.losses(run)))
        return
    test = run.this_test
    caught = list(sentences.caught(run))
    told = [run_tables.losses(run) if test is None else told_tables.losses(run, test)]
    changes = grids.advice(run)
    if run.advice:
        told.append(replace(changes, rows=changes.rows[:MOST_CHANGES]))
        what = f"{len(run.advice)} changes" if len(run.advice) > 1 else "One change"
        alone = ", each tried alone on this sheet" if len(run.advice) > 1 else ", tried on this sheet"
        found = f"{what} would win gold{alone}."
    else:
        found = "No change of a single setting that was tried wins gold."
    yield Section("losses", head, (*caught, found), _shown(pictures.losses(run)), tuple(told))
    if len(run.advice) > MOST_CHANGES:
        grid = replace(changes, rows=changes.rows[MOST_CHANGES:])
        yield Section("changes", f"{len(grid.rows)} smaller changes", grids=(grid,), folded=True)


def _next_sack(facts: Facts) -> Section:
    head = "What the next sack may hold"
    found = facts.chance
    if found is None:
        return Section("next", head, lines=(facts.why_no_chance,))
    rock = sum(ore.mass.value for ore in facts.sheet.ores.values())
    lines = (chances.head(found), chances.next_sack(found, rock), chances.most_doubt(found), chances.gy(found))
    ranked = chances.doubts(found)
    told = (ranked,) if len(ranked.rows) > 1 else ()
    return Section("next", head, lines, (sack_pictures.next_sack(found),), told)


def _balance(run: Run) -> Iterator[Section]:
    test = run.this_test
    if test is not None:
        grids = (told_tables.gold(run, test), told_tables.rock(run, test))
        yield Section("streams", "Every stream, by the weights", (told_tables.WHAT_FROM,), grids=grids)
    closure = run.solution.closure
    told = f"The balance closes {closes(closure.solids)} (solids) and {closes(closure.gold)} (gold)."
    lines, grid = (told, *sentences.added(run), *sentences.loops(run)), run_tables.balance(run)
    yield Section("balance", _planned(run, "Balance"), lines=lines, grids=(grid,), folded=test is not None)


def _assumed(facts: Facts) -> Section:
    rows: dict[tuple[str, str, str], list[str]] = {}
    for one in facts.assumed:
        rows.setdefault((one.value, one.what, one.source), []).append(one.where)
    sources = [source for source in dict.fromkeys(source for _, _, source in rows) if source != TYPICAL]
    marks = {source: f"[{at}]" for at, source in enumerate(sources, 1)} | {TYPICAL: "typical"}
    columns = (Column("Where"), Column("Taken as"), Column("What it is"), Column("From"))
    told = [(", ".join(where), value, what, marks[source]) for (value, what, source), where in rows.items()]
    line = (
        f"The sheet leaves {len(facts.assumed)} numbers to the tool. Write one into the sheet where the table says, "
        "and it is used in place of what stands here. What is called typical is no more than that: set your own."
    )
    grid = Grid("assumed", "Numbers that were assumed", columns, told)
    return Section(
        ASSUMED,
        "What was assumed",
        lines=(line,),
        grids=(grid,),
        items=tuple(f"{marks[source]} {source}" for source in sources),
        folded=True,
    )


def _doubts(facts: Facts) -> Iterator[Section]:
    """Give the doubts on which intervals rest and of which the sheet says nothing."""
    if not facts.doubts:
        return
    columns = (Column("Where to set it"), Column("Taken as"), Column("What it is"), Column("From"))
    rows = [(one.where, one.value, one.what, one.source) for one in facts.doubts]
    line = (
        f"The sheet says nothing of {len(rows)} doubts on which the intervals rest. Each is taken as what is typical: "
        "set your own where the table says, and a narrower one narrows the intervals. A slack of 0 and ± 0 mean none."
    )
    grid = Grid("doubts", "Doubts that were assumed", columns, rows)
    yield Section("doubts", "What doubt was assumed", lines=(line,), grids=(grid,), folded=True)


def _look(facts: Facts) -> Iterator[Section]:
    told = [*facts.run.warnings, *facts.run.notes, *(facts.chance.notes if facts.chance else ())]
    above = certainty.against(facts.run)
    if rest := dict.fromkeys(one.text for one in told if one not in above):
        yield Section("look", "Look at this", items=tuple(rest))
