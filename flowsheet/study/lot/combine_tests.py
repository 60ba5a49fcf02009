"""What does the whole pile hold? Several tests of sacks of one pile, joined.

Each test's gold comes from the balance of its weights (``ledger``); what all of them say of the pile from the luck of
grains, the spread between sacks and the doubt of the weights together (``sacks``, ``pile_total``). Nothing is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from flowsheet.ore.arrays import Array
from flowsheet.solve.model import Model
from flowsheet.solve.propagate import solve
from flowsheet.spec.blocks.pile import TYPICAL_SPREAD
from flowsheet.spec.blocks.schema import Sheet
from flowsheet.spec.text.brief import brief
from flowsheet.spec.text.mistakes import Mistake, SheetError
from flowsheet.spec.text.notes import Note, note, texts
from flowsheet.spec.text.source_files import SourceFiles
from flowsheet.spec.text.wording import argument, asking
from flowsheet.study.balance.result import for_json
from flowsheet.study.common.frames import Tabled, Tables, rows
from flowsheet.study.common.interval import Interval
from flowsheet.study.common.monte_carlo import cluster
from flowsheet.study.common.units_out import Names, each, g_per_t, grams, in_units, milligrams
from flowsheet.study.lot.ledger import Ledger, Test
from flowsheet.study.lot.pile_estimate import NINE, OneMoreSack, PileEstimate, times
from flowsheet.study.lot.pile_total import UntestedRock
from flowsheet.study.lot.sack_likelihood import PileGrains
from flowsheet.study.lot.spread_between_sacks import SackReader
from flowsheet.study.lot.student_interval import Plain, plain_lot

LEAST_SPREAD = 0.01
PART = 0.7
"""A test of less than this share of a sack's mass is taken for a part of one."""
OUTLYING = 0.05
"""A sack stands out if a pile of such sacks seldom has one as far off: a chance below this."""
FEW_GRAINS = 5.0
"""With fewer grains of the mean size by gold in all tests, intervals were found to hold the truth 83 times in 100."""
WITHOUT_END = 10.0
"""Where nothing says how many sacks there are, rare grains are looked for in so many times what was tested."""
SOME = 1e-6
"""But in a milligram of gold at least (kg)."""

Progress = Callable[[Iterable[int]], Iterable[int]]


ROW: Names = {"mass": ("mass_kg", float), "gold": ("gold_g", grams), "gold_sd": ("gold_sd_g", grams),
              "grade": ("grade_g_per_t", g_per_t), "low": ("low", g_per_t), "high": ("high", g_per_t)}  # fmt: skip
"""Fields of a test that plain data tells by another name or in another unit."""
TEST: Names = {**ROW, "low": ("low_g_per_t", g_per_t), "high": ("high_g_per_t", g_per_t)}
"""The same for a table, where every name says its unit."""


@dataclass(frozen=True)
class TestedSack:
    """One test: masses and gold in kg, grades in kg/kg; NaN where the weights do not tell."""

    name: str
    file: str
    mass: float
    gold: float
    gold_sd: float
    grade: float
    #: What it tells of the ore by itself, with the luck of its grains.
    low: float
    high: float
    #: Chance of as much gold or more in such a sack, by the other tests; NaN for a lone test.
    above: float
    outlying: str = ""
    suspect: str = ""
    weigh: tuple[tuple[str, str], ...] = ()

    @property
    def told(self) -> bool:
        """Whether the weights determine what it held."""
        return not math.isnan(self.gold_sd)

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return in_units(self, ROW)


