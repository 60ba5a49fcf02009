"""Doubts that the sheet leaves to the tool: how far a step may be off its model, grains off what is told, and so on.

Plain answers do not hang on them, intervals do: where nothing is said of a doubt, it is taken to be what is typical.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from flowsheet.spec.blocks.fields import TYPICAL, extra_of
from flowsheet.spec.blocks.grain_doubts import CLUSTERS
from flowsheet.spec.blocks.measurement import ASSAY_MASS, GRADE
from flowsheet.spec.blocks.pile import TYPICAL_SPREAD
from flowsheet.spec.blocks.schema import Ore, Sheet
from flowsheet.study.common.grain_lots import UNTOLD_D50, UNTOLD_SD
from flowsheet.study.common.uncertain_inputs import tilt_name
from flowsheet.study.common.units_out import grams, millimetres
from flowsheet.study.run.assumptions import Assumed


def assumed_doubts(sheet: Sheet) -> list[Assumed]:
    """Return the doubts that a sheet leaves open, each with where it would be written, and as what."""
    return [*_steps(sheet), *_ores(sheet), *_assays(sheet), *_sacks(sheet)]


def _steps(sheet: Sheet) -> Iterator[Assumed]:
    for name, step in sheet.steps.items():
        slack, source = step.slack_of(), step.typical_slack.source
        sides = []
        if slack.rock_assumed:
            sides.append(f"rock: {slack.rock:g}")
        if slack.gold_assumed:
            sides.append(f"gold: {slack.gold:g}")
        if sides:
            what = "how far the shares to its outlets may be off the model, in log odds (one standard deviation)"
            if slack.gold_shift:
                what += f"; gold is taken to lie {slack.gold_shift:+g} off it, since the default is a best case"
            yield Assumed(f"{name}.slack", f"{{{', '.join(sides)}}}".replace("-", "−"), what.replace("-", "−"), source)


def _ores(sheet: Sheet) -> Iterator[Assumed]:
    for name, ore in sheet.ores.items():
        within = sheet.field_of(name)
        if ore.sizes is None:
            continue
        if "tilt" not in ore.model_fields_set:
            field = Ore.model_fields["tilt"]
            text, source = str(extra_of(field)["default_text"]), str(extra_of(field)["source"])
            yield Assumed(tilt_name(sheet, name), text, field.description or "tilt", source)
        together = any(step.lie_together() > 1 for step in sheet.steps.values())
        yield from _grains(ore, within, together)


def _grains(ore: Ore, within: str, together: bool) -> Iterator[Assumed]:
    """Give the doubts of an ore's grains; ``together``: a step says how many lie together."""
    gold = ore.gold
    if gold is None or (gold.d50 is None and gold.sizes is None):
        times = math.exp(UNTOLD_SD)
        value = f"{millimetres(UNTOLD_D50):g} mm, or {times:.0f} times that either way"
        yield Assumed(f"{within}.gold.d50", value, "half of the gold is in grains finer than this", TYPICAL)
    else:
        doubts = gold.doubts()
        if doubts.size_sd > 0 and not doubts.size_told:
            where = f"{within}.gold.{'d50' if gold.sizes is None else 'sizes'}"
            times = math.exp(doubts.size_sd)
            yield Assumed(where, f"× or ÷ {times:.2g}", "how far all grain sizes may be off, together", TYPICAL)
        if doubts.spread_sd > 0 and not doubts.spread_told:
            value = f"± {100 * doubts.spread_sd:.0f} % of ln(d95/d50)"
            yield Assumed(f"{within}.gold.d95", value, "how far the spread of the grain sizes may be off", TYPICAL)
    if not together and (gold is None or gold.cluster is None):
        yield Assumed(f"{within}.gold.cluster", CLUSTERS, "how many grains lie together", TYPICAL)


def _assays(sheet: Sheet) -> Iterator[Assumed]:
    for name in dict.fromkeys(m.stream for m in sheet.weighed if m.what == GRADE and m.assay_mass_assumed):
        what = "rock that the assay took: the luck of grains in so little counts"
        yield Assumed(f"{name}, assay mass", f"{grams(ASSAY_MASS):g} g", what, TYPICAL)


def _sacks(sheet: Sheet) -> Iterator[Assumed]:
    if sheet.pile is None or "spread" not in sheet.pile.model_fields_set:
        what = "how far sacks differ besides the luck of their grains; two tests or more tell it themselves"
        yield Assumed("pile.spread", f"{100 * TYPICAL_SPREAD:.0f} %", what, TYPICAL)
