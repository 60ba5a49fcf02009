"""The estimate that fit wrote: names that the sheet has, a covariance that can be one, draws that belong to them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from flowsheet.spec.blocks.factors import OutletFactors
from flowsheet.spec.blocks.fields import Block
from flowsheet.spec.blocks.fitted_estimate import CAUGHT, CLUSTER, GRAINS_OFF, FittedEstimate, again, digest, way_name
from flowsheet.spec.blocks.measurement import Measurement, picked_from
from flowsheet.spec.blocks.slack import SIDES
from flowsheet.spec.checks.draft import Draft, beginnings
from flowsheet.spec.text.mistakes import Mistake, nearest
from flowsheet.spec.text.notes import Note, note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.yaml.marked_document import Path_

ALIKE = 1e-6
"""By how much, relative, a covariance may miss being symmetric, or being one at all: it is written in some digits."""
TIED = 1e-3
"""By how much the correlation of the draws may be off the one that stands there."""
WEIGHTS_CHANGED = "weights_changed_since_fit"


def fitted_is_of_this_sheet(draft: Draft) -> Iterator[Mistake]:
    """Each name of the estimate is a number, a slack or a stream that the sheet has."""
    found = draft.fitted
    if found is None or not draft.whole(("fitted",)) or not draft.whole(("steps",)):
        return
    ways = set(_ways(draft, found))
    for i, name in enumerate(found.names):
        if name in (CLUSTER, GRAINS_OFF) or _without_number(name) in ways:
            continue
        if _is_slack(draft, name) or _number_at(draft, name):
            continue
        like = nearest(name, (*_known(draft), *ways))
        yield draft.document.mistake(
            ("fitted", "names", i),
            "the sheet has nothing of this name, so the estimate is that of another sheet",
            f'Did you mean "{like}"? {again()}' if like is not None else again(),
            code="fitted_name_unknown",
        )


def fitted_is_an_estimate(draft: Draft) -> Iterator[Mistake]:
    """Means and covariance are of as many names, and it is one: square, symmetric, of no negative spread."""
    found = draft.fitted
    if found is None or not draft.whole(("fitted",)):
        return
    count = len(found.names)

    def wrong(path: Path_, message: str, code: str) -> Mistake:
        return draft.document.block_mistake(("fitted", *path), message, again(), code=code)

    twice = {name for name in found.names if found.names.count(name) > 1}
    sizes = [("mean", len(found.mean)), ("covariance", len(found.covariance))]
    odd = [(name, size) for name, size in sizes if size != count]
    for name, size in odd:
        yield wrong((name,), f"there are {size} rows here, and {count} names", "fitted_rows_differ")
    for i, row in enumerate(found.covariance):
        if len(row) != len(found.covariance):
            message = f"the covariance is not square: this row has {len(row)} numbers, of {len(found.covariance)}"
            yield wrong(("covariance", i), message, "covariance_not_square")
            return
    if twice:
        yield wrong(("names",), f"{min(twice)} stands there twice", "fitted_name_twice")
    if odd or twice:
        return
    import numpy as np

    table = np.array(found.covariance).reshape(count, count)
    sd = np.sqrt(np.maximum(np.diag(table), 0.0))
    scale = np.where(sd > 0, sd, 1.0)
    ties = table / np.outer(scale, scale)
    if np.any(np.abs(ties - ties.T) > ALIKE):
        i = int(np.argmax(np.abs(ties - ties.T).max(axis=1)))
        yield wrong(("covariance", i), "the covariance differs from itself, read down and across", "covariance_uneven")
    elif np.any(np.diag(table) < 0) or (count and np.linalg.eigvalsh(ties).min() < -ALIKE * count):
        yield wrong(("covariance",), "no numbers can vary so together (it is not positive)", "covariance_not_positive")
    else:
        yield from _of_its_draws(found, ties, sd, wrong)


def _of_its_draws(found: FittedEstimate, ties: Any, sd: Any, wrong: Any) -> Iterator[Mistake]:
    import numpy as np

    try:
        drawn = np.stack(list(found.table().values())) if found.names else np.zeros((0, 1))
    except ValueError:
        yield wrong(("draws",), "these are not the draws of so many names", "fitted_draws_unreadable")
        return
    some = sd > 0
    mine = np.corrcoef(drawn[some]) if some.sum() > 1 else np.ones((int(some.sum()),) * 2)
    if np.any(np.abs(mine - ties[np.ix_(some, some)]) > TIED):
        yield wrong(("covariance",), "the draws vary otherwise: a number was changed by hand", "fitted_draws_differ")


def notes_on_fitted(fitted: FittedEstimate | None, measured: Iterable[Measurement]) -> Iterator[Note]:
    """Say that other things stand in the weights than when the estimate was made."""
    if fitted is not None and fitted.weights != digest(measured):
        sentence = (
            "the weights were changed since this sheet was fitted, and are not read again: fit the sheet that it was "
            "made of once more (flowsheet fit), and they count."
        )
        yield note(WEIGHTS_CHANGED, sentence)


def _ways(draft: Draft, found: FittedEstimate) -> Iterator[str]:
    taken = {stream for _, stream, _ in draft.takes()}
    streams = (*draft.ores, *(given for _, _, given, _ in draft.gives()))
    ends = [stream for stream in streams if stream not in taken]
    for test in found.tests:
        for band in range(len(found.openings) + 1):
            for end in (*ends, CAUGHT, *map(picked_from, streams)):
                yield way_name(test.name, end, band)


def _without_number(name: str) -> str:
    """Return the name of what a loop has caught without its place: how many there are only a solve tells."""
    return re.sub(rf" in {CAUGHT} \d+", f" in {CAUGHT}", name)


def _is_slack(draft: Draft, name: str) -> bool:
    for step in beginnings(name):
        rest = name.removeprefix(f"{step}.slack.").partition(".")
        if step in draft.steps and name.startswith(f"{step}.slack.") and rest[0] in SIDES:
            block = draft.steps[step]
            return block is None or rest[2] in block.outlets
    return False


def _number_at(draft: Draft, name: str) -> bool:
    """Whether a name ("ore.gold.d50", "wash.recovery.bead.0") leads to a number."""
    for top in beginnings(name):
        ore = top.removeprefix("ores.") if top.startswith("ores.") else "ore" if top == "ore" else None
        block: Any = draft.ores.get(ore) if ore in draft.ores else draft.steps.get(top)
        if (ore in draft.ores or top in draft.steps) and (block is None or _leads(block, name[len(top) + 1 :])):
            return True
    return False


def _leads(block: Any, path: str) -> bool:
    if isinstance(block, Number):
        return not path
    if isinstance(block, OutletFactors):
        return any(
            path == (outlet if len(bands) == 1 else f"{outlet}.{i}")
            for outlet, bands in block.outlets.items()
            for i in range(len(bands))
        )
    first, _, rest = path.partition(".")
    if isinstance(block, list):
        return first.isdecimal() and int(first) < len(block) and _leads(block[int(first)], rest)
    return isinstance(block, Block) and first in type(block).model_fields and _leads(getattr(block, first), rest)


def _known(draft: Draft) -> list[str]:
    """Return names near which a misspelt one may lie: fields of ores and steps that hold numbers."""
    blocks = [(".".join(map(str, draft.ore_path(n))), ore) for n, ore in draft.ores.items()] + list(draft.steps.items())
    return [
        f"{name}.{field}"
        for name, block in blocks
        if block is not None
        for field in type(block).model_fields
        if isinstance(getattr(block, field), Number)
    ]
