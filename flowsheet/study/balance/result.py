"""What a reconciliation found, in the units that people read (kg, g, g/t), and as plain data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.balance.gross_errors import Slip, Swap
from flowsheet.study.balance.next_weighing import Suggestion
from flowsheet.study.common.notebook_result import Shown

UNITS = {MASS: "kg", GRADE: "g/t", GOLD: "g", BEAD: "g"}
"""Unit in which each kind of measurement is told (metal is weighed in g)."""

SCALES = {"kg": 1.0, "g": 1e3, "g/t": 1e6}
"""How many of a unit one of the SI makes."""


@dataclass(frozen=True)
class Balanced:
    """One stream after the adjustment; an sd is NaN where the data do not determine its value.

    A value that is not determined is a stand-in near the sheet's own that closes the balance.
    """

    mass_kg: float
    mass_sd_kg: float
    gold_g: float
    gold_sd_g: float
    metal: bool = False

    @property
    def mass_determined(self) -> bool:
        """Whether the data fix the mass."""
        return not math.isnan(self.mass_sd_kg)

    @property
    def gold_determined(self) -> bool:
        """Whether the data fix the gold."""
        return not math.isnan(self.gold_sd_g)

    @property
    def determined(self) -> bool:
        """Whether the data fix both."""
        return self.mass_determined and self.gold_determined

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        told = {name: getattr(self, name) for name in ("determined", "mass_determined", "gold_determined")}
        return {**{k: v for k, v in asdict(self).items() if k != "metal"}, **told}


@dataclass(frozen=True)
class Weight:
    """One measurement and its adjustment, in kg, g/t or g; ``standardised`` is NaN where nothing checks it."""

    stream: str
    what: str
    measured: float
    sd: float
    assumed: bool
    adjusted: float
    standardised: float
    unit: str

    @property
    def name(self) -> str:
        """Return how a table calls it."""
        return f"{self.stream}, {self.what}"


@dataclass(frozen=True)
class Estimate:
    """A value with its standard deviation (NaN: the data do not determine it)."""

    value: float
    sd: float

    @property
    def known(self) -> bool:
        """Whether the data determine it."""
        return not math.isnan(self.sd)


@dataclass(frozen=True)
class Part:
    """An end stream's gold over all rock fed (g/t), and what of it the bead over the feed had counted."""

    stream: str
    g_per_t: float
    sd: float
    counted_g_per_t: float


@dataclass(frozen=True)
class WithoutSuspect:
    """What everything becomes if the suspect is left out."""

    streams: dict[str, Balanced]
    chi2: float
    dof: int
    p: float
    head: Estimate
    parts: list[Part]
    #: What the suspect would have to read, in its own unit.
    should_be: Estimate
    slip: Slip | None

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "streams": {name: row.as_dict() for name, row in self.streams.items()},
            "chi2": {"value": self.chi2, "dof": self.dof, "p": self.p},
            "head_grade_g_per_t": asdict(self.head),
            "parts": [asdict(part) for part in self.parts],
            "should_be": asdict(self.should_be),
            "slip": self.slip and asdict(self.slip),
        }


@dataclass(frozen=True, repr=False)
class Reconciled(Shown):
    """All that the weights of one test say.

    >>> import flowsheet as fs
    >>> fs.reconcile("sack3.yaml").first
    <Reconciled: 13 weights, none stands out, chance of the misfit 0.714>
    """

    streams: dict[str, Balanced]
    weights: list[Weight]
    chi2: float
    dof: int
    #: Chance that doubt alone makes the misfit as large; NaN where nothing is redundant.
    p: float
    #: The measurement that stands out, None where none does.
    suspect: Weight | None
    #: Names of measurements that explain the misfit as well as the suspect does.
    as_likely: tuple[str, ...]
    without: WithoutSuspect | None
    swapped: Swap | None
    #: Head grade in g/t.
    head: Estimate
    naive_g_per_t: float | None
    parts: list[Part]
    next_weighing: Suggestion | None
    #: Stream that is not determined (without the suspect, if there is one) → (stream, what) to weigh so that it is.
    to_know: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()

    def _headline(self) -> tuple[str, str]:
        suspect = f"{self.suspect.name} stands out" if self.suspect else "none stands out"
        chance = f", chance of the misfit {brief(self.p)}" if not math.isnan(self.p) else ""
        return "Reconciled", f"{len(self.weights)} weights, {suspect}{chance}"

    @property
    def believed(self) -> Reconciled | WithoutSuspect:
        """What is to be believed: without the suspect where there is one, else all of it."""
        return self.without or self

    def as_dict(self) -> dict[str, Any]:
        """Return all of it as plain data; what is not known is None."""
        streams: dict[str, Any] = {}
        for name, row in self.streams.items():
            weigh = [{"stream": stream, "what": what} for stream, what in self.to_know.get(name, ())]
            streams[name] = {**row.as_dict(), "weigh": weigh}
        weights = [{"name": w.name, **asdict(w)} for w in self.weights]
        data = {
            "streams": streams,
            "chi2": {"value": self.chi2, "dof": self.dof, "p": self.p},
            "suspect": self.suspect and self.suspect.stream,
            "suspect_weight": self.suspect and self.suspect.name,
            "as_likely": list(self.as_likely),
            "without": self.without and self.without.as_dict(),
            "slip": self.without and self.without.slip and asdict(self.without.slip),
            "swapped": self.swapped and asdict(self.swapped),
            "head_grade_g_per_t": asdict(self.head),
            "naive_grade_g_per_t": self.naive_g_per_t,
            "parts": [asdict(part) for part in self.parts],
            "weights": weights,
            "next_weighing": self.next_weighing and asdict(self.next_weighing),
            "notes": texts(self.notes),
        }
        plain: dict[str, Any] = for_json(data)
        return plain


@dataclass(frozen=True, repr=False)
class Reconciliation(Shown):
    """What the weights of every test of a sheet say, by the test's name ("" for weights in the sheet itself).

    >>> import flowsheet as fs
    >>> fs.reconcile("sack3.yaml")
    <Reconciliation: tests sack3>
    """

    tests: dict[str, Reconciled]

    def _headline(self) -> tuple[str, str]:
        return "Reconciliation", f"tests {', '.join(name or 'in the sheet itself' for name in self.tests)}"

    @property
    def first(self) -> Reconciled:
        """The first test, which often is the only one."""
        return next(iter(self.tests.values()))

    def as_dict(self) -> dict[str, Any]:
        """Return every test under ``tests``, and the first one also by itself."""
        return as_dict(self.tests)


def as_dict(tests: Mapping[str, Reconciled]) -> dict[str, Any]:
    """Return every test under ``tests``, and the first one also by itself."""
    told = {test: found.as_dict() for test, found in tests.items()}
    return {**next(iter(told.values())), "tests": told}


def for_json(data: Any) -> Any:
    """Return plain data with null for what is not known (NaN), which JSON has no word for."""
    if isinstance(data, Mapping):
        return {key: for_json(value) for key, value in data.items()}
    if isinstance(data, (list, tuple)):
        return [for_json(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data
