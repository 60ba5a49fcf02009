"""One run of a sheet: the balance and the answers to what is asked of it, as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from flowsheet.ore.plausibility import nuggets_not_told
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note, Subject, note, texts
from flowsheet.steps.base import LOCAL
from flowsheet.study.common.coarse_fraction import COARSE, Coarse, coarse
from flowsheet.study.common.frames import Tabled, Tables, row, rows
from flowsheet.study.common.interval import LessThan
from flowsheet.study.common.streams import SIZE, STREAM, SizeRow, Stream, size_rows, streams
from flowsheet.study.common.units_out import each, g_per_t, grams, in_units
from flowsheet.study.estimate.confidence import SEED, Confidence, sure
from flowsheet.study.estimate.told_answers import answers
from flowsheet.study.run.gains import Gains, gains
from flowsheet.study.run.losses import LOSS, Loss, losses
from flowsheet.study.run.plain_data import told
from flowsheet.study.run.screen_options import FINER, Finer, finer
from flowsheet.study.run.sensitivity import IMPROVEMENT, Improvement, advice
from flowsheet.study.run.sieve_assays import SIEVED, SieveAssay, sieve_assays
from flowsheet.study.run.told import ToldLoss, ToldStream, told_losses, told_streams

if TYPE_CHECKING:
    from flowsheet.study.balance.first_weighing import FirstWeighing
    from flowsheet.study.estimate.this_test import ThisTest


FIRST = 3
"""What chance plays in: how the lots come of which it is asked what to weigh first."""


@dataclass(frozen=True)
class CaughtRow:
    """What one loop holds for ever (``gold`` and ``solids``, kg), and what goes round in it (of the new feed)."""

    loop: tuple[str, ...]
    stream: str
    gold: float
    solids: float
    circulating_load: float
    sizes: tuple[SizeRow, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        told = in_units(self, {"gold": ("gold_g", grams), "solids": ("solids_kg", float)})
        return {**told, "sizes": [row.as_dict() for row in self.sizes]}


@dataclass(frozen=True, repr=False)
class Run(Tabled):
    """A solved sheet and the answers read from it.

    >>> import flowsheet as fs
    >>> run = fs.run("sack3.yaml", certain=False)
    >>> run
    <Run 'Quillfeather dump, sack 3': 14.2 kg, 0.312 g gold, 87 % kept>
    >>> [loss.stream for loss in run.losses][:2]
    ['tails', 'magnetics']
    >>> round(1e3 * run.streams["tails"].gold, 4), run.to_rows()[0]["stream"]
    (0.0322, 'ore')
    """

    solution: Solution
    #: As the sheet by itself has them, which is the plan, and so are all amounts here; ``told_streams`` and
    #: ``told_losses`` are the estimate's, where something was weighed.
    streams: dict[str, Stream]
    #: Gold kept, kg, and its share of all gold fed.
    kept: float
    kept_share: float
    losses: list[Loss]
    caught: list[CaughtRow]
    coarse: list[Coarse]
    #: The ores' own sieve tables, where any row was assayed.
    sieved: list[SieveAssay]
    finer: list[Finer]
    advice: list[Improvement]
    #: How sure the answers are; None where the sheet gives neither doubts nor weights.
    sure: Confidence | None
    #: What the best changes would have won on what was tested; None without weights.
    gains: Gains | None
    warnings: list[Note]
    notes: list[Note]
    cautions: list[str]

    @property
    def seed(self) -> int | None:
        """The seed of the draws by which it is told how sure the answers are; None where nothing was drawn."""
        return SEED if self.sure is not None else None

    @property
    def this_test(self) -> ThisTest | None:
        """What the tests held, kept and lost; None where no weight speaks of gold, or nobody asked how sure it is."""
        return self.sure.this_test if self.sure is not None else None

    @cached_property
    def flows(self) -> Mapping[str, Stream]:
        """The streams with their sizes by the estimate, of all tests together; as planned where no weights tell."""
        test = self.this_test
        return self.streams if test is None else test.flows(self.streams, self.solution.model.sheet.ores)

    @cached_property
    def told_streams(self) -> dict[str, ToldStream]:
        """The streams by the estimate, of all tests together, each with what it is from; none without weights."""
        test = self.this_test
        return told_streams(test, self.streams, self.solution.model.sheet) if test is not None else {}

    @cached_property
    def told_losses(self) -> list[ToldLoss]:
        """The losses by the estimate, the largest first; none without weights."""
        return told_losses(self.this_test, self.losses) if self.this_test is not None else []

    @cached_property
    def first_weighings(self) -> list[FirstWeighing]:
        """The single weighings that would narrow a forecast most, an answer each; none where gold was weighed."""
        if self.sure is None or self.sure.fitted:
            return []
        from flowsheet.study.balance.first_weighing import first_weighings

        gathered = self.sure.gathered
        return first_weighings(self.solution, gathered.found, gathered.rng_for(FIRST))

    def _tables(self) -> Tables:
        plan = self._planned_tables()
        if self.this_test is None:
            return plan
        return {
            **plan,
            "streams": lambda: ({"stream": name, **one.as_row()} for name, one in self.told_streams.items()),
            "sizes": lambda: self._sizes(self.flows),
            "losses": lambda: (one.as_row() for one in self.told_losses),
            "planned_streams": plan["streams"],
            "planned_sizes": plan["sizes"],
            "planned_losses": plan["losses"],
        }

    @staticmethod
    def _sizes(streams: Mapping[str, Stream]) -> Iterator[dict[str, Any]]:
        return ({"stream": name, **row(one, SIZE)} for name, stream in streams.items() for one in stream.sizes)

    def _planned_tables(self) -> Tables:
        return {
            "streams": lambda: rows(self.streams, "stream", STREAM),
            "sizes": lambda: self._sizes(self.streams),
            "losses": lambda: ({**row(one, LOSS), **one.why} for one in self.losses),
            "coarse": lambda: rows(self.coarse, names=COARSE),
            "finer": lambda: rows(self.finer, names=FINER),
            "advice": lambda: rows(self.advice, names=IMPROVEMENT),
            "sieved": lambda: rows(self.sieved, names=SIEVED),
        }

    def _headline(self) -> tuple[str, str]:
        fed, rock = grams(float(self.solution.fed_gold)), self.solution.fed_solids
        told = f"{brief(rock)} kg, {brief(fed)} g gold, {100 * self.kept_share:.0f} % kept"
        return f"Run '{self.solution.model.sheet.title}'", told

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        closure = self.solution.closure
        return {
            "title": self.solution.model.sheet.title,
            **told(self),
            "closure": {"solids": closure.solids, "gold": closure.gold},
            **(answers(self.sure) if self.sure is not None else {"this_test": None}),
            **(self.sure.rests_on() if self.sure is not None else {}),
            "sieved": [row.as_dict() for row in self.sieved],
            "finer": [row.as_dict() for row in self.finer],
            "advice": [change.as_dict() for change in self.advice],
            "gains": self.gains.as_dict() if self.gains is not None else None,
            "next_weighing": [one.as_dict() for one in self.first_weighings],
            "warnings": texts(self.warnings),
            "notes": texts(self.notes),
            "cautions": self.cautions,
        }


def run(sheet: Sheet, certain: bool = True) -> Run:
    """Solve a sheet and answer. Raises SheetError where a loop lets nothing out.

    ``certain`` also works out how sure the answers are, which takes ten times as long as all the rest.
    """
    return answered(solve(Model.of(sheet)), certain)


def answered(solution: Solution, certain: bool = True) -> Run:
    """Read the answers from a plain solve."""
    model = solution.model
    fed = float(solution.fed_gold)
    kept = float(solution.kept_gold)
    options, changes = finer(solution), advice(solution)
    known = sure(solution) if certain else None
    won = gains(solution, options, changes, known)
    return Run(
        solution=solution,
        streams=streams(solution),
        kept=kept,
        kept_share=kept / fed if fed > 0 else 0.0,
        losses=losses(solution),
        caught=caught_rows(solution),
        coarse=coarse(solution),
        sieved=sieve_assays(solution),
        finer=options,
        advice=changes,
        sure=known,
        gains=won,
        warnings=[*warnings(solution), *refuted(solution, known)],
        notes=list(notes_of(solution, known, won)),
        cautions=cautions(model.sheet),
    )


def notes_of(solution: Solution, known: Confidence | None, won: Gains | None) -> Iterator[Note]:
    """Go through all that is to be said of a run, how sure it is and how its gains were worked out."""
    model = solution.model
    yield from (*model.notes(), *solution.notes)
    if known is not None:
        yield from known.notes
        told = (nuggets_not_told(name, ore) for name, ore in model.sheet.ores.items())
        yield from (one for one in told if one is not None)
        if known.weighed is not None:
            from flowsheet.study.estimate.most_telling import telling_note

            yield from telling_note(solution, known.weighed)
    if won is not None:
        yield won.note


def caught_rows(solution: Solution) -> list[CaughtRow]:
    """Return every loop's cuts, with what is caught there."""
    return [
        CaughtRow(
            loop=c.loop,
            stream=c.stream,
            gold=float(c.material.gold),
            solids=float(c.material.solids),
            circulating_load=float(np.mean(c.circulating_load)),
            sizes=size_rows(solution.model.grid, c.material),
        )
        for c in solution.caught
    ]


