"""From which head grade on does working up pay? The sheet solved again for richer and poorer ore."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.totals import Tail, totals
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.study.common.monte_carlo import with_gold
from flowsheet.study.common.uncertain_inputs import inputs_with
from flowsheet.study.money.net_revenue import Basis, value
from flowsheet.study.money.route_flows import Carried, taken
from flowsheet.study.money.sales_routes import SalesRoute

FROM, TO = 1e-3, 1e3
"""Multiples of the sheet's grade between which a break-even is looked for."""
POINTS, ROUNDS = 33, 4
"""Grades solved at once, and how often the gap between two of them is looked into: 1.5e-5 of the grade at last."""


def rich_net(
    way: SalesRoute, sheet: Sheet, base: Carried, basis: Basis, mean: Carried | None = None
) -> Callable[[Array], Array]:
    """Return the function from multiples (K,) of the sheet's grade to what the way leaves, (K,).

    ``mean``: draws of which each stream has its rock and gold on average, at the sheet's grade; without them it has
    what the solve ``base`` gives it.
    """
    model = Model.of(way.sheet, sheet.openings)
    fed = float(base.solution.fed_gold)
    more = {name: (1.0, 1.0) if mean is None else _more(base, mean, name) for name in base.rock}

    def net(multiples: Array) -> Array:
        inputs = with_gold(model, inputs_with(model, {}, len(multiples)), fed * multiples)
        found = totals(model, inputs, Tail.of(model, inputs)).streams
        shape = (len(multiples),)
        rock = {name: np.broadcast_to(more[name][0] * one.solids, shape) for name, one in found.items()}
        by_grain = {
            n: np.broadcast_to(more[n][1] * one.by_grain, (*shape, one.by_grain.shape[-1])) for n, one in found.items()
        }
        takes = taken(way.sheet, rock, by_grain, base.silver)
        here = replace(base, rock=rock, by_grain=by_grain, taken=takes)
        return value(way.sales, sheet.worth, here, basis).net

    return net


def _more(base: Carried, mean: Carried, name: str) -> tuple[float, float]:
    """Return by how much a stream's rock, and its gold, is more on average than in one solve."""
    plain = float(base.rock[name].mean()), float(base.by_grain[name].sum(axis=-1).mean())
    drawn = float(mean.rock[name].mean()), float(mean.by_grain[name].sum(axis=-1).mean())
    rock, gold = (one / other if other > 0 else 1.0 for one, other in zip(drawn, plain, strict=True))
    return rock, gold


def break_even(net: Callable[[Array], Array], other: float = 0.0) -> float | None:
    """Return the multiple of the grade from which on ``net`` is above ``other``.

    0 where it is at any grade, None where it is at none that makes sense.
    """
    low, high = FROM, TO
    for turn in range(ROUNDS):
        at = np.geomspace(low, high, POINTS)
        pays = net(at) > other
        if turn == 0 and pays.all():
            return 0.0
        if not pays[-1]:
            return None
        last = int(np.flatnonzero(~pays)[-1]) if not pays.all() else 0
        low, high = float(at[last]), float(at[min(last + 1, POINTS - 1)])
    return float(np.sqrt(low * high))
