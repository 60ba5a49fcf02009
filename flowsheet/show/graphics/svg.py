"""SVG made fit to stand in a page or a document, by day, in the dark and on paper, and what is read from it."""

from __future__ import annotations

import re
from functools import cache
from hashlib import sha256
from xml.etree import ElementTree

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

SVG, LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
FAMILIES = "system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"

THEMED = {
    "#26231e": "ink", "#000000": "ink", "#645c4f": "soft", "#d8cfbd": "rule", "#efe9dc": "faint", "#faf7f0": "paper",
    "#ffffff": "paper",
}  # fmt: skip
"""Colours that a page turns, and the variables of theme.css that hold them."""
_LINKED = re.compile(r"(?<=^#).+|(?<=url\(#)[^)]+")
_DIGITS = re.compile(r"-?\d+\.\d{3,}")
_FONT = re.compile(r"(?:(?P<style>italic|oblique) )?(?:(?P<weight>bold|\d+) )?(?P<size>[\d.]+)px (?P<family>.+)")


# ── figures ─────────────────────────────────────────────────────────────────────────────────────────────────────


def inlined(raw: str) -> str:
    """Return the SVG file ``raw`` as one element of class "plot", without declaration, metadata, or own size.

    Ink, grid and paper are the page's variables, with the light colours where there are none. Styles are attributes,
    which a strict content security policy lets stand. Ids are told by the content, so that two pictures share none.
    """
    root = ElementTree.fromstring(raw)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{SVG}metadata", f"{SVG}style"):
                parent.remove(child)
    for element in root.iter():
        _flatten(element)
        _shorten(element)
    _name_ids(root, f"p{sha256(raw.encode()).hexdigest()[:10]}-")
    view = root.get("viewBox", "0 0 1 1")
    root.attrib.clear()
    # What the file says of every element by a style sheet, which would reach the whole page.
    root.attrib |= {
        "class": "plot",
        "viewBox": view,
        "font-family": FAMILIES,
        "stroke-linejoin": "round",
        "stroke-linecap": "butt",
    }
    ElementTree.register_namespace("", SVG[1:-1])
    return ElementTree.tostring(root, encoding="unicode")


def _flatten(element: ElementTree.Element) -> None:
    """Turn one element's style into attributes, and its colours into the page's."""
    for declaration in filter(str.strip, element.attrib.pop("style", "").split(";")):
        name, _, value = (part.strip() for part in declaration.partition(":"))
        found = _FONT.fullmatch(value) if name == "font" else None
        if found is not None:
            element.attrib |= {f"font-{key}": found[key] for key in ("size", "weight", "style") if found[key]}
        elif name not in ("font", "font-family"):
            element.set(name, value)
    if LINK in element.attrib:
        element.set("href", element.attrib.pop(LINK))
    if element.tag == f"{SVG}text":
        element.attrib.setdefault("fill", "#000000")
    for name in ("fill", "stroke"):
        colour = element.get(name, "").lower()
        if colour in THEMED:
            element.set(name, f"var(--{THEMED[colour]}, {'#26231e' if colour == '#000000' else colour})")


def _shorten(element: ElementTree.Element) -> None:
    """Leave out blanks between elements, and digits that are finer than a hundredth of a point."""
    if element.tag != f"{SVG}text":
        element.text = None
    element.tail = None
    for name in {"d", "x", "y", "width", "height", "transform"} & set(element.attrib):
        element.set(name, _DIGITS.sub(lambda found: f"{float(found[0]):.2f}", " ".join(element.attrib[name].split())))


def _name_ids(root: ElementTree.Element, prefix: str) -> None:
    """Name what is referred to anew, and leave all other ids out."""
    links = [
        (element, key, match[0])
        for element in root.iter()
        for key, value in element.attrib.items()
        if (key == "href" or value.startswith("url(")) and (match := _LINKED.search(value)) is not None
    ]
    names = {name: f"{prefix}{i}" for i, name in enumerate(sorted({name for _, _, name in links}))}
    for element in root.iter():
        if (own := element.attrib.pop("id", None)) in names:
            element.set("id", names[own])
    for element, key, name in links:
        element.set(key, element.attrib[key].replace(f"#{name}", f"#{names[name]}"))


# ── pictures side by side ───────────────────────────────────────────────────────────────────────────────────────


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
    return f'{head}{named} role="img" aria-label="{markup.as_written(alt)}">{rest}'


def view_box(svg: str) -> tuple[float, float]:
    """Return the width and height of a picture's view box, in its own units."""
    found = _BOX.search(svg.split(">", 1)[0])
    if found is None:
        raise ValueError("the picture has no view box")
    return float(found["wide"]), float(found["high"])


def box(svg: str) -> tuple[float, float]:
    """Return the width and height (CSS pixels) of a picture by its own size, or by its view box in points."""
    wide, high = view_box(svg)
    size = _SIZE.search(svg.split(">", 1)[0])
    shown = PIXELS * wide if size is None else float(size["wide"]) * (PIXELS if size["unit"] == "pt" else 1.0)
    return shown, shown * high / wide


def least_letters(drawn: str) -> float:
    """Return the size of the smallest letters of a drawn flowsheet (CSS pixels at its own size); 0 without any."""
    sizes, scale = [float(size) for size in _LETTERS.findall(drawn)], _SCALE.search(drawn)
    if not sizes or scale is None:
        return 0.0
    return min(sizes) * float(scale[1]) * box(drawn)[0] / view_box(drawn)[0]


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
