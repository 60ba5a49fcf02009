"""Words that every room shares: lists, and what an argument is called by whoever asks.

A command line has options (``--want "20 %"``), Python has arguments (``want="20 %"``). A remedy names what can be
typed, so it asks here; the program says once that it is a command line that asks.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

OPTIONS = {"settings": "--set", "name": "--like"}
"""Arguments that are called otherwise on a command line; all others are options of the same name."""
FUNCTIONS = {"try": "trial"}
"""Commands whose function is called otherwise in Python."""

_asked_from = {"command line": False}


def listed(parts: Sequence[str], joint: str = "and") -> str:
    """Return "a, b and c", "" of nothing."""
    return f"{', '.join(parts[:-1])} {joint} {parts[-1]}" if len(parts) > 1 else "".join(parts)


@contextmanager
def on_command_line() -> Iterator[None]:
    """While it lasts, whoever asks does so by a command line; in all threads, for a page has several."""
    before, _asked_from["command line"] = _asked_from["command line"], True
    try:
        yield
    finally:
        _asked_from["command line"] = before


def by_asker(command_line: str, python: str) -> str:
    """Return the words for whoever asks, where they are not an argument's alone."""
    return command_line if _asked_from["command line"] else python


def argument(name: str, value: Any = None) -> str:
    """Return how whoever asks calls an argument, with a ``value``: how it is typed.

    ``argument("mass", "50 kg")`` is ``--mass "50 kg"`` or ``mass="50 kg"``; a value of True is a switch, several are
    a list.
    """
    option = OPTIONS.get(name, f"--{name}")
    if value is None:
        return by_asker(option, name)
    if value is True:
        return by_asker(option, f"{name}=True")
    text = value if isinstance(value, str) else ",".join(value) if isinstance(value, Sequence) else f"{value:g}"
    typed = f'"{text}"' if " " in text else text
    python = text if isinstance(value, (int, float)) else json.dumps(value, ensure_ascii=False)
    return by_asker(f"{option} {typed}", f"{name}={python}")


def setting(field: str, value: str) -> str:
    """Return how whoever asks writes a field set anew: ``scalp.opening=12mm``, or an entry of a dict."""
    return by_asker(f"{field}={value}", f'"{field}": "{value}"')


def asking(command: str, *words: str) -> str:
    """Return how whoever asks gives a command: ``flowsheet explain pan``, or ``fs.explain("pan")``."""
    given = ", ".join(json.dumps(word, ensure_ascii=False) for word in words)
    return by_asker(" ".join(("flowsheet", command, *words)), f"fs.{FUNCTIONS.get(command, command)}({given})")
