"""What every step of a sheet may say, and what a kind of equipment says of itself to all others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field, WithJsonSchema

from flowsheet.spec.blocks.factors import FactorField
from flowsheet.spec.blocks.fields import Block, complaint
from flowsheet.spec.blocks.slack import GOLD, ROCK, Slack, SlackField, TypicalSlack, doubt_told
from flowsheet.spec.text.number_with_doubt import Number


def _streams(value: Any) -> list[str]:
    """Read the name of a stream, or a list of names."""
    if isinstance(value, str):
        return [value]
    if not isinstance(value, list):
        raise complaint(
            "a stream, or a list of streams, is wanted",
            "Write takes: [one stream, another]",
            code="stream_names_wanted",
        )
    for i, name in enumerate(value):
        if not isinstance(name, str):
            raise complaint(
                "the name of a stream is wanted", "Write takes: [one stream, another]", (i,), code="stream_names_wanted"
            )
    return value


def _outlets(value: Any) -> dict[str, str] | str:
    """Read the stream of each outlet, or the stream of the only one."""
    if isinstance(value, str):
        return value
    if not isinstance(value, dict):
        raise complaint(
            "the outlets and their streams are wanted",
            "Write gives: {outlet: name of its stream}",
            code="outlets_wanted",
        )
    for port, stream in value.items():
        if not isinstance(stream, str):
            raise complaint(
                "the name of a stream is wanted",
                f"Write {port}: name of the stream",
                (port,),
                code="stream_names_wanted",
            )
    return value


def a_line(value: Any) -> Any:
    """Read a line of text, or nothing. Raises what pydantic takes as a complaint for anything else."""
    if value is None or isinstance(value, str):
        return value
    raise complaint("a line of text is wanted", "Put it in quotes", code="text_wanted")


_STREAMS = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}


@dataclass(frozen=True)
class Port:
    """An outlet of a kind of equipment, and how gold that leaves by it for good is lost."""

    name: str
    what: str
    optional: bool = False
    metal: bool = False
    free_lost: str = "other"
    locked_lost: str = "other"
    #: What people call it besides; never read as its name, but it names the cure.
    also: tuple[str, ...] = ()


class StepBlock(Block):
    """What every step of a sheet may say; each kind of equipment adds its own knobs."""

    kind: ClassVar[str] = ""
    what: ClassVar[str] = ""
    #: What people call it besides, in small letters with blanks; never read as its name, but it names the cure.
    also: ClassVar[tuple[str, ...]] = ()
    #: Outlets; empty where any names do.
    ports: ClassVar[tuple[Port, ...]] = ()
    cautions: ClassVar[tuple[str, ...]] = ()

    #: The stream that an example of it takes.
    fed_with: ClassVar[str] = "ore"

    # What other rooms ask of a kind; none of them knows one by name.
    #: What was done, as a label tells it: "crushed to {setting}", or "crushed" where the sheet gives no setting.
    done: ClassVar[str] = ""
    #: The field of the size that the step is set to (an opening, a setting, a gap).
    set_by: ClassVar[str] = ""
    #: Whether it parts rock at that size: its first outlet gets what is coarser, its second what is finer.
    parts_at_size: ClassVar[bool] = False
    #: Whether rocks are looked over for gold: its first outlet gets those that are picked, its second those left.
    looks_over: ClassVar[bool] = False
    #: Whether the step breaks rock, which it does whatever shares are given.
    breaks: ClassVar[bool] = False
    #: Whether it is a furnace: it adds flux or lead, so that what leaves it may weigh more than what it takes.
    melts: ClassVar[bool] = False
    #: The field of a mass that it adds to what it takes (flux): it counts as fed.
    adds: ClassVar[str] = ""
    #: Whether Bond's law tells the power that it takes, from its feed to what its first outlet gives.
    bond_power: ClassVar[bool] = False
    #: The part of a sampling plan's work that the step's costs tell: "crushing", "grinding" or "panning".
    plan_work: ClassVar[str] = ""
    #: Whether advice puts it before the recycle of a loop that holds gold: its first outlet keeps, its second goes on.
    cleans_loops: ClassVar[bool] = False
    #: Whether all its shares are the sheet's own, so that it cannot say why gold goes where it goes.
    shares_given: ClassVar[bool] = False
    #: How far its shares may be off where the sheet gives no slack.
    typical_slack: ClassVar[TypicalSlack] = TypicalSlack(0.3, 0.5, "by analogy with other kinds")
    #: The field of how many grains of gold lie together, which an ore's gold may say in its place.
    together_by: ClassVar[str] = ""

    do: str = Field(description="kind of equipment")
    takes: Annotated[list[str], BeforeValidator(_streams), WithJsonSchema(_STREAMS)] = Field(
        description="stream or streams that go in"
    )
    gives: Annotated[dict[str, str] | str, BeforeValidator(_outlets)] = Field(
        description="stream that comes out of each outlet"
    )
    split: FactorField | None = Field(None, description="share of the solids to each outlet")
    recovery: FactorField | None = Field(None, description="share of the gold to each outlet")
    slack: SlackField | None = Field(
        None, description="how far its shares may be off, in log odds (one standard deviation): of rock, of gold"
    )
    note: Annotated[str | None, BeforeValidator(a_line)] = Field(None, description="anything you want to remember")

    @property
    def outlets(self) -> dict[str, str]:
        """Outlet → stream."""
        if isinstance(self.gives, dict):
            return self.gives
        return {(self.ports[0].name if self.ports else "out"): self.gives}

    def stream(self, place: int) -> str:
        """Return the stream of the outlet at a place in ``ports``; "" where the sheet names none."""
        return self.outlets.get(self.ports[place].name, "") if place < len(self.ports) else ""

    @property
    def set_size(self) -> Number | None:
        """The size that the step is set to, m; None where the sheet does not say, or there is none to set."""
        return getattr(self, self.set_by) if self.set_by else None

    @property
    def added(self) -> Number | None:
        """The mass that the step adds to what it takes, kg; None where it adds none."""
        return getattr(self, self.adds) if self.adds else None

    def lie_together(self) -> float:
        """Return how many grains of gold lie together, as the step has it; 1 where it says nothing of it."""
        number = getattr(self, self.together_by) if self.together_by else None
        return number.value if isinstance(number, Number) else 1.0

    def slack_of(self) -> Slack:
        """Return the slack in force: the sheet's, else its kind's, and none of shares that have their own doubt.

        Without a second outlet there is nothing to be off.
        """
        without = self.slackless()
        kind, written = self.typical_slack, self.slack
        own = kind.best_case and (self.recovery is not None or kind.best_case in self.model_fields_set)
        rock, gold = kind.rock, kind.gold_where_written if own else kind.gold
        shift = 0.0 if own else kind.gold_shift
        if written is not None and written.rock is not None:
            rock = written.rock
        if written is not None and written.gold is not None:
            gold, shift = written.gold, 0.0
        rock, gold = (0.0 if side in without else value for side, value in ((ROCK, rock), (GOLD, gold)))
        return Slack(
            rock,
            gold,
            0.0 if GOLD in without else shift,
            rock_assumed=rock > 0 and (written is None or written.rock is None),
            gold_assumed=gold > 0 and (written is None or written.gold is None),
        )

    def slackless(self) -> dict[str, str]:
        """Return the sides ("rock", "gold") whose shares a slack cannot move, and the field of the sheet that says so.

        A field "" stands for a step with but one outlet.
        """
        if len(self.outlets) < 2:
            return {ROCK: "", GOLD: ""}
        kind, found = self.typical_slack, {}
        for side, factors, field, fields in (
            (ROCK, self.split, "split", kind.rock_told_by),
            (GOLD, self.recovery, "recovery", kind.gold_told_by),
        ):
            if factors is not None:
                if doubt_told(factors):
                    found[side] = field
            elif fields and all(getattr(self, name).told_doubt for name in fields):
                found[side] = fields[0]
        fixed = next((name for name in kind.rock_fixed_by if getattr(self, name) is not None), None)
        if fixed is not None and self.split is None:
            found[ROCK] = fixed
        return found

    def openings(self) -> set[float]:
        """Return every size (m) that must be a class limit for this step."""
        return {size for factors in (self.split, self.recovery) if factors for size in factors.openings()}

    def faults(self, sizes: bool, grains: bool) -> Iterator[tuple[str, str, str]]:
        """Give (field, message, remedy) of what the step's model lacks, given what the ores know."""
        yield from ()

    def port(self, name: str) -> Port:
        """Return the description of an outlet."""
        return next((p for p in self.ports if p.name == name), Port(name, ""))
