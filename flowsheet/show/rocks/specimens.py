"""Specimens weighed in water: answers in sentences, tables, warnings, and the same as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from flowsheet.ore.plausibility import low_fineness
from flowsheet.show.rocks.specimen_sums import from_nothing, shown, signed, span, sum_answers
from flowsheet.show.text.figures import gold, percent, short, sig
from flowsheet.show.text.tables import Column, Grid
from flowsheet.show.text.terminal import console, list_lines, print_table
from flowsheet.spec.rocks.host_rock import MINERALS
from flowsheet.spec.text.wording import argument
from flowsheet.study.common.units_out import each, grams
from flowsheet.study.rocks.hydrostatic import HOST, WARM
from flowsheet.study.rocks.result import Estimate, SpecimenGold, Specimens, impossible

NOT_AN_ASSAY = "This is an estimate from two weights, not a resource statement or an assay certificate."
A_GRAM = 1e-3
"""In kg; and a cm3 in litres."""
WORTH_TELLING = 0.02
"""A share of pyrite below this is not told."""


def as_dict(found: Specimens, table: bool = False) -> dict[str, Any]:
    """Return what one specimen, or all of a ``table``, hold as plain data."""
    how = {"draws": found.draws, "seed": found.seed}
    if not table:
        return {**_one(found.specimens[0]), **how}
    return {
        "specimens": [{"name": one.specimen.name, **_one(one)} for one in found.specimens],
        "sum_g": _amount(found.total),
        "sum_first_order_g": _amount(found.by_first_order),
        "sum_sd_if_independent_g": grams(found.sd_if_independent),
        "left_out": [one.specimen.name for one in found.left_out],
        **how,
    }


def _amount(one: Estimate) -> dict[str, float]:
    told: dict[str, float] = each(asdict(from_nothing(one)), grams)
    return told


def _one(found: SpecimenGold) -> dict[str, Any]:
    specimen = found.specimen
    amounts = {"gold_g": found.gold, "alloy_g": found.alloy, "first_order_g": found.by_first_order}
    return {
        **{name: None if found.cannot_be else _amount(one) for name, one in amounts.items()},
        "cannot_be": found.cannot_be,
        "trade_rule_g": grams(found.trade_rule),
        "smallest_g": each(asdict(found.smallest), grams),
        "gold_volume_share": found.volume_share,
        "density_g_per_cm3": found.density,
        "host_g_per_cm3": {"value": specimen.host.density, "doubt_assumed": specimen.host.assumed},
        "metal_g_per_cm3": found.metal,
        "fineness": 1000 * found.fine,
        "scale_g": grams(specimen.division),
        "doubts": [{"name": name, "gold_g": grams(abs(slope))} for name, slope in _ranked(found)],
        "without_gold": found.without_gold,
        "warnings": list(warnings(found)),
        "cautions": [*cautions([found]), NOT_AN_ASSAY],
        "note": specimen.note,
    }


def _ranked(found: SpecimenGold) -> list[tuple[str, float]]:
    return sorted(((n, s) for n, s in found.slopes.items() if s), key=lambda item: -abs(item[1]))


def doubts(found: SpecimenGold) -> Grid:
    """Return what each doubt adds to that of the gold, largest first."""
    total = sum(slope**2 for slope in found.slopes.values())
    columns = (Column("Doubt of"), Column("told as"), Column("Gold, ± g", signed), Column("Part, %", _percent))
    rows = [(name, _told(found, name), grams(abs(slope)), slope**2 / total) for name, slope in _ranked(found)]
    return Grid("doubts", "What the doubt about the gold comes from", columns, rows)


def _told(found: SpecimenGold, cause: str) -> str:
    """Return how the number behind a doubt was given."""
    one = found.specimen
    host, assumed = one.host.base, " (assumed)"
    for name, weight in (("weight in air", one.air), ("weight in water", one.water)):
        if cause == name:
            return weight.text if weight.doubtful else f"{weight.text} ± {gold(one.sd(weight))}{assumed}"
    if cause == HOST and not one.host.given:
        return f"{host.text}{assumed}"
    if cause == HOST:
        return host.text if host.told_doubt else f"{host.text} ± {host.sd:g}{assumed}"
    for added in one.host.added:
        if cause.startswith(added.name):
            share = added.share
            return share.text if share.told_doubt else f"{share.text} ± {percent(share.sd)}{assumed}"
    return str((one.fineness if cause == "fineness" else one.common.metal) or "")


def without_gold(found: SpecimenGold) -> Grid:
    """Return how much of a dense mineral would weigh the same with no gold."""
    columns = (Column("Mineral"), Column("Density, g/cm3", short), Column("In the rock, %", _share))
    rows = [(name, MINERALS[name], "" if share is None else share) for name, share in found.without_gold.items()]
    return Grid("without_gold", "What would weigh the same without any gold (share of the rock by mass)", columns, rows)


def specimens(found: Specimens) -> Grid:
    """Return all specimens and their sum."""
    columns = (
        Column("Specimen"),
        Column("Air, g", _sig4),
        Column("Water, g", _sig4),
        Column("Density, g/cm3", signed),
        Column("Gold, g", _or_dash),
        Column("5 %, g", _or_dash),
        Column("95 %, g", _or_dash),
        Column("Can tell, g", _or_dash),
        Column("Look at"),
    )
    rows: list[tuple[Any, ...]] = [
        (f.specimen.name, grams(f.specimen.air.value), grams(f.specimen.water.value), f.density,
         *(("", "", "", "") if f.cannot_be else (*map(grams, shown(f.gold)), grams(f.smallest.detection))),
         _short_warning(f))
        for f in found.specimens
    ]  # fmt: skip
    weights = [sum(grams(w) for w in ws) for ws in zip(*((f.specimen.air.value, f.specimen.water.value)
                                                         for f in found.counted), strict=True)]  # fmt: skip
    rows.append(("all", *weights, weights[0] / (weights[0] - weights[1]), *map(grams, shown(found.total)), "",
                 "without what cannot be" if found.left_out else ""))  # fmt: skip
    return Grid("specimens", "Specimens (gold: fine gold, nine times in ten between the ends)", columns, rows)


def _short_warning(found: SpecimenGold) -> str:
    if found.cannot_be:
        return "cannot be: left out"
    if found.specimen.fineness is not None and low_fineness(found.specimen.fineness):
        return "fineness?"
    if found.gold.value < 0:
        return "lighter than its host"
    if found.alloy.value > found.specimen.air.value:
        return "solid metal?"
    return "may hold none" if found.gold.value <= found.smallest.decision else ""


def _or_dash(value: float | str) -> str:
    return "–" if isinstance(value, str) else sig(value)


def _sig4(value: float) -> str:
    return sig(value, 4)


def _percent(share: float) -> str:
    return percent(share).removesuffix(" %").replace("under ", "<")


def _share(share: float | str) -> str:
    return "no share would do" if isinstance(share, str) else _percent(share)


def answers(found: SpecimenGold) -> Iterator[tuple[str, str]]:
    """Return (question, answer) for one specimen."""
    yield "How much gold is in it?", held(found)
    yield "What is the smallest gold that these weights can tell?", smallest(found)
    if found.gold.value > 0:
        yield "Could it be something else?", something_else(found)
    yield "What would make it surer?", surer(found)


def held(found: SpecimenGold) -> str:
    """Say what the specimen holds, or that it shows nothing."""
    value = found.gold.value
    told = f"{signed(found.density)} g/cm3 with its gold, {signed(found.specimen.host.density)} without"
    if value < 0:
        less = f"{signed(grams(value))} g, less than nothing"
        text = f"None that shows. By its weights it would hold {less}: it weighs {told}."
        if value < -found.smallest.decision:
            return f"{text} Something in it is lighter than the host, and hides what gold there may be."
        return f"{text} If it holds any, it is hardly more than {gold(max(found.gold.high, found.smallest.decision))}."
    text = f"About {span(found.gold)} of fine gold, nine times in ten between these ends: the rock weighs {told}"
    if found.volume_share < 1:
        text += f", so {percent(found.volume_share)} of its volume is metal."
    else:
        text += ". That is as dense as solid metal or denser, by less than the doubt of its weights."
    if found.fine < 1:
        text += f" The metal ({1000 * found.fine:.0f} fine) weighs {span(found.alloy)}."
    if value <= found.smallest.decision:
        text += " That is within its own doubt of nothing: it may hold none."
    rule = signed(grams(found.trade_rule))
    return (
        f"{text} The trade's rule, 3.1 × water − 1.9 × air, says {rule} g: its numbers are rounded, and it "
        "knows no other host or metal."
    )


def smallest(found: SpecimenGold) -> str:
    """Say what can be told of gold in such a rock."""
    s = found.smallest
    text = (
        f"A rock of this weight without gold would seem to hold up to {gold(s.decision)} by luck (19 times in 20), and "
        f"it takes {gold(s.detection)} to be found as surely"
    )
    if s.scale_only < 0.5 * s.detection:
        return f"{text}; {gold(s.scale_only)} if you knew the host's density for sure."
    return f"{text}, most of it for the scale: one that weighs finer would tell more."


def something_else(found: SpecimenGold) -> str:
    """Say how much of a dense mineral would do the same."""
    shares = [(name, share) for name, share in found.without_gold.items() if share is not None]
    if not shares:
        return "No: not even a rock of solid galena is that dense."
    told = " or ".join(f"{percent(share)} of {name}" for name, share in shares)
    return f"With {told} by mass in place of its host it would weigh the same and hold no gold. Look at it with a lens."


def surer(found: SpecimenGold) -> str:
    """Say what to measure next."""
    ranked = _ranked(found)
    if not ranked:
        return "Nothing in these numbers has a doubt: give them one (±)."
    name, slope = ranked[0]
    part = percent(slope**2 / sum(s**2 for s in found.slopes.values()))
    host = argument("host")
    remedies = {
        "weight in air": "dry it well and weigh it on a finer scale",
        "weight in water": "weigh it on a finer scale, hung by a thin thread, wetted with a drop of soap",
        HOST: f"weigh a piece of the same vein without gold in air and in water, and give its density ({host})",
        "metal": "have the metal's density or fineness assayed",
        "fineness": "have the fineness of this gold assayed",
    }
    remedy = remedies.get(name, f"look at a broken face and judge the share of the mineral better ({host})")
    return f"{part} of the doubt is the {name} (± {gold(abs(slope))}): {remedy}."


def warnings(found: SpecimenGold) -> Iterator[str]:
    """Go through what is odd about a specimen's weights."""
    air = found.specimen.air.value
    host = found.specimen.host.density
    if (fineness := found.specimen.fineness) is not None and (wrong := low_fineness(fineness)):
        yield f"{wrong[0].upper()}{wrong[1:]}"
    if found.cannot_be:
        yield "{}. {}".format(*impossible(found))
        return
    if found.gold.value < 0:
        certain = found.gold.value < -found.smallest.decision
        why = "it has cavities, moss, air bubbles or a lighter host" if certain else "within its doubt that is no gold"
        yield (
            f"The specimen ({signed(found.density)} g/cm3) is lighter than its host ({signed(host)}): {why}. Brush it, "
            "boil or soak it until no bubble rises, and weigh it again."
        )
    elif found.gold.value <= found.smallest.decision:
        yield "The gold is within its own doubt of nothing: these weights cannot tell it from none."
    elif found.gold.value < found.smallest.detection:
        yield "There is some gold by these weights, but how much they hardly tell."
    if found.alloy.value > air:
        yield (
            f"The specimen ({signed(found.density)} g/cm3) is denser than the metal itself ({signed(found.metal)}), by "
            "less than the doubt of its weights. Weigh it again on a finer scale."
        )
    share = found.without_gold["pyrite"]
    if found.gold.value > 0 and share is not None and share > WORTH_TELLING:
        yield f"{percent(share)} of pyrite by mass would explain its density without any gold."


