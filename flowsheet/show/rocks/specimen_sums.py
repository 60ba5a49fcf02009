"""Amounts of gold in specimens, written out, and what is said of the sum of many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from flowsheet.show.text.figures import gold, sig, small_unit
from flowsheet.study.common.units_out import grams
from flowsheet.study.rocks.hydrostatic import AIR, FINENESS, METAL, WATER
from flowsheet.study.rocks.result import ONE_SIDE, Estimate, SpecimenGold, Specimens


def from_nothing(one: Estimate) -> Estimate:
    """Return an amount whose ends are not below nothing; its value stays, for the sum."""
    return replace(one, low=max(one.low, 0.0), high=max(one.high, 0.0))


def shown(one: Estimate) -> tuple[float, float, float]:
    """Return an amount and its ends, none of them below nothing."""
    return max(one.value, 0.0), max(one.low, 0.0), max(one.high, 0.0)


def signed(value: float) -> str:
    """Write a number to three digits, below nothing with its sign."""
    return f"−{sig(-value)}" if value < 0 else sig(value)


def span(one: Estimate) -> str:
    """Return an amount with its ends; what is below nothing is told as nothing there."""
    unit, of = small_unit(one.high)
    low = "0" if one.low <= 0 else sig(of(one.low))
    return f"{sig(of(max(one.value, 0.0)))} {unit} ({low} to {sig(of(max(one.high, 0.0)))})"


def sum_answers(found: Specimens) -> Iterator[tuple[str, str]]:
    """Return (question, answer) for all specimens together."""
    text = f"About {span(found.total)} of fine gold in {_so_many(len(found.counted))}"
    text += f", ± {gold(found.total.sd)} (one standard deviation)."
    if told := _in_common(found.counted):
        text += f" {told}: had each rock its own, it would be ± {gold(found.sd_if_independent)}."
    below = [one.gold.value for one in found.counted if one.gold.value < 0]
    if below:
        what = "One rock comes" if len(below) == 1 else f"{len(below)} rocks come"
        text += f" {what} out below nothing and counted as such ({signed(grams(sum(below)))} g): "
        text += "left out, the sum would be too large."
    if found.left_out:
        names = ", ".join(one.specimen.name for one in found.left_out)
        text += f" Left out, since such weights cannot be: {names}."
    yield "How much gold do they hold?", text
    shows = [one for one in found.counted if one.gold.value > one.smallest.decision]
    told = f"{len(shows)} of {len(found.counted)}"
    yield (
        "In which does gold show?",
        (
            f"{told} hold more than luck with the weights would show in a barren one (1 in 20 by luck alone). "
            f"“Can tell” is the gold that would be found 19 times in 20 (3.29 sd at no gold; {ONE_SIDE:.3f} sd decide)."
        ),
    )


def _so_many(count: int) -> str:
    return "one specimen" if count == 1 else f"{count} specimens"


def _in_common(found: Sequence[SpecimenGold]) -> str:
    """Say which doubts several rocks share, and whether they are the same; nothing where each rock has its own."""
    told, same = [], True
    for what, of_metal in (("host's", False), ("metal's", True)):
        causes = [{c for c, slope in one.slopes.items() if slope and c not in (AIR, WATER)
                   and (c in (METAL, FINENESS)) == of_metal} for one in found]  # fmt: skip
        if any(a & b for k, a in enumerate(causes) for b in causes[:k]):
            told.append(what)
            same &= len({one.specimen.fineness if of_metal else one.specimen.host.text for one in found}) == 1
    if not told:
        return ""
    which = f"The {' and the '.join(told)} doubt{'s' if len(told) > 1 else ''}"
    verb = ("are", "do") if len(told) > 1 else ("is", "does")
    if same:
        return f"{which} {verb[0]} the same for all rocks and {verb[1]} not average out"
    return f"{which} {verb[0]} taken to err the same way in rocks that differ, and {verb[1]} not average out"
