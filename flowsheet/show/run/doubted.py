"""Weights that contradict others: what is told without them, and what it would be with them as they are written."""

from __future__ import annotations

from flowsheet.show.balance.suspected import said
from flowsheet.show.text import spans
from flowsheet.spec.text.wording import listed
from flowsheet.study.balance.believed_weights import Doubted
from flowsheet.study.estimate.confidence import AsWritten, Confidence


def without_and_with(sure: Confidence) -> str:
    """Say what is told without what contradicts the other weights, and with all as written; "" where none does."""
    written, test = sure.with_suspects, sure.this_test
    if written is None or test is None:
        return ""
    return (
        f"{not_believed(written)} Told so, the gold tested was {spans.gold(test.held)}, of which you kept "
        f"{spans.percent(test.kept_share)}, and the ore holds {spans.grade(sure.head_grade)}. {as_written(written)}"
    )


def not_believed(written: AsWritten) -> str:
    """Say of each test which weights are left out, or taken as doubtful."""
    return " ".join(map(_not_believed, written.doubted))


def as_written(written: AsWritten) -> str:
    """Say what would be told with all weights as they are written."""
    return (
        f"With every weight as it is written: {spans.gold(written.held)}, {spans.percent(written.kept_share)} and "
        f"{spans.grade(written.head_grade)}."
    )


def _not_believed(one: Doubted) -> str:
    names, of = listed([said(name) for name in one.names], "or"), f" of {one.test}" if one.test else ""
    if one.left_out:
        return f"Left out{of}, since it contradicts the other weights: {names}."
    return f"One of these{of} is wrong, and nobody can tell which, so each is taken as doubtful: {names}."
