"""What was weighed: streams that are there, readings that fit each other, and nothing heavier than its feed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

from flowsheet.spec.blocks.measurement import BEAD, GOLD, MASS, PICKED, Measurement, measurement
from flowsheet.spec.blocks.schema import Weighed
from flowsheet.spec.blocks.weighed_fields import LACKING, AtSize
from flowsheet.spec.checks.draft import Draft
from flowsheet.spec.checks.sieved_fractions import sizes_stand_alone
from flowsheet.spec.checks.upstream import feed_of, fired, looped
from flowsheet.spec.text import units
from flowsheet.spec.text.amounts import OTHER_SCALES
from flowsheet.spec.text.mistakes import Mistake, did_you_mean
from flowsheet.spec.text.notes import Subject
from flowsheet.spec.text.number_with_doubt import EVEN, EXACT, Number
from flowsheet.spec.weights.weigh_table import SD
from flowsheet.spec.weights.weighed_test import BESIDE, FILE, PARTS, REMARKS, WeighedTest, numbers_of

SURE = 3.0
"""Standard deviations that a weight may be above its feed: above that, chance makes 1 in 700."""
SLIGHT = 0.005
"""Share by which a weight may be above its feed in any case: typical, no source."""
TEN_FROM, TEN_TO = 2.0, 10.05
"""Times its feed between which a weight may be a slip of the point: a tenth of it is a fair part of the feed."""
ALL_DOUBT = 100.0
"""Times its own value from where on the doubt of an assay is a slip of the unit: typical, no source."""
NO_STREAM, NO_MOIST_MASS, NO_GRADE = "weighed_stream_unknown", "moist_mass_missing", "assay_without_grade"
SCREEN_ASSAY_LACKS = "screen_assay_lacks"
NO_SLAG_MASS = "slag_mass_missing"
"""Codes of mistakes: no such stream; a weight, a grade, a part of a screen assay (its subject tells) or what a slag
weighs is not there."""

#: How each part of a screen assay may be written in a sheet, and the line that tells it in a weigh sheet.
_LIKE = {
    "plus": ("12.1 g", "plus mass,12.1 g"),
    "plus_gold": ("3.2 mg", "plus gold,3.2 mg"),
    "minus": ("480 g", "minus mass,480 g"),
    "minus_grades": ("[3.1 g/t, 2.9 g/t]", "minus grade,3.1 g/t"),
}


def weighed_streams_exist(draft: Draft) -> Iterator[Mistake]:
    """What was weighed is a stream of the sheet, and something was measured of it."""
    for _, _, stream, path in draft.gives():
        if stream == FILE and "weighed" in draft.document.data:
            remedy = f'Give the stream another name, as "{FILE} 2"'
            yield draft.document.mistake(
                path, f"under weighed:, {FILE} names a weigh sheet", remedy, stream, code="name_reserved"
            )
    stray = set(draft.strays) - draft.forgiven
    for test in draft.weighed:
        for name in test.streams:
            if name in stray:
                like = did_you_mean(name, draft.streams, "streams")
                yield test.document.name_mistake(test.path(name), "no stream has this name", like, code=NO_STREAM)
        for name, block in test.blocks.items():
            if test.is_table or not test.whole(name) or block.model_fields_set - {*REMARKS, *BESIDE}:
                continue
            beside = any(getattr(block, one) is not None for one in BESIDE)
            if not beside or test.other is None or name not in test.other.streams:
                yield test.document.block_mistake(
                    test.path(name),
                    "nothing was measured of it",
                    "Add mass:, grade: or gold:, or leave it out",
                    code="nothing_measured",
                )


def doubts_are_something(draft: Draft) -> Iterator[Mistake]:
    """A doubt that is given is more than nothing, and that of a weight is less than the weight."""
    for test, stream, block in _blocks(draft):
        for at, number in numbers_of(block):
            if number.law == EXACT:
                yield test.document.mistake(
                    test.path(stream, *at),
                    "no weight is free of doubt",
                    "Leave the ± out, and a doubt is assumed",
                    code="free_of_doubt",
                )
            elif number.sd > _most_doubt(at) * number.value > 0:
                # A column of its own has a place of its own.
                sd = test.path(stream, *at, SD)
                path = sd if test.document.text_at(sd) is not None else test.path(stream, *at)
                yield test.document.mistake(path, *_above_itself(number), code="doubt_above_value")


def moisture_belongs_to_a_mass(draft: Draft) -> Iterator[Mistake]:
    """Water is told of a mass, and is not all of it."""
    for test, stream, block in _blocks(draft):
        if block.moisture is None:
            continue
        path = test.path(stream, "moisture")
        if block.moisture.value >= 1:
            remedy = "Write the water's share of the moist mass, as 2 %"
            yield test.document.mistake(path, "then all of it is water", remedy, code="all_water")
        elif test.lacks_mass(stream):
            remedy = f"Add the line {stream},mass,8.0 kg" if test.is_table else "Add mass: 8.0 kg, as weighed moist"
            yield test.document.mistake(path, "the moist mass is missing", remedy, code=NO_MOIST_MASS)


def assay_mass_belongs_to_a_grade(draft: Draft) -> Iterator[Mistake]:
    """What an assay took is told of a grade, and is no more than there was."""
    for test, stream, block in _blocks(draft):
        if block.assay_mass is None:
            continue
        path, mass = test.path(stream, "assay_mass"), test.dry_mass(stream)
        if any(half.blocks[stream].metallics for half in test.halves if stream in half.blocks):
            remedy = "Leave it out: plus and minus are what the screen assay took"
            yield test.document.mistake(path, "a screen assay tells its own masses", remedy, code="two_assay_masses")
        elif test.lacks_grade(stream):
            remedy = f"Add the line {stream},grade,3 g/t" if test.is_table else "Add grade: 3 g/t"
            yield test.document.mistake(path, "the grade is missing that the assay gave", remedy, code=NO_GRADE)
        elif mass is not None and _above(measurement(stream, MASS, block.assay_mass), mass):
            message = f"the assay took more than the stream itself ({_kg(mass.value)})"
            slip = block.assay_mass.value > TEN_TO * mass.value
            remedy = _readings(block.assay_mass, 1.0, mass.value) if slip else "Check both masses, and their units"
            yield test.document.mistake(path, message, remedy, code="assay_above_its_rock")


def slag_has_its_own_mass(draft: Draft) -> Iterator[Mistake]:
    """What leaves fire beside the metal holds flux, or is a cupel: its grade tells gold only with its own mass."""
    glass = fired({name: step for name, step in draft.steps.items() if step is not None})
    for test, stream, block in _blocks(draft):
        field = next((name for name in ("grade", "metallics") if getattr(block, name) is not None), "")
        if stream in glass and field and test.lacks_mass(stream):
            whose = f"{stream},mass,300 g" if test.is_table else "mass: 300 g"
            remedy = f"Add {'the line ' if test.is_table else ''}{whose}, all of it as weighed after the fire"
            message = "a grade tells what fired ground holds only with its own mass, flux and all"
            yield test.document.mistake(test.path(stream, field), message, remedy, code=NO_SLAG_MASS)


def metallics_are_complete(draft: Draft) -> Iterator[Mistake]:
    """A screen assay has all its parts, and no other grade stands beside it."""
    for test, stream, block in _blocks(draft):
        # In a weigh sheet the parts are lines of their own: without one that can be read, there is no block.
        if block.metallics is None:
            continue
        path = test.path(stream, "metallics")
        for part in PARTS:
            if getattr(block.metallics, part) is None and test.whole(stream, "metallics", part):
                field, line = _LIKE[part]
                told = line.split(",")[0] if test.is_table else part
                remedy = f"Add the line {stream},{line}" if test.is_table else f"Add {part}: {field}"
                message, about = f'of the screen assay, "{told}" is missing', Subject(stream=stream, what=told)
                yield test.document.mistake(path, message, remedy, code=SCREEN_ASSAY_LACKS, subject=about)
        if block.grade is not None:
            message = "the screen assay and the grade are two grades of one stream"
            yield test.document.mistake(test.path(stream, "grade"), message, "Keep one of the two", code="two_grades")


def passing_falls_with_the_sieve(draft: Draft) -> Iterator[Mistake]:
    """Through a finer sieve no more passes."""
    for test, stream, block in _blocks(draft):
        yield from _once(test, stream, "passing", block.passing or ())
        for coarse, fine, of in _pairs(test, stream, "passing"):
            if of[1] is test and fine.number.value > coarse.number.value:
                yield test.document.mistake(
                    test.path(stream, "passing", fine.key),
                    f"more passes here than through the coarser sieve {coarse.key} ({coarse.number})",
                    "Write what passes in all, not what stays on each sieve",
                    code="passing_rises",
                )


def counts_fall_with_size(draft: Draft) -> Iterator[Mistake]:
    """Grains of at least a size are no more than those of at least a smaller one."""
    for test, stream, block in _blocks(draft):
        yield from _once(test, stream, "grains", block.grains or ())
        for coarse, fine, of in _pairs(test, stream, "grains"):
            if of[0] is test and coarse.number.value > fine.number.value:
                yield test.document.mistake(
                    test.path(stream, "grains", coarse.key),
                    f"more grains than of {fine.key} ({fine.number}), where these are among them",
                    "Count in all from each size up",
                    code="counts_rise",
                )


def _pairs(
    test: WeighedTest, stream: str, field: str
) -> Iterator[tuple[AtSize, AtSize, tuple[WeighedTest, WeighedTest]]]:
    """Go through neighbours in size, coarser first, of a whole test, and in which half of it each stands."""
    blocks = ((half, half.blocks.get(stream)) for half in test.halves)
    rows = [(row, half) for half, block in blocks for row in getattr(block, field, None) or ()]
    for (coarse, first), (fine, second) in pairwise(sorted(rows, key=lambda row: -(row[0].size or 0.0))):
        yield coarse, fine, (first, second)


def _once(test: WeighedTest, stream: str, field: str, rows: Sequence[AtSize]) -> Iterator[Mistake]:
    seen: dict[float | None, str] = {}
    for row in rows:
        if row.size in seen:
            path = test.path(stream, field, row.key)
            message = f'the same size as "{seen[row.size]}"'
            yield test.document.name_mistake(path, message, "Keep one of the two", code="size_twice")
        seen.setdefault(row.size, row.key)


def gold_fits_its_rock(draft: Draft) -> Iterator[Mistake]:
    """Gold, or a bead made of a stream, is no heavier than the stream (or, where that was not weighed, the ores)."""
    for test, stream, block in _blocks(draft):
        mass, whose = test.dry_mass(stream), "the stream itself"
        if mass is None and not draft.document.changed:
            mass, whose = _fed(draft, test), "all that was fed"
        for what in (GOLD, BEAD, PICKED):
            number = getattr(block, what)
            if number is None or mass is None:
                continue
            found = measurement(stream, what, number)
            if _above(found, mass):
                noun = {GOLD: "the gold", BEAD: "the bead", PICKED: "the metal picked"}[what]
                message = f"{noun} is heavier than {whose} ({_kg(mass.value)})"
                yield test.document.mistake(
                    test.path(stream, what), message, _readings(number, 1.0, mass.value), code="gold_above_its_rock"
                )


def nothing_outweighs_its_feed(draft: Draft) -> Iterator[Mistake]:
    """What was never in a loop weighs no more than what was fed, nor than the one stream that it is made of."""
    if draft.document.changed or not draft.weighed:
        return  # A trial with another feed says nothing against the weights of the test.
    in_loop = looped(draft)
    for test, stream, block in _blocks(draft):
        found = test.dry_mass(stream)
        if found is None or block.mass is None or stream in draft.ores or stream in in_loop:
            continue
        for feed, whose in _feeds(draft, test, stream, in_loop):
            if _above(found, feed):
                dry = "dry, " if test.moisture(stream) is not None else ""
                message = f"{dry}heavier than {whose} ({_kg(feed.value)})"
                remedy = _readings(block.mass, found.value / block.mass.value, feed.value)
                yield test.document.mistake(test.path(stream, "mass"), message, remedy, code="heavier_than_its_feed")
                break


def told_once(draft: Draft, mistakes: Sequence[Mistake]) -> list[Mistake]:
    """Return the mistakes without what else is wrong with a weigh sheet's line whose stream is not there."""
    tables = {test.document.file for test in draft.weighed if test.is_table}
    refused = {(m.file, m.line) for m in mistakes if m.code == NO_STREAM and m.file in tables}
    return [m for m in mistakes if m.code == NO_STREAM or (m.file, m.line) not in refused]


