"""A drawn figure's SVG made fit for a page: one element, the page's colours, no style attributes, ids of its own."""

from __future__ import annotations

import re
from hashlib import sha256
from xml.etree import ElementTree

SVG, LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
FAMILIES = "system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"

THEMED = {
    "#26231e": "ink", "#000000": "ink", "#645c4f": "soft", "#d8cfbd": "rule", "#efe9dc": "faint", "#faf7f0": "paper",
    "#ffffff": "paper",
}  # fmt: skip
"""Colours that a page turns, and the variables of theme.css that hold them."""
_REFERENCE = re.compile(r"(?<=^#).+|(?<=url\(#)[^)]+")
_DIGITS = re.compile(r"-?\d+\.\d{3,}")
_FONT = re.compile(r"(?:(?P<style>italic|oblique) )?(?:(?P<weight>bold|\d+) )?(?P<size>[\d.]+)px (?P<family>.+)")
_VARIABLE = re.compile(r"var\(--[\w-]+, ([^)]+)\)")


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


def plain(svg: str) -> str:
    """Return an SVG with its light colours in place of a page's variables, for what knows no variables (PDF)."""
    return _VARIABLE.sub(r"\1", svg)


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
        if (key == "href" or value.startswith("url(")) and (match := _REFERENCE.search(value)) is not None
    ]
    names = {name: f"{prefix}{i}" for i, name in enumerate(sorted({name for _, _, name in links}))}
    for element in root.iter():
        if (own := element.attrib.pop("id", None)) in names:
            element.set("id", names[own])
    for element, key, name in links:
        element.set(key, element.attrib[key].replace(f"#{name}", f"#{names[name]}"))
