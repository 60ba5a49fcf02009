"""A fit as a miner would say it: what the weights taught, what they did not tell, and whether the sheet fits them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from flowsheet.show.text.figures import length, percent, sig
from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, GRAINS, MASS, PASSING, Measurement
from flowsheet.spec.text.wording import listed
from flowsheet.study.estimate.fit import ALARM, Fitted, Parameter
from flowsheet.study.estimate.identifiability import Confounded, Weighing
from flowsheet.study.estimate.laplace_posterior import Profile

MUCH, SOME = 0.75, 0.4
"""Shares of the prior's variance from which on the weights told much (half of the doubt is left, or less), or some."""
FAR = 2.0
"""A number that went further than this (in prior standard deviations) is told."""
LOPSIDED = 0.2
"""An end of an interval that the profile moves by more than this share of its width is told."""
A_LITTLE = 0.1
"""Masses below this (kg) are told in grams."""

Profiles = Mapping[str, Profile]

#: What a measurement is told in: unit, SI per unit.
_UNITS = {MASS: ("kg", 1.0), GRADE: ("g/t", 1e-6), GOLD: ("g", 1e-3), BEAD: ("g", 1e-3), PASSING: ("%", 0.01),
          GRAINS: ("", 1.0)}  # fmt: skip


def unit_of(m: Measurement) -> tuple[str, float]:
    """Return the unit that a measurement is told in, and how much of SI one of it is."""
    return ("g", 1e-3) if m.what == MASS and m.value < A_LITTLE else _UNITS[m.what]


def between(one: Parameter, low: float, high: float) -> str:
    """Return an interval of a number as text, in its own unit: "19.1 to 23.4 g/t"."""
    number = one.unknown.number
    return f"{number.told(low, one.sd).digits} to {number.told(high, one.sd)}"


def told(one: Parameter) -> str:
    """Say in a word or two how much the weights told of a number."""
    if not one.informed:
        return "nothing"
    much = "much" if one.told >= MUCH else "some" if one.told >= SOME else "a little"
    return f"{much}, {100 * one.told:.0f} %"


def answers(found: Fitted, profiles: Profiles | None = None) -> list[tuple[str, str]]:
    """Return (question, answer) for what was learnt, what was not, and whether the sheet fits."""
    texts = [
        ("What did the weights teach?", " ".join(learnt(found))),
        ("What did they not tell?", " ".join(untold(found))),
        ("Does the fitted sheet fit the weights?", " ".join(fits(found))),
    ]
    if profiles:
        texts.append(("Are the intervals lopsided?", lopsided(found, profiles)))
    return [(question, answer) for question, answer in texts if answer]


def learnt(found: Fitted) -> Iterator[str]:
    """Say what the weights taught, most of all first."""
    informed = sorted((one for one in found.own if one.informed), key=lambda one: -one.told)
    if not informed:
        yield "Nothing: every number stayed as it was."
        return
    for one in informed:
        yield _learnt(one)
    if found.evidence.model.grains_known and any(c.luck_sd > 0 for c in found.checked):
        sacks = "sacks" if len(found.evidence.tests) > 1 else "sack"
        yield f"The doubt that is left holds the luck of the {sacks}: which grains happened to be in."


def _learnt(one: Parameter) -> str:
    number = one.unknown.number
    before = "weighed" if one.unknown.stated else "before"
    text = f"{one.name} is {number.rewritten(one.value, one.sd).text} ({before}: {number.text})."
    if one.bound:
        how = "higher" if one.bound == "upper" else "lower"
        return f"{text} That is its {one.bound} bound: the weights would have it {how} still, so look what is amiss."
    off = abs(one.value - number.value) / number.sd
    if not one.unknown.even and off > FAR:
        return f"{text} That is {sig(off, 2)} of your standard deviations off: was the guess too sure?"
    return text


def untold(found: Fitted) -> Iterator[str]:
    """Say what the weights could not tell apart, what they did not tell, and which weighing would."""
    for tangle in found.tangles:
        yield _tangled(tangle)
    for one in found.own:
        if one.bound and not one.informed:
            yield (
                f"{one.name} was put at its {one.bound} bound, but the weights hardly tell it: "
                f"{between(one, one.low, one.high)} does nearly as well."
            )
    jumping = [one.name for one in found.own if one.jumps]
    for advice in found.advice:
        yield _advised(advice)
    if jumping:
        yield (
            f"{listed(jumping)}: not fitted, since what was weighed moves with it only in jumps, from one size class "
            "to the next. Try other values yourself, with flowsheet try."
        )


