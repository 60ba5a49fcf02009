"""The parts of the page that change: each under the id of the element that it fills."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from flowsheet.show.graphics import svg
from flowsheet.show.page import render
from flowsheet.show.page.asks import Pin
from flowsheet.show.page.bench import Bench, Desk, Turned, faults_by_knob
from flowsheet.show.page.stream_view import stream_view
from flowsheet.show.run import drawing, run_tables, sentences
from flowsheet.show.run.gold_bar import gold_bar
from flowsheet.show.text import tables
from flowsheet.show.text.figures import gold, percent, sig
from flowsheet.show.text.tables import Column, Grid, signed
from flowsheet.show.text.terminal import RULES
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import texts
from flowsheet.spec.text.wording import listed
from flowsheet.study.common.units_out import milligrams
from flowsheet.study.run.run import Run, cautions
from flowsheet.study.trials.trials import Trial

Parts = dict[str, str]

SCALE = 0.75
"""Of the drawing's own size, which is made for paper: so its letters are as large as the page's smallest."""
NEVER = 1e-12
"""A difference below this (kg) is none."""
HARDLY = 1e-7
"""One below this (kg) is hardly any."""
WORKING = "It is being worked out …"
CENT = 0.005
"""A difference of money below this is none."""


def turn_parts(bench: Bench, desk: Desk, turned: Turned, stream: str, pins: Sequence[Pin]) -> Parts:
    """Return everything that a turn changes."""
    return {
        "kept": kept(turned),
        "turned": changed(desk, turned),
        "answers": answers(turned),
        "drawing": drawn(turned.run, stream),
        "gold": where(turned),
        "coarse": coarse(turned.run),
        "balance": render.part("grid", grid=run_tables.balance(turned.run)),
        "notes": notes(turned.run),
        "stream": one_stream(turned.run, stream),
        "pins": side_by_side(bench, desk, turned, pins),
    }


def kept(turned: Turned) -> str:
    """Return the line that stays in sight: what is kept, and how much more than as written."""
    trial = turned.trial
    gain = _gain(trial.gain) if turned.settings else ""
    return render.part("kept", grams=gold(trial.kept), share=percent(trial.kept_share), gain=gain,
                       more=trial.gain > NEVER, less=trial.gain < -NEVER,
                       by="as planned" if turned.run.solution.model.sheet.weighed else "as written")  # fmt: skip


def _gain(kg: float) -> str:
    """Return a difference as it is said in a word or two."""
    if abs(kg) < NEVER:
        return "no more"
    if abs(kg) < HARDLY:
        return "hardly more" if kg > 0 else "hardly less"
    return f"{'+' if kg > 0 else '−'}{gold(abs(kg))}"


def changed(desk: Desk, turned: Turned) -> str:
    """Return what is turned, each from what to what."""
    written = {knob.setting: knob.written or "not set" for knob in desk.knobs}
    rows = [(name, written.get(name, ""), value) for name, value in turned.settings.items()]
    return render.part("turned", rows=rows)


def answers(turned: Turned) -> str:
    """Return the answers in sentences, the first with what they were as written."""
    told = sentences.answers(turned.run)
    if not turned.settings and turned.run.solution.model.sheet.weighed:
        # The weights lead; what they say takes longer, and comes in place of this.
        told = [(sentences.BY_WEIGHTS, WORKING), (sentences.AS_PLANNED, told[0][1]), *told[1:]]
    return render.part("answers", told=told, against=against(turned) if turned.settings else "")


def against(turned: Turned) -> str:
    """Say how the turned sheet differs from the sheet as written."""
    base, trial = turned.pair.base, turned.trial
    before = f"As written you keep {gold(base.kept)} ({percent(base.kept_share)})"
    if abs(trial.gain) < NEVER:
        text = f"{before}: no more and no less."
    else:
        text = f"{before}: turned, {gold(abs(trial.gain))} {'more' if trial.gain > 0 else 'less'}."
    if base.worst_stream != trial.worst_stream and trial.worst_stream and base.worst_stream:
        text += f" Most is now lost with {trial.worst_stream}, no longer with {base.worst_stream}."
    if trial.value is not None and trial.value_gain is not None and abs(trial.value_gain) > CENT:
        currency = turned.pair.after.model.sheet.worth.currency
        more = "more" if trial.value_gain > 0 else "less"
        text += f" It leaves {abs(trial.value_gain):,.2f} {currency} {more} of a sack."
    return text


def where(turned: Turned) -> str:
    """Return the bar of where the gold went, and now and as written side by side."""
    return render.part(
        "gold", bar=gold_bar(turned.run).picture, grid=comparison(turned), losses=run_tables.losses(turned.run)
    )


def comparison(turned: Turned) -> Grid:
    """Return the gold of every stream that ends, now and as written, in mg."""
    before, after, run = turned.pair.before, turned.pair.after, turned.run
    names = [*run.solution.model.sheet.keep, *(loss.stream for loss in run.losses)]
    columns = (
        Column("Gold goes with"),
        Column("Now, mg", _mg),
        Column("As written, mg", _mg),
        Column("Change, mg", signed),
        Column("Fate"),
    )
    rows = []
    for name in dict.fromkeys(names):
        now, then = (milligrams(float(solution.streams[name].gold)) for solution in (after, before))
        rows.append(
            (name, now, then, 0.0 if abs(now - then) < 1e-6 else now - then, tables.FATES[run.streams[name].fate])
        )
    return Grid("now-and-written", "Gold by where it ends", columns, rows)


def _mg(value: float) -> str:
    return "0" if value < 1e-4 else sig(value)


def coarse(run: Run) -> str:
    """Return the tables of the coarse fraction and of finer screens, where the sheet knows sizes."""
    return render.part("coarse", coarse=run_tables.coarse(run) if run.coarse else None,
                       finer=finer_grid(run))  # fmt: skip


def finer_grid(run: Run) -> Grid | None:
    """Return the table of finer screens, where there is one."""
    return run_tables.finer(run) if run.finer else None


def notes(run: Run) -> str:
    """Return what is odd, and what to take care of."""
    return render.part(
        "notes", odd=texts([*run.warnings, *run.notes]), care=cautions(run.solution.model.sheet), rules=RULES
    )


def one_stream(run: Run, stream: str) -> str:
    """Return the chosen stream's gold and sizes."""
    return render.part("stream", found=stream_view(run, stream) if stream else None)


