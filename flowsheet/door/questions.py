"""What is asked of a sheet: a function a question, which returns the result that its sub-room of ``study`` makes.

``draws`` and ``seed`` are those of the numbers in doubt: the same seed, the same draws. ``progress`` goes through the
parts of a long work and may tell how far it is (``lambda parts: tqdm(list(parts))``); nothing is told without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from flowsheet.door.sheets import as_sheet
from flowsheet.spec.blocks.schema import Sheet

if TYPE_CHECKING:
    from flowsheet.study.balance.result import Reconciliation
    from flowsheet.study.estimate.chance import Chance
    from flowsheet.study.estimate.fit import Fitted
    from flowsheet.study.lot.combine_tests import Lot
    from flowsheet.study.money.result import Worths
    from flowsheet.study.run.run import Run
    from flowsheet.study.sampling.sampling_plan import SamplingPlan
    from flowsheet.study.trials.forecast import Forecasts
    from flowsheet.study.trials.trials import Trials

Progress: TypeAlias = Callable[[Iterable[Any]], Iterable[Any]]
Settings: TypeAlias = Mapping[str, str | Sequence[str]] | Iterable[str]


def run(sheet: Sheet | str | Path, certain: bool = True) -> Run:
    """Return the solved sheet: streams, what is kept, coarse gold, losses, advice, and how sure that is.

    ``certain=False`` leaves out how sure it is, which takes ten times as long as all the rest. Raises SheetError for
    what is wrong with the sheet, and where nothing can leave a loop.

    >>> import flowsheet as fs
    >>> sheet = fs.read("sack3.yaml")
    >>> run, twice = (fs.run(one, certain=False) for one in (sheet, sheet.with_({"wash.passes": "2"})))
    >>> round(100 * run.kept_share, 1), round(100 * twice.kept_share, 1)
    (87.3, 93.9)
    >>> run.sure is None
    True
    """
    from flowsheet.study.run.run import run as study

    return study(as_sheet(sheet), certain)


def trial(sheet: Sheet | str | Path, settings: Settings, progress: Progress = iter) -> Trials:
    """Return the sheet solved as it stands and for every combination of ``settings``.

    ``settings``: field → values as the sheet writes them: a list, "20 mm, 12 mm", or "5 mm to 20 mm in 4" (lengths by
    ratio, others evenly); or lines as the command takes them, "scalp.opening=20 mm, 12 mm". Raises SheetError
    for a setting that is wrong, with the nearest field, before anything is solved.

    >>> import flowsheet as fs
    >>> found = fs.trial("sack3.yaml", {"scalp.opening": ["20 mm", "12 mm"], "wash.passes": "1 to 3 in 3"})
    >>> [row.settings for row in found.rows][:2], len(found.rows)
    ([{'scalp.opening': '20 mm', 'wash.passes': '1'}, {'scalp.opening': '20 mm', 'wash.passes': '2'}], 6)
    """
    from flowsheet.study.trials.trials import run_trials

    document, moved = _moved(as_sheet(sheet), settings)
    return run_trials(document, moved, progress)


def forecast(sheet: Sheet | str | Path, settings: Settings, seed: int = 1, progress: Progress = iter) -> Forecasts:
    """Return what each of ``settings`` would have kept of the sack that was run, with intervals (nine times in ten).

    The draws of the estimate are solved again with each change; what the steps really did, and the luck of the sack,
    stay as they were. ``settings`` are as in ``trial``. Raises SheetError as ``trial`` and ``fit`` do.

    >>> import flowsheet as fs
    >>> found = fs.forecast("sack3.yaml", {"wash.passes": "2"})
    >>> found.rows[0].better > 0.9
    True
    """
    from flowsheet.study.trials.forecast import run_forecasts

    document, moved = _moved(as_sheet(sheet), settings)
    return run_forecasts(document, moved, seed, progress)


def reconcile(sheet: Sheet | str | Path) -> Reconciliation:
    """Return what the weights of each test say without any model: what agrees, what stands out, the head grade.

    Raises SheetError where nothing was weighed that a balance can use.

    >>> import flowsheet as fs
    >>> found = fs.reconcile("sack3.yaml")
    >>> list(found.tests), found.first.suspect is None
    (['sack3'], True)
    """
    from flowsheet.study.balance.reconcile import reconcile_sheet
    from flowsheet.study.balance.result import Reconciliation

    return Reconciliation(reconcile_sheet(as_sheet(sheet)))


def fit(sheet: Sheet | str | Path, seed: int = 1) -> Fitted:
    """Return what the weights left of the sheet's numbers, each before and after, and the sheet that holds it.

    ``fitted_sheet`` gives the same answers as the weights did and does not read them again: its estimate stands in it
    (``fitted:``). Raises SheetError where nothing was weighed, or the sheet was fitted already.

    >>> import flowsheet as fs
    >>> found = fs.fit("sack3.yaml")
    >>> str(found.fitted_sheet.ores["ore"].grade)
    '24.1 g/t ± 3.1 g/t'
    """
    from flowsheet.study.estimate.fit import fit as study
    from flowsheet.study.estimate.fitted_sheet import refuse_twice

    given = as_sheet(sheet)
    if given.document is not None:
        refuse_twice(given.document)
    return study(given, seed)


def chance(sheet: Sheet | str | Path, draws: int = 1000, seed: int = 1, progress: Progress = iter) -> Chance:
    """Return how sure the answers are (nine times in ten), and what another sack of the same ore would hold.

    Raises SheetError where the sheet knows no gold grains, for then there is no luck to tell of.

    >>> import flowsheet as fs
    >>> found = fs.chance("sack3.yaml", draws=500)
    >>> found.kept_share.p5 < found.kept_share.mean < found.kept_share.p95
    True
    """
    from flowsheet.study.estimate.chance import chance as study

    return study(as_sheet(sheet), draws, seed, progress)


def plan(
    sheet: Sheet | str | Path,
    want: str | float | None = None,
    mass: str | float | None = None,
    confidence: str | float = "90 %",
    sacks: int | None = None,
    seed: int = 1,
    progress: Progress = iter,
) -> SamplingPlan:
    """Return how to sample the pile: how many sacks, what of each, how fine to break it before each split.

    ``want``: how far off the grade may be (default "20 %"), or ``mass``: the rock that you can afford to run;
    ``confidence``: the chance that it is no further off; ``sacks`` of the pile, in place of the sheet's. Shares and
    masses are text ("20 %", "50 kg") or numbers (0.2; kg). Raises SheetError.

    >>> import flowsheet as fs
    >>> found = fs.plan("pile/pile.yaml", want="30 %")
    >>> found.met, found.plan.sacks <= 40
    (True, True)
    """
    from flowsheet.study.sampling.sampling_plan import planned
    from flowsheet.study.sampling.wish import wish_of

    wish = wish_of(want, mass, confidence, sacks)
    return planned(as_sheet(sheet), wish, seed, progress)


def lot(
    sheet: Sheet | str | Path,
    sacks: int | None = None,
    skip: bool = False,
    reading: Progress = iter,
    progress: Progress = iter,
) -> Lot:
    """Return what several tests of one pile say of it together: its grade and gold, and how far its sacks differ.

    ``sheet``: a sheet that names its weigh sheets, or a folder of sheets and weigh sheets. ``sacks`` of the pile, in
    place of the sheet's; ``skip`` leaves out, and names, files that are wrong. ``reading`` goes through the weigh
    sheets, ``progress`` through the sacks. Raises SheetError.

    >>> import flowsheet as fs
    >>> found = fs.lot("pile/pile.yaml")
    >>> len(found.told), found.sacks
    (6, 40)
    """
    from flowsheet.study.lot.combine_tests import lot as study
    from flowsheet.study.lot.ledger import read_ledger

    source = sheet if isinstance(sheet, Sheet) else Path(sheet)
    return study(read_ledger(source, skip, reading), sacks, progress)


def worth(sheet: Sheet | str | Path, draws: int = 1000, seed: int = 1, progress: Progress = iter) -> Worths:
    """Return what a sack and the pile bring by each way of selling, and whether working up pays, in the sheet's money.

    Raises SheetError where the sheet has no prices, sells nothing, or holds no gold.

    >>> import flowsheet as fs
    >>> found = fs.worth("pile/pile.yaml", draws=200)
    >>> found.currency, len(found.ways)
    ('USD', 2)
    """
    from flowsheet.study.money.valuation import worth as study

    return study(as_sheet(sheet), draws, seed, progress)


def _moved(sheet: Sheet, settings: Settings) -> tuple[Any, dict[str, list[str]]]:
    """Return the document of a sheet, and the settings with every value that is to be tried."""
    from flowsheet.study.trials.trials import counts, parse_settings

    if sheet.document is None:
        raise TypeError("this sheet was put together by hand; make one with flowsheet.read or flowsheet.parse")
    texts = settings
    if isinstance(settings, Mapping):
        texts = [f"{name}={value if isinstance(value, str) else ','.join(value)}" for name, value in settings.items()]
    return sheet.document, parse_settings(texts, counts(sheet))