@dataclass(frozen=True, repr=False)
class Lot(Tabled):
    """All that ``lot`` tells; grades in kg/kg, gold in kg.

    >>> import flowsheet as fs
    >>> fs.lot("pile/pile.yaml")
    <Lot 'Quillfeather pile': 6 tests of 40 sacks, grade known to ± 30.7 %>
    """

    title: str
    rows: tuple[TestedSack, ...]
    #: Sacks of the pile; None where nothing says how many.
    sacks: int | None
    #: Rock of the whole pile, kg; of what was tested where nothing says how many sacks there are.
    mass: float
    #: Without a lower end where what all tests found cannot be told from none; the law it is of has one.
    grade: Interval
    law: Interval
    gold: Interval | None
    #: Relative spread between sacks.
    spread: Interval
    prior_spread: float
    plain: Plain
    more: OneMoreSack | None
    #: Luck of the grains in one sack, relative standard deviation; 0 where the grains are not known. And the same
    #: without the grains so large that few sacks hold one.
    luck: float
    usual_luck: float
    left: tuple[dict[str, Any], ...]
    notes: tuple[Note, ...]
    #: Every file that was read.
    sources: SourceFiles = field(default_factory=SourceFiles)

    def _tables(self) -> Tables:
        return {
            "tests": lambda: rows(self.rows, names=TEST),
        }

    def _headline(self) -> tuple[str, str]:
        off = 50 * (self.grade.p95 - self.grade.p5) / self.grade.mean if self.grade.mean > 0 else math.nan
        pile = f" of {self.sacks} sacks" if self.sacks is not None else ""
        return f"Lot '{self.title}'", f"{len(self.told)} tests{pile}, grade known to ± {brief(off)} %"

    @property
    def told(self) -> list[TestedSack]:
        """Return the tests that count."""
        return [row for row in self.rows if row.told]

    @property
    def outlying(self) -> list[TestedSack]:
        """Return the sacks that stand out."""
        return [row for row in self.rows if row.outlying]

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        low, high = self.plain.student()
        plain = {"mean": self.plain.mean, "sd_of_mean": self.plain.mean_sd, "low": low, "high": high}
        data = {
            "title": self.title,
            "tests": [row.as_dict() for row in self.rows],
            "used": len(self.told),
            "sacks": self.sacks,
            "pile_kg": self.mass if self.sacks is not None else None,
            "grade_g_per_t": each(asdict(self.grade), g_per_t),
            "gold_g": each(asdict(self.gold), grams) if self.gold is not None else None,
            "spread": asdict(self.spread),
            "prior_spread": self.prior_spread,
            "luck_of_a_sack": self.luck,
            "usual_luck_of_a_sack": self.usual_luck,
            "plain_t": each(plain, g_per_t),
            "outlying": [row.name for row in self.outlying],
            "one_more_sack": each(asdict(self.more), g_per_t) if self.more is not None else None,
            "left_out": list(self.left),
            "notes": texts(self.notes),
        }
        told: dict[str, Any] = for_json(data)
        return told


def lot(ledger: Ledger, sacks: int | None = None, progress: Progress = iter) -> Lot:
    """Estimate a pile from a ledger. Raises SheetError where no test tells its gold, or there are too many.

    ``sacks``: how many lie in the pile, in place of what the sheet says.
    """
    sheet, told = ledger.sheet, [test for test in ledger.tests if test.told]
    if not told:
        raise SheetError([_untold(ledger.tests[0])])
    number = sacks if sacks is not None else _sacks(sheet)
    if number is not None and number < len(told):
        message, remedy = f"{len(told)} tests, but the pile has only {number} sacks", f"Write {len(told)} or more"
        if sacks is None and ledger.document is not None:
            raise SheetError(
                [ledger.document.mistake(("pile", "sacks"), message, remedy, code="more_tests_than_sacks")]
            )
        raise SheetError(
            [
                Mistake(
                    message,
                    f"{remedy}, as {argument('sacks', len(told))}",
                    file=argument("sacks"),
                    code="more_tests_than_sacks",
                )
            ]
        )
    notes = list(ledger.notes)
    rest = _rest(sheet, told, number, notes)
    found, tested = sum(test.gold for test in told), sum(test.mass for test in told)
    whole = found * (1 + rest.mass / tested if rest is not None else WITHOUT_END)
    luck, prior = luck_of(sheet, whole, notes), prior_spread(sheet)
    estimate = PileEstimate.of(luck, told, prior)
    gold = estimate.gold(rest) if rest is not None else None
    mass = tested + (rest.mass if rest is not None else 0.0)
    law = times(gold, 1 / mass) if gold is not None else estimate.grade()
    none = all(test.below for test in told)
    plain = plain_lot([test.gold / test.mass for test in told], number)
    if luck.heavy > 0 and found < FEW_GRAINS * luck.heavy:
        sentence = (
            "All tests together held about {grains:.1f} grains of the size that matters ({grain_mg:.3g} mg of gold): "
            "the upper end is rough, and may be too low. Test more rock."
        )
        held = max(found / luck.heavy, 0.0)
        notes.append(note("few_grains", sentence, grains=held, grain_mg=milligrams(luck.heavy)))
    usual = luck.usual(estimate.sacks.scale * float(estimate.sacks.mass.mean()))
    sack = max(float(estimate.sacks.found.mean()), 1e-12)
    return Lot(
        title=sheet.title,
        rows=tuple(_rows(ledger.tests, estimate, prior, progress)),
        sacks=number,
        mass=mass,
        grade=law.below() if none else law,
        law=law,
        gold=gold.below() if gold is not None and none else gold,
        spread=estimate.spread(),
        prior_spread=prior,
        plain=plain,
        more=estimate.one_more(rest),
        luck=math.sqrt(luck.heavy / sack),
        usual_luck=math.sqrt(usual / sack),
        left=tuple({"file": one.file, "mistakes": [m.as_dict() for m in one.mistakes]} for one in ledger.left),
        notes=tuple(notes),
        sources=ledger.sources,
    )


