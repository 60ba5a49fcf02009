"""Specimens weighed in water: answers in sentences, tables, warnings, and the same as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from flowsheet.show.figures import gold, percent, short, sig
from flowsheet.show.tables import Column, Grid
from flowsheet.show.terminal import _list, console, print_table
from flowsheet.spec.minerals import MINERALS
from flowsheet.study.specimen import HOST, ONE_SIDE, WARM, All, Estimate, Found

NOT_AN_ASSAY = "This is an estimate from two weights, not a resource statement or an assay certificate."
WORTH_TELLING = 0.02
"""A share of pyrite below this is not told."""


def as_dict(found: All, table: bool = False) -> dict[str, Any]:
    """Return what one specimen, or all of a ``table``, hold as plain data."""
    how = {"draws": found.draws, "seed": found.seed}
    if not table:
        return {**_one(found.specimens[0]), **how}
    return {
        "specimens": [{"name": one.specimen.name, **_one(one)} for one in found.specimens],
        "sum_g": asdict(found.total),
        "sum_first_order_g": asdict(found.by_first_order),
        "sum_sd_if_independent_g": found.sd_if_independent,
        **how,
    }


def _one(found: Found) -> dict[str, Any]:
    specimen = found.specimen
    return {
        "gold_g": asdict(found.gold),
        "alloy_g": asdict(found.alloy),
        "first_order_g": asdict(found.by_first_order),
        "trade_rule_g": found.trade_rule,
        "smallest_g": asdict(found.smallest),
        "gold_volume_share": found.volume_share,
        "density_g_per_cm3": found.density,
        "host_g_per_cm3": {"value": specimen.host.density, "doubt_assumed": specimen.host.assumed},
        "metal_g_per_cm3": found.metal,
        "fineness": 1000 * found.fine,
        "scale_g": 1e3 * specimen.division,
        "doubts": [{"name": name, "gold_g": abs(slope)} for name, slope in _ranked(found)],
        "without_gold": found.without_gold,
        "warnings": list(warnings(found)),
        "cautions": [*cautions([found]), NOT_AN_ASSAY],
        "note": specimen.note,
    }


def _ranked(found: Found) -> list[tuple[str, float]]:
    return sorted(((n, s) for n, s in found.slopes.items() if s), key=lambda item: -abs(item[1]))


def doubts(found: Found) -> Grid:
    """Return what each doubt adds to that of the gold, largest first."""
    total = sum(slope**2 for slope in found.slopes.values())
    columns = (Column("Doubt of"), Column("told as"), Column("Gold, ± g", _sig), Column("Part, %", _percent))
    rows = [(name, _told(found, name), abs(slope), slope**2 / total) for name, slope in _ranked(found)]
    return Grid("doubts", "What the doubt about the gold comes from", columns, rows)


def _told(found: Found, cause: str) -> str:
    """Return how the number behind a doubt was given."""
    one = found.specimen
    host, assumed = one.host.base, " (assumed)"
    for name, weight in (("weight in air", one.air), ("weight in water", one.water)):
        if cause == name:
            return weight.text if weight.doubtful else f"{weight.text} ± {gold(1e3 * one.sd(weight))}{assumed}"
    if cause == HOST:
        return host.text if "±" in host.text or host.low is not None else f"{host.text} ± {host.sd:g}{assumed}"
    for added in one.host.added:
        if cause.startswith(added.name):
            known = "±" in added.share.text or added.share.low is not None
            return added.share.text if known else f"{added.share.text} ± {percent(added.share.sd)}{assumed}"
    return str((one.fineness if cause == "fineness" else one.common.metal) or "")


def without_gold(found: Found) -> Grid:
    """Return how much of a dense mineral would weigh the same with no gold."""
    columns = (Column("Mineral"), Column("Density, g/cm3", short), Column("In the rock, %", _share))
    rows = [(name, MINERALS[name], "" if share is None else share) for name, share in found.without_gold.items()]
    return Grid("without_gold", "What would weigh the same without any gold (share of the rock by mass)", columns, rows)


def specimens(found: All) -> Grid:
    """Return all specimens and their sum."""
    columns = (
        Column("Specimen"),
        Column("Air, g", _sig4),
        Column("Water, g", _sig4),
        Column("Density, g/cm3", _sig),
        Column("Gold, g", _sig),
        Column("5 %, g", _sig),
        Column("95 %, g", _sig),
        Column("Can tell, g", _can_tell),
        Column("Look at"),
    )
    rows: list[tuple[Any, ...]] = [
        (f.specimen.name, 1e3 * f.specimen.air.value, 1e3 * f.specimen.water.value, f.density, f.gold.value, f.gold.low,
         f.gold.high, f.smallest.detection, _short_warning(f))
        for f in found.specimens
    ]  # fmt: skip
    weights = [sum(1e3 * w for w in ws) for ws in zip(*((f.specimen.air.value, f.specimen.water.value)
                                                         for f in found.specimens), strict=True)]  # fmt: skip
    total = found.total
    rows.append(("all", *weights, weights[0] / (weights[0] - weights[1]), total.value, total.low, total.high,
                 "", ""))  # fmt: skip
    return Grid("specimens", "Specimens (gold: fine gold, nine times in ten between the ends)", columns, rows)


def _short_warning(found: Found) -> str:
    if found.gold.value < 0:
        return "lighter than its host"
    if found.alloy.value > 1e3 * found.specimen.air.value:
        return "denser than metal"
    return "may hold none" if found.gold.value <= found.smallest.decision else ""


def _sig(value: float) -> str:
    return f"−{sig(-value)}" if value < 0 else sig(value)


def _can_tell(value: float | str) -> str:
    return "–" if isinstance(value, str) else sig(value)


def _sig4(value: float) -> str:
    return sig(value, 4)


def _percent(share: float) -> str:
    return percent(share).removesuffix(" %").replace("under ", "<")


def _share(share: float | str) -> str:
    return "no share would do" if isinstance(share, str) else _percent(share)


def span(one: Estimate) -> str:
    """Return an amount with its ends; what is below nothing is told as nothing there."""
    unit, scale = ("g", 1.0) if one.high >= 0.1 else ("mg", 1e3)
    low = "0" if one.low <= 0 else sig(scale * one.low)
    return f"{sig(scale * max(one.value, 0.0))} {unit} ({low} to {sig(scale * max(one.high, 0.0))})"


def answers(found: Found) -> Iterator[tuple[str, str]]:
    """Return (question, answer) for one specimen."""
    yield "How much gold is in it?", held(found)
    yield "What is the smallest gold that these weights can tell?", smallest(found)
    if found.gold.value > 0:
        yield "Could it be something else?", something_else(found)
    yield "What would make it surer?", surer(found)


def held(found: Found) -> str:
    """Say what the specimen holds, or that it shows nothing."""
    value = found.gold.value
    told = f"{_sig(found.density)} g/cm3 with its gold, {_sig(found.specimen.host.density)} without"
    if value < 0:
        text = f"None that shows. By its weights it would hold {_sig(value)} g, less than nothing: it weighs {told}."
        if value < -found.smallest.decision:
            return f"{text} Something in it is lighter than the host, and hides what gold there may be."
        return f"{text} If it holds any, it is hardly more than {gold(max(found.gold.high, found.smallest.decision))}."
    text = f"About {span(found.gold)} of fine gold, nine times in ten between these ends: the rock weighs {told}"
    text += f", so {percent(found.volume_share)} of its volume is metal."
    if found.fine < 1:
        text += f" The metal ({1000 * found.fine:.0f} fine) weighs {span(found.alloy)}."
    if value <= found.smallest.decision:
        text += " That is within its own doubt of nothing: it may hold none."
    rule = found.trade_rule
    return (
        f"{text} The trade's rule, 3.1 × water − 1.9 × air, says {_sig(rule)} g: its numbers are rounded, and it knows "
        "no other host or metal."
    )


def smallest(found: Found) -> str:
    """Say what can be told of gold in such a rock."""
    s = found.smallest
    text = (
        f"A rock of this weight without gold would seem to hold up to {gold(s.decision)} by luck (19 times in 20), and "
        f"it takes {gold(s.detection)} to be found as surely"
    )
    if s.scale_only < 0.5 * s.detection:
        return f"{text}; {gold(s.scale_only)} if you knew the host's density for sure."
    return f"{text}, most of it for the scale: one that weighs finer would tell more."


def something_else(found: Found) -> str:
    """Say how much of a dense mineral would do the same."""
    shares = [(name, share) for name, share in found.without_gold.items() if share is not None]
    if not shares:
        return "No: not even a rock of solid galena is that dense."
    told = " or ".join(f"{percent(share)} of {name}" for name, share in shares)
    return f"With {told} by mass in place of its host it would weigh the same and hold no gold. Look at it with a lens."


def surer(found: Found) -> str:
    """Say what to measure next."""
    ranked = _ranked(found)
    if not ranked:
        return "Nothing in these numbers has a doubt: give them one (±)."
    name, slope = ranked[0]
    part = percent(slope**2 / sum(s**2 for s in found.slopes.values()))
    remedies = {
        "weight in air": "dry it well and weigh it on a finer scale",
        "weight in water": "weigh it on a finer scale, hung by a thin thread, wetted with a drop of soap",
        HOST: "weigh a piece of the same vein without gold in air and in water, and give its density (--host)",
        "metal": "have the metal's density or fineness assayed",
        "fineness": "have the fineness of this gold assayed",
    }
    remedy = remedies.get(name, "look at a broken face and judge the share of the mineral better (--host)")
    return f"{part} of the doubt is the {name} (± {gold(abs(slope))}): {remedy}."


def warnings(found: Found) -> Iterator[str]:
    """Go through what is odd about a specimen's weights."""
    air = 1e3 * found.specimen.air.value
    host = found.specimen.host.density
    if found.gold.value < 0:
        certain = found.gold.value < -found.smallest.decision
        why = "it has cavities, moss, air bubbles or a lighter host" if certain else "within its doubt that is no gold"
        yield (
            f"The specimen ({_sig(found.density)} g/cm3) is lighter than its host ({_sig(host)}): {why}. Brush it, "
            "boil or soak it until no bubble rises, and weigh it again."
        )
    elif found.gold.value <= found.smallest.decision:
        yield "The gold is within its own doubt of nothing: these weights cannot tell it from none."
    elif found.gold.value < found.smallest.detection:
        yield "There is some gold by these weights, but how much they hardly tell."
    if found.alloy.value > air:
        yield (
            f"The specimen ({_sig(found.density)} g/cm3) is denser than the metal itself ({_sig(found.metal)}): one of "
            "the weights is wrong, or it is no gold. Weigh it again."
        )
    share = found.without_gold["pyrite"]
    if found.gold.value > 0 and share is not None and share > WORTH_TELLING:
        yield f"{percent(share)} of pyrite by mass would explain its density without any gold."


