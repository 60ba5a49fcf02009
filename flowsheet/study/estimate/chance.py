"""How sure am I, and would another sack say the same? Doubt in the numbers and luck with grains, joined.

Doubt is drawn (``gathered``); luck is worked out exactly for each draw (``luck``): no grain is simulated.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.checks.all_checks import has_grains
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.study.common.coarse_fraction import openings
from flowsheet.study.common.compound_poisson import Spread
from flowsheet.study.common.frames import Tabled, Tables, parts, rows
from flowsheet.study.common.gy import Gy, fundamental_error
from flowsheet.study.common.interval import Interval, share, together
from flowsheet.study.common.monte_carlo import DRAWS, Progress
from flowsheet.study.common.units_out import each, g_per_t, grams, millimetres, told_apart
from flowsheet.study.estimate.confidence import KEPT, Confidence, coarse_shares, held, with_suspects
from flowsheet.study.estimate.corrected_draws import CorrectedDraws, gather
from flowsheet.study.estimate.next_sack import next_sack
from flowsheet.study.estimate.told_answers import answers, stream_gold

GRADE, SPREAD = "what the weights leave open of the grade", "how far sacks differ"
"""How the ranked doubts call the grade's, where it was weighed, and the spread between sacks."""


@dataclass(frozen=True)
class Doubt:
    """A number with doubt, and its part in the variance of the gold kept."""

    name: str
    text: str
    share: float


@dataclass(frozen=True, repr=False)
class Chance(Tabled, Confidence):
    """All that ``chance`` tells; amounts of gold in kg, grades in kg/kg, shares of all gold fed.

    The head grade is the ore's, as far as it is known; a coarse share is of the ore where it was weighed, else of the
    next sack.

    >>> import flowsheet as fs
    >>> fs.chance("sack3.yaml", draws=500)
    <Chance: 71 to 88 % of the gold kept, 9 times in 10; 17 % of sacks hold less than half of the mean>
    """

    streams: dict[str, Interval]
    #: Of the next sack, with the luck of its grains.
    sack_grade: Interval
    #: The openings that the sheet's own steps name, coarsest first.
    own_openings: tuple[float, ...]
    less_than_half: float
    more_than_double: float
    #: Law of the gold in the next sack, kg, and its mean.
    next_sack: Spread
    next_mean: float
    doubts: list[Doubt]
    luck_share: float
    #: Relative standard deviation of one sack's gold by luck alone: by counting grains, and by Gy's formula.
    by_grains: float
    by_gy: Gy
    draws: int
    seed: int
    closure: float

    @property
    def next_low(self) -> float:
        """The gold (kg) that the next sack holds less of once in twenty; nought where hardly any was found."""
        none = self.weighed is not None and self.weighed.next_to_none
        return 0.0 if none else self.next_sack.quantile(0.05)

    def _tables(self) -> Tables:
        return {
            "streams": lambda: (
                {"stream": name, **parts(one, "gold", "_g", grams)} for name, one in self.streams.items()
            ),
            "coarse": lambda: (
                {"opening_mm": millimetres(size), **parts(one, "gold_share")} for size, one in self.coarse.items()
            ),
            "doubts": lambda: rows(self.doubts),
        }

    def _headline(self) -> tuple[str, str]:
        kept = self.kept_share
        told = f"{100 * kept.p5:.0f} to {100 * kept.p95:.0f} % of the gold kept, 9 times in 10"
        return "Chance", f"{told}; {100 * self.less_than_half:.0f} % of sacks hold less than half of the mean"

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            **self.intervals(),
            **answers(self),
            "streams": {name: {"gold_g": each(asdict(interval), grams)} for name, interval in self.streams.items()},
            "sack_grade_g_per_t": each(asdict(self.sack_grade), g_per_t),
            "doubts": [asdict(doubt) for doubt in self.doubts],
            "luck_share": self.luck_share,
            "fundamental_error": {"by_grains": self.by_grains, "by_gy": asdict(self.by_gy)},
            "draws": self.draws,
            "seed": self.seed,
            "closure": self.closure,
        }


