"""Kinds of equipment, one file each. Every module here that defines a Step with a ``kind`` is found by itself."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import MappingProxyType

from flowsheet.steps.base import Step


def kind_that(says: str) -> type[Step]:
    """Return the kind whose class says something of itself: ``kind_that("looks_over")``; the first by name, if several.

    Raises LookupError where none does.
    """
    for kind in kinds().values():
        if getattr(kind, says):
            return kind
    raise LookupError(f"no kind of equipment says {says}")


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
