"""How sure am I, and would another sack say the same? Doubt in the numbers and luck with grains, joined.

Doubt is drawn (``drawn``); luck is worked out exactly for each draw (``luck``): no grain is simulated. What was
weighed corrects both: the grade by the balance (``known_ore``), the other numbers by the fit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model, draw
from flowsheet.solve.propagate import Solution, solve
from flowsheet.spec.mistakes import Mistake, SheetError
from flowsheet.spec.numbers import Number
from flowsheet.spec.schema import Sheet
from flowsheet.study.coarse import openings
from flowsheet.study.doubts import doubtful
from flowsheet.study.drawn import Drawn, Progress, cluster, drawn
from flowsheet.study.gy import Gy, fundamental_error
from flowsheet.study.known_ore import KnownOre, known_ore
from flowsheet.study.luck import Spread, sample, spread

DRAWS = 2000
SHARES, TRIES = 60, 12_000
"""A share of two lots of gold is read from so many draws' laws, and from a sample of this size."""
SHARE_CELLS = 1024
GRADE = "what the weights leave open of the grade"
"""How the ranked doubts call the grade's, where it was weighed."""


@dataclass(frozen=True)
class Interval:
    """What is known of an amount: nine chances in ten that it lies between p5 and p95."""

    mean: float
    sd: float
    p5: float
    p50: float
    p95: float

    @classmethod
    def of_draws(cls, draws: Array, scale: float = 1.0) -> Interval:
        """Return the interval of a sample, times ``scale``."""
        low, middle, high = scale * np.quantile(draws, (0.05, 0.5, 0.95))
        return cls(scale * float(draws.mean()), scale * float(draws.std()), float(low), float(middle), float(high))


@dataclass(frozen=True)
class Doubt:
    """A number with doubt, and its part in the variance of the gold kept."""

    name: str
    text: str
    share: float


@dataclass(frozen=True)
class Chance:
    """All that ``chance`` tells; amounts of gold in g, grades in g/t, shares of all gold fed."""

    streams: dict[str, Interval]
    #: Of the ore, as far as it is known; and of the next sack from it, with the luck of its grains.
    head_grade: Interval
    sack_grade: Interval
    kept: Interval
    kept_share: Interval
    #: Opening (mm) → share of the gold above it: of the ore where it was weighed, else of the next sack.
    coarse: dict[float, Interval]
    coarse_weighed: tuple[float, ...]
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
    #: What the weights told of the grade; None where they did not.
    weighed: KnownOre | None
    fitted: bool
    draws: int
    seed: int
    closure: float
    notes: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "streams": {name: {"gold_g": asdict(interval)} for name, interval in self.streams.items()},
            "next_sack": {
                "less_than_half": self.less_than_half,
                "more_than_double": self.more_than_double,
                "mean_g": 1e3 * self.next_mean,
                "quantiles_g": {f"p{p}": 1e3 * self.next_sack.quantile(p / 100) for p in (5, 25, 50, 75, 95)},
            },
            "head_grade_g_per_t": asdict(self.head_grade),
            "sack_grade_g_per_t": asdict(self.sack_grade),
            "kept": {"gold_g": asdict(self.kept), "share": asdict(self.kept_share)},
            "coarse": [
                {"opening_mm": mm, "gold_share": asdict(interval), "weighed": mm in self.coarse_weighed}
                for mm, interval in self.coarse.items()
            ],
            "doubts": [asdict(doubt) for doubt in self.doubts],
            "luck_share": self.luck_share,
            "fundamental_error": {"by_grains": self.by_grains, "by_gy": asdict(self.by_gy)},
            "weighed": self.weighed is not None,
            "fitted": self.fitted,
            "draws": self.draws,
            "seed": self.seed,
            "closure": self.closure,
            "notes": self.notes,
        }