_BLANKS = "\n\u00a0"
_GROUP = re.compile(r'<g id="stream(\d+)" class="([^"]*)">\s*<title>[^<]*</title>')
_BOX = re.compile(r'<g id="box(\d+)" class="([^"]*)">')
_TITLE = re.compile(r"<title>[^<]*</title>\s*")
_SIZE = re.compile(r"<svg[^>]*>")


def drawn(run: Run, stream: str) -> str:
    """Return the drawing, its streams to be chosen with the mouse or by keyboard."""
    names, flows = list(run.streams), drawing.flows(run)
    weighed = drawing.told_by_weights(run)

    def button(found: re.Match[str]) -> str:
        name = names[int(found[1])]
        one = flows[name]
        # What is told aloud holds what is written there, so that both can be asked for by name.
        told = f"{name} {drawing.numbers(one, weighed.streams[name] if weighed is not None else None)}".replace(
            "\n", " "
        )
        label = f"{told}: show it by size"
        chosen = name == stream
        return (
            f'<g id="stream{found[1]}" class="{found[2]}{" chosen" if chosen else ""}" role="button" tabindex="0" '
            f'aria-pressed="{str(chosen).lower()}" data-stream="{_attribute(name)}" aria-label="{_attribute(label)}">'
        )

    def target(found: re.Match[str]) -> str:
        # For the mouse only: by keyboard the stream's line is reached, and one of the two is enough.
        name = names[int(found[1])]
        picked = " picked" if name == stream else ""
        return f'<g id="box{found[1]}" class="{found[2]}{picked}" data-stream="{_attribute(name)}">'

    text = _GROUP.sub(button, render.printable(drawing.svg(run), _BLANKS))
    text = _BOX.sub(target, text)
    text = _TITLE.sub("", text)
    wide, high = svg.view_box(text)
    across, down = SCALE * wide, SCALE * high
    told = "The flowsheet: steps as boxes, streams as lines as thick as their gold. Choose a stream to see it by size."
    head = (
        f'<svg class="flow" role="group" aria-label="{told}" width="{across:.0f}" height="{down:.0f}" '
        f'viewBox="0 0 {wide:.0f} {high:.0f}" xmlns="http://www.w3.org/2000/svg">'
    )
    return _SIZE.sub(lambda _: head, text, count=1)


