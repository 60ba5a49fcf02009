"""A fit as a miner would say it: what the weights moved, what they say nothing of, and whether they agree with it."""

from __future__ import annotations

from collections.abc import Iterator

from flowsheet.show.text.figures import length, percent, sig
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, PICKED, Measurement
from flowsheet.spec.text.wording import listed
from flowsheet.study.estimate.fit import FAR, Fitted, Parameter, StepSlack
from flowsheet.study.estimate.next_look import Confounded, Weighing

A_LITTLE = 0.1
"""Masses below this (kg) are told in grams."""

#: What a measurement is told in: unit, SI per unit.
_UNITS = {MASS: ("kg", 1.0), GRADE: ("g/t", 1e-6), GOLD: ("g", 1e-3), BEAD: ("g", 1e-3), PICKED: ("g", 1e-3),
          PASSING: ("%", 0.01), GRAINS: ("", 1.0)}  # fmt: skip


def unit_of(m: Measurement) -> tuple[str, float]:
    """Return the unit that a measurement is told in, and how much of SI one of it is."""
    return ("g", 1e-3) if m.what == MASS and m.value < A_LITTLE else _UNITS[m.what]


def before(one: Parameter) -> str:
    """Return a number as it was: as the sheet writes it, with the doubt that is assumed where it writes none."""
    number = one.number
    return number.text if number.doubtful else f"{number.text} (± {number.rewritten(one.before, one.before_sd).doubt})"


def after(one: Parameter) -> str:
    """Return a number as it is now; as it was, where the weights say nothing of it."""
    if one.below:
        return f"less than {one.number.told(one.high, one.sd)}"
    return one.number.rewritten(one.value, one.sd).text if one.moved else one.number.text


def between(one: Parameter) -> str:
    """Return the interval of a number, in its own unit: "19.1 to 23.4 g/t"."""
    return f"{one.number.told(one.low, one.sd).digits} to {one.number.told(one.high, one.sd)}"


def verdict(one: Parameter | StepSlack) -> str:
    """Say what the weights did to a number: it stands behind "the weights"."""
    if isinstance(one, Parameter) and one.weighed:
        return "weigh it"
    return "moved it" if one.moved else "are silent"


def answers(found: Fitted) -> list[tuple[str, str]]:
    """Return (question, answer) for what was learnt, what was not, and whether the estimate agrees with the weights."""
    texts = [
        ("What did the weights teach?", " ".join(learnt(found))),
        ("What did they not tell?", " ".join(untold(found))),
        ("Does the estimate agree with the weights?", " ".join(fits(found))),
    ]
    return [(question, answer) for question, answer in texts if answer]


def learnt(found: Fitted) -> Iterator[str]:
    """Say what the weights moved, most of all first."""
    moved = sorted((one for one in found.parameters if one.moved), key=lambda one: -one.told)
    steps = list(dict.fromkeys(one.step for one in found.slacks if one.moved))
    if not moved and not steps:
        yield "Nothing: every number stayed as it was."
        return
    for one in moved:
        yield f"{one.name} is {after(one)} ({'weighed; the sheet' if one.weighed else 'before'}: {before(one)})."
    if steps:
        yield f"They also moved how {listed(steps)} part{'s' if len(steps) == 1 else ''} what comes in (table below)."


def untold(found: Fitted) -> Iterator[str]:
    """Say what the weights could not tell apart, what they say nothing of, and which weighing would."""
    for one in found.tied:
        yield _tied(one)
    for advice in found.advice:
        yield _advised(advice)


def _tied(one: Confounded) -> str:
    how = "both may be higher, or both lower" if one.correlation > 0 else "one may be higher if the other is lower"
    r = sig(one.correlation, 2).replace("-", "−")
    return f"{listed(list(one.names))} are told together: {how} (correlation {r})."


def _advised(advice: Weighing) -> str:
    names = listed(list(advice.names))
    it = "it stays" if len(advice.names) == 1 else "they stay"
    said = f"Nothing in the weights says anything of {names}"
    if advice.takes is None:
        return f"{said}, and no single weighing of a stream would: {it} as you put it."
    return f"{said}: {_weighing(advice)} (that would take away {percent(advice.takes)} of its variance)."


def _weighing(advice: Weighing) -> str:
    size = length(advice.size or 0.0)
    if advice.what == PASSING:
        return f"sieve {advice.stream} at {size} and weigh what passes"
    if advice.what == GRAINS:
        return f"count the gold grains of {size} and more in {advice.stream}"
    return f"have {advice.stream} assayed" if advice.what == GRADE else f"weigh {advice.stream}"


def fits(found: Fitted) -> Iterator[str]:
    """Say whether the estimate and the weights agree, and which weights are off where they do not."""
    off = sorted((c for c in found.checked if abs(c.off) > FAR), key=lambda c: -abs(c.off))
    if not off:
        yield f"Yes: no weight is off by more than {sig(FAR, 2)} of both their standard deviations."
    for c in off:
        m = c.measurement
        unit, scale = unit_of(m)
        test = f" of {m.test}" if m.test else ""
        yield (
            f"No: {m.name}{test} was weighed as {_amount(m.value / scale, unit)}, and the estimate has "
            f"{_amount(c.fitted / scale, unit)}, {sig(abs(c.off), 2)} standard deviations off. Check that weight, and "
            "what the sheet says of the steps before it (flowsheet reconcile)."
        )


def _amount(value: float, unit: str) -> str:
    return f"{sig(value, 4)} {unit}".rstrip()
