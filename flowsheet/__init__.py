"""The bench flowsheet: from the weights of a bench test to what a pile of gold ore holds.

``import flowsheet as fs`` gives what ``__all__`` names. Each name is looked up when it is first used, so that the
import itself costs nothing. A function takes a sheet (``read``, ``parse``) or the path of one, and raises
``SheetError`` with every mistake found; what it returns shows itself in a notebook, and says itself on one line.

>>> import flowsheet as fs
>>> run = fs.run(fs.read("sack3.yaml"))
>>> run
<Run 'Quillfeather dump, sack 3': 14.2 kg, 0.312 g gold, 87 % kept>

Data goes one way through the rooms: spec → ore → steps → solve → study → show → door → cli.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowsheet.door.guide import Explained, explain
    from flowsheet.door.pages import Drawing, LabelPage, ReportPage, draw, label, report
    from flowsheet.door.questions import chance, fit, forecast, lot, plan, reconcile, run, trial, worth
    from flowsheet.door.rocks import cut, specimen
    from flowsheet.door.sheets import check, parse, read, starter
    from flowsheet.spec.blocks.schema import Sheet
    from flowsheet.spec.text.mistakes import Mistake, SheetError
    from flowsheet.study.balance.result import Reconciled, Reconciliation
    from flowsheet.study.estimate.chance import Chance
    from flowsheet.study.estimate.fit import Fitted
    from flowsheet.study.label.contents import LotSheet
    from flowsheet.study.lot.combine_tests import Lot
    from flowsheet.study.money.result import Worths
    from flowsheet.study.rocks.result import SpecimenGold, Specimens
    from flowsheet.study.rocks.slabs import Cutting
    from flowsheet.study.run.overview import Overview
    from flowsheet.study.run.run import Run
    from flowsheet.study.sampling.sampling_plan import SamplingPlan
    from flowsheet.study.trials.forecast import Forecasts
    from flowsheet.study.trials.trials import Trials

__version__ = "0.1.0"

_HOMES = {
    "flowsheet.door.sheets": ("read", "parse", "check", "starter"),
    "flowsheet.door.questions": (
        "run", "trial", "reconcile", "fit", "forecast", "chance", "plan", "lot", "worth",
    ),
    "flowsheet.door.rocks": ("specimen", "cut"),
    "flowsheet.door.pages": ("draw", "label", "report", "Drawing", "LabelPage", "ReportPage"),
    "flowsheet.door.guide": ("explain", "Explained"),
    "flowsheet.spec.blocks.schema": ("Sheet",),
    "flowsheet.spec.text.mistakes": ("SheetError", "Mistake"),
    "flowsheet.study.balance.result": ("Reconciled", "Reconciliation"),
    "flowsheet.study.estimate.chance": ("Chance",),
    "flowsheet.study.estimate.fit": ("Fitted",),
    "flowsheet.study.label.contents": ("LotSheet",),
    "flowsheet.study.lot.combine_tests": ("Lot",),
    "flowsheet.study.money.result": ("Worths",),
    "flowsheet.study.rocks.result": ("SpecimenGold", "Specimens"),
    "flowsheet.study.rocks.slabs": ("Cutting",),
    "flowsheet.study.run.overview": ("Overview",),
    "flowsheet.study.run.run": ("Run",),
    "flowsheet.study.sampling.sampling_plan": ("SamplingPlan",),
    "flowsheet.study.trials.forecast": ("Forecasts",),
    "flowsheet.study.trials.trials": ("Trials",),
}  # fmt: skip
"""Module → the names that it gives. Nothing is imported until one of them is asked for."""
_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Chance",
    "Cutting",
    "Drawing",
    "Explained",
    "Fitted",
    "Forecasts",
    "LabelPage",
    "Lot",
    "LotSheet",
    "Mistake",
    "Overview",
    "Reconciled",
    "Reconciliation",
    "ReportPage",
    "Run",
    "SamplingPlan",
    "Sheet",
    "SheetError",
    "SpecimenGold",
    "Specimens",
    "Trials",
    "Worths",
    "__version__",
    "chance",
    "check",
    "cut",
    "draw",
    "explain",
    "fit",
    "forecast",
    "label",
    "lot",
    "parse",
    "plan",
    "read",
    "reconcile",
    "report",
    "run",
    "specimen",
    "starter",
    "trial",
    "worth",
]


def __getattr__(name: str) -> Any:
    """Look a public name up where it lives, once."""
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}", name=name, obj=__import__(__name__))
    found = globals()[name] = getattr(import_module(home), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
