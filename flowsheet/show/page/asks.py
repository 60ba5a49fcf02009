"""What the page's script may ask: read from JSON within bounds, so that nothing deep, long or odd gets further."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

MOST_SETTINGS, MOST_PINS = 200, 12
LONGEST_NAME, LONGEST_VALUE, LONGEST_TEXT = 4000, 100, 4000
"""Characters: YAML takes a name of a thousand letters without ado, and a setting names a step and a field of it."""


class AskError(Exception):
    """The request makes no sense; what is wrong stands in it in plain words."""


@dataclass(frozen=True)
class Pin:
    """Settings that are kept to be compared, under a name of the miner's."""

    name: str
    settings: dict[str, str]


@dataclass(frozen=True)
class Turn:
    """What to solve: settings by name, the stream looked at, and the pins beside."""

    settings: dict[str, str]
    stream: str
    pins: tuple[Pin, ...]


@dataclass(frozen=True)
class Weigh:
    """What to do with the log: add, change or strike a line, or undo."""

    what: str
    entry: dict[str, str]
    line: int
    text: str
    token: str


def read(body: bytes) -> dict[str, Any]:
    """Return the object that a body holds. Raises AskError."""
    try:
        data = json.loads(body.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise AskError("this is no JSON that can be read here") from None
    if not isinstance(data, dict):
        raise AskError("an object is wanted")
    return data


def _no_number(text: str) -> float:
    raise ValueError(text)


def turn(data: Mapping[str, Any]) -> Turn:
    """Return what is to be solved. Raises AskError."""
    given = data.get("pins", [])
    if not isinstance(given, list) or len(given) > MOST_PINS:
        raise AskError(f"at most {MOST_PINS} pins are compared")
    pins = []
    for one in given:
        if not isinstance(one, dict):
            raise AskError("a pin has a name and settings")
        pins.append(Pin(_text(one.get("name", ""), LONGEST_NAME), settings(one.get("settings", {}))))
    return Turn(settings(data.get("settings", {})), _text(data.get("stream", ""), LONGEST_TEXT), tuple(pins))


def settings(data: object) -> dict[str, str]:
    """Return settings as text by name; what is empty is as written, and left out. Raises AskError."""
    if not isinstance(data, dict) or len(data) > MOST_SETTINGS:
        raise AskError("settings have names and values, and are not that many")
    told = {_text(name, LONGEST_NAME): _text(value, LONGEST_VALUE).strip() for name, value in data.items()}
    return {name: value for name, value in told.items() if value}


def of_query(items: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Return the settings that a page's address names; what cannot be one is passed over."""
    found: dict[str, str] = {}
    for name, value in items:
        plain = value.strip()
        if "." in name and plain and len(name) <= LONGEST_NAME and len(plain) <= LONGEST_VALUE:
            found[name] = plain
    return dict(list(found.items())[:MOST_SETTINGS])


def weigh(data: Mapping[str, Any]) -> Weigh:
    """Return what is to be done with the log. Raises AskError."""
    entry = data.get("entry", {})
    if not isinstance(entry, dict) or len(entry) > 20:
        raise AskError("a weight has its fields")
    line = data.get("line", 0)
    if not isinstance(line, int) or isinstance(line, bool) or not 0 <= line < 10**9:
        raise AskError("a line has its number")
    told = {_text(name, LONGEST_NAME): _text(value, LONGEST_TEXT) for name, value in entry.items()}
    what, text, token = (_text(data.get(name, ""), 4 * LONGEST_TEXT) for name in ("do", "text", "token"))
    if what not in ("add", "change", "strike", "undo"):
        raise AskError("a weight is added, changed, struck or undone")
    return Weigh(what, told, line, text, token)


def _text(value: object, longest: int) -> str:
    if not isinstance(value, str) or len(value) > longest:
        raise AskError("text is wanted, and not that much of it")
    if any("\ud800" <= character <= "\udfff" for character in value):
        raise AskError("half a character stands in it, which no text holds")
    return value
