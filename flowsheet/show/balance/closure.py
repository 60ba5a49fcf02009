"""Closure in sentences: "scalp: 14.20 kg in, 14.18 kg out: 20 g (0.14 %) missing, which …"."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from flowsheet.show.text.figures import mass, percent
from flowsheet.spec.blocks.measurement import MASS
from flowsheet.spec.text.wording import listed
from flowsheet.study.balance.closure import Closing

#: Kilograms, and what they are called.
_SCALES = ((1e3, "t"), (1.0, "kg"), (1e-3, "g"), (1e-6, "mg"))
_NONE = 0.01
"""Standard deviations below which a gap is none."""


def sentence(found: Closing) -> str:
    """Return one balance in words; of one that is still open, what is to be weighed."""
    return _closed(found, ()) if found.closed else _open(found)


def sentences(found: Iterable[Closing]) -> list[str]:
    """Return the balances in words: those that close, then what is still to be weighed."""
    found = list(found)
    # What the whole lacks, its parts lack.
    parted = {balance.what for balance in found if not balance.whole}
    still_open = [b for b in found if not b.closed and not (b.whole and b.what in parted)]
    wrong = {b: name(b) for b in found if b.closed and not b.allowed and not b.whole}
    at = {what: [told for b, told in wrong.items() if b.what == what] for what in parted}
    closed = [_closed(b, at.get(b.what, ()) if b.whole else ()) for b in found if b.closed]
    return [*closed, *map(_open, still_open)]


def name(found: Closing) -> str:
    """Return what a balance goes round: "scalp", "scalp and look together", "the whole test"."""
    if found.whole and len(found.steps) > 1:
        return "the whole test"
    return found.steps[0] if len(found.steps) == 1 else f"{listed(found.steps)} together"


def _closed(found: Closing, parts: Sequence[str]) -> str:
    """Return a balance in words; ``parts`` of it are known to be where it goes wrong."""
    rock = "rock " if found.whole else ""
    what = rock if found.what == MASS else "gold "
    into, out = _both(found)
    words = f"{name(found)}: {what}{into} in, {out} out: {_gap(found)}"
    streams = [known.stream for known in (*found.into, *found.out) if not known.from_sheet or found.what != MASS]
    if not found.allowed and parts:
        words += f" It goes wrong at {listed(parts)}."
    elif not found.allowed:
        words += f" Check {listed(streams)}." if streams else ""
        if found.inside:
            words += f" To see in which step it went wrong, weigh {listed(found.inside)} too."
    sheet = [known.stream for known in found.into if known.from_sheet]
    if sheet:
        words += f" The mass of {listed(sheet)} is the sheet's."
    return words


def _gap(found: Closing) -> str:
    doubt = f"twice the {'scales' if found.what == MASS else 'weights'}' doubt of {mass(found.sd, 2)}"
    if abs(found.gap) <= _NONE * found.sd:
        return f"no gap (the doubt is {mass(found.sd, 2)})."
    share = f" ({percent(abs(found.share))})" if found.share is not None else ""
    gap = f"{mass(abs(found.gap), 2)}{share} {'missing' if found.gap > 0 else 'too much'}"
    return f"{gap}, which {doubt} allows." if found.allowed else f"{gap}, more than {doubt} allows."


def _both(found: Closing) -> tuple[str, str]:
    """Return what went in and out, in one unit and with as many decimals as the gap or the doubt asks for."""
    largest = max(found.came_in, found.came_out)
    scale, unit = next(((s, u) for s, u in _SCALES if largest >= s), _SCALES[-1])
    fine = max(abs(found.gap), found.sd) / scale
    decimals = min(max(-math.floor(math.log10(fine)), 0), 6) if fine > 0 else 2
    return f"{found.came_in / scale:,.{decimals}f} {unit}", f"{found.came_out / scale:,.{decimals}f} {unit}"


def _open(found: Closing) -> str:
    if found.what == MASS:
        return f"{name(found)}: weigh {listed(found.missing)} to see whether it closes."
    return (
        f"{name(found)}: to see whether its gold closes, find the gold of {listed(found.missing)} "
        "(mass and grade, a bead, or the gold itself)."
    )