def chance(sheet: Sheet, draws: int = DRAWS, seed: int = 1, progress: Progress = iter) -> Chance:
    """Join doubt and luck of a sheet. Raises SheetError where it knows no gold grains."""
    model = Model.of(sheet)
    solution = solve(model)
    if not model.grains_known or float(solution.fed_gold) <= 0:
        remedy = "Give the ore a grade, sizes: {top: …, p80: …} and gold: {d50: …, d95: …}"
        message = "the luck of grains needs to know the gold and its grains"
        raise SheetError([Mistake(message, remedy, file=sheet.file, line=0)])
    rng = np.random.default_rng(seed)
    numbers = doubtful(sheet)
    values = {name: draw(number, draws, rng) for name, number in numbers.items()}
    notes: list[str] = []
    fitted = _fit(sheet, values, draws, seed, notes) if sheet.weighed else False
    weighed = _weighed(sheet, solution) if sheet.weighed else None
    gold = None
    if weighed is not None:
        rock = sum((values.get(n, np.asarray(o.mass.value)) for n, o in _masses(sheet).items()), np.zeros(draws))
        gold = weighed.grade.draws(rng, draws) * rock
        notes.append("the grade is that of the weights; the sheet's own guess of it is not used.")
    many = draws if numbers or gold is not None else 1
    found = drawn(model, values, many, openings(model), gold, progress)
    return _answers(model, solution, found, numbers, values, weighed, fitted, seed, rng, notes)


def _masses(sheet: Sheet) -> dict[str, Any]:
    """Return each ore by the name of its mass."""
    one = list(sheet.ores) == ["ore"]
    return {"ore.mass" if one else f"ores.{name}.mass": ore for name, ore in sheet.ores.items()}


def _weighed(sheet: Sheet, solution: Solution) -> KnownOre | None:
    """Return what the balance of the weights tells of the ore; None where it tells nothing."""
    from flowsheet.study.reconcile import reconcile_sheet
    from flowsheet.study.weights_problem import USED

    if not any(m.what in USED for m in sheet.weighed):
        return None
    return known_ore(solution, reconcile_sheet(sheet, look_further=False), luck_mass(solution))


def _fit(sheet: Sheet, values: dict[str, Array], draws: int, seed: int, notes: list[str]) -> bool:
    """Draw the doubtful numbers anew from what the fit to the weights leaves of their doubt, where it can be made."""
    from flowsheet.study.fit import fit

    if not values:
        return False
    try:
        fitted = fit(sheet, sheet.weighed, seed, look_further=False)
    except SheetError as wrong:
        notes.append(f"the doubtful numbers could not be fitted to the weights: {wrong.mistakes[0].message}.")
        return False
    drawn_anew = fitted.posterior.draws(draws, seed)
    for i, parameter in enumerate(fitted.parameters):
        if parameter.unknown.test is None and not parameter.jumps:
            values[parameter.name] = drawn_anew[:, i]
    return True


