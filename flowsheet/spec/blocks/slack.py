"""Slack: how far a step's shares may be off those that its model or its sheet has, as a doubt in log odds.

Shares p of the rock (or of the gold) to a step's outlets become p e^δ / Σ p e^δ, with δ of a standard deviation of so
many log odds: at 0.5 a share of 80 % is 71 to 87 % in two cases of three. So no model is taken for the truth. Source of
the idea: M. C. Kennedy & A. O'Hagan, Bayesian calibration of computer models, J. R. Statist. Soc. B 63 (2001).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

from flowsheet.spec.blocks.factors import Fault, OutletFactors
from flowsheet.spec.blocks.fields import TYPICAL
from flowsheet.spec.text import number_with_doubt, units
from flowsheet.spec.text.mistakes import did_you_mean
from flowsheet.spec.text.number_with_doubt import NumberMistake

ROCK, GOLD = "rock", "gold"
SIDES = (ROCK, GOLD)
MOST_SLACK = 5.0
"""Log odds: a share of a half may then be 1 % or 99 %. Whoever knows less of a step knows nothing."""

REMEDY = "Write slack: 0.3, slack: {rock: 0.2, gold: 0.4}, or slack: 0 for none"


@dataclass(frozen=True)
class WrittenSlack:
    """What a sheet writes as a step's ``slack``: log odds of rock and of gold; None where it says nothing of one."""

    rock: float | None = None
    gold: float | None = None


@dataclass(frozen=True)
class TypicalSlack:
    """The slack of a kind of equipment where the sheet gives none, and what takes its place."""

    rock: float
    gold: float
    #: Why so much; that it is typical is added where it is told.
    why: str
    #: Fields that fix what rock goes where, so that its shares have no slack.
    rock_fixed_by: tuple[str, ...] = ()
    #: Fields that are the shares of rock, or of gold: a doubt (±) that a sheet writes behind each of them is theirs.
    rock_told_by: tuple[str, ...] = ()
    gold_told_by: tuple[str, ...] = ()
    #: The field of a recovery whose default is a best case: log odds by which gold lies off it where nobody wrote it
    #: (nor a ``recovery``), and the slack of gold where somebody did.
    best_case: str = ""
    gold_shift: float = 0.0
    gold_where_written: float = 0.0

    @property
    def source(self) -> str:
        """Where it comes from, as a field's source is told."""
        return f"{self.why}; {TYPICAL}"

    @property
    def text(self) -> str:
        """The default as a sheet would write it."""
        return f"{{rock: {self.rock:g}, gold: {self.gold:g}}}"


@dataclass(frozen=True)
class Slack:
    """The slack of a step in force: standard deviations in log odds, and how far (log odds) gold's mean is off."""

    rock: float
    gold: float
    gold_shift: float = 0.0
    #: Whether that of rock, or of gold, is its kind's: the sheet says nothing of it.
    rock_assumed: bool = False
    gold_assumed: bool = False

    @property
    def assumed(self) -> bool:
        """Whether any of it is an assumption."""
        return self.rock_assumed or self.gold_assumed


def doubt_told(factors: OutletFactors | None) -> bool:
    """Whether a sheet writes a doubt (± 0 counts) behind every given share that is neither nothing nor all."""
    if factors is None:
        return False
    open_ones = [band.share for band in factors.bands() if band.share.told_doubt or 0 < band.share.value < 1]
    return bool(open_ones) and all(share.told_doubt for share in open_ones)


def _read(value: object) -> WrittenSlack:
    if isinstance(value, WrittenSlack):
        return value
    faults: list[Fault] = []
    if not isinstance(value, dict):
        both = _amount(value, (), faults)
        found = {ROCK: both, GOLD: both}
    else:
        if not value:
            faults.append(((), "nothing is written here", REMEDY, False, "nothing_written"))
        found = {}
        for name, given in value.items():
            if name in SIDES:
                found[name] = _amount(given, (name,), faults)
            else:
                remedy = did_you_mean(name, SIDES, "fields here")
                faults.append(((name,), "no such field here", remedy, True, "field_unknown"))
    if faults:
        raise PydanticCustomError("sheet", "{faults}", {"faults": faults})
    return WrittenSlack(**found)


def _amount(given: object, at: tuple[str, ...], faults: list[Fault]) -> float | None:
    """Read a slack in log odds at ``at``; None where it is at fault."""

    def wrong(message: str, remedy: str, code: str) -> None:
        faults.append((at, message, remedy, False, code))

    if isinstance(given, (dict, list)):
        wrong("one number is wanted here", REMEDY, "one_value_wanted")
        return None
    try:
        number = number_with_doubt.parse("" if given is None else str(given), units.PLAIN)
    except NumberMistake as mistake:
        wrong(mistake.message, f"{mistake.remedy}. {REMEDY}" if given is None else mistake.remedy, mistake.code)
        return None
    if number.told_doubt:
        wrong("a slack is a doubt itself, and has none", f"Write it alone: {number.amount}", "slack_with_doubt")
    elif number.value < 0:
        wrong("a minus sign makes no sense here", "Write it without", "too_small")
    elif number.value > MOST_SLACK:
        most = f"too large: the most that makes sense here is {MOST_SLACK:g}"
        wrong(most, "It is in log odds: at 0.5 a share of 80 % is 71 to 87 %, at 2 it is 35 to 97 %", "too_large")
    else:
        return number.value
    return None


class _Reader:
    """Makes pydantic read a field as a written slack."""

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> Any:
        return core_schema.no_info_plain_validator_function(_read)

    def __get_pydantic_json_schema__(self, _schema: Any, _handler: GetJsonSchemaHandler) -> dict[str, Any]:
        one = {"type": ["string", "number"], "quantity": units.PLAIN.name, "low_si": 0.0, "high_si": MOST_SLACK}
        sides = {"type": "object", "properties": dict.fromkeys(SIDES, one), "minProperties": 1}
        return {"anyOf": [one, {**sides, "additionalProperties": False}]}


SlackField: TypeAlias = Annotated[WrittenSlack, _Reader()]
