"""What can be asked for with ``flowsheet explain``, and what belongs to each topic.

One name may be several things: ``pan`` is a kind of step and a section of the page on models, ``split`` a kind and a
field of every step. All of it is told together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

from flowsheet.show.guide.pages import Page, Section, pages
from flowsheet.spec.blocks.costs_and_sales import GENERAL_COSTS, Sale, StepCost
from flowsheet.spec.blocks.explain import BlockText, FieldText, block_text, kind_text
from flowsheet.spec.blocks.fields import Block
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.schema import TOP_FIELDS, Gold, GrainRow, Metallics, Nuggets, Ore, SieveRow, SizeLaw, Weighed
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.mistakes import Mistake, SheetError, did_you_mean, nearest
from flowsheet.steps import kinds

KIND, BLOCK, COMMAND, PAGE, WORD, FIELD = "kind of step", "part of a sheet", "command", "page", "word", "field"

#: Parts of a sheet below its own fields.
INNER = {"gold": "the grains of gold of an ore", "sizes": "the pieces of an ore", "metallics": "a screen assay"}

#: Part of a sheet → the blocks that describe it, each under the name that its table has.
BLOCKS: dict[str, tuple[tuple[str, type[Block]], ...]] = {
    "ore": (("ore", Ore),),
    "ores": (("each ore", Ore),),
    "gold": (("gold", Gold), ("a row of its sizes", GrainRow), ("its nuggets", Nuggets)),
    "sizes": (("sizes as a law", SizeLaw), ("a row of a sieve table", SieveRow)),
    "steps": (("every step", StepBlock),),
    "weighed": (("each stream", Weighed),),
    "metallics": (("metallics", Metallics),),
    "pile": (("pile", Pile),),
    "costs": (("each step's costs", StepCost),),
    "sells": (("each sale", Sale),),
}


@dataclass(frozen=True)
class Topic:
    """All that is told under one name."""

    name: str
    #: What it is: a kind of step, a part of a sheet, a command, a page or a word of the guide.
    group: str
    about: str
    blocks: tuple[BlockText, ...] = ()
    page: Page | None = None
    sections: tuple[Section, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: fields, outlets, example, and the guide's Markdown."""
        text = [(self.page.name, self.page.title, self.page.text)] if self.page is not None else []
        text += [(section.page, section.title, section.text) for section in self.sections]
        return {
            **self.in_brief(),
            "blocks": [asdict(block) for block in self.blocks],
            "text": [{"page": page, "title": title, "markdown": markdown} for page, title, markdown in text],
        }

    def in_brief(self) -> dict[str, str]:
        """Return what a list of topics tells of it."""
        return {"topic": self.name, "group": self.group, "about": self.about}


def topics(commands: Mapping[str, str]) -> dict[str, Topic]:
    """Return every topic by its name; ``commands``: each command of the program and what it does, in a line."""
    found = {name: Topic(name, KIND, kind.what, (kind_text(kind),)) for name, kind in kinds().items()}
    abouts = {**TOP_FIELDS, **INNER}
    for name, about in abouts.items():
        found.setdefault(name, Topic(name, BLOCK, about, tuple(_blocks(name))))
    for name, about in commands.items():
        found.setdefault(name, Topic(name, COMMAND, about))
    for name, page in pages().items():
        known = found.get(name)
        found[name] = Topic(name, known.group, known.about, known.blocks, page) if known else Topic(
            name, PAGE, page.title, page=page)  # fmt: skip
    for name, sections in _sections().items():
        known = found.get(name) or Topic(name, WORD, sections[0].title)
        # What stands on its own page is told with that.
        others = tuple(one for one in sections if known.page is None or one.page != name)
        found[name] = Topic(name, known.group, known.about, known.blocks, known.page, others)
    return found


def _blocks(name: str) -> Iterator[BlockText]:
    for title, block in BLOCKS.get(name, ()):
        yield block_text(block, title)
    if name == "costs":
        general = (
            FieldText(field, what, f"a {dimension.name}", example=dimension.example)
            for field, (what, dimension) in GENERAL_COSTS.items()
        )
        yield BlockText("costs of no step", "Costs that belong to no step.", tuple(general))


@cache
def _sections() -> dict[str, list[Section]]:
    found: dict[str, list[Section]] = {}
    for page in pages().values():
        for section in page.sections:
            for name in section.names:
                found.setdefault(name, []).append(section)
    return found


def find(name: str, known: Mapping[str, Topic]) -> Topic:
    """Return the topic of this name, or that of one field ("pan.d50"). Raises SheetError with the nearest one."""
    plain = name.strip().casefold().replace("-", "_").replace(" ", "_")
    if plain in known:
        return known[plain]
    home, dot, field_name = plain.partition(".")
    if dot and home in known:
        return _field(known[home], field_name, name)
    homes = [
        topic.name for topic in known.values() if any(field.name == plain for b in topic.blocks for field in b.fields)
    ]
    if homes and nearest(plain, known, 0.9) is None:
        remedy = f"It is a field of {homes[0]}: write flowsheet explain {homes[0]}"
    elif (like := nearest(plain, known)) is not None:
        remedy = did_you_mean(like, [like])
    else:
        remedy = "flowsheet explain lists them all"
    raise SheetError([Mistake("there is no such topic", remedy, read=name, file="explain", code="topic_unknown")])


def _field(topic: Topic, field_name: str, name: str) -> Topic:
    """Return one field of a block as a topic of its own."""
    fields = {field.name: (block, field) for block in topic.blocks for field in block.fields}
    if field_name not in fields:
        remedy = did_you_mean(field_name, fields, f"fields of {topic.name}")
        message = f"{topic.name} has no such field"
        raise SheetError([Mistake(message, remedy, read=name, file="explain", code="field_unknown")])
    block, field = fields[field_name]
    return Topic(f"{topic.name}.{field_name}", FIELD, field.what, (replace(block, fields=(field,)),))