def chance(sheet: Sheet, draws: int = DRAWS, seed: int = 1, progress: Progress = iter) -> Chance:
    """Join doubt and luck of a sheet. Raises SheetError where it knows no gold grains."""
    model = Model.of(sheet)
    solution = solve(model)
    if not model.grains_known:
        lacking = next(n for n, ore in sheet.ores.items() if ore.sizes is None or not has_grains(ore))
        message = "luck needs to know the sizes of the rock and of its gold grains"
        remedy = "Give sizes: {top: 100 mm, p80: 60 mm} and gold: {d50: 0.35 mm, d95: 1.6 mm}, with your own numbers"
        raise SheetError([Mistake(message, remedy, sheet.field_of(lacking), file=sheet.file, code="grains_unknown")])
    if float(solution.fed_gold) <= 0:
        remedy = "Give a grade, as 20 g/t ± 8 g/t; a guess will do"
        at = f"{sheet.field_of(next(iter(sheet.ores)))}.grade"
        raise SheetError([Mistake("there is no gold for luck to part", remedy, at, file=sheet.file, code="no_gold")])
    return _answers(gather(solution, draws, seed, openings(model), progress), seed)


def _answers(gathered: CorrectedDraws, seed: int) -> Chance:
    found, weighed, solution = gathered.found, gathered.weighed, gathered.solution
    sheet, mass = solution.model.sheet, found.mass
    fed, kept = gathered.by_grain(list(sheet.ores)), gathered.by_grain(sheet.keep)
    rock = float(found.rock.mean())
    coarse = coarse_shares(gathered, fed)
    told = weighed.coarse if weighed is not None else {}
    kept_law = together(mass, kept, found.kept)
    whole = next_sack(gathered, gathered.told(kept_law))
    doubts, luck_share = _rank(gathered, kept_law.sd)
    moments = found.moments
    return Chance(
        streams={name: stream_gold(gathered, name) for name in found.by_grain},
        head_grade=gathered.head_grade,
        sack_grade=gathered.told(together(mass, fed, found.fed, 1 / rock)),
        kept=whole.kept,
        kept_share=share(mass, kept, fed, gathered.rng_for(KEPT)),
        coarse=coarse,
        coarse_weighed=tuple(told),
        own_openings=tuple(sorted({told_apart(size) for size in sheet.openings} & set(coarse))[::-1]),
        less_than_half=whole.less_than_half,
        more_than_double=whole.more_than_double,
        next_sack=whole.law,
        next_mean=whole.mean,
        doubts=doubts,
        luck_share=luck_share,
        by_grains=math.sqrt(sum(moments[name].luck for name in sheet.ores) / len(found.fed)) / whole.mean,
        by_gy=fundamental_error(solution, whole.mean),
        weighed=weighed,
        fitted=gathered.fitted,
        this_test=held(gathered),
        with_suspects=with_suspects(gathered),
        lot=gathered.lot,
        spread=gathered.spread,
        gathered=gathered,
        draws=len(found.fed),
        seed=seed,
        closure=found.closure,
        notes=[*sheet.notes, *gathered.notes],
    )


def _rank(gathered: CorrectedDraws, sd_kept: float) -> tuple[list[Doubt], float]:
    """Return each number's part in the variance of the gold kept (luck included), and the part of luck.

    Squared coefficients of a linear regression on the standardised draws. Source: A. Saltelli et al., Global
    Sensitivity Analysis: The Primer (2008), section 1.2.5.
    """
    found, variance = gathered.found, sd_kept**2
    doubtful = gathered.in_doubt()
    columns = {name: draws for name, (draws, _) in doubtful.items()}
    texts = {name: text for name, (_, text) in doubtful.items()}
    if gathered.weighed is not None:
        columns[GRADE], texts[GRADE] = gathered.grade, ""
        columns = {name: value for name, value in columns.items() if not name.endswith(".grade")}
    if float(np.ptp(gathered.richer)) > 0:
        columns[SPREAD], texts[SPREAD] = gathered.richer, ""
    if not columns or variance <= 0:
        return [], 1.0 if variance > 0 else 0.0
    table = np.stack([(v - v.mean()) / v.std() for v in columns.values()], axis=-1)
    slopes = np.linalg.lstsq(table, found.kept - found.kept.mean(), rcond=None)[0]
    doubts = [Doubt(n, texts[n], float(slope**2 / variance)) for n, slope in zip(columns, slopes, strict=True)]
    luck = max(1 - float(found.kept.var()) / variance, 0.0)
    return sorted(doubts, key=lambda doubt: -doubt.share), luck