def _tangled(tangle: Confounded) -> str:
    names = tangle.names
    if len(names) == 2:
        how = "both may be higher, or both lower" if tangle.signs[1] > 0 else "one may be higher if the other is lower"
        r = sig(tangle.correlation * tangle.signs[1], 2).replace("-", "−")
        if not tangle.open:
            return f"{listed(list(names))} are known well, but only together: {how} (correlation {r})."
        return f"{listed(list(names))} cannot be told apart by what was weighed: {how} (correlation {r})."
    against = [n for n, s in zip(names, tangle.signs, strict=True) if s < 0]
    with_first = [n for n, s in zip(names, tangle.signs, strict=True) if s > 0]
    how = f"{listed(with_first)} may be higher if {listed(against)} {_are(against)} lower"
    how = how if against else "all may be higher, or all lower"
    return f"{listed(list(names))} cannot be told apart by what was weighed: {how}."


def _are(names: list[str]) -> str:
    return "is" if len(names) == 1 else "are"


def _advised(advice: Weighing) -> str:
    names, it = listed(list(advice.names)), "it stays" if len(advice.names) == 1 else "they stay"
    if advice.takes is None:
        return f"Next to nothing told of {names}, and no single weighing of a stream would: {it} as you put it."
    share = percent(advice.takes)
    return f"Next to nothing told of {names}: {_weighing(advice)} (that would take away {share} of its variance)."


def _weighing(advice: Weighing) -> str:
    size = length(advice.size or 0.0)
    if advice.what == PASSING:
        return f"sieve {advice.stream} at {size} and weigh what passes"
    if advice.what == GRAINS:
        return f"count the gold grains of {size} and more in {advice.stream}"
    return f"have {advice.stream} assayed" if advice.what == GRADE else f"weigh {advice.stream}"


def fits(found: Fitted) -> Iterator[str]:
    """Say whether the fitted sheet explains what was weighed, and what to look at where it does not."""
    measure = f"χ² {sig(found.chi2, 3)} with {found.dof} to be expected"
    if found.dof <= 0:
        yield "There are no more weights than numbers to fit, so nothing checks them: weigh more."
    elif found.p >= ALARM:
        yield f"Yes: chance alone makes as large a misfit in {percent(found.p)} of tests ({measure})."
    else:
        yield (
            f"No: chance alone makes as large a misfit in {percent(found.p)} of tests ({measure}), so the numbers "
            "above may be wrong by more than their doubt."
        )
        yield _points_at(found)
    if not found.settled:
        yield "The search for the best numbers had not settled, so take them with care."
    for one in (one for one in found.own if one.unknown.stated):
        yield (
            f"{one.name} was weighed, so that weight counts ({one.unknown.number.text}) in place of what the sheet "
            f"says ({one.unknown.stated}): they would be one weighing counted twice."
        )
    if found.evidence.unused:
        names = listed([m.name for m in found.evidence.unused])
        yield f"Not used: {names}, since the ore gives no sizes or no gold grains."
    if not found.evidence.model.grains_known and any(c.measurement.what in (GRADE, GOLD, BEAD) for c in found.checked):
        yield (
            "The sheet does not know the gold grains, so the luck of the sack is not in the doubt: add "
            "gold: {d50: …, d95: …} and sizes: to the ore."
        )


def _points_at(found: Fitted) -> str:
    from statistics import NormalDist

    checked = [c for c in found.checked if not math.isnan(c.suspicion)]
    # The limit of one in twenty, shared among all that are looked at (Šidák).
    limit = NormalDist().inv_cdf(0.5 + 0.5 * (1 - ALARM) ** (1 / max(len(checked), 1)))
    suspects = [c for c in checked if abs(c.suspicion) > limit]
    if not suspects:
        return "It points at no weight in particular: look for a step that the sheet leaves out, or a guess too sure."
    worst = max(suspects, key=lambda c: abs(c.suspicion))
    m = worst.measurement
    unit, scale = unit_of(m)
    test = f" of {m.test}" if m.test else ""
    return (
        f"It points most at {m.name}{test}: {_amount(m.value / scale, unit)} was weighed, and all the rest would have "
        f"it at {_amount(worst.without / scale, unit)}. Check that weight, and what the sheet says of the steps before."
    )


def _amount(value: float, unit: str) -> str:
    return f"{sig(value, 4)} {unit}".rstrip()


def lopsided(found: Fitted, profiles: Profiles) -> str:
    """Say where the profile intervals differ from the normal ones."""
    odd = []
    for one in found.own:
        mine = profiles.get(one.name)
        if mine and max(abs(mine.low - one.low), abs(mine.high - one.high)) > LOPSIDED * (one.high - one.low):
            odd.append(f"{one.name} ({between(one, mine.low, mine.high)})")
    return f"Yes: go by the profile of {listed(odd)}." if odd else "No: by their profiles they come out much the same."