def cautions(found: Sequence[SpecimenGold]) -> Iterator[str]:
    """Go through what the weighing has to mind, with what each slip would do."""
    first = max(found, key=lambda one: -one.per_air)
    yield (
        f"Weigh it dry in air: each gram of water on or in it takes {gold(-A_GRAM * first.per_wet)} of gold off the "
        f"answer. Each cm3 of air in cracks or bubbles under water takes off {gold(-A_GRAM * first.per_air)}."
    )
    if warm := -sum(one.by_warm_water for one in found):
        told = gold(warm)
        cure = f"Give {argument('temperature')}"
        yield f"Water is taken at 1.000 g/cm3; at {WARM:g} °C the answer would be {told} less. {cure}."
    if any(one.specimen.fineness is None and one.specimen.common.metal is None for one in found):
        fineness = argument("fineness", "870 ± 20")
        yield f"The metal is taken as fine gold; natural gold holds silver: give its fineness, as {fineness}."
    hosts = [one.specimen.host for one in found]
    if usual := next((host for host in hosts if not host.given), None):
        told = f"No host is given: {usual.text} g/cm3 (quartz) and its doubt are assumed"
        yield f"{told}. Give your own, as {argument('host', '2.7 ± 0.03')}."
    for text in dict.fromkeys(host.text for host in hosts if host.assumed and host.given):
        yield f'The doubt of the host "{text}" is assumed, in whole or in part: give it your own (±).'