def warnings(solution: Solution) -> list[Note]:
    """Return what the steps find amiss with what they are fed."""
    model = solution.model
    found: list[Note] = []
    for name in model.sheet.steps:
        values, feed = solution.inputs.values[name], solution.feeds[name]
        told = model.step(name).warnings(feed, values, solution.inputs.site)
        found.extend(note("step_warns", "{step}: {what}", Subject(step=name), what=what) for what in told)
    return found


FAR_OFF = 0.1
"""A guess further than this from what the weights say, and outside their interval, is told."""


def refuted(solution: Solution, certain: Confidence | None) -> list[Note]:
    """Say that the weights contradict the sheet's guess of the grade, by which balance and losses are told."""
    if certain is None or certain.weighed is None:
        return []
    guess = float(solution.fed_gold) / float(solution.fed_solids)
    known = certain.head_grade
    if known.p5 <= guess <= known.p95 or abs(guess / known.mean - 1) < FAR_OFF:
        return []
    sentence = (
        "by the weights the ore holds {g_per_t:.3g} g/t ({low:.3g} to {high:.3g}); the sheet's {guess:.3g} g/t is a "
        "wrong guess, and what is told as planned goes by it. Put the grade of the weights into the sheet, or let "
        "flowsheet fit do so."
    )
    if isinstance(known, LessThan):
        sentence = sentence.replace("{g_per_t:.3g} g/t ({low:.3g} to {high:.3g})", "less than {high:.3g} g/t")
    told = {"g_per_t": known.mean, "low": known.p5, "high": known.p95, "guess": guess}
    return [note("guess_refuted", sentence, **each(told, g_per_t))]


def cautions(sheet: Sheet) -> list[str]:
    """Return the cautions of the kinds of steps used, each once behind the steps' names; local codes come last."""
    told: dict[str, list[str]] = {}
    for name, step in sheet.steps.items():
        for text in step.cautions:
            told.setdefault(text, []).append(name)
    return [*(f"{', '.join(names)}: {text}" for text, names in told.items() if text != LOCAL), LOCAL]
