"""A sheet made ready to be solved: its grid, its stages, and its numbers as arrays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from flowsheet.ore import feed, liberation
from flowsheet.ore.arrays import Array
from flowsheet.ore.grid import Grid
from flowsheet.ore.material import Material
from flowsheet.ore.plausibility import odd
from flowsheet.solve.network import Stage, stages
from flowsheet.solve.slack import Deltas
from flowsheet.spec.blocks.schema import Ore, Sheet
from flowsheet.spec.checks.all_checks import has_grains
from flowsheet.spec.read import build, read_sheet
from flowsheet.spec.text.brief import one_line
from flowsheet.spec.text.notes import Note, Subject, note
from flowsheet.spec.text.number_with_doubt import Number
from flowsheet.spec.yaml.marked_document import Document
from flowsheet.steps import kinds
from flowsheet.steps.base import ContractError, Operator, Site, Step, Values, evaluate, share_all_out

if TYPE_CHECKING:
    from flowsheet.solve.loop.tuning import Tuned


@dataclass(frozen=True)
class Inputs:
    """What a solve starts from: feeds by stream, each step's numbers, and the site; with or without draws."""

    feeds: dict[str, Material]
    values: dict[str, Values]
    site: Site
    #: Fraction of gold in the gold of each ore.
    fineness: dict[str, Array]
    #: How many draws there are; None for the stated values.
    draws: int | None = None
    #: Step → how far its shares lie from those of its model; a step that is not named has no slack.
    slack: Mapping[str, Deltas] = field(default_factory=dict)
    #: Step → what it adds to its feed by itself (flux), kg; a step that is not named adds nothing.
    added: Mapping[str, Array] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Model:
    """A sheet on its grid."""

    sheet: Sheet
    grid: Grid
    stages: list[Stage]

    def __repr__(self) -> str:
        loops = sum(stage.is_loop for stage in self.stages)
        told = f"{len(self.sheet.steps)} steps, {loops} loops, {len(self.grid)} size classes"
        return one_line(f"Model '{self.sheet.title}'", told)

    @classmethod
    def of(cls, sheet: Sheet, openings: Iterable[float] = ()) -> Model:
        """Lay a sheet out on the grid of all its openings, and of those given besides (trials')."""
        ores = sheet.ores.values()
        if any(ore.sizes is None for ore in ores):
            return cls(sheet, Grid.unsized(), stages(sheet))
        named = feed.openings(ores) | set(sheet.sieves) | sheet.openings | set(openings)
        named |= {m.size for m in sheet.weighed if m.size is not None}
        named |= set(sheet.fitted.openings) if sheet.fitted is not None else set()
        return cls(sheet, Grid.make(max(map(feed.top_size, ores)), named), stages(sheet))

    def step(self, name: str) -> Step:
        """Return a step by name."""
        step = self.sheet.steps[name]
        if not isinstance(step, Step):
            raise TypeError(f"{name} is no step of a known kind")
        return step

    def operator(self, name: str, fed: Material, values: Values, site: Site, shapes_only: bool = False) -> Operator:
        """Return the operator of a step. Raises ContractError, with the step's name, where it shares out wrongly.

        ``shapes_only``: its numbers are checked with those of others later (``check_numbers``).
        """
        step = self.step(name)
        try:
            return step.shaped_operator(fed, values, site) if shapes_only else step.operator(fed, values, site)
        except ContractError as wrong:
            raise wrong.in_step(name) from None

    def check_numbers(self, operators: Sequence[tuple[str, Operator]]) -> None:
        """Check that operators, each with the name of its step, share all out. Raises ContractError with the name."""
        if share_all_out(*(operator for _, operator in operators)):
            return
        for name, operator in operators:
            try:
                operator.checked(self.step(name).kind, operator.shares.keys(), len(self.grid))
            except ContractError as wrong:
                raise wrong.in_step(name) from None

    def silver_shares(self, name: str, values: Values) -> dict[str, Array] | None:
        """Return a step's own shares of the silver, if it has any. Raises ContractError as ``operator`` does."""
        try:
            return self.step(name).silver_parted(values)
        except ContractError as wrong:
            raise wrong.in_step(name) from None

    @property
    def grains_known(self) -> bool:
        """Whether the sizes of the gold grains are known."""
        return self.grid.sized and all(has_grains(ore) for ore in self.sheet.ores.values())

    @cached_property
    def metal_counts(self) -> bool:
        """Whether an ore is so rich that its metal is a part of what was weighed."""
        return any(feed.grade(ore) > feed.RICH for ore in self.sheet.ores.values())

    @cached_property
    def outlets(self) -> dict[str, dict[str, str]]:
        """Step → outlet → stream."""
        return {name: step.outlets for name, step in self.sheet.steps.items()}

    @cached_property
    def sources(self) -> dict[str, str]:
        """Step that adds to its feed → the stream of what it adds, which no sheet can name."""
        return {name: f"{name}\n{step.adds}" for name, step in self.sheet.steps.items() if step.added is not None}

    @cached_property
    def takes(self) -> dict[str, tuple[str, ...]]:
        """Step → the streams that it takes, with what it adds itself."""
        own = {name: (source,) for name, source in self.sources.items()}
        return {name: (*step.takes, *own.get(name, ())) for name, step in self.sheet.steps.items()}

    def all_fed(self, inputs: Inputs) -> dict[str, Material]:
        """Return all that comes from outside: the feeds of the ores, and what steps add, as rock of the finest class.

        What is added is glass when it has been added, so that its size means nothing; and no step breaks that class.
        """
        finest, none = np.zeros(len(self.grid)), Material.nothing(len(self.grid))
        finest[-1] = 1.0
        found = dict(inputs.feeds)
        for name, source in self.sources.items():
            mass = np.asarray(inputs.added.get(name, 0.0))
            found[source] = Material(mass[..., None] * finest, none.heavy, none.free, none.locked)
        return found

    @cached_property
    def ends(self) -> list[str]:
        """Streams that nothing takes."""
        return self.sheet.ends

    @cached_property
    def tunings(self) -> dict[Stage, Tuned]:
        """What loops of steps that hang on their feed come to at the stated values: from there draws set out."""
        return {}

    @cached_property
    def plain(self) -> Inputs:
        """The inputs at their stated values."""
        return self.inputs(lambda number: np.asarray(number.value))

    def drawn(self, draws: int, seed: int = 1) -> Inputs:
        """Return the inputs with ``draws`` draws of every number that the sheet gives with doubt."""
        rng = np.random.default_rng(seed)
        return self.inputs(lambda number: draw(number, draws, rng), draws)

    def inputs(self, take: feed.Take, draws: int | None = None) -> Inputs:
        """Return the inputs with every number as ``take`` gives it, ``draws`` times over (None: once)."""
        ores = self.sheet.ores
        detach = next((ore.gold.detach for ore in ores.values() if ore.gold is not None), Number(1.0))
        # Gold of unknown grains stays with its rock, however fine that is broken.
        share = np.asarray(take(detach)) if self.grains_known else np.zeros(())
        locked = liberation.locked_share(self.grid, share) if self.grid.sized else np.ones((1, 1))
        feeds = {name: feed.feed(ore, self.grid, locked, take) for name, ore in ores.items()}
        fineness = {name: take(_fineness(ore)) / 1000 for name, ore in ores.items()}
        gold = sum(material.gold for material in feeds.values())
        blend = sum(fineness[name] * material.gold for name, material in feeds.items())
        with np.errstate(divide="ignore", invalid="ignore"):
            blended = np.where(gold > 0, blend / gold, next(iter(fineness.values())))
        values = {name: evaluate(step, take) for name, step in self.sheet.steps.items()}
        added = {name: getattr(values[name], self.sheet.steps[name].adds) for name in self.sources}
        site = Site(self.grid, locked, blended, self.grains_known)
        return Inputs(feeds, values, site, fineness, draws, added=added)

    def notes(self) -> list[Note]:
        """Say what was assumed where the sheet is silent, what can hardly be meant, and what is not used."""
        found = list(self.sheet.notes)
        for name, ore in self.sheet.ores.items():
            found.extend(odd(name, ore))
        if self.grid.sized:
            for name, ore in self.sheet.ores.items():
                found.extend(feed.notes(name, ore))
            top = max(map(feed.top_size, self.sheet.ores.values()))
            for name in self.sheet.steps:
                idle = "{step}: {why}. Check it and the sizes."
                found.extend(note("idle_step", idle, Subject(step=name), why=why) for why in self.step(name).idle(top))
        return found


#: A sheet that gives no gold block: silver rides along as in typical vein gold. Typical, set your own.
FINENESS = Number(900.0, text="900")


def _fineness(ore: Ore) -> Number:
    return ore.gold.fineness if ore.gold is not None else FINENESS


def draw(number: Number, draws: int, rng: np.random.Generator) -> Array:
    """Return ``draws`` draws of a number, shape (draws,), within its limits; shape () if it has no doubt."""
    if not number.doubtful:
        return np.asarray(number.value)
    if number.low is not None and number.high is not None:
        return rng.uniform(number.low, number.high, draws)
    least = number.least if number.value <= 0 else max(number.least, 1e-6 * number.value)
    return np.clip(rng.normal(number.value, number.sd, draws), least, number.most)


def load(path: str | Path) -> tuple[Sheet, Document]:
    """Read and check a sheet file. Raises SheetError with every mistake found."""
    return read_sheet(path, kinds())


def rebuild(document: Document) -> Sheet:
    """Check a document that was changed after it was read. Raises SheetError."""
    return build(document, kinds())