def cautions(found: Sequence[Found]) -> Iterator[str]:
    """Go through what the weighing has to mind, with what each slip would do."""
    first = max(found, key=lambda one: -one.per_air_cm3)
    yield (
        f"Weigh it dry in air: each gram of water on or in it takes {gold(-first.per_wet_g)} of gold off the answer. "
        f"Each cm3 of air in cracks or bubbles under water takes off {gold(-first.per_air_cm3)}."
    )
    if warm := -sum(one.by_warm_water for one in found):
        told = gold(warm)
        yield f"Water is taken at 1.000 g/cm3; at {WARM:g} °C the answer would be {told} less. Give --temperature."
    if any(one.specimen.fineness is None and one.specimen.common.metal is None for one in found):
        yield 'The metal is taken as fine gold; natural gold holds silver: give its fineness, as --fineness "870 ± 20".'
    for text in dict.fromkeys(one.specimen.host.text for one in found if one.specimen.host.assumed):
        yield f'The doubt of the host "{text}" is assumed, in whole or in part: give it your own (±).'


def show(found: All, table: bool = False) -> None:
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
    _list(out, "Look at this", lines)
    _list(out, "Take care", [*cautions(found.specimens), NOT_AN_ASSAY])


def _show_one(found: All, one: Found) -> None:
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
    first = one.by_first_order
    out.print(
        f"{found.draws:,} draws, seed {found.seed}: ± {gold(one.gold.sd)}; by first order ± {gold(first.sd)} "
        f"({_sig(first.low)} to {_sig(first.high)} g)."
    )
    _list(out, "Look at this", list(warnings(one)))
    _list(out, "Take care", [*cautions([one]), NOT_AN_ASSAY])


def sum_answers(found: All) -> Iterator[tuple[str, str]]:
    """Return (question, answer) for all specimens together."""
    apart = Estimate(found.total.value, found.sd_if_independent, 0.0, 0.0)
    below = sum(one.gold.value < 0 for one in found.specimens)
    text = (
        f"About {span(found.total)} of fine gold in {len(found.specimens)} specimens, ± {gold(found.total.sd)} (one "
        "standard deviation). The host's and the metal's doubts are the same for all rocks and do not average out: had "
        f"each rock its own, it would be ± {gold(apart.sd)}."
    )
    if below:
        what = "One rock comes" if below == 1 else f"{below} rocks come"
        text += f" {what} out below nothing and counted as such: left out, the sum would be too large."
    yield "How much gold do they hold?", text
    shows = [one for one in found.specimens if one.gold.value > one.smallest.decision]
    told = f"{len(shows)} of {len(found.specimens)}"
    yield (
        "In which does gold show?",
        (
            f"{told} hold more than luck with the weights would show in a barren one (1 in 20 by luck alone). "
            f"“Can tell” is the gold that would be found 19 times in 20 (3.29 sd at no gold; {ONE_SIDE:.3f} sd decide)."
        ),
    )
