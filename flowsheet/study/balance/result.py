"""What a reconciliation found, in kg and kg/kg; and as plain data, in the units that people read."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS, PASSING, PICKED
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.notes import Note, texts
from flowsheet.study.balance.next_weighing import Suggestion
from flowsheet.study.balance.sieve_balance import CLASS, SieveBalance
from flowsheet.study.balance.suspect_or_swapped_weights import Slip, Swap
from flowsheet.study.common.frames import Row, Tabled, Tables, row, rows
from flowsheet.study.common.units_out import TOLD, Names, each, g_per_t, grams, in_units

UNITS = {MASS: "kg", GRADE: "g/t", GOLD: "g", BEAD: "g", PICKED: "g", PASSING: "%"}
"""Unit in which each kind of measurement is told (metal is weighed in g)."""


BALANCED: Names = {"mass": ("mass_kg", float), "mass_sd": ("mass_sd_kg", float), "gold": ("gold_g", grams),
                   "gold_sd": ("gold_sd_g", grams)}  # fmt: skip
"""Fields that plain data tells by another name, and the unit that it says."""


@dataclass(frozen=True)
class Balanced:
    """One stream after the adjustment, kg; an sd is NaN where the data do not determine its value.

    A value that is not determined is a stand-in near the sheet's own that closes the balance.
    """

    mass: float
    mass_sd: float
    gold: float
    gold_sd: float
    metal: bool = False

    @property
    def mass_determined(self) -> bool:
        """Whether the data fix the mass."""
        return not math.isnan(self.mass_sd)

    @property
    def gold_determined(self) -> bool:
        """Whether the data fix the gold."""
        return not math.isnan(self.gold_sd)

    @property
    def determined(self) -> bool:
        """Whether the data fix both."""
        return self.mass_determined and self.gold_determined

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        told = {name: getattr(self, name) for name in ("determined", "mass_determined", "gold_determined")}
        return {**{name: unit(getattr(self, field)) for field, (name, unit) in BALANCED.items()}, **told}


@dataclass(frozen=True)
class Weight:
    """One measurement and its adjustment, kg, kg/kg or a share; ``standardised`` is NaN where nothing checks it."""

    stream: str
    #: "mass", "grade", "passing 1 mm".
    what: str
    measured: float
    sd: float
    assumed: bool
    adjusted: float
    standardised: float
    #: What it is told in: "kg", "g", "g/t" or "%".
    unit: str

    @property
    def name(self) -> str:
        """Return how a table calls it."""
        return f"{self.stream}, {self.what}"

    @property
    def told(self) -> Names:
        """Its fields that plain data tells in its unit."""
        return {name: (name, TOLD[self.unit]) for name in ("measured", "sd", "adjusted")}

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data, in its unit."""
        return {"name": self.name, **in_units(self, self.told)}


@dataclass(frozen=True)
class Measured:
    """A value with its standard deviation (NaN: the data do not determine it)."""

    value: float
    sd: float

    @property
    def known(self) -> bool:
        """Whether the data determine it."""
        return not math.isnan(self.sd)


PART: Names = {name: (f"{name}_g_per_t", g_per_t) for name in ("grade", "sd", "counted")}
"""How a table calls the fields of a part, and the unit that it says."""


@dataclass(frozen=True)
class HeadGradePart:
    """An end stream's gold over all rock fed (kg/kg), and what of it the bead over the feed had counted."""

    stream: str
    grade: float
    sd: float
    counted: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        names = {"grade": ("g_per_t", g_per_t), "sd": ("sd", g_per_t), "counted": ("counted_g_per_t", g_per_t)}
        return in_units(self, names)


@dataclass(frozen=True)
class WithoutSuspect:
    """What everything becomes if the suspect is left out."""

    streams: dict[str, Balanced]
    chi2: float
    dof: int
    p: float
    head: Measured
    parts: list[HeadGradePart]
    #: What the suspect would have to read, kg or kg/kg; and the unit that it is told in.
    should_be: Measured
    unit: str
    slip: Slip | None
    #: Whether nothing then has to be held from falling below nothing.
    possible: bool = True

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "streams": {name: row.as_dict() for name, row in self.streams.items()},
            "chi2": {"value": self.chi2, "dof": self.dof, "p": self.p},
            "head_grade_g_per_t": each(asdict(self.head), g_per_t),
            "parts": [part.as_dict() for part in self.parts],
            "should_be": each(asdict(self.should_be), TOLD[self.unit]),
            "slip": self.slip and asdict(self.slip),
            "possible": self.possible,
        }