def waits(mistake: Mistake) -> bool:
    """Whether nothing is wrong with a line but that another, which it needs, is not there (yet)."""
    return mistake.code in (NO_MOIST_MASS, NO_GRADE, NO_SLAG_MASS, SCREEN_ASSAY_LACKS, *LACKING)


def _blocks(draft: Draft) -> Iterator[tuple[WeighedTest, str, Weighed]]:
    for test in draft.weighed:
        for stream, block in test.blocks.items():
            yield test, stream, block


def _above(found: Measurement, limit: Measurement) -> bool:
    """Whether a weight is above another by more than chance makes."""
    return found.value - limit.value > max(SURE * math.hypot(found.sd, limit.sd), SLIGHT * limit.value)


def _fed(draft: Draft, test: WeighedTest) -> Measurement | None:
    """Return what all ores weigh together: as weighed in this test, or else as the sheet has it."""
    masses = []
    for name, ore in draft.ores.items():
        told = test.dry_mass(name)
        if told is None and (ore is None or not draft.whole((*draft.ore_path(name), "mass"))):
            return None
        masses.append(told if told is not None or ore is None else measurement(name, MASS, ore.mass))
    known = [mass for mass in masses if mass is not None]
    if not known:
        return None
    sd = math.sqrt(sum(mass.sd**2 for mass in known))
    return Measurement("", MASS, sum(mass.value for mass in known), sd, any(mass.assumed for mass in known))


