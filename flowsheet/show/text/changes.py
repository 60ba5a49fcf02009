"""A change of one number, from what to what: both written as the sheet writes the first."""

from __future__ import annotations

import re

from flowsheet.study.run.sensitivity import Change

_SHARE = re.compile(r"(?P<number>-?[\d.]+) %")
_PLAIN = re.compile(r"\d*\.?\d+")


def becomes(change: Change) -> str:
    """Return what a setting becomes: a share written as 0.8 becomes 0.95, one of 80 % becomes 95 %."""
    share, before = _SHARE.fullmatch(change.then), change.now.partition("±")[0].strip()
    plain = [part.strip() for part in before.split(" to ")]
    if share is None or not all(_PLAIN.fullmatch(part) for part in plain):
        return change.then
    return f"{float(share['number']) / 100:.4g}"
