"""Pictures made ready to stand side by side in one document, and on paper."""

from __future__ import annotations

import re
from functools import cache

from flowsheet.show.text import markup

PIXELS = 4 / 3
"""CSS pixels in a point."""

BLANKS = "\n\r\t\u00a0"
"""What a drawing may hold that is not printable."""

_ID = re.compile(r'\bid="([^"]+)"')
_REFERENCE = re.compile(r'(href="#|url\(#)([^")]+)')
_VARIABLE = re.compile(r"var\((--[\w-]+)(?:\s*,\s*([^()]*))?\)")
_ORE = re.compile(r'\bx="(-?[\d.]+)"[^<>]*>ORE\b')
_SCALE = re.compile(r"\bscale\(([\d.]+)")
_LETTERS = re.compile(r'\bfont-size="([\d.]+)"')
_LAID = re.compile(r"<title>(?:flowsheet|[a-z]+\d+(?:&#45;&gt;[a-z]+\d+)?)</title>\s*|<!--.*?-->\s*", re.DOTALL)
_SIZE = re.compile(r'\bwidth="(?P<wide>[\d.]+)(?P<unit>pt|px)?"')
_BOX = re.compile(r'\bviewBox="[-\d.]+[ ,]+[-\d.]+[ ,]+(?P<wide>[\d.]+)[ ,]+(?P<high>[\d.]+)"')
_FITTED = re.compile(r'\s(?:width|height|role|aria-label)="[^"]*"')


def own_ids(svg: str, prefix: str) -> str:
    """Return an SVG whose ids begin with ``prefix``, so that no two pictures of a document share one."""
    named = set(_ID.findall(svg))

    def reference(found: re.Match[str]) -> str:
        begin, name = found.groups()
        return f"{begin}{prefix}-{name}" if name in named else found[0]

    return _REFERENCE.sub(reference, _ID.sub(rf'id="{prefix}-\1"', svg))


def bare(svg: str) -> str:
    """Return an SVG from its element on, without comments and without the names that a layout gives its parts.

    What no font shows in a name (controls, direction marks) becomes the mark for it.
    """
    made = _LAID.sub("", svg[svg.index("<svg") :])
    return "".join(c if c.isprintable() or c in BLANKS else "\ufffd" for c in made)


def told(svg: str, alt: str, kind: str) -> str:
    """Return an SVG as one picture with its ``alt`` text; its size is left to the stylesheet, by its class.

    ``kind`` is the class where it has none.
    """
    head, rest = svg.split(">", 1)
    head = _FITTED.sub("", head)
    named = "" if ' class="' in head else f' class="{kind}"'
    return f'{head}{named} role="img" aria-label="{markup.text(alt)}">{rest}'


def box(svg: str) -> tuple[float, float]:
    """Return the width and height (CSS pixels) of a picture by its own size, or by its view box in points."""
    head = svg.split(">", 1)[0]
    found = _BOX.search(head)
    if found is None:
        raise ValueError("the picture has no view box")
    wide, high = float(found["wide"]), float(found["high"])
    size = _SIZE.search(head)
    shown = PIXELS * wide if size is None else float(size["wide"]) * (PIXELS if size["unit"] == "pt" else 1.0)
    return shown, shown * high / wide


def least_letters(drawn: str) -> float:
    """Return the size of the smallest letters of a drawn flowsheet (CSS pixels at its own size); 0 without any."""
    sizes, scale = [float(size) for size in _LETTERS.findall(drawn)], _SCALE.search(drawn)
    across = box(drawn)[0]
    found = _BOX.search(drawn)
    if not sizes or scale is None or found is None:
        return 0.0
    return min(sizes) * float(scale[1]) * across / float(found["wide"])


def begins_right(drawn: str) -> bool:
    """Whether the ore of a drawn flowsheet stands in its right half: a frame that scrolls is to begin there."""
    ore, scale = _ORE.search(drawn), _SCALE.search(drawn)
    if ore is None or scale is None:
        return False
    return float(ore[1]) * float(scale[1]) > box(drawn)[0] / PIXELS / 2


@cache
def light_colours() -> dict[str, str]:
    """Return the colours of the day by their CSS variables, as the theme has them."""
    first = markup.theme().split("@media", 1)[0]
    return dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-fA-F]{3,8})", first))


def on_paper(svg: str) -> str:
    """Return an SVG in the colours of the day and a font that is there, for what knows no variables and no aliases."""
    colours = light_colours()
    plain = _VARIABLE.sub(lambda found: colours.get(found[1]) or (found[2] or "").strip() or "#000000", svg)
    return plain.replace('font-family="Arimo,', 'font-family="Arimo,Liberation Sans,')