def show(found: Specimens, table: bool = False) -> None:
    """Print one specimen, or all of a ``table``."""
    out = console()
    if not table:
        _show_one(found, found.specimens[0])
        return
    print_table(out, specimens(found))
    for question, answer in sum_answers(found):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    lines = [f"{f.specimen.name}: {text}" for f in found.specimens for text in warnings(f) if _short_warning(f)]
    list_lines(out, "Look at this", lines)
    list_lines(out, "Take care", [*cautions(found.counted), NOT_AN_ASSAY])


def _show_one(found: Specimens, one: SpecimenGold) -> None:
    out = console()
    name = "A specimen" if one.specimen.name == "specimen" else one.specimen.name
    out.print(f"{name}: {one.specimen.air} in air, {one.specimen.water} in water", style="bold")
    for question, answer in answers(one):
        out.print()
        out.print(question, style="bold")
        out.print(answer)
    for grid in (doubts(one), without_gold(one)):
        if grid.rows and (grid.name == "doubts" or one.gold.value > 0):
            out.print()
            print_table(out, grid)
    first = from_nothing(one.by_first_order)
    out.print(
        f"{found.draws:,} draws, seed {found.seed}: ± {gold(one.gold.sd)}; by first order ± {gold(first.sd)} "
        f"({sig(grams(first.low))} to {sig(grams(first.high))} g)."
    )
    list_lines(out, "Look at this", list(warnings(one)))
    list_lines(out, "Take care", [*cautions([one]), NOT_AN_ASSAY])