def luck_of(sheet: Sheet, gold: float, notes: list[Note]) -> PileGrains:
    """Return the luck of the grains in ``gold`` kg that a sheet tells of; of none, with a note, where it tells none."""
    model = Model.of(sheet)
    solution = solve(model)
    shape = np.sum([solution.streams[name].gold_by_grain for name in sheet.ores], axis=0)
    if not model.grains_known or float(shape.sum()) <= 0:
        sentence = (
            "The sheet tells no sizes of gold grains (ore: grade, sizes and gold: {{d50: …, d95: …}}), so their luck "
            "counts as spread between sacks, and rare nuggets are not allowed for."
        )
        notes.append(note("grains_unknown", sentence))
        return PileGrains(np.zeros(0), np.zeros(0))
    fineness = np.asarray(np.mean([np.mean(f) for f in model.plain.fineness.values()]))
    return PileGrains.of_classes(model.grid, fineness, cluster(model), np.ravel(shape), max(gold, SOME))


def prior_spread(sheet: Sheet) -> float:
    """Return the median of what the spread between sacks is taken to be."""
    return max(sheet.pile.spread.value, LEAST_SPREAD) if sheet.pile is not None else TYPICAL_SPREAD


def _sacks(sheet: Sheet) -> int | None:
    given = sheet.pile.sacks if sheet.pile is not None else None
    return round(given.value) if given is not None else None


def _untold(test: Test) -> Mistake:
    weigh = " and ".join(f"the {what} of {stream}" for stream, what in test.weigh) or "what is lost"
    message = "the weights of no test determine the gold that its sack held"
    return Mistake(
        message, f"Weigh {weigh} too; {asking('reconcile')} tells more", file=test.file, code="gold_of_no_test_known"
    )


def _rest(sheet: Sheet, told: list[Test], number: int | None, notes: list[Note]) -> UntestedRock | None:
    """Return the rock that no test took; None where nothing says how many sacks there are."""
    if number is None:
        return None
    masses = [test.mass for test in told]
    given = sheet.pile.sack_mass if sheet.pile is not None else None
    sack = given.value if given is not None else float(np.median(masses))
    if given is None:
        sentence = "A sack is taken to weigh {sack_kg:.3g} kg, as those tested do (pile: sack_mass tells otherwise)."
        notes.append(note("sack_mass_of_the_tests", sentence, sack_kg=sack))
    parts = [sack - mass for mass in masses if mass < PART * sack]
    if parts:
        sentence = "{tests} tests took a part of a sack only: the rest of it counts as not tested."
        notes.append(note("part_of_a_sack", sentence, tests=len(parts)))
    return UntestedRock(np.array([*parts, *[sack] * (number - len(told))]))


def _rows(tests: Iterable[Test], estimate: PileEstimate, prior: float, progress: Progress) -> list[TestedSack]:
    """Return every test with what it tells by itself, and how far off the others it is."""
    reader, n = estimate.reader, len(estimate.sacks)
    tests = list(tests)
    rows, at = [], 0
    for k in progress(range(len(tests))):
        test = tests[k]
        if not test.told:
            rows.append(_row(test, math.nan, math.nan, math.nan, ""))
            continue
        low, high = _alone(reader, at)
        low = 0.0 if test.below else low
        above = estimate.above(at, prior) if n > 1 else math.nan
        rows.append(_row(test, low, high, above, _outlying(above, n)))
        at += 1
    return rows


def _row(test: Test, low: float, high: float, above: float, outlying: str) -> TestedSack:
    grade = test.gold / test.mass
    return TestedSack(test.name, test.file, test.mass, test.gold, test.sd, grade, low, high, above, outlying,
                      test.suspect, test.weigh)  # fmt: skip


def _alone(reader: SackReader, k: int) -> tuple[float, float]:
    """Return the grades (kg/kg) between which the ore lies by one test: its grains and weights, no spread."""
    chance: Array = reader.likelihood(k) * np.exp(0.5 * reader.grades)  # Jeffreys' rule for a count
    rising = np.cumsum(chance) - 0.5 * chance
    low, high = np.interp(np.array(NINE) * chance.sum(), rising, reader.grades)
    return math.exp(low), math.exp(high)


def _outlying(above: float, n: int) -> str:
    """Say whether a sack stands out of a pile, "rich" or "poor"; "" where it does not."""
    if math.isnan(above):
        return ""
    chance = 2 * min(above, 1 - above)
    seldom = -math.expm1(n * math.log1p(-min(chance, 1 - 1e-12))) if chance > 0 else 0.0
    return "" if seldom >= OUTLYING else "rich" if above < 0.5 else "poor"
