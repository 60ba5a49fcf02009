"""Draws of a sheet with some of its streams sold: what is sold and what each step takes, with the luck of grains."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import Solution, solve
from flowsheet.solve.totals import Tail, totals
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.compound_poisson import sample
from flowsheet.study.common.grain_lots import Lots
from flowsheet.study.common.monte_carlo import CHUNK, Progress, cluster, lots_of, with_gold
from flowsheet.study.common.uncertain_inputs import inputs_with
from flowsheet.study.estimate.corrected_draws import CorrectedDraws
from flowsheet.study.money.costs import Labour, labours
from flowsheet.study.money.sale_proceeds import Consignment

CELLS = 1024
"""Cells of the law that luck is drawn from."""


@dataclass(frozen=True)
class Carried:
    """What the streams of a sheet carry, kg; one draw for a plain solve."""

    solution: Solution
    #: Stream → rock (D,), and gold by grain class (D, S).
    rock: dict[str, Array]
    by_grain: dict[str, Array]
    #: Step → what it takes (D,), metal too: a cupel is fed with hardly anything else.
    taken: dict[str, Array]
    #: Step → what of it bears on its costs.
    works: dict[str, Labour]
    #: Stream → silver for one of gold.
    silver: dict[str, float]
    #: How the gold comes in each draw.
    lots: Lots

    def of_many(self, richer: Array) -> Carried:
        """Return the same per sack of many, where these are sacks that are ``richer`` (D,) than the mean of them.

        What a stream takes of a rich sack need not be in proportion (of rich rocks more are picked), so that each
        stream keeps the mean of all sacks, not what a mean sack gives it.
        """
        by_grain = {}
        for name, gold in self.by_grain.items():
            even = gold / richer[:, None]
            mean = even.sum()
            by_grain[name] = even * (gold.sum() / mean if mean > 0 else 1.0)
        takes = taken(self.solution.model.sheet, self.rock, by_grain, self.silver)
        return replace(self, by_grain=by_grain, taken=takes)

    def lot(self, streams: Iterable[str], scale: float, gold: dict[str, Array] | None = None) -> Consignment:
        """Return ``scale`` times what some streams carry; ``gold`` (scaled) in place of what is expected."""
        zero = np.zeros(next(iter(self.rock.values())).shape)
        mass, fine, silver = zero, zero, zero
        for stream in streams:
            mine = gold[stream] if gold is not None else scale * self.by_grain[stream].sum(axis=-1)
            other = mine * self.silver[stream]
            # An ore's mass is that of its rock; what is made of it weighs its metal too.
            metal = zero if stream in self.solution.model.sheet.ores else mine + other
            mass, fine, silver = mass + scale * self.rock[stream] + metal, fine + mine, silver + other
        return Consignment(mass, fine, silver)

    def lucky(self, streams: Iterable[str], expected: Array, scale: float, seed: int) -> dict[str, Array]:
        """Return the gold that luck puts into ``scale`` times each stream, (D,), where ``expected`` (D,) times are fed.

        The same seed gives lots of different ways the same luck.
        """
        found, mass = {}, self.lots.mass
        for stream in streams:
            gold = scale * expected[:, None] * self.by_grain[stream]
            if not mass.any():
                found[stream] = gold.sum(axis=-1)
                continue
            gold = self.lots.apart(gold, np.arange(len(gold)))
            rng = np.random.default_rng((seed, 3))
            parts = [gold[at : at + CHUNK] for at in range(0, len(gold), CHUNK)]
            found[stream] = np.concatenate([sample(mass, part / mass, 1, rng, CELLS)[:, 0] for part in parts])
        return found


def carried(sheet: Sheet, openings: Iterable[float], gathered: CorrectedDraws | None, draws: int,
            progress: Progress = iter) -> Carried:  # fmt: skip
    """Solve a sheet once (``gathered`` None), or for the draws of another with the same ores."""
    model = Model.of(sheet, openings)
    if gathered is None:
        return plainly(solve(model))
    solution = solve(model)
    names = [*sheet.ores, *sheet.makers]
    rock, by_grain = _drawn(model, names, gathered, draws, progress)
    return _carried(solution, names, rock, by_grain, gathered.found.lots.at(draws))


def plainly(solution: Solution) -> Carried:
    """Return what the streams of a plain solve carry, as one draw."""
    sheet = solution.model.sheet
    names = [*sheet.ores, *sheet.makers]
    rock = {name: np.atleast_1d(solution.streams[name].solids) for name in names}
    by_grain = {name: np.atleast_2d(solution.streams[name].gold_by_grain) for name in names}
    return _carried(solution, names, rock, by_grain, lots_of(solution.model, np.full(1, cluster(solution.model))))


def _carried(
    solution: Solution, names: list[str], rock: dict[str, Array], by_grain: dict[str, Array], lots: Lots
) -> Carried:
    """Return what streams carry, the gold in ``lots`` of D draws."""
    sheet = solution.model.sheet
    silver = {name: _ratio(float(solution.silver.streams[name]), float(solution.streams[name].gold)) for name in names}
    takes = taken(sheet, rock, by_grain, silver)
    return Carried(solution, rock, by_grain, takes, labours(solution), silver, lots)


def taken(sheet: Sheet, rock: dict[str, Array], by_grain: dict[str, Array], silver: dict[str, float]
          ) -> dict[str, Array]:  # fmt: skip
    """Return what each step takes, kg, (D,): rock, and the metal of what other steps made."""

    def mass(stream: str) -> Array:
        metal = 0.0 if stream in sheet.ores else 1 + silver[stream]
        return np.asarray(rock[stream] + metal * by_grain[stream].sum(axis=-1))

    return {name: np.asarray(sum(mass(stream) for stream in step.takes)) for name, step in sheet.steps.items()}


def _drawn(
    model: Model, names: list[str], gathered: CorrectedDraws, draws: int, progress: Progress
) -> tuple[dict[str, Array], dict[str, Array]]:
    rock = {name: np.zeros(draws) for name in names}
    by_grain = {name: np.zeros((draws, len(model.grid))) for name in names}
    gold = np.broadcast_to(gathered.found.fed, draws)
    tail: Tail | None = None
    for start in progress(range(0, draws, CHUNK)):
        here = slice(start, min(start + CHUNK, draws))
        values = {n: v[here] if v.ndim else v for n, v in gathered.values.items()}
        inputs = with_gold(model, inputs_with(model, values, here.stop - start), gold[here])
        tail = tail or Tail.of(model, inputs)
        found = totals(model, inputs, tail).streams
        for name in names:
            rock[name][here] = found[name].solids
            by_grain[name][here] = found[name].by_grain
    return rock, by_grain


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else 0.0
