"""A topic on the terminal: what a block holds, then what the guide says of it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from flowsheet.show.guide.topics import BLOCK, COMMAND, KIND, PAGE, WORD, Topic
from flowsheet.show.text.line_width import filled, width
from flowsheet.spec.blocks.explain import BlockText, FieldText, OutletText
from flowsheet.spec.blocks.fields import TYPICAL
from flowsheet.steps.base import LOCAL

GROUPS = {
    PAGE: "The guide",
    KIND: "Kinds of steps (do: …)",
    BLOCK: "Parts of a sheet",
    COMMAND: "Commands",
    WORD: "More of the guide",
}
LOST = {"too_fine": "too fine to be held", "locked": "still locked in rock", "not_seen": "not seen",
        "soaked_up": "soaked up"}  # fmt: skip

BOLD, NORMAL = "\033[1m", "\033[22m"
"""What a terminal takes for the begin and the end of bold letters; ``typer.echo`` leaves them out for anything else."""
ALL = ("0", "100 %")
"""Bounds of a share, which nobody needs to be told."""


def overview(topics: Iterable[Topic]) -> Iterator[str]:
    """Give the lines of the list of all topics."""
    topics = list(topics)
    wide = max(len(topic.name) for topic in topics)
    for group, head in GROUPS.items():
        yield from ("", _bold(head))
        for topic in topics:
            if topic.group == group:
                yield from _hanging(topic.name, topic.about, wide)
    yield from ("", "Ask for one or several: flowsheet explain pan gold weights")


def told(topic: Topic) -> Iterator[str]:
    """Give the lines of one topic."""
    yield f"{_bold(topic.name)} ({topic.group}): {topic.about}"
    if topic.example:
        yield from ("", _bold("In a sheet"), *_filled(topic.example, "  "))
    for block in topic.blocks:
        yield from _kind(block) if topic.group == KIND else _block(block)
    if topic.page is not None:
        if topic.group != PAGE:
            yield from ("", _bold(topic.page.title))
        yield from ("", *plain(topic.page.text))
    for section in topic.sections:
        yield from (
            "",
            _bold(_capital(section.title)),
            "",
            *plain(section.text if topic.group != KIND else _without_code(section.text)),
        )
    if topic.group == COMMAND:
        yield from ("", f"All its options: flowsheet {topic.name} --help")


def _kind(block: BlockText) -> Iterator[str]:
    yield from ("", *_filled(block.about))
    yield from ("", _bold("In a sheet"), *_filled(block.example, "  "))
    yield from ("", _bold("Gives"))
    if block.any_outlets:
        yield "  outlets of any names"
    wide = max((len(outlet.name) for outlet in block.outlets), default=0)
    for outlet in block.outlets:
        yield from _hanging(outlet.name, _outlet(outlet), wide)
    yield from _fields(block.fields)
    yield from ("", *_filled("Every step has split, recovery and note, too (flowsheet explain steps split slack)."))
    if set(block.cautions) <= {LOCAL}:  # no hazard, so no caution either
        return
    yield from ("", _bold("Take care"))
    for caution in block.cautions:
        yield from _filled(caution, "  - ", "    ")


def _outlet(outlet: OutletText) -> str:
    reasons = [LOST[one] for one in dict.fromkeys((outlet.free_lost, outlet.locked_lost)) if one in LOST]
    lost = f"; gold that ends there is told as {' or '.join(reasons)}" if reasons else ""
    return f"{outlet.what}{' (need not be named)' if outlet.optional else ''}{lost}"


def _block(block: BlockText) -> Iterator[str]:
    yield from ("", *_filled(f"{_capital(block.name)}. {block.about}"))
    yield from _fields(block.fields)


def _fields(fields: Sequence[FieldText]) -> Iterator[str]:
    """Tell fields; sources that are long or stand beside several stand below, by number."""
    if not fields:
        return
    sources = list(dict.fromkeys(field.source for field in fields if len(field.source) > len(TYPICAL)))
    numbers = {source: f"source {i}" for i, source in enumerate(sources, 1)}
    wide = max(len(field.name) for field in fields)
    yield from ("", _bold("Fields"))
    for field in fields:
        yield from _hanging(field.name, field_sentence(field, numbers.get(field.source, field.source)), wide)
    for wants, units, bare in dict.fromkeys((field.wants, field.units, field.bare) for field in fields if field.units):
        plainly = f", or plain ({bare})" if bare else ""
        yield from _filled(f"{_capital(wants)} is written in {', '.join(units)}{plainly}.", "  ", "    ")
    for source, name in numbers.items():
        yield from _filled(f"{_capital(name)}: {source}.", "  ", "    ")


def field_sentence(field: FieldText, source: str) -> str:
    """Return what a field is, wants, and is taken to be where it is left out."""
    parts = [_capital(field.what)]
    if field.inner:
        parts.append(f"Its own fields: {', '.join(field.inner)}")
    elif field.wants:
        wants = _capital(field.wants)
        parts.append(f"{wants}, as {field.example}" if field.example and not field.default else wants)
    if (field.low, field.high) not in (ALL, ("0", ""), ("", "")):
        ends = (f"from {field.low}" if field.low else "", f"to {field.high}" if field.high else "")
        parts[-1] += f", {' '.join(end for end in ends if end)}"
    if field.default:
        parts.append(f"Left out: {field.default}" + (f" ({source})" if source else ""))
    elif field.required:
        parts.append("Must be given")
    return ". ".join(parts) + "."


def plain(markdown: str) -> Iterator[str]:
    """Give the lines of a page as they are to be read on a terminal: wrapped, without the marks of Markdown."""
    code, paragraph = False, []
    for line in [*markdown.splitlines(), ""]:
        fence = line.lstrip().startswith("```")
        if not code and line.strip() and not fence and not _starts(line):
            paragraph.append(line)
            continue
        if paragraph and not code:
            yield from _paragraph(paragraph)
            paragraph = []
        if fence:
            code = not code
        elif code:
            yield f"    {line}" if line else ""
        elif line.startswith("## "):
            yield _bold(_capital(line.removeprefix("## ")))
        elif line.strip():
            paragraph.append(line)
        else:
            yield ""


def _without_code(markdown: str) -> str:
    """Return a section on a model without what names the program's own parts, which are for programmers."""
    told = re.sub(r"^Code: (?:.+\n)+\n?", "", markdown, flags=re.MULTILINE)
    return re.sub(r" \(`_\w+`\)|[ ]{2,}[A-Z_]{3,}$", "", told, flags=re.MULTILINE)


