"""What stayed on each sieve as measurements: what passes each, and the grade of all with those of its fractions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import accumulate, pairwise
from typing import Any

from flowsheet.spec.blocks.measurement import (
    ASSAY_MASS,
    GRADE,
    MASS,
    PASSING,
    PASSING_POINTS,
    Measurement,
    SizedGrade,
    assumed_sd,
)
from flowsheet.spec.blocks.weighed_fields import OnSieve


def fractions(stream: str, rows: Sequence[OnSieve], took: float | None, where: dict[str, Any]) -> Iterator[Measurement]:
    """Go through the measurements that fractions (coarse first, the pan last) make; each assay ``took`` so much (kg).

    Of all or of a part of the stream: only their shares count. A share that passes has the doubt of the masses where
    they are told one, else that of sieving.
    """
    whole = sum(row.mass.value for row in rows)
    told = any(row.mass.doubtful for row in rows)
    above = list(accumulate(row.mass.value for row in rows))
    for k, row in enumerate(rows[:-1]):
        passing = 1 - above[k] / whole
        # Each mass moves the share that passes: those that stay above by its own part, the others by what is left.
        doubt = math.sqrt(sum((_sd(r) * (passing if i <= k else 1 - passing)) ** 2 for i, r in enumerate(rows))) / whole
        sd = max(doubt, 1e-6) if told else PASSING_POINTS
        yield Measurement(stream, PASSING, passing, sd, not told, row.size, **where)
    assayed = [row for row in rows if row.grade is not None]
    if assayed:
        one = _grade(stream, rows, whole, where)
        mass = ASSAY_MASS if took is None else took
        yield replace(one, assay_mass=len(assayed) * mass, assay_mass_assumed=took is None)


def _grade(stream: str, rows: Sequence[OnSieve], whole: float, where: dict[str, Any]) -> Measurement:
    """Return the grade of all: the sum of share times grade, with the doubt of both."""
    edges = [None, *(row.size for row in rows)]
    parts = tuple(
        SizedGrade(upper, lower or 0.0, row.grade.value, _grade_sd(row), row.mass.value / whole)
        for (upper, lower), row in zip(pairwise(edges), rows, strict=True)
        if row.grade is not None
    )
    grade = sum(part.share * part.value for part in parts)
    of_masses = sum((_sd(row) / whole * ((row.grade.value if row.grade else 0.0) - grade)) ** 2 for row in rows)
    sd = math.sqrt(sum((part.share * part.sd) ** 2 for part in parts) + of_masses)
    assumed = any(row.grade is not None and not row.grade.doubtful for row in rows)
    return Measurement(stream, GRADE, grade, max(sd, 1e-12), assumed, by_size=parts, **where)


def _sd(row: OnSieve) -> float:
    return row.mass.sd if row.mass.doubtful else assumed_sd(MASS, row.mass)


def _grade_sd(row: OnSieve) -> float:
    assert row.grade is not None
    return row.grade.sd if row.grade.doubtful else assumed_sd(GRADE, row.grade)