def _attribute(text: str) -> str:
    return str(escape(render.printable(text, "")))


def side_by_side(bench: Bench, desk: Desk, turned: Turned, pins: Sequence[Pin]) -> str:
    """Return the pins beside the sheet as written and as it is turned now."""
    written = {knob.setting: knob.written or "not set" for knob in desk.knobs}
    tried: list[tuple[str, Mapping[str, str], Trial | None, str]] = []
    for pin in pins:
        try:
            tried.append((pin.name, pin.settings, bench.trial(desk, pin.settings), ""))
        except SheetError as wrong:
            tried.append((pin.name, pin.settings, None, f"cannot be solved any more: {wrong.mistakes[0].message}"))
    solved = [(f"with {name}", trial) for name, _, trial, _ in tried if trial is not None]
    now = [("as turned now", turned.trial)] if turned.settings else []
    names = dict.fromkeys(name for settings in (*(t[1] for t in tried), turned.settings) for name in settings)
    return render.part(
        "pins",
        pins=tried,
        best=best([("as written", turned.pair.base), *solved, *now], desk.sheet.worth.currency),
        now=turned.trial,
        base=turned.pair.base,
        settings=[(name, written.get(name, "as written")) for name in names],
        turned=turned.settings,
        currency=desk.sheet.worth.currency if turned.trial.value is not None else "",
        gold=gold,
        percent=percent,
        gain=_gain,
    )


def best(trials: Sequence[tuple[str, Trial]], currency: str) -> str:
    """Say which of some trials keeps most, and which leaves most money where the sheet has prices."""
    most = max(trial.kept for _, trial in trials)
    first = [name for name, trial in trials if trial.kept > most - NEVER]
    if len(first) == len(trials):
        said = f"All of these keep the same: {gold(most)}."
    else:
        said = f"Most is kept {listed(first)}: {gold(most)}."
    values = [(name, trial.value) for name, trial in trials if trial.value is not None]
    if not values:
        return said
    top = max(value for _, value in values)
    rich = [name for name, value in values if value > top - CENT]
    money = f"{top:,.2f} {currency} of a sack".replace("-", "−")
    if len(rich) == len(values):
        return f"{said} All leave the same: {money}."
    return f"{said} Most money is left {listed(rich)}{', too' if rich == first else ''}: {money}."


def file_faults(mistakes: Sequence[Mistake]) -> str:
    """Return what is wrong with the files on the disk."""
    return render.part("files", mistakes=[str(mistake) for mistake in mistakes])


def turn_faults(desk: Desk, settings: Mapping[str, str], wrong: SheetError) -> dict[str, Any]:
    """Return what is wrong with settings: texts by setting, and in all."""
    found = faults_by_knob(wrong.mistakes, settings, desk.sheet.steps)
    others = found.pop("", [])
    known = {knob.setting for knob in desk.knobs}
    others += [f"{name}: {' '.join(said)}" for name, said in found.items() if name not in known]
    return {
        "faults": {name: " ".join(said) for name, said in found.items() if name in known},
        "fault": render.part("fault", others=others),
    }


def html(text: str) -> Markup:
    """Mark a part that was rendered as HTML."""
    return Markup(text)  # a part is made by a template, which escapes
