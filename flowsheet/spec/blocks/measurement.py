"""What was measured: one entry for each weight, assay, sieving and grain count, with its doubt.

A measurement without a standard deviation takes one for its kind, and says that it was assumed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from flowsheet.spec.text.number_with_doubt import Number

MASS, GRADE, GOLD, BEAD, PASSING, GRAINS = "mass", "grade", "gold", "bead", "passing", "grains"
PICKED = "picked_metal"
"""Metal that was taken out of a stream by hand and kept: all else that is weighed of the stream is of what was left."""
OF_GOLD = (GRADE, GOLD, BEAD, PICKED)
"""Those that speak of gold."""
KINDS = (MASS, GRADE, GOLD, BEAD, PICKED, PASSING, GRAINS)


def picked_from(stream: str) -> str:
    """Return how metal that was picked out of a stream is called."""
    return f"picked from {stream}"


#: The scale's division is read from the last digit written; a reading within one division is evenly
#: spread: division/√12. Source: JCGM 100:2008 (GUM), 4.3.7 and F.2.2.1.
DIVISION = 1 / math.sqrt(12)
#: But no weighing at a bench is better than this share of the weight: typical, set your own.
MASS_SHARE = 0.001
#: Repeatability of one assay of ground rock, relative, and so of gold that is told by one: typical, set your own.
ASSAY_SHARE = 0.10
#: Doubt of the share that passes a sieve: typical, set your own.
PASSING_POINTS = 0.01
#: Doubt of a moisture, relative: typical, set your own.
MOISTURE_SHARE = 0.10
#: A reading below so many of its standard deviations cannot be told from nothing. Source: L. A. Currie, Limits for
#: Qualitative Detection and Quantitative Determination, Anal. Chem. 40 (1968), 586: 3.29 with errors of both kinds of
#: 5 %; three is the trade's usual rounding of it (from memory).
DETECTED = 3.0
#: Mass (kg) of the ground rock that an assay takes: 30 g by fire, near the assay ton of 29.2 g. Typical, set your own.
ASSAY_MASS = 0.030


@dataclass(frozen=True)
class SizedGrade:
    """The grade (kg/kg) of what lay between two sieves (m; no upper: above all, lower 0: the pan), and its doubt."""

    upper: float | None
    lower: float
    value: float
    sd: float
    #: Its part of all that was sieved.
    share: float


@dataclass(frozen=True)
class Measurement:
    """One measurement in SI (kg, shares; grains as a count), and where it stands in its file."""

    stream: str
    what: str
    value: float
    sd: float
    #: Whether ``sd`` is an assumption of the tool, not the sheet's (or rests on one).
    assumed: bool
    #: Sieve opening or least grain size (m), for passing and grains; of a fraction's grade the sieve that it stayed on.
    size: float | None = None
    file: str = ""
    line: int = 0
    note: str = ""
    when: str = ""
    #: The test that it belongs to: a weigh sheet's name without its ending, "" for the sheet itself.
    test: str = ""
    #: The number as it is written, with its unit: moist where a moisture dried it, None where it was worked out.
    number: Number | None = None
    #: Mass (kg) of the rock that a grade's assay took: its luck is that of the grains in so much. Of a screen assay all
    #: of its sample, since its coarse gold is counted whole. None of anything else.
    assay_mass: float | None = None
    #: Whether that is an assumption of the tool.
    assay_mass_assumed: bool = False
    #: A grade that was worked out from those of its sieve fractions; coarse first.
    by_size: tuple[SizedGrade, ...] = ()

    @property
    def name(self) -> str:
        """Return how a table calls it: "tails, grade"."""
        return f"{self.stream}, {self.label}"

    @property
    def label(self) -> str:
        """Return what was measured, with its size: "passing 0.15 mm", "grains +0.3 mm"."""
        if self.size is None:
            return self.what.replace("_", " ")
        if self.what == GRADE:
            return f"{self.what} on {1e3 * self.size:g} mm" if self.size else f"{self.what} on pan"
        return f"{self.what} {'+' if self.what == GRAINS else ''}{1e3 * self.size:g} mm"

    @property
    def below(self) -> bool:
        """Whether it cannot be told from nothing."""
        return self.value < DETECTED * self.sd

    def scaled(self, factor: float) -> Measurement:
        """Return the measurement with value and doubt multiplied (moist to dry, say)."""
        return replace(self, value=self.value * factor, sd=self.sd * factor)

    def dried(self, moisture: Number) -> Measurement:
        """Return the dry mass of a moist one: mass × (1 - moisture), with the doubt of both."""
        doubt = moisture.sd if moisture.doubtful else MOISTURE_SHARE * moisture.value
        dry = self.scaled(1 - moisture.value)
        assumed = self.assumed or (moisture.value > 0 and not moisture.doubtful)
        return replace(dry, sd=math.hypot(dry.sd, self.value * doubt), assumed=assumed)


def measurement(stream: str, what: str, number: Number, size: float | None = None, **where: object) -> Measurement:
    """Return a measurement; its doubt is the number's own, or the assumed one of its kind."""
    where = {**where, "number": number}
    if what == GRAINS:
        # A count carries its own luck.
        return Measurement(stream, what, number.value, math.sqrt(max(number.value, 1.0)), False, size, **where)  # type: ignore[arg-type]
    sd = number.sd if number.doubtful else assumed_sd(what, number)
    return Measurement(stream, what, number.value, sd, not number.doubtful, size, **where)  # type: ignore[arg-type]