def luck_mass(solution: Solution) -> Array:
    """Return the gold in one grain, or cluster of grains, of each class, kg, (S,)."""
    from flowsheet.ore import grains

    model = solution.model
    fineness = np.asarray(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    return np.asarray(cluster(model) * grains.grain_mass(model.grid.size, fineness))


def _answers(
    model: Model,
    solution: Solution,
    found: Drawn,
    numbers: Mapping[str, Number],
    values: Mapping[str, Array],
    weighed: KnownOre | None,
    fitted: bool,
    seed: int,
    rng: np.random.Generator,
    notes: list[str],
) -> Chance:
    sheet, mass = model.sheet, found.mass
    fed, kept = _sum(found.by_grain, list(sheet.ores)), _sum(found.by_grain, sheet.keep)
    whole = spread(mass, fed / mass)
    mean, rock = float(found.fed.mean()), float(found.rock.mean())
    coarse = {round(1e3 * size, 9): _share(mass, part, fed, rng) for size, part in found.above.items()}
    told = weighed.coarse if weighed is not None else {}
    coarse.update({mm: Interval.of_draws(known.draws(rng, TRIES)) for mm, known in told.items()})
    kept_law = _of(mass, kept, found.kept)
    doubts, luck_share = _rank(numbers, values, found, kept_law.sd * 1e-3, weighed is not None)
    return Chance(
        streams={name: _stream(mass, by_grain, found, name) for name, by_grain in found.by_grain.items()},
        head_grade=Interval.of_draws(found.fed / found.rock, 1e6),
        sack_grade=_of(mass, fed, found.fed, 1e6 / rock),
        kept=kept_law,
        kept_share=_share(mass, kept, fed, rng),
        coarse=coarse,
        coarse_weighed=tuple(told),
        less_than_half=whole.below(0.5 * mean),
        more_than_double=1 - whole.below(2 * mean),
        next_sack=whole,
        next_mean=mean,
        doubts=doubts,
        luck_share=luck_share,
        by_grains=_luck_alone(solution, mass),
        by_gy=fundamental_error(solution),
        weighed=weighed,
        fitted=fitted,
        draws=len(found.fed),
        seed=seed,
        closure=found.closure,
        notes=notes,
    )


def _stream(mass: Array, by_grain: Array, found: Drawn, name: str) -> Interval:
    """Return the interval of a stream's gold, g."""
    law, moments = spread(mass, by_grain / mass), found.moments[name]
    low, middle, high = (1e3 * law.quantile(share) for share in (0.05, 0.5, 0.95))
    return Interval(1e3 * moments.mean, 1e3 * math.sqrt(moments.variance), low, middle, high)


def _of(mass: Array, by_grain: Array, gold: Array, scale: float = 1e3) -> Interval:
    """Return the interval of several streams' gold together, (E, S) kg of some draws and (D,) of all."""
    law = spread(mass, by_grain / mass)
    low, middle, high = (scale * law.quantile(share) for share in (0.05, 0.5, 0.95))
    sd = math.sqrt(float(gold.var()) + float((by_grain @ mass).mean()))
    return Interval(scale * float(gold.mean()), scale * sd, low, middle, high)


def _sum(by_grain: Mapping[str, Array], names: Sequence[str]) -> Array:
    return np.asarray(sum(by_grain[name] for name in names))


def _share(mass: Array, part: Array, whole: Array, rng: np.random.Generator) -> Interval:
    """Return the share of ``part`` in ``whole`` (E, S): two independent lots of grains, for each draw of the doubt.

    The two laws are exact; their ratio is read from a sample of both.
    """
    chosen = rng.permutation(len(part))[:SHARES]
    tries = -(-TRIES // len(chosen))
    rest = np.maximum(whole[chosen] - part[chosen], 0.0)
    inside = sample(mass, part[chosen] / mass, tries, rng, SHARE_CELLS)
    outside = sample(mass, rest / mass, tries, rng, SHARE_CELLS)
    total = inside + outside
    return Interval.of_draws(np.divide(inside, total, out=np.zeros_like(total), where=total > 0))


def _rank(
    numbers: Mapping[str, Number], values: Mapping[str, Array], found: Drawn, sd_kept: float, weighed: bool
) -> tuple[list[Doubt], float]:
    """Return each number's part in the variance of the gold kept (luck included), and the part of luck.

    Squared coefficients of a linear regression on the standardised draws. Source: A. Saltelli et al., Global
    Sensitivity Analysis: The Primer (2008), section 1.2.5.
    """
    variance = sd_kept**2
    columns = {name: value for name, value in values.items() if value.ndim and value.std() > 0}
    texts = {name: str(numbers[name]) for name in columns}
    if weighed:
        columns[GRADE], texts[GRADE] = found.fed / found.rock, ""
        columns = {name: value for name, value in columns.items() if not name.endswith(".grade")}
    if not columns or variance <= 0:
        return [], 1.0 if variance > 0 else 0.0
    table = np.stack([(v - v.mean()) / v.std() for v in columns.values()], axis=-1)
    slopes = np.linalg.lstsq(table, found.kept - found.kept.mean(), rcond=None)[0]
    doubts = [Doubt(n, texts[n], float(slope**2 / variance)) for n, slope in zip(columns, slopes, strict=True)]
    luck = max(1 - float(found.kept.var()) / variance, 0.0)
    return sorted(doubts, key=lambda doubt: -doubt.share), luck


def _luck_alone(solution: Solution, mass: Array) -> float:
    """Return the relative standard deviation of the gold fed by counting grains: √(Σ λ m²) / Σ λ m."""
    feed = np.sum([solution.streams[name].gold_by_grain for name in solution.model.sheet.ores], axis=0)
    return math.sqrt(float((feed * mass).sum())) / float(feed.sum())
