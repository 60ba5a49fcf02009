"""Gold that can hardly be meant: far more in a stream than the sheet says was fed, or hardly any in the metal kept."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from flowsheet.spec.blocks.measurement import BEAD, GOLD, GRADE, MASS, PICKED, Measurement
from flowsheet.spec.blocks.schema import Ore
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.checks.upstream import metals
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.number_with_doubt import EVEN
from flowsheet.spec.weights.weighed_test import WeighedTest

FAR = 5.0
"""Times the gold that the sheet's guess feeds from where on a stream's gold is noted: typical, no source."""
SURE = 3.0
"""Standard deviations of that guess by which it must be above it, too."""
MUCH, HARDLY_ANY = "far_more_gold_than_fed", "hardly_any_gold_kept"
"""Codes of the notes."""
HARDLY = 1 / 50
"""Share of that gold below which metal that is kept is noted: typical, no source."""


@dataclass(frozen=True)
class _Fed:
    """Gold (kg) that the sheet's guess feeds in a test, and how much of it would be far too much."""

    gold: float
    most: float

    def says(self) -> str:
        return f"the gold that the sheet says was fed ({_amount(self.gold)})"


def notes_on_gold(draft: Draft) -> Iterator[Note]:
    """Give a note for every line by which a stream holds far more gold than was fed, or kept metal hardly any.

    Only for a sheet that has no mistakes. What was fed is the ores' mass (as weighed in the test) by the sheet's grade.
    """
    ores = {name: ore for name, ore in draft.ores.items() if ore is not None}
    if draft.document.changed or any(ore.grade is None for ore in ores.values()):
        return  # A trial with another ore says nothing against the weights of the test.
    steps = {name: step for name, step in draft.steps.items() if step is not None}
    metal, told = metals(steps), set()
    furnaces = [step for step in steps.values() if any(p.metal and not p.optional for p in step.ports)]
    melted = {stream for step in furnaces for stream in step.takes}
    for test in draft.weighed:
        if test.document.file in told:
            continue
        halves = test.halves
        told |= {half.document.file for half in halves}
        fed = _fed(ores, test)
        if not fed.gold > 0:
            continue
        held = [(m, _gold(m, draft, test, metal)) for half in halves for m in half.measurements()]
        far = [one for one in held if one[1] > fed.most]
        kept = [one for one in held if _is_kept_metal(one[0], draft, metal, melted)]
        most = sorted(kept, key=lambda one: -one[1])[:1]
        yield from (_note(*one, fed) for one in (*far, *(one for one in most if 0 < one[1] < HARDLY * fed.gold)))


def _fed(ores: dict[str, Ore], test: WeighedTest) -> _Fed:
    gold, variance = 0.0, 0.0
    for name, ore in ores.items():
        weighed = test.dry_mass(name)
        mass = weighed.value if weighed is not None else ore.mass.value
        if ore.grade is not None:
            gold += mass * ore.grade.value
            variance += (mass * ore.grade.sd) ** 2
    return _Fed(gold, max(FAR * gold, gold + SURE * math.sqrt(variance)))


def _gold(m: Measurement, draft: Draft, test: WeighedTest, metal: set[str]) -> float:
    """Return the gold (kg) that a measurement makes of its stream; 0 where it tells none."""
    if m.what == GOLD:
        return m.value
    if m.what in (BEAD, PICKED) or (m.what == MASS and m.stream in metal):
        return m.value * _fine(draft)
    if m.what == GRADE and m.stream not in metal:
        mass, ore = test.dry_mass(m.stream), draft.ores.get(m.stream)
        return m.value * (mass.value if mass is not None else ore.mass.value if ore is not None else 0.0)
    return 0.0


def _fine(draft: Draft) -> float:
    """Return the least share of gold in metal that the ores tell; without any, metal is taken for gold."""
    told = [ore.gold.fineness.value / 1000 for ore in draft.ores.values() if ore is not None and ore.gold is not None]
    return min(told, default=1.0)


def _is_kept_metal(m: Measurement, draft: Draft, metal: set[str], melted: set[str]) -> bool:
    """Whether it is the metal that is kept, or a bead of that or of what is melted to it."""
    if m.what == MASS:
        return m.stream in metal and m.stream in draft.keep
    return m.what == BEAD and (m.stream in draft.keep or m.stream in melted)


def _note(m: Measurement, gold: float, fed: _Fed) -> Note:
    share = gold / fed.gold
    far = f"{share:,.0f} times" if share > 1 else f"only {_short(100 * share)} % of"
    reads = m.number.amount if m.number is not None else None
    read = f"{m.stream}, {m.what} reads {reads}" if reads is not None else f"{m.stream}, {m.what} is off"
    makes = "" if m.what == GOLD else f": that is {_amount(gold)} of gold"
    like = _meant(m, gold, fed)
    other = "the grade that the sheet gives is far off" if share > 1 else "look where the gold went"
    remedy = f"Did you mean {like}? If not, {other}." if like else f"Check the number and its unit: else {other}."
    where = "{file}, line {line}: " if m.line else ""
    about = Subject(test=m.test, stream=m.stream, file=m.file, line=m.line)
    told = f"{read}{makes}, {far} {fed.says()}. {remedy}"
    return note(MUCH if share > 1 else HARDLY_ANY, where + "{told}", about, told=told, times_what_was_fed=share)


def _meant(m: Measurement, gold: float, fed: _Fed) -> str:
    """Return the reading that would fit what was fed, "" where none does."""
    read = m.number.amount if m.number is not None else None
    if m.number is None or read is None or not read.unit or m.number.law == EVEN:
        return ""
    for unit in read.thousandth if gold > fed.gold else read.thousandfold:
        would = gold * read.ratio(unit, m.number.dimension)
        low = 0.0 if gold > fed.gold else HARDLY * fed.gold
        if low <= would <= fed.most:
            return f"{read.digits} {unit}"
    return ""


def _amount(kg: float) -> str:
    unit, scale = ("kg", 1.0) if kg >= 1 else ("g", 1e3) if kg >= 1e-3 * 0.1 else ("mg", 1e6)
    return f"{_short(scale * kg)} {unit}"


def _short(value: float) -> str:
    """Return a value to three digits, without a power of ten."""
    digits = max(0, 2 - math.floor(math.log10(value))) if value > 0 else 0
    text = f"{value:,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