def _feeds(draft: Draft, test: WeighedTest, stream: str, in_loop: set[str]) -> Iterator[tuple[Measurement, str]]:
    """Go through the weights that a stream cannot pass, and how they are called."""
    source, furnace = feed_of(draft, stream)
    if furnace:
        return  # Flux and lead weigh too.
    if source is not None and source not in in_loop and source not in draft.ores:
        feed = test.dry_mass(source)
        if feed is not None:
            yield feed, f'"{source}", which it is made of'
    fed = _fed(draft, test)
    if fed is not None:
        yield fed, "all that was fed"


def _kg(value: float) -> str:
    unit, scale = ("kg", 1.0) if value >= 1 or value == 0 else ("g", 1e3) if value >= 1e-3 else ("mg", 1e6)
    return f"{scale * value:.4g} {unit}"


def _readings(number: Number, dry: float, limit: float) -> str:
    """Say in which units the number would be below ``limit`` (kg); ``dry`` is the dry share of the mass."""
    read = number.amount
    if read is None or not read.unit or number.law == EVEN:
        return "Check the number and its unit, and what was fed"

    def fits(unit: str) -> bool:
        other = number.value * read.ratio(unit, units.MASS)
        return other < number.value * (1 - SLIGHT) and other * dry <= limit * (1 + SLIGHT)

    meant = [f"{read.digits} {small}" for small in read.thousandth if fits(small)]
    if TEN_FROM * limit <= number.value * dry <= TEN_TO * limit and read.tenth:
        meant.insert(0, read.tenth)
    told = [f"Did you mean {', or '.join(meant)}?"] if meant else []
    others = [f"{other}, write {read.digits} {other}" for other in OTHER_SCALES if fits(other)]
    if others:
        told.append("If you weighed in " + ", or in ".join(others[:2]))
    return " ".join(told) or "Check the number and its unit, and what was fed"