def _starts(line: str) -> bool:
    """Whether a line begins something new: a heading, or an entry of a list."""
    return re.match(r"## |\s*(?:- |\d+\. )", line) is not None


def _paragraph(lines: Sequence[str]) -> Iterator[str]:
    text = " ".join(line.strip() for line in lines)
    indent, bullet = re.match(r"(\s*)((?:- |\d+\. )?)", lines[0]).groups()  # type: ignore[union-attr]
    text = re.sub(r"`([^`]+)`|\*([^*]+)\*", lambda found: _bold(found[1] or found[2]), text.removeprefix(bullet))
    yield from _filled(text, indent + bullet, indent + " " * len(bullet))


def _hanging(name: str, text: str, wide: int) -> list[str]:
    return _filled(text, f"  {name:{wide}}  ", " " * (wide + 4))


def _filled(text: str, first: str = "", rest: str = "") -> list[str]:
    # What makes letters bold takes no room: it stands for one character as long as lines are filled.
    short = text.replace(BOLD, "\x01").replace(NORMAL, "\x02")
    lines = filled(short, width(), first, rest or first)
    return [line.replace("\x01", BOLD).replace("\x02", NORMAL) for line in lines]


def unmarked(text: str) -> str:
    """Return words for a terminal without what makes them bold."""
    return text.replace(BOLD, "").replace(NORMAL, "")


def as_html(words: str) -> str:
    """Return words for a terminal as HTML that styles nothing but itself: their lines as they are, bold where bold."""
    from flowsheet.show.notebook import framed
    from flowsheet.show.text.markup import as_written

    tags = {BOLD: "<b>", NORMAL: "</b>"}
    marks = re.compile("|".join(f"({re.escape(mark)})" for mark in tags))
    lines = (marks.split(line) for line in words.splitlines())
    told = "\n".join("".join(tags.get(part, as_written(part)) for part in line if part) for line in lines)
    return framed(f"<pre>{told}</pre>")


def _bold(text: str) -> str:
    return f"{BOLD}{text}{NORMAL}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