@dataclass(frozen=True)
class Explanation:
    """A weight besides the suspect that would explain the misfit, and what it would have to read (kg or kg/kg)."""

    weight: Weight
    #: Whether it explains the misfit exactly as well as the suspect.
    tied: bool
    #: Whether no stream comes out below nothing then.
    possible: bool
    should_be: Measured
    slip: Slip | None

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data, in the weight's unit."""
        return {
            "name": self.weight.name,
            "tied": self.tied,
            "possible": self.possible,
            "should_be": each(asdict(self.should_be), TOLD[self.weight.unit]),
            "slip": self.slip and asdict(self.slip),
        }


@dataclass(frozen=True, repr=False)
class Reconciled(Tabled):
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
    #: Head grade, kg/kg; and as it is worked out on paper, bead over feed.
    head: Measured
    naive: float | None
    parts: list[HeadGradePart]
    next_weighing: Suggestion | None
    #: Stream that is not determined (without the suspect, if there is one) → (stream, what) to weigh so that it is.
    to_know: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    #: Of each of ``as_likely``, in its order.
    explained: tuple[Explanation, ...] = ()
    #: What sieves and masses say together, for each set of steps that part what was sieved.
    sieved: tuple[SieveBalance, ...] = ()

    def _tables(self) -> Tables:
        return {
            "streams": lambda: rows(self.streams, "stream", BALANCED),
            "weights": lambda: (row(one, one.told) for one in self.weights),
            "parts": lambda: rows(self.parts, names=PART),
            "sieved": lambda: rows((c for one in self.sieved for c in one.classes), names=CLASS),
        }

    def _headline(self) -> tuple[str, str]:
        suspect = f"{self.suspect.name} stands out" if self.suspect else "none stands out"
        chance = f", chance of the misfit {brief(self.p)}" if not math.isnan(self.p) else ""
        return "Reconciled", f"{len(self.weights)} weights, {suspect}{chance}"

    @property
    def answer(self) -> str:
        """What it says, on one line: whether a weight stands out, and the head grade (with its sd) to be believed."""
        suspect = f"{self.suspect.name} stands out" if self.suspect else "none stands out"
        head = self.believed.head
        known = f"{brief(g_per_t(head.value))} g/t ± {brief(g_per_t(head.sd))} g/t" if head.known else "not determined"
        return f"{len(self.weights)} weights, {suspect}, head grade {known}"

    @property
    def believed(self) -> Reconciled | WithoutSuspect:
        """What is to be believed: without the suspect where there is one, else all of it."""
        return self.without or self

    def as_dict(self) -> dict[str, Any]:
        """Return all of it as plain data; what is not known is None."""
        streams: dict[str, Any] = {}
        for name, one in self.streams.items():
            weigh = [{"stream": stream, "what": what} for stream, what in self.to_know.get(name, ())]
            streams[name] = {**one.as_dict(), "weigh": weigh}
        weights = [weight.as_dict() for weight in self.weights]
        data = {
            "streams": streams,
            "chi2": {"value": self.chi2, "dof": self.dof, "p": self.p},
            "suspect": self.suspect and self.suspect.stream,
            "suspect_weight": self.suspect and self.suspect.name,
            "as_likely": list(self.as_likely),
            "sieved": [one.as_dict() for one in self.sieved],
            "explained": [one.as_dict() for one in self.explained],
            "without": self.without and self.without.as_dict(),
            "slip": self.without and self.without.slip and asdict(self.without.slip),
            "swapped": self.swapped and self.swapped.as_dict(),
            "head_grade_g_per_t": each(asdict(self.head), g_per_t),
            "naive_grade_g_per_t": each(self.naive, g_per_t),
            "parts": [part.as_dict() for part in self.parts],
            "weights": weights,
            "next_weighing": self.next_weighing and self.next_weighing.as_dict(),
            "notes": texts(self.notes),
        }
        plain: dict[str, Any] = for_json(data)
        return plain


@dataclass(frozen=True, repr=False)
class Reconciliation(Tabled):
    """What the weights of every test of a sheet say, by the test's name ("" for weights in the sheet itself).

    >>> import flowsheet as fs
    >>> fs.reconcile("sack3.yaml")
    <Reconciliation: sack3: 13 weights, none stands out, head grade 21.6 g/t ± 0.798 g/t>
    """

    tests: dict[str, Reconciled]

    def _tables(self) -> Tables:
        def joined(table: str) -> Iterable[Row]:
            return ({"test": test, **one} for test, found in self.tests.items() for one in found.to_rows(table))

        return {name: partial(joined, name) for name in self.first.tables}

    def _headline(self) -> tuple[str, str]:
        return "Reconciliation", "; ".join(
            f"{name or 'in the sheet'}: {one.answer}" for name, one in self.tests.items()
        )

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