def _most_doubt(at: tuple[str | int, ...]) -> float:
    """Return how many times itself a number's doubt may be: an assay of next to nothing may well be all doubt."""
    return 1.0 if at[-1] in ("mass", "assay_mass", "bead", PICKED, "plus", "minus") else ALL_DOUBT


def _above_itself(number: Number) -> tuple[str, str]:
    """Return (message, remedy) for a doubt that is larger than what it is the doubt of."""
    told, unit = number.doubt, number.unit[0]
    message = f"{told} is more than the {number.amount} itself"
    if told is not None and told.unit and not number.relative:
        for other in told.thousandth:
            if number.sd * told.ratio(other, number.dimension) < number.value:
                return message, f"Did you mean {told.digits} {other}?"
    nothing = f"0 {unit} ± {told}" if unit else f"0 ± {told}"
    return message, f"Write how far off it may be, which is less than it reads; of what may be nothing, write {nothing}"


WEIGHED_CHECKS: tuple[Callable[[Draft], Iterator[Mistake]], ...] = (
    weighed_streams_exist,
    doubts_are_something,
    moisture_belongs_to_a_mass,
    assay_mass_belongs_to_a_grade,
    slag_has_its_own_mass,
    metallics_are_complete,
    sizes_stand_alone,
    passing_falls_with_the_sieve,
    counts_fall_with_size,
    gold_fits_its_rock,
    nothing_outweighs_its_feed,
)
"""What a weigh sheet can fail, be it read with its sheet or by itself."""
