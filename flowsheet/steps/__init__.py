"""Kinds of equipment, one file each. Every module here that defines a Step with a ``kind`` is found by itself."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import MappingProxyType

from flowsheet.steps.base import Step


@cache
def kinds() -> MappingProxyType[str, type[Step]]:
    """Return kind → its class, in alphabetical order."""
    found: dict[str, type[Step]] = {}
    for module in pkgutil.iter_modules(__path__):
        if module.name.startswith("_") or module.name == "base":
            continue
        loaded = importlib.import_module(f"{__name__}.{module.name}")
        for thing in vars(loaded).values():
            if (
                isinstance(thing, type)
                and issubclass(thing, Step)
                and thing.kind
                and thing.__module__ == loaded.__name__
            ):
                found[thing.kind] = thing
    return MappingProxyType(dict(sorted(found.items())))
