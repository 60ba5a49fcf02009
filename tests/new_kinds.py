"""A kind of equipment as someone might add it: one file dropped beside the others, for as long as a test lasts."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flowsheet import cli, steps

TUB = '''
"""A washing tub, as someone might add it."""

from typing import Literal

from flowsheet.ore.material import Material
from flowsheet.spec.blocks.fields import TYPICAL, Field, Share, knob
from flowsheet.steps.base import Operator, Port, Site, Step, Values, even


class Tub(Step):
    """Swirling mud off."""

    kind = "tub"
    what = "swirls mud off"
    ports = (Port("washed", "what stays"), Port("mud", "what flows off", free_lost="too_fine"))
    cautions = ("Mind your back.",)

    do: Literal["tub"] = Field(description="kind of equipment")
    mud: Share = knob("10 %", "share of everything that flows off", source=TYPICAL, low=0.0, high=1.0, better="x0.5")

    def model(self, feed: Material, at: Values, site: Site) -> Operator:
        """Part everything alike."""
        return Operator({"mud": even(at.mud), "washed": even(1 - at.mud)})
'''

TUB_SHEET = """
ore: {mass: 10 kg, grade: 20 g/t}
steps: {swirl: {do: tub, takes: ore, gives: {washed: gravel, mud: slime}, mud: 25 %}}
keep: gravel
"""


@contextmanager
def kind_added(name: str, source: str, room: Path) -> Iterator[None]:
    """Let the room of steps find one more file, ``source``, which lies in a folder ``room``."""
    room.mkdir(exist_ok=True)
    (room / f"{name}.py").write_text(source, encoding="utf-8")
    before = list(steps.__path__)
    steps.__path__ = [*before, str(room)]
    importlib.invalidate_caches()
    steps.kinds.cache_clear()
    try:
        yield
    finally:
        steps.__path__ = before
        steps.kinds.cache_clear()
        sys.modules.pop(f"flowsheet.steps.{name}", None)
        vars(steps).pop(name, None)


def printed(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Return what a command prints that ends well. Raises what it raises."""
    monkeypatch.setattr(sys, "argv", ["flowsheet", *arguments])
    with pytest.raises(SystemExit) as done:
        cli.main()
    assert not done.value.code
    return capsys.readouterr().out
