"""What can be asked for with ``flowsheet explain``, and what belongs to each topic.

One name may be several things: ``pan`` is a kind of step and a section of the page on models, ``split`` a kind and a
field of every step. All of it is told together.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

from flowsheet.show.guide.pages import Page, Section, pages
from flowsheet.spec.blocks.costs_and_sales import GENERAL_COSTS, Sale, StepCost
from flowsheet.spec.blocks.explain import BlockText, FieldText, block_text, kind_text
from flowsheet.spec.blocks.fields import Block
from flowsheet.spec.blocks.fitted_estimate import FittedEstimate, FittedPile, FittedTest
from flowsheet.spec.blocks.pile import Pile
from flowsheet.spec.blocks.schema import TOP_FIELDS, Gold, GrainRow, Metallics, Nuggets, Ore, SieveRow, SizeLaw, Weighed
from flowsheet.spec.blocks.step import StepBlock
from flowsheet.spec.text.mistakes import VERY_ALIKE, Mistake, SheetError, did_you_mean, meant_by, nearest
from flowsheet.spec.text.wording import argument, asking, by_asker
from flowsheet.steps import kinds

A_SLIP = 0.85
"""Words as much alike as this are taken for one another before anything else that a word may mean."""
SEE = {"retort": ("care",), "amalgam": ("care",), "amalgamation": ("care",)}
"""What is told under another word."""
MOST_NAMED = 3
"""So many topics are named where a word is none."""

KIND, BLOCK, COMMAND, PAGE, WORD, FIELD = "kind of step", "part of a sheet", "command", "page", "word", "field"

#: Parts of a sheet below its own fields.
INNER = {"gold": "the grains of gold of an ore", "sizes": "the pieces of an ore", "metallics": "a screen assay"}

#: What a sheet may say there, where no block shows it.
EXAMPLES = {
    "title": "title: North heading, sack 1",
    "keep": "keep: [bead, specimens]",
    "sieves": "sieves: [1/2 in, 20 mesh]",
    "gold": "gold: {d50: 0.35 mm, d95: 1.6 mm, fineness: 870 ± 20}",
    "sizes": "sizes: {top: 100 mm, p80: 60 mm, slope: 0.7}",
    "metallics": "tails: {metallics: {plus: 12.1 g, plus_gold: 3.2 mg, minus: 480 g, minus_grades: 3.1 g/t}}",
}

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
    "fitted": (("fitted", FittedEstimate), ("each of its tests", FittedTest), ("its pile", FittedPile)),
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
    #: What a sheet may say, where no block shows it.
    example: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: fields, outlets, example, and the guide's Markdown."""
        text = [(self.page.name, self.page.title, self.page.text)] if self.page is not None else []
        text += [(section.page, section.title, section.text) for section in self.sections]
        return {
            **self.in_brief(),
            "example": self.example,
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
        found.setdefault(name, Topic(name, BLOCK, about, tuple(_blocks(name)), example=EXAMPLES.get(name, "")))
    for name, about in commands.items():
        found.setdefault(name, Topic(name, COMMAND, about))
    for name, page in pages().items():
        known = found.get(name)
        found[name] = replace(known, page=page) if known else Topic(name, PAGE, page.title, page=page)
    for name, sections in _sections().items():
        known = found.get(name) or Topic(name, WORD, sections[0].title)
        # What stands on its own page is told with that.
        others = tuple(one for one in sections if known.page is None or one.page != name)
        found[name] = replace(known, sections=others)
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
    raise SheetError([Mistake("there is no such topic", _remedy(plain, known), read=name, file=_asked(),
                              code="topic_unknown")])  # fmt: skip


def _asked() -> str:
    return by_asker("explain", argument("topics"))


def _remedy(word: str, known: Mapping[str, Topic]) -> str:
    """Say what to ask for in place of a word: what is spelt alike only where it is close, else what tells of it."""
    if (like := nearest(word, known, A_SLIP)) is not None:
        return did_you_mean(like, [like])
    homes = [topic.name for topic in known.values() if any(f.name == word for b in topic.blocks for f in b.fields)]
    meant = meant_by(word.replace("_", " "), {kind: step.also for kind, step in kinds().items()})
    telling = [name for name in (*homes, *meant, *_telling(word, known), *SEE.get(word, ())) if name in known]
    if not telling:
        like = nearest(word, known, VERY_ALIKE)
        return did_you_mean(like, [like]) if like is not None else f"{asking('explain')} lists them all"
    named = list(dict.fromkeys(telling))[:MOST_NAMED]
    what = f"It is a field of {homes[0]}" if homes == named[:1] and len(named) == 1 else "It is told there"
    if homes and len(named) > 1:
        what = f"It is a field of {', '.join(homes[:MOST_NAMED])}"
    return f"{what}: write {asking('explain', *named)}"


def _telling(word: str, known: Mapping[str, Topic]) -> list[str]:
    """Return the topics that tell of a word: first those that have an outlet of this name, then by how often."""
    told = re.compile(rf"\b{re.escape(word.replace('_', ' '))}(?:s|es)?\b", re.IGNORECASE)
    outlets = [topic.name for topic in known.values() if any(o.name == word for b in topic.blocks for o in b.outlets)]
    written = {name: page.text for name, page in pages().items() if name not in ("python", "model")}
    counts = {name: len(told.findall(whole)) for name, whole in written.items()}
    often = sorted((name for name, count in counts.items() if count), key=lambda name: -counts[name])
    kindly = [name for name, kind in kinds().items() if any(told.search(text) for text in (*kind.cautions, kind.what))]
    return [*outlets, *kindly, *often][:MOST_NAMED]


def _field(topic: Topic, field_name: str, name: str) -> Topic:
    """Return one field of a block as a topic of its own."""
    fields = {field.name: (block, field) for block in topic.blocks for field in block.fields}
    if field_name not in fields:
        remedy = did_you_mean(field_name, fields, f"fields of {topic.name}")
        message = f"{topic.name} has no such field"
        raise SheetError([Mistake(message, remedy, read=name, file=_asked(), code="field_unknown")])
    block, field = fields[field_name]
    return Topic(f"{topic.name}.{field_name}", FIELD, field.what, (replace(block, fields=(field,)),))