def assumed_sd(what: str, number: Number) -> float:
    """Return the standard deviation that a measurement of this kind is taken to have."""
    if what == GRADE:
        return max(ASSAY_SHARE * abs(number.value), 1e-8)
    if what == PASSING:
        return PASSING_POINTS
    # Gold is told by an assay or by panning and picking; metal is put on a scale.
    share = ASSAY_SHARE if what == GOLD else MASS_SHARE
    return max(DIVISION * division(number), share * abs(number.value), 1e-9)


def division(number: Number) -> float:
    """Return the step of the last digit that a number is written with, in SI: 0.1 kg for "14.2 kg".

    A fraction's step is its own: 1/4 lb for "2 1/4 lb". 0 where nobody wrote it.
    """
    return number.amount.step if number.amount is not None else 0.0


def screen_assay(plus: Number, plus_gold: Number, minus: Number, grades: Sequence[Number]) -> tuple[float, float, bool]:
    """Return the grade of a screen assay, its sd, and whether that rests on an assumption.

    (plus gold + minus mass × mean minus grade) ÷ (plus + minus), as C. & J. J. Beringer, A Text-Book of
    Assaying (9th ed., 1904) work it. The replicates' scatter gives the doubt of their mean; one alone has the
    assumed doubt of an assay, unless it gives its own.
    """
    mean = sum(grade.value for grade in grades) / len(grades)
    total = plus.value + minus.value
    grade = (plus_gold.value + minus.value * mean) / total
    # Of each number: its doubt, times how much the grade moves with it.
    parts = [
        (_sd(MASS, plus_gold), 1.0),
        (_mean_sd(grades, mean), minus.value),
        (_sd(MASS, plus), grade),
        (_sd(MASS, minus), mean - grade),
    ]
    sd = math.sqrt(sum((doubt * slope) ** 2 for doubt, slope in parts)) / total
    assumed = not plus_gold.doubtful or (len(grades) == 1 and not grades[0].doubtful)
    return grade, sd, assumed


def _sd(what: str, number: Number) -> float:
    return number.sd if number.doubtful else assumed_sd(what, number)


def _mean_sd(grades: Sequence[Number], mean: float) -> float:
    """Return the standard deviation of the mean of replicates: their scatter, but not less than they can tell."""
    n = len(grades)
    if n == 1:
        return _sd(GRADE, grades[0])
    scatter = math.sqrt(sum((grade.value - mean) ** 2 for grade in grades) / (n - 1))
    stated = [grade.sd if grade.doubtful else DIVISION * division(grade) for grade in grades]
    return max(scatter / math.sqrt(n), math.sqrt(sum(sd**2 for sd in stated)) / n)
