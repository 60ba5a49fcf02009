"""Trials in sentences: which keeps most, and which leaves most."""

from __future__ import annotations

from flowsheet.show.text.figures import gold, percent
from flowsheet.spec.text.wording import listed
from flowsheet.study.trials.trials import Trials


def best_value(found: Trials) -> str:
    """Say which trial leaves most money of a sack, and against the sheet as it stands."""
    best = max(found.rows, key=lambda row: row.value or 0.0)
    gain = best.value_gain or 0.0
    if gain <= 0.005:
        return f"None leaves more {found.currency} of a sack than the sheet as it is."
    named = listed([f"{name} = {value}" for name, value in best.settings.items()])
    return f"Most {found.currency} of a sack is left with {named}: {gain:,.2f} more than with the sheet as it is."


def best_trial(found: Trials) -> str:
    """Say which trial keeps most gold, and against the sheet as it stands."""
    best = max(found.rows, key=lambda row: row.kept)
    named = listed([f"{name} = {value}" for name, value in best.settings.items()])
    text = f"Most is kept with {named}: {gold(best.kept)} ({percent(best.kept_share)} of the gold)"
    if abs(best.gain) < 1e-9 * max(best.kept, 1e-12):
        return f"{text}, as much as with the sheet as it is."
    if best.gain < 0:
        less = f"{text}, which is {gold(-best.gain)} less than with the sheet as it is."
        # What the ore is cannot be chosen.
        given = any(name.partition(".")[0] in ("ore", "ores") for name in found.moved)
        return less if given else f"{less} Leave the sheet as it is."
    more = f"{text}, {gold(best.gain)} more than with the sheet as it is."
    if found.luck is not None and best.gain < found.luck:
        return f"{more} One sack would hardly show it: the luck of its grains is larger (± {gold(found.luck)})."
    return more
